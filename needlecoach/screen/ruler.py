"""Finds the ruler beside the picture: where its ticks are, how far apart, and which of them are longer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from needlecoach.model import BoolArray, FloatArray, Frame, Region, Scale
from needlecoach.screen.comb import Comb, IntArray
from needlecoach.screen.rows import Findings, PictureSide, TickRow, same_spacing, tick_rows

Side = Literal["left", "right", "above", "below"]

# Ticks keep this far from the picture; what lies nearer may be its own edge.
_CLEAR_PX = 2
# Ticks can be dark where the screen beside the picture is at least this bright.
_BRIGHT_SURROUND = 90.0
# One spacing is another's multiple, not the same, from so many times on.
_HALF_AGAIN = 1.5


@dataclass(frozen=True, eq=False)
class Ruler:
    """A row of evenly spaced ticks beside the picture.

    Attributes
    ----------
    side : where it lies, seen from the picture
    ticks_px : (n, 2) float
        Centres of the ticks that were found, in order along the ruler.
    steps : (n,) int
        Number of each tick counted from the first found; numbers that are left out were covered.
    spacing_px, spacing_sd_px : distance of neighbouring ticks and its standard uncertainty
    is_major : (n,) bool
        The longer (or larger, or brighter) ticks.
    major_every : every which tick is longer; None when all are alike
    """

    side: Side
    ticks_px: FloatArray
    steps: IntArray
    spacing_px: float
    spacing_sd_px: float
    is_major: BoolArray
    major_every: int | None

    @property
    def major_spacing_px(self) -> float | None:
        """Distance of neighbouring long ticks; None when all are alike."""
        return None if self.major_every is None else self.major_every * self.spacing_px

    @property
    def sd_share(self) -> float:
        """Relative standard uncertainty of the spacing."""
        return self.spacing_sd_px / self.spacing_px

    @property
    def words(self) -> str:
        """What was found, such as "9 ticks, 51.7 px apart, every 2nd longer"."""
        longer = "" if self.major_every is None else f", every {_ordinal(self.major_every)} longer"
        return f"{len(self.steps)} ticks, {self.spacing_px:.4g} px apart{longer}"

    def scale(self, tick_mm: float) -> Scale:
        """Scale when neighbouring ticks are `tick_mm` apart; MarksError for an impossible one."""
        return Scale.from_ruler(
            self.spacing_px, spacing_sd_px=self.spacing_sd_px, tick_mm=tick_mm, n_ticks=len(self.steps)
        )


def find_ruler(frames: Sequence[Frame], region: Region) -> Ruler | None:
    """Find the ruler beside the picture; None when there is none that can be told for sure."""
    return look_for_ruler(frames, region)[0]


def look_for_ruler(frames: Sequence[Frame], region: Region) -> tuple[Ruler | None, str]:
    """Find the ruler beside the picture, or say why not.

    Parameters
    ----------
    frames : pictures of one recording, best spread over it: their mean is read
    region : the ultrasound picture; what lies in it is not looked at

    Returns
    -------
    Ruler or None
        One that runs down the left or right side goes before one above or below.
    str
        Reason in words when there is none, else empty.
    """
    if not frames:
        return None, "the recording holds no frame"
    mean = np.mean([frame.pixels for frame in frames], axis=0)
    free = _free(region, mean.shape)
    found = _all_rows(mean, free, region)
    if not found.rows and np.median(mean[free] if free.any() else 0) > _BRIGHT_SURROUND:
        found = _all_rows(255 - mean, free, region)
    if not found.rows:
        return None, found.why or "no row of evenly spaced marks lies beside the picture"
    best = _best(found)
    rival = _rival(best, found)
    if rival is not None:
        spacings = f"{best.comb.spacing_px:.4g} and {rival.spacing_px:.4g} px"
        return None, f"two rows of marks beside the picture contradict each other ({spacings} apart)"
    return _ruler(best), ""


def _all_rows(image: FloatArray, free: BoolArray, region: Region) -> Findings:
    """Rows of bright ticks down and across the screen."""
    down = tick_rows(image, free, PictureSide.of(region, sideways=False))
    return down + tick_rows(image.T, free.T, PictureSide.of(region, sideways=True))


def _best(found: Findings) -> TickRow:
    """Row for which most speaks; of rows that are multiples of each other the finest, not the labels."""

    def rank(row: TickRow) -> tuple[int, bool, int]:
        return row.strength, not row.side.sideways, row.comb.worth

    best = max(found.rows, key=rank)
    family = [row for row in found.rows if same_spacing(best.comb, row.comb)]
    finest_px = min(row.comb.spacing_px for row in family)
    return max((row for row in family if row.comb.spacing_px < _HALF_AGAIN * finest_px), key=rank)


def _rival(best: TickRow, found: Findings) -> Comb | None:
    """Row of another spacing for which as much speaks; against ticks all alike a doubtful one will do."""
    rivals = [row.comb for row in found.rows if row.strength == best.strength]
    if best.major_every is None:
        rivals += found.doubtful
    unlike = [comb for comb in rivals if not same_spacing(best.comb, comb)]
    # A finer row that is doubtful leaves open whether these are ticks or the labels of some.
    limit_px = best.comb.spacing_px / _HALF_AGAIN
    finer = [comb for comb in found.doubtful if comb.spacing_px < limit_px and comb.worth > best.comb.worth]
    return next(iter(unlike + finer), None)


def _free(region: Region, shape: tuple[int, ...]) -> BoolArray:
    """Pixels clear of the picture, shape (height, width)."""
    size = 2 * _CLEAR_PX + 1
    mask = region.mask(shape[0], shape[1]).astype(np.uint8)
    return np.asarray(cv2.dilate(mask, np.ones((size, size), np.uint8)) == 0)


def _ruler(row: TickRow) -> Ruler:
    sideways = row.side.sideways
    before = float(np.median(row.places_px[:, 0])) < row.side.across
    place: Side = ("above" if before else "below") if sideways else ("left" if before else "right")
    return Ruler(
        side=place,
        ticks_px=row.places_px[:, ::-1] if sideways else row.places_px,
        steps=row.comb.steps,
        spacing_px=row.comb.spacing_px,
        spacing_sd_px=row.comb.spacing_sd_px,
        is_major=row.is_major,
        major_every=row.major_every,
    )


def _ordinal(number: int) -> str:
    return f"{number}{ {2: 'nd', 3: 'rd'}.get(number, 'th') }"
