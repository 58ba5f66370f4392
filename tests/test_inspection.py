"""Inspection: what is known of drawn clips from their making is found again, and advice follows from it."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from needlecoach import inspection
from needlecoach.errors import ClipError, MarksError
from needlecoach.inspection import Cut, blockiness, inspect_clip, is_repeat, line_mm
from needlecoach.model import Frame, Inspection, Marks, Region, Scale
from needlecoach.recording_advice import advice, compression

WIDTH, HEIGHT = 480, 400
BOX = (60, 40, 320, 300)
SCALE = Scale.from_mm_per_px(0.15)


def speckled(count: int, *, seed: int = 1, repeat: int = 1) -> list[np.ndarray]:
    """A screen of our own invention: speckle that sways and flickers in BOX, writing beside it."""
    rng = np.random.default_rng(seed)
    x, y, w, h = BOX
    grain = cv2.GaussianBlur(rng.normal(size=(h + 40, w + 40)), (0, 0), 1.6)
    grain = 80 + 28 * grain / grain.std()
    frames = []
    for k in range(count):
        moment = k // repeat
        if k % repeat:
            frames.append(frames[-1])
            continue
        right, down = round(6 + 5 * np.sin(moment / 9)), round(6 + 3 * np.cos(moment / 7))
        screen = np.zeros((HEIGHT, WIDTH), np.uint8)
        cv2.putText(screen, "INVENTED NAME", (90, 24), cv2.FONT_HERSHEY_SIMPLEX, 0.7, 255, 2)
        part = grain[down : down + h, right : right + w] + 2 * rng.normal(size=(h, w))
        screen[y : y + h, x : x + w] = part.clip(3, 255)
        frames.append(screen)
    return frames


def with_needle(frames: list[np.ndarray]) -> list[np.ndarray]:
    """A bright line that slides in from the left edge and out again."""
    out = []
    for k, frame in enumerate(frames):
        share = 1 - abs(2 * k / len(frames) - 1)
        tip = (BOX[0] + int(200 * share), BOX[1] + 60 + int(130 * share))
        out.append(cv2.line(frame.copy(), (BOX[0], BOX[1] + 60), tip, 230, 4, cv2.LINE_AA))
    return out


def write(
    path: Path, frames: list[np.ndarray], *, steps_ms: list[int] | None = None, crf: int = 16, keys: int = 30
) -> Path:
    steps = steps_ms or [40]
    stamps = np.cumsum([0, *(steps[k % len(steps)] for k in range(len(frames) - 1))]).tolist()
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=25, options={"crf": str(crf), "preset": "veryfast"})
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.gop_size = keys
        stream.time_base = stream.codec_context.time_base = Fraction(1, 1000)
        for frame, stamp in zip(frames, stamps, strict=True):
            picture = av.VideoFrame.from_ndarray(frame, format="gray8")
            picture.pts, picture.time_base = stamp, Fraction(1, 1000)
            container.mux(stream.encode(picture))
        container.mux(stream.encode())
    return path


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Inspection:
    path = write(tmp_path_factory.mktemp("good") / "L01.mp4", with_needle(speckled(150)))
    return inspect_clip(path, Marks(scale=SCALE))[0]


def test_what_was_drawn_is_found(good: Inspection) -> None:
    assert good.region is not None and good.region.kind == "rectangle"
    assert np.abs(np.subtract(good.region.box_px, BOX)).max() <= 2
    timing = good.timing
    assert (timing.n_frames, timing.interlaced) == (150, "no")
    assert (timing.fps, timing.length_s) == (pytest.approx(25), pytest.approx(149 * 0.04))
    assert (timing.step_spread_share, timing.same_share) == (pytest.approx(0, abs=1e-6), 0)
    assert (good.storage.container, good.storage.codec, good.storage.compression) == ("mp4", "h264", "fine")
    assert (good.scale, good.tint, good.region_problem) == (SCALE, "grey", "")
    # Drawn around 80 with a standard deviation of 28; nine tenths of a bell lie within 3.29 of those.
    assert good.greys.mean == pytest.approx(80, abs=5)
    assert good.greys.range == pytest.approx(3.29 * 28, rel=0.15)
    assert good.greys.saturated_share < 0.01
    assert (good.looks, good.looks_with_line) == (4, 4)
    assert good.advice == ()


def test_bits_per_pixel_are_those_of_the_pictures_in_the_file(tmp_path: Path) -> None:
    path = write(tmp_path / "a.mp4", speckled(60))
    found = inspect_clip(path, Marks(region_box_px=BOX))[0]
    with av.open(str(path)) as container:
        n_bytes = sum(packet.size for packet in container.demux(video=0))
    assert found.storage.bits_per_px == pytest.approx(8 * n_bytes / (60 * BOX[2] * BOX[3]), rel=1e-6)
    assert found.region is not None and found.region.source == "given"


@pytest.mark.parametrize("repeat", [2, 3])
def test_repeated_frames_are_counted(tmp_path: Path, repeat: int) -> None:
    found = inspect_clip(write(tmp_path / "a.mp4", speckled(90, repeat=repeat)), Marks(scale=SCALE))[0]
    # Coded anew, many a repeat differs by more than some new pictures do: a lower bound is told.
    assert 0.5 * (1 - 1 / repeat) < found.timing.same_share < 1 - 1 / repeat + 0.03
    assert any("repeat the one before" in words for words in found.advice)


def test_repeated_images_are_counted_exactly(tmp_path: Path) -> None:
    for number, picture in enumerate(speckled(60, repeat=3)):
        cv2.imwrite(str(tmp_path / f"{number}.png"), picture)
    # Four runs of 40 frames out of 60: of 39 steps each, every third leads to something new.
    assert inspect_clip(tmp_path, Marks(), fps=30.0)[0].timing.same_share == pytest.approx(2 / 3, abs=0.02)


def test_uneven_steps_are_told(tmp_path: Path) -> None:
    path = write(tmp_path / "a.mp4", speckled(60), steps_ms=[20, 40, 100])
    timing = inspect_clip(path, Marks(scale=SCALE))[0].timing
    assert timing.fps == pytest.approx(25)
    assert timing.step_spread_share == pytest.approx((100 - 20) / 40, rel=1e-3)


def test_a_long_clip_is_entered_by_key_frames(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "a.mp4", (speckled(50) * 14), crf=28, keys=50)
    from needlecoach.clips.decoding import VideoFile

    decoded: list[int] = []
    decode = VideoFile._decoded

    def counting(self: VideoFile, packet: av.Packet | None) -> list[av.VideoFrame]:
        pictures = decode(self, packet)
        decoded.extend([1] * len(pictures))
        return pictures

    monkeypatch.setattr(VideoFile, "_decoded", counting)
    found = inspect_clip(path, Marks())[0]
    assert (found.timing.n_frames, found.looked_at) == (700, 160)
    assert len(decoded) < 260


def test_heavy_compression_is_told(tmp_path: Path) -> None:
    found = inspect_clip(write(tmp_path / "a.mp4", speckled(60), crf=44), Marks())[0]
    assert found.storage.compression == "heavy"
    assert any("heavily compressed" in words for words in found.advice)


@pytest.mark.parametrize(
    ("bits", "blocks", "word"),
    [(0.5, 1.0, "fine"), (0.03, 1.0, "noticeable"), (0.5, 1.4, "noticeable"), (0.01, 1.0, "heavy"),
     (0.5, 1.6, "heavy"), (float("nan"), 1.0, "not known")],
)  # fmt: skip
def test_compression_in_a_word(bits: float, blocks: float, word: str) -> None:
    assert compression(bits, blocks) == word


def test_blocks_of_eight_show() -> None:
    smooth = cv2.GaussianBlur(np.random.default_rng(3).normal(size=(160, 160)), (0, 0), 3)
    plain = (128 + 400 * smooth).clip(0, 255)
    blocks = plain.reshape(20, 8, 20, 8).mean(axis=(1, 3)).repeat(8, axis=0).repeat(8, axis=1)
    assert blockiness(plain.astype(np.uint8)) == pytest.approx(1, abs=0.1)
    # Half of every pixel is its block's mean: steps inside shrink to a half, those at borders do not.
    assert blockiness((0.5 * plain + 0.5 * blocks).astype(np.uint8)) > 2


def test_coding_noise_does_not_hide_a_repeat() -> None:
    first, *_, other = speckled(3)
    bits = (np.random.default_rng(5).random(first.shape) < 0.2).astype(np.uint8)
    assert is_repeat(first, first ^ bits)
    assert not is_repeat(first, other)
    tip = first.copy()
    tip[200:205, 200:205] += 30
    assert not is_repeat(first, tip)


def test_only_a_line_that_comes_or_goes_counts() -> None:
    frames = speckled(40, repeat=40)
    standing = [cv2.line(frame.copy(), (80, 120), (300, 280), 230, 4) for frame in frames]
    cut = Cut.of(Region("rectangle", BOX))

    def found_mm(pictures: list[np.ndarray]) -> float:
        return line_mm(cut, [Frame(k, k / 25, picture) for k, picture in enumerate(pictures)], SCALE)

    assert found_mm(standing) == 0
    # 239 px of 0.15 mm are drawn; the parts of the run hold three quarters of the way and more.
    assert 15 < found_mm(with_needle(frames)) < 40


def rated(found: Inspection, **changes: object) -> str:
    return " ".join(advice(replace(found, **changes)))


def test_advice_follows_from_its_bounds(good: Inspection) -> None:
    timing, greys = good.timing, good.greys
    assert "a second" in rated(good, timing=replace(timing, fps=14.9))
    assert "can't be right" in rated(good, timing=replace(timing, fps=6e4))
    assert rated(good, timing=replace(timing, fps=15.0)) == ""
    assert "repeat" in rated(good, timing=replace(timing, same_share=0.21))
    assert "interlaced" in rated(good, timing=replace(timing, interlaced="woven"))
    assert "0.2 mm" in rated(good, scale=Scale.from_mm_per_px(0.21))
    assert "small" in rated(good, region=Region("rectangle", (0, 0, 100, 100)))
    assert "white" in rated(good, greys=replace(greys, saturated_share=0.06))
    assert "dark or flat" in rated(good, greys=replace(greys, range=20.0))
    assert "No scale" in rated(good, scale=None)
    assert "--region" in rated(good, region=None)
    assert "No straight line" in rated(good, looks_with_line=0)


def test_a_screen_without_picture_is_no_error(tmp_path: Path) -> None:
    path = write(tmp_path / "a.mp4", [np.zeros((HEIGHT, WIDTH), np.uint8)] * 20)
    found, frame, _ = inspect_clip(path, Marks())
    assert found.region is None and "No ultrasound picture" in found.region_problem
    assert frame.pixels.shape == (HEIGHT, WIDTH)
    assert found.greys.mean == 0


def test_a_folder_of_images(tmp_path: Path) -> None:
    folder = tmp_path / "L02"
    folder.mkdir()
    for number, picture in enumerate(speckled(12)):
        cv2.imwrite(str(folder / f"{number}.png"), picture)
    found = inspect_clip(folder, Marks(), fps=10.0)[0]
    assert (found.storage.container, found.storage.codec) == ("folder of images", "png")
    assert (found.timing.n_frames, found.timing.fps) == (12, pytest.approx(10))
    assert found.region is not None and np.abs(np.subtract(found.region.box_px, BOX)).max() <= 2


@pytest.mark.parametrize("size", [(1, 1), (1, 400), (2, 2), (9, 7)])
def test_pictures_too_small_for_anything(tmp_path: Path, size: tuple[int, int]) -> None:
    for number in range(9):
        cv2.imwrite(str(tmp_path / f"{number}.png"), np.full(size, 20 * number, np.uint8))
    found = inspect_clip(tmp_path, Marks(), fps=10.0)[0]
    assert found.region is None


def test_one_frame(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "1.png"), speckled(1)[0])
    found = inspect_clip(tmp_path, Marks(), fps=10.0)[0]
    assert np.isnan([found.timing.fps, found.timing.same_share]).all()
    assert (found.timing.n_frames, found.timing.interlaced, found.looks) == (1, "not known", 0)


def test_very_large_screens_are_looked_at_in_few_frames(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number, picture in enumerate(speckled(20)):
        cv2.imwrite(str(tmp_path / f"{number}.png"), picture)
    # As much memory for these as there is for 7680 x 4320 px: six frames.
    monkeypatch.setattr(inspection, "_MOST_BYTES", 6 * WIDTH * HEIGHT)
    found = inspect_clip(tmp_path, Marks(), fps=10.0)[0]
    assert found.looked_at <= 8
    assert found.region is not None and np.abs(np.subtract(found.region.box_px, BOX)).max() <= 3


def test_what_can_be_mended_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ClipError):
        inspect_clip(tmp_path / "none.mp4", Marks())
    path = write(tmp_path / "a.mp4", speckled(20))
    with pytest.raises(MarksError, match="not within the frame"):
        inspect_clip(path, Marks(region_box_px=(300, 0, 300, 90)))


def test_a_picture_that_fills_the_frame_is_asked_about(good: Inspection) -> None:
    box = (0, 0, good.clip.width_px, good.clip.height_px)
    assert "--screen auto" in rated(good, region=Region("rectangle", box))
    assert "--screen auto" not in rated(good, region=Region("rectangle", box, source="given"))
    assert "--screen auto" not in rated(good)
