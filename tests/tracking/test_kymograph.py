"""Strips along the shaft, on pictures and strips whose values are known: invented data."""

from collections.abc import Callable

import numpy as np
import pytest

from needlecoach.tracking.axis import Axis
from needlecoach.tracking.kymograph import (
    GHOST_S,
    SAMPLE_MM,
    Sheet,
    background_strips,
    motion_strips,
    stand_out,
    without_ghosts,
)

STEP_MM = 0.15
WIDTH, HEIGHT = 240, 220
MASK = np.ones((HEIGHT, WIDTH), dtype=bool)


def axis_of(n_frames: int, *, entry: tuple[float, float] = (0.0, 40.0), angle_deg: float = 35.0) -> Axis:
    turn = np.radians(angle_deg)
    return Axis(
        entry=np.tile(np.array(entry), (n_frames, 1)),
        direction=np.tile([np.cos(turn), np.sin(turn)], (n_frames, 1)),
        bow_per_mm=np.zeros(n_frames),
        step_mm=STEP_MM,
    )


def sheet_of(n_frames: int, *, entry: tuple[float, float] = (0.0, 40.0), angle_deg: float = 35.0) -> Sheet:
    return Sheet.along(axis_of(n_frames, entry=entry, angle_deg=angle_deg), MASK)


def at(mm: float) -> int:
    return round(mm / SAMPLE_MM)


class TestStrips:
    """What a strip samples."""

    def test_a_sample_is_the_grey_value_of_its_place(self) -> None:
        """A picture that brightens evenly by 0.5 a pixel to the right and 0.25 down."""
        x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
        picture = (0.5 * x + 0.25 * y).astype(np.float32)
        sheet = sheet_of(1, entry=(30.0, 40.0))

        strip = sheet.sample(picture, 0)

        places = sheet.axis.points(0, np.arange(60) * SAMPLE_MM)
        np.testing.assert_allclose(strip[:60], 0.5 * places[:, 0] + 0.25 * places[:, 1], atol=0.1)

    def test_a_strip_is_as_wide_as_the_needle_and_no_wider(self) -> None:
        along = np.zeros((HEIGHT, WIDTH), dtype=np.float32)
        level = sheet_of(1, entry=(0.0, 100.0), angle_deg=0.0)
        along[99:102] = 90
        beside = np.zeros_like(along)
        beside[106:109] = 90

        # Of three lines over 0.5 mm (3.3 px) the outer two lie 1.67 px off, and so see the bar at a third.
        assert level.sample(along, 0)[5:40].min() == pytest.approx(90 * (1 + 2 / 3) / 3, abs=1)
        assert level.sample(beside, 0).max() == 0

    def test_outside_the_picture_there_is_nothing(self) -> None:
        picture = np.full((HEIGHT, WIDTH), 80, dtype=np.uint8)
        mask = MASK.copy()
        mask[:, :20] = False

        sheet = Sheet.along(axis_of(2), mask)
        grey, inside = sheet.strips([picture, picture]), sheet.inside

        assert grey.shape == inside.shape
        first_mm = 20 * STEP_MM / np.cos(np.radians(35))
        assert not inside[:, : at(first_mm) - 1].any()
        assert inside[:, at(first_mm) + 2 : -3].all()
        # The strip ends where the shaft leaves the picture at its lower or far side.
        last_mm = min((WIDTH - 1) / np.cos(np.radians(35)), (HEIGHT - 41) / np.sin(np.radians(35))) * STEP_MM
        assert grey.shape[1] == pytest.approx(last_mm / SAMPLE_MM, abs=3)
        np.testing.assert_allclose(grey[inside], 80)

    def test_run_backwards_the_strips_are_those_of_the_frames_from_the_last(self, gel: Callable) -> None:
        """A needle that is turned and moved on from frame to frame."""
        axis = axis_of(3)
        axis.entry[:] += np.outer(np.arange(3), [4.0, 9.0])
        sheet = Sheet.along(axis, MASK)
        pictures = [gel(seed).astype(np.uint8) for seed in range(3)]

        back = sheet.reversed()

        np.testing.assert_array_equal(back.strips(pictures[::-1])[::-1], sheet.strips(pictures))
        np.testing.assert_array_equal(back.inside[::-1], sheet.inside)
        np.testing.assert_array_equal(back.axis.entry[0], axis.entry[2])


class TestMotion:
    """What changes along a strip over a short time."""

    def test_motion_reaches_to_the_tip_and_no_further(self, drawn: Callable) -> None:
        clip = drawn((0, -2), (0.5, -2), (2, 25), (2.6, 25), (3.4, -2), (4, -2))
        n_frames = len(clip.pictures)

        motion = motion_strips(clip.pictures, clip.time_s, sheet_of(n_frames), over_s=0.16)

        for frame in np.flatnonzero((clip.time_s > 0.9) & (clip.time_s < 1.9)):
            tip_mm = clip.insertion_mm[frame]
            behind, ahead = motion[frame, 4 : at(tip_mm)], motion[frame, at(tip_mm + 3) :]
            assert behind.mean() > 8 * max(ahead.mean(), 0.5)
            reach_mm = np.flatnonzero(motion[frame] > 15)[-1] * SAMPLE_MM
            # The later picture of the pair shows the tip 0.1 s of travel at 18 mm/s further in.
            assert -1.0 <= reach_mm - tip_mm <= 0.1 * 18 + 1.0

    def test_a_needle_at_rest_moves_nothing(self, drawn: Callable) -> None:
        clip = drawn((0, -2), (0.5, -2), (2, 25), (2.6, 25), (3.4, -2), (4, -2))
        resting = np.flatnonzero((clip.time_s > 2.2) & (clip.time_s < 2.4))

        motion = motion_strips(clip.pictures, clip.time_s, sheet_of(len(clip.pictures)), over_s=0.16)

        assert motion[resting].mean() < 2

    def test_a_shift_by_a_sample_is_no_motion(self) -> None:
        """Gel that creeps along the strip by less than a sample must not look like a needle."""
        x, _ = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
        waves = [80 + 40 * np.sin(2 * np.pi * (x - shift) / 40) for shift in (0.0, 0.8, 1.6)]
        pictures = [np.rint(wave).astype(np.uint8) for wave in waves]
        level = sheet_of(3, entry=(10.0, 100.0), angle_deg=0.0)

        motion = motion_strips(pictures, np.arange(3) / 20, level, over_s=0.1)

        assert motion[1, :100].max() < 3


class TestBackground:
    """The last look of every place without a needle."""

    FRAMES = 30
    TIME_S = np.arange(FRAMES) / 20

    def test_while_covered_the_look_from_before_is_held(self) -> None:
        """Grey 50 before, 200 while a needle lies there to 10 mm, 90 once it has gone."""
        covered = np.where((np.arange(self.FRAMES) >= 10) & (np.arange(self.FRAMES) < 20), 10.0, 0.0)
        greys = np.where(covered > 0, 200, np.where(np.arange(self.FRAMES) < 10, 50, 90))
        pictures = [np.full((HEIGHT, WIDTH), grey, dtype=np.uint8) for grey in greys]

        look = background_strips(pictures, self.TIME_S, sheet_of(self.FRAMES), covered)

        assert np.isnan(look[0]).all()
        np.testing.assert_allclose(look[1:20, 2 : at(9.0)], 50, atol=0.5)
        # Beyond the needle the newest look counts: within three time constants of 0.15 s it has come round.
        np.testing.assert_allclose(look[19, at(13) : 70], 200, atol=10)
        # What comes free shows at once what is there now.
        np.testing.assert_allclose(look[21, 2 : at(9.0)], 90, atol=0.5)

    def test_a_place_never_seen_uncovered_has_no_look(self) -> None:
        pictures = [np.full((HEIGHT, WIDTH), 60, dtype=np.uint8)] * self.FRAMES
        covered = np.full(self.FRAMES, 10.0)

        look = background_strips(pictures, self.TIME_S, sheet_of(self.FRAMES), covered)

        assert np.isnan(look[:, : at(9.0)]).all()
        np.testing.assert_allclose(look[1:, at(13) : 70], 60)

    @pytest.mark.parametrize("entry", [(0.0, 40.0), (30.0, 90.0)])
    def test_the_look_of_what_never_changes_is_its_strip(
        self, entry: tuple[float, float], gel: Callable
    ) -> None:
        """Wherever in the picture the shaft lies, and whatever is remembered of the rest."""
        pictures = [gel(6).astype(np.uint8)] * 5
        sheet = sheet_of(5, entry=entry)

        look = background_strips(pictures, np.arange(5) / 20, sheet, np.zeros(5))

        known = np.isfinite(look)
        assert known[1:][sheet.inside[1:]].all()
        np.testing.assert_allclose(look[known], sheet.strips(pictures)[known], atol=0.5)

    def test_run_backwards_it_gives_the_next_look(self) -> None:
        covered = np.where(np.arange(self.FRAMES) < 20, 10.0, 0.0)
        greys = np.where(covered > 0, 200, 90)
        pictures = [np.full((HEIGHT, WIDTH), grey, dtype=np.uint8) for grey in greys]
        back = sheet_of(self.FRAMES).reversed()

        look = background_strips(pictures[::-1], self.TIME_S[::-1], back, covered[::-1])[::-1]

        np.testing.assert_allclose(look[:20, 2 : at(9.0)], 90, atol=0.5)
        assert np.isnan(look[-1]).all()


class TestStandOut:
    """Change against both references, worked out by hand: the sliding widens each by 0.5 mm."""

    @staticmethod
    def of(grey: float, before: float, after: float) -> float:
        rows = [np.full((3, 40), value, dtype=np.float32) for value in (grey, before, after)]
        return float(stand_out(*rows)[1, 20])

    @pytest.mark.parametrize(
        ("grey", "before", "after", "wanted"),
        [
            (150, 60, 60, 90),
            (150, 60, 110, 40),
            (150, 60, 190, 40),
            (60, 60, 60, 0),
            (60, 150, 150, 0),
            (150, 60, 150, 0),
            (150, np.nan, 60, 90),
            (60, np.nan, 150, 0),
            (150, 60, np.nan, 90),
            (150, np.nan, np.nan, 0),
        ],
        ids=[
            "clean gel",
            "trail darker than the needle",
            "trail brighter than the needle",
            "gel",
            "darker than both",
            "as what it left behind",
            "in from the start",
            "in from the start, trail brighter",
            "still in at the end",
            "never seen otherwise",
        ],
    )
    def test_by_hand(self, grey: float, before: float, after: float, wanted: float) -> None:
        assert self.of(grey, before, after) == pytest.approx(wanted, abs=1e-4)

    def test_scenery_may_slide_by_half_a_millimetre(self) -> None:
        wave = 100 + 60 * np.sin(2 * np.pi * np.arange(80) * SAMPLE_MM / 4)
        strip = np.tile(wave, (3, 1)).astype(np.float32)
        slid, slid_far = np.roll(strip, 2, axis=1), np.roll(strip, 8, axis=1)

        inner = np.s_[1, 4:-4]
        assert stand_out(strip, slid, slid)[inner].max() < 1e-3
        assert stand_out(strip, slid_far, slid_far)[1].max() > 50


class TestGhosts:
    """What the pictures still show of a needle that has left, averaging having been undone."""

    TIME_S = np.arange(40) / 20

    def test_a_fading_ghost_is_taken_away(self) -> None:
        change = np.zeros((40, 5), dtype=np.float32)
        change[10:20] = 80
        change[20:22] = [[12], [2]]

        clean = without_ghosts(change, self.TIME_S)

        np.testing.assert_allclose(clean[10:20], 80, atol=1e-3)
        np.testing.assert_allclose(clean[20:], 0, atol=1e-3)

    def test_a_needle_that_stays_or_dims_a_little_is_kept(self) -> None:
        change = np.full((40, 5), 80, dtype=np.float32)
        change[20:] = 60

        clean = without_ghosts(change, self.TIME_S)

        np.testing.assert_allclose(clean, change, rtol=0.01)

    def test_a_tip_drawn_back_to_where_the_shaft_was_is_kept(self) -> None:
        """Its change is small because its own trail lies there: 26 greys after the shaft's 80."""
        change = np.zeros((40, 5), dtype=np.float32)
        change[10:20], change[20] = 80, 26

        clean = without_ghosts(change, self.TIME_S)

        np.testing.assert_allclose(clean[20], 26, rtol=0.01)
        np.testing.assert_allclose(clean[21:], 0, atol=1e-3)

    def test_a_weaker_look_that_lasts_comes_back_once_the_ghost_must_have_gone(self) -> None:
        change = np.full((40, 5), 80, dtype=np.float32)
        change[20:] = 12

        clean = without_ghosts(change, self.TIME_S)

        gone = 20 + round(GHOST_S * 20)
        assert clean[20].max() < 1e-3
        np.testing.assert_allclose(clean[gone:], 12, rtol=0.01)

    def test_a_single_frame_is_left_alone(self) -> None:
        change = np.full((1, 5), 80, dtype=np.float32)
        np.testing.assert_allclose(without_ghosts(change, np.zeros(1)), change)
