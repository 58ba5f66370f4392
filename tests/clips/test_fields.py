"""Interlaced recordings: woven fields of a moving picture are told, whole pictures and noise are not."""

from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from needlecoach.clips import open_clip
from needlecoach.clips.fields import FieldWatch

SIZE = (160, 120)


def speckle(count: int, *, step_px: float, noise: float = 0.0, grain_px: float = 1.2) -> list[np.ndarray]:
    """A fine texture that glides sideways and down, with noise of its own in every picture."""
    rng = np.random.default_rng(8)
    wide = cv2.GaussianBlur(rng.normal(size=(260, 700)), (0, 0), grain_px)
    grey = (100 + 45 * wide / wide.std()).astype(np.float32)
    pictures = []
    for k in range(count):
        shift = np.array([[1, 0, -step_px * k], [0, 1, -0.3 * step_px * k]])
        part = cv2.warpAffine(grey, shift, SIZE) + noise * rng.normal(size=SIZE[::-1])
        pictures.append(part.clip(0, 255).astype(np.uint8))
    return pictures


def woven(pictures: list[np.ndarray], first: int) -> list[np.ndarray]:
    """Frames of two pictures each: rows of one parity from the earlier, of the other from the later."""
    frames = []
    for early, late in zip(pictures[::2], pictures[1::2], strict=False):
        frame = late.copy()
        frame[first::2] = early[first::2]
        frames.append(frame)
    return frames


def watched(frames: list[np.ndarray], *, flagged: bool = False) -> FieldWatch:
    watch = FieldWatch()
    for number, frame in enumerate(frames):
        watch.see(number, frame, flagged=flagged)
    return watch


@pytest.mark.parametrize("first", [0, 1])
@pytest.mark.parametrize("step_px", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("noise", [0.0, 6.0])
def test_woven_fields_are_told(first: int, step_px: float, noise: float) -> None:
    watch = watched(woven(speckle(100, step_px=step_px, noise=noise), first))
    assert watch.woven is True
    assert "interlaced" in watch.notes()[0]


@pytest.mark.parametrize("step_px", [0.5, 1.0, 2.0, 5.0])
@pytest.mark.parametrize("noise", [0.0, 6.0])
@pytest.mark.parametrize("flagged", [False, True])
def test_whole_pictures_are_not_though_the_file_says_so(step_px: float, noise: float, flagged: bool) -> None:
    watch = watched(speckle(50, step_px=step_px, noise=noise), flagged=flagged)
    assert watch.woven is False
    assert watch.notes() == []


def test_a_comb_that_stands_is_no_interlacing() -> None:
    """Rows that differ all the time, as a raster drawn on the screen does, are whole pictures."""
    frames = speckle(50, step_px=2.0)
    for frame in frames:
        frame[::2] //= 2
    assert watched(frames).woven is False


@pytest.mark.parametrize("noise", [0.0, 20.0])
def test_without_movement_the_file_is_believed(noise: float) -> None:
    still = speckle(50, step_px=0.0, noise=noise)
    assert watched(still).notes() == []
    assert "too little moves" in watched(still, flagged=True).notes()[0]


def test_tiny_pictures_are_looked_at_without_fault() -> None:
    for shape in ((1, 1), (3, 400), (7, 64)):
        assert watched([np.full(shape, 40 * (k % 5), np.uint8) for k in range(40)]).woven is None


def write(path: Path, frames: list[np.ndarray], options: dict[str, str]) -> Path:
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=25, options={"crf": "16", **options})
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        for frame in frames:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(frame, format="gray8")))
        container.mux(stream.encode())
    return path


@pytest.mark.parametrize("told", [True, False])
def test_an_interlaced_file_is_noted(tmp_path: Path, told: bool) -> None:
    options = {"x264-params": "interlaced=1"} if told else {}
    path = write(tmp_path / "a.mp4", woven(speckle(120, step_px=1.5, noise=3.0), 0), options)
    with open_clip(path) as reader:
        assert reader.facts().flagged_interlaced is told
        assert reader.notes == []
        list(reader)
        assert [note for note in reader.notes if note.startswith("The recording is interlaced")]


def test_a_progressive_file_is_not(tmp_path: Path) -> None:
    path = write(tmp_path / "a.mp4", speckle(60, step_px=1.5, noise=3.0), {})
    with open_clip(path) as reader:
        list(reader)
        assert reader.notes == []
        assert reader.facts().flagged_interlaced is False
