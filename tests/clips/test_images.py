"""Folders of numbered images: order, times, gaps, and what is refused."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from needlecoach.clips import open_clip, sha256_of
from needlecoach.errors import ClipError


def write_images(folder: Path, names: list[str], *, size: tuple[int, int] = (12, 8)) -> Path:
    """Flat pictures whose grey value is 10 times the place in `names`, counted from 1."""
    folder.mkdir(exist_ok=True)
    for place, name in enumerate(names, start=1):
        assert cv2.imwrite(str(folder / name), np.full((size[1], size[0]), 10 * place, np.uint8))
    return folder


def greys(folder: Path, *, fps: float = 10.0) -> list[int]:
    with open_clip(folder, fps=fps) as reader:
        return [int(frame.pixels[0, 0]) for frame in reader]


def test_order_is_that_of_the_numbers(tmp_path: Path) -> None:
    folder = write_images(tmp_path / "L01", ["f2.png", "f10.png", "f1.png"])
    assert greys(folder) == [30, 10, 20]


@pytest.mark.parametrize("ending", ["png", "jpg", "jpeg", "tif", "tiff", "bmp", "PNG"])
def test_every_kind_of_image(tmp_path: Path, ending: str) -> None:
    folder = write_images(tmp_path / "L01", [f"0001.{ending}", f"0002.{ending}"])
    assert greys(folder) == pytest.approx([10, 20], abs=1)


def test_numbers_times_and_description(tmp_path: Path) -> None:
    folder = write_images(tmp_path / "run.v2", ["30.png", "31.png", "33.png"])
    with open_clip(folder, fps=10.0) as reader:
        frames = list(reader)
        clip = reader.clip
        assert "1 gap" in reader.notes[0]
    assert [frame.number for frame in frames] == [0, 1, 2]
    assert [frame.time_s for frame in frames] == pytest.approx([0.0, 0.1, 0.3])
    assert (clip.name, clip.kind, clip.width_px, clip.height_px, clip.n_frames) == (
        "run.v2",
        "images",
        12,
        8,
        3,
    )


def test_numbers_in_steps_are_no_gaps(tmp_path: Path) -> None:
    folder = write_images(tmp_path / "L01", ["010.png", "020.png", "030.png"])
    with open_clip(folder, fps=10.0) as reader:
        assert [frame.time_s for frame in reader] == pytest.approx([0.0, 0.1, 0.2])
        assert reader.notes == []


def test_single_and_sampled_frames(tmp_path: Path) -> None:
    folder = write_images(tmp_path / "L01", [f"{number}.png" for number in range(9)])
    with open_clip(folder, fps=10.0) as reader:
        assert {number: frame.pixels[0, 0] for number, frame in reader.read_frames([7, 2]).items()} == {
            2: 30,
            7: 80,
        }
        assert [frame.number for frame in reader.sample_frames(3)] == [0, 4, 8]
        assert len(reader.sample_frames(30)) == 9
        with pytest.raises(ClipError, match="no frame 9"):
            reader.read_frames([9])


def test_other_files_are_passed_over(tmp_path: Path) -> None:
    folder = write_images(tmp_path / "L01", ["1.png", "2.png", "mask.png", ".3.png"])
    (folder / "4.txt").write_text("notes")
    assert greys(folder) == [10, 20]


def test_sixteen_bit_images_keep_their_upper_byte(tmp_path: Path) -> None:
    (tmp_path / "L01").mkdir()
    cv2.imwrite(str(tmp_path / "L01" / "1.png"), np.full((8, 12), 200 * 257, np.uint16))
    assert greys(tmp_path / "L01") == [200]


def test_one_pixel(tmp_path: Path) -> None:
    assert greys(write_images(tmp_path / "L01", ["1.png", "2.png"], size=(1, 1))) == [10, 20]


def broken_image(folder: Path) -> None:
    (folder / "2.png").write_bytes(b"not an image")


def other_size(folder: Path) -> None:
    cv2.imwrite(str(folder / "2.png"), np.zeros((9, 12), np.uint8))


def same_number(folder: Path) -> None:
    cv2.imwrite(str(folder / "b1.png"), np.zeros((8, 12), np.uint8))


@pytest.mark.parametrize(
    ("spoil", "said"),
    [(broken_image, "can't be read as an image"), (other_size, "one size"), (same_number, "same number")],
)
def test_spoilt_folders_are_one_line(tmp_path: Path, spoil, said: str) -> None:
    folder = write_images(tmp_path / "L01", ["1.png"])
    spoil(folder)
    with pytest.raises(ClipError, match=said) as caught:
        greys(folder)
    assert len(str(caught.value).splitlines()) == 1


def test_a_broken_image_says_nothing_of_its_own(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    folder = write_images(tmp_path / "L01", ["1.png", "2.png"])
    whole = (folder / "2.png").read_bytes()
    (folder / "2.png").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(ClipError):
        greys(folder)
    assert capfd.readouterr() == ("", "")


def test_a_folder_without_images(tmp_path: Path) -> None:
    with pytest.raises(ClipError, match="no numbered images"):
        open_clip(tmp_path, fps=10.0)


@pytest.mark.parametrize("fps", [None, 0.0, -5.0, float("nan"), float("inf")])
def test_a_rate_is_needed(tmp_path: Path, fps: float | None) -> None:
    with pytest.raises(ClipError, match="--fps"):
        open_clip(write_images(tmp_path / "L01", ["1.png"]), fps=fps)


def test_fingerprint_follows_names_and_contents(tmp_path: Path) -> None:
    first = sha256_of(write_images(tmp_path / "a", ["1.png", "2.png"]))
    assert first == sha256_of(write_images(tmp_path / "b", ["1.png", "2.png"]))
    assert first != sha256_of(write_images(tmp_path / "c", ["2.png", "1.png"]))
    assert first != sha256_of(write_images(tmp_path / "d", ["1.png", "3.png"]))
