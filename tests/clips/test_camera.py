"""A camera's recording read as if the screen had been recorded (drawn, invented)."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from needlecoach.clips import CameraReader, open_clip, straightened
from needlecoach.clips.camera import BAND_SIZE, without_bands
from needlecoach.errors import ClipError
from needlecoach.model import Marks, ScreenView

SIZE = (200, 150)


def screen() -> np.ndarray:
    grey = np.full((SIZE[1], SIZE[0]), 40, np.uint8)
    cv2.putText(grey, "GAIN", (20, 60), cv2.FONT_HERSHEY_SIMPLEX, 1, 150, 2)
    cv2.circle(grey, (140, 90), 25, 120, -1)
    return cv2.GaussianBlur(grey, (0, 0), 1.5)


def true_view(number: int) -> ScreenView:
    """Slant, shifted by 2 px a frame; every other frame is brighter."""
    own = np.array([[0, 0], [199, 0], [199, 149], [0, 149]], dtype=np.float32)
    seen = np.array([[60, 30], [270, 45], [262, 200], [55, 210]], dtype=float)
    seen = seen + np.array([2 * number, number])
    gain = 1.2 if number % 2 else 1.0
    return ScreenView(
        cv2.getPerspectiveTransform(own, seen.astype(np.float32)), gain, 5.0 if number % 2 else 0.0
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Six frames; in the last a lamp shines on the circle."""
    for number in range(6):
        view = true_view(number)
        shot = cv2.warpPerspective(screen(), view.homography, (340, 250), borderValue=(25,)).astype(float)
        shot = shot * view.gain + view.offset
        if number == 5:
            x, y, w = view.homography @ (140, 90, 1)
            cv2.circle(shot, (round(x / w), round(y / w)), 12, 255, -1)
        assert cv2.imwrite(str(tmp_path / f"{number}.png"), np.clip(shot, 0, 255).astype(np.uint8))
    return tmp_path


def reader_of(folder: Path, asked: list[int] | None = None) -> CameraReader:
    def follow(frame):
        if asked is not None:
            asked.append(frame.number)
        return true_view(frame.number)

    return CameraReader(open_clip(folder, fps=10.0), SIZE, follow=follow, place=follow)


def test_frames_show_the_screen_straight_and_evenly_lit(folder):
    with reader_of(folder) as reader:
        frames = list(reader)
        assert (reader.clip.width_px, reader.clip.height_px) == SIZE
    inner = np.s_[5:-5, 5:-5]
    for frame in frames[:5]:
        assert np.abs(frame.pixels[inner].astype(float) - screen()[inner]).mean() < 1.5


def test_every_frame_is_followed_once_in_order_and_read_again_the_same(folder):
    asked: list[int] = []
    with reader_of(folder, asked) as reader:
        ahead = reader.read_frames([3])[3]
        assert asked == [0, 1, 2, 3]
        frames = list(reader)
        again = reader.read_frames([1, 4])
        assert asked == [0, 1, 2, 3, 4, 5]
        assert np.array_equal(ahead.pixels, frames[3].pixels)
        assert np.array_equal(again[4].pixels, frames[4].pixels)
        assert reader.view_of(2).homography == pytest.approx(true_view(2).homography)
        with pytest.raises(ClipError, match="no frame 9"):
            reader.view_of(9)


def test_reopened_with_known_views_it_reads_the_same(folder):
    with reader_of(folder) as reader:
        frames = list(reader)
        known = reader.filmed(np.array([[60, 30], [270, 45], [262, 200], [55, 210]]), Marks(learner="L01"))
    with straightened(open_clip(folder, fps=10.0), known) as again:
        assert all(np.array_equal(a.pixels, b.pixels) for a, b in zip(frames, again, strict=True))
    assert known.outlines_px()[3, 0] == pytest.approx((66, 33), abs=0.01)
    assert known.to_frame_px(np.zeros((2, 2)))[1] == pytest.approx((62, 31), abs=0.01)


def test_glare_blinds_where_it_covers_a_patch_wider_than_echoes(folder):
    with reader_of(folder) as reader:
        list(reader)
        on, beside = np.tile([140.0, 90.0], (6, 1)), np.tile([60.0, 60.0], (6, 1))
        assert reader.is_blinded(on).tolist() == [False] * 5 + [True]
        assert not reader.is_blinded(beside).any()
        assert not reader.is_blinded(np.full((6, 2), np.nan)).any()


def test_samples_where_the_screen_is_not_found_are_left_out(folder):
    lost = CameraReader(
        open_clip(folder, fps=10.0),
        SIZE,
        follow=lambda frame: true_view(frame.number),
        place=lambda frame: ScreenView(true_view(frame.number).homography, found=frame.number < 2),
    )
    with lost:
        assert len(lost.sample_frames(6)) == 2
        assert lost.sample_colour(6)[0].shape == (150, 200, 3)


def test_bands_of_light_go_and_a_bright_needle_stays() -> None:
    """Invented picture: speckle, a band 12 % brighter that fades over rows, and a needle's streak in it."""
    rng = np.random.default_rng(5)
    plain = rng.normal(80, 12, (480, 640)).clip(20, 140).astype(np.uint8)
    row = np.arange(480)
    band = 1 + 0.12 * np.exp(-(((row - 200) / 70) ** 2))
    lit = (plain * band[:, None]).clip(0, 255)
    lit[195:200, 50:400] = 230
    first, small = (
        cv2.resize(np.rint(p).astype(np.uint8), BAND_SIZE, interpolation=cv2.INTER_AREA) for p in (plain, lit)
    )

    evened = without_bands(np.rint(lit).astype(np.uint8), small, first)

    rest = np.delete(evened / plain, np.s_[195:200], axis=0)
    assert np.abs(rest.mean(axis=1) - 1).max() < 0.02
    assert evened[195:200, 50:400].mean() > 195
    assert without_bands(plain, first, first) is plain
