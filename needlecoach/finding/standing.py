"""A needle in one still picture, by its looks alone, and several stills weighed together."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np

from needlecoach.finding.candidates import Line, find_lines
from needlecoach.model import BoolArray, FloatArray, GreyImage, Point

# A needle goes in beside the probe, through the upper part of a side or from above, at a workable slope, and
# never along a beam; a shorter one is any bright dash; with less picture beyond the end, nothing tells of it.
DEEPEST_ENTRY = 0.6
SHALLOWEST_DEG, STEEPEST_DEG, OFF_BEAM_DEG = 10.0, 80.0, 10.0
SHORTEST_MM, FREE_MM = 8.0, 3.0
LINES = 12
# Steps of the strip along and across the line, averaged along by about two speckles.
ALONG_MM, ACROSS_MM, AVERAGE_MM, BLUR_MM = 0.25, 0.15, 1.5, 0.3
QUIETEST_GREY = 3.0
# Half the band a shaft's echo fills; its sides; its last stretch; where tails or shadow hang, along the beam;
# walls of a tube lie this far apart, more than a needle's own echoes.
BAND_MM, SIDE_MM, END_MM, CURTAIN_MM, WALLS_MM = 0.5, (1.1, 2.6), 7.0, (1.5, 10.0), (1.5, 6.0)
# The brightest of a band of speckle lies this many noise levels over its sides; a shaft one more.
LUCK, CLEAR = 1.6, 1.0
# What is believed: one line of twelve is the needle at best, and a false needle is far worse than none.
BELIEVED = 12.0
# Lines of one needle in several pictures: the hand may turn and move it by so much between them.
MEMBER, SAME_DEG, SAME_MM, FEWEST = 5.0, 5.0, 5.0, 3
# The end of scenery is found within this much (one standard deviation); a needle's lies anywhere in so much.
END_SD_MM, ANYWHERE_MM = 2.0, 40.0


@dataclass(frozen=True)
class Standing:
    """A needle that one picture may show.

    `entry_px` is where its line enters the region, `direction` the unit vector down the shaft, `tip_mm` how
    far along it the needle ends. `terms` are named log-odds (natural logarithm) for a needle against scenery,
    none over 4, set by what is known of needles and tissue: they rank, and are no probability.
    """

    entry_px: Point
    direction: Point
    tip_mm: float
    step_mm: float
    terms: Mapping[str, float]

    @cached_property
    def score(self) -> float:
        """Sum of the terms."""
        return float(sum(self.terms.values()))

    @property
    def slope_deg(self) -> float:
        """Acute angle to the horizontal."""
        return float(np.degrees(np.arctan2(self.direction[1], abs(self.direction[0]))))

    @property
    def tip_px(self) -> Point:
        """Where the needle ends, in working pixels."""
        x, y = np.asarray(self.entry_px) + np.asarray(self.direction) * self.tip_mm / self.step_mm
        return float(x), float(y)


def find_standings(
    picture: GreyImage, *, mask: BoolArray, depth_share: FloatArray, step_mm: float, count: int = 4
) -> list[Standing]:
    """Needles that one picture may show, of any score, the likeliest first.

    Parameters
    ----------
    picture : (height, width) uint8
        Working picture with square pixels `step_mm` wide.
    mask : (height, width) bool
        The B-mode region.
    depth_share : (height, width)
        Depth of every pixel as a share of the picture's.
    count : most returned

    Returns
    -------
    list of Standing
        Empty when no line can be a needle by its place, slope and free end.

    Notes
    -----
    The signs are those a reader of a still goes by. A straw that ends in the picture, or a trail left behind,
    bears most of them too: only `pool_standing` can tell those from a needle that moved.
    """
    if not mask.any():
        return []
    smooth = cv2.GaussianBlur(np.asarray(picture, dtype=np.float32), (0, 0), BLUR_MM / step_mm)
    fine = smooth - cv2.GaussianBlur(smooth, (0, 0), 4 * BLUR_MM / step_mm)
    noise = max(1.4826 * float(np.median(np.abs(fine[mask]))), QUIETEST_GREY)
    scene = _Scene(np.asarray(smooth / noise, dtype=float), mask, depth_share, step_mm)
    with warnings.catch_warnings():
        # Stretches of a strip outside the region hold no value: means of nothing are NaN, as they should be.
        warnings.simplefilter("ignore", RuntimeWarning)
        lines = find_lines(picture, step_mm=step_mm, mask=mask, count=LINES)
        found = [standing for line in lines if (standing := _weigh(scene, line)) is not None]
    return sorted(found, key=lambda item: -item.score)[:count]


def find_standing(
    picture: GreyImage, *, mask: BoolArray, depth_share: FloatArray, step_mm: float
) -> Standing | None:
    """The needle that one picture shows by itself, None without one; see `find_standings`."""
    return pool_standing([find_standings(picture, mask=mask, depth_share=depth_share, step_mm=step_mm)])[0]


def pool_standing(found: Sequence[Sequence[Standing]]) -> list[Standing | None]:
    """Weigh what several pictures of one needle show together.

    Parameters
    ----------
    found : (n_pictures,)
        Of each picture what `find_standings` gave, in working pixels of pictures registered to one another.

    Returns
    -------
    list of Standing or None, (n_pictures,)
        The needle in the pictures that show it, with a term "motion" more; all None when none is believed.

    Notes
    -----
    Lines of one side, slope and place are one needle when at least half of the pictures have one. Scenery
    agrees from picture to picture too, so agreement adds nothing: the median score must be believed as it is.
    Only an end that moved along its line, more than a slide of scenery would make it, adds to that.
    """
    best: list[Standing | None] = [None] * len(found)
    best_score = BELIEVED
    for seed in (item for items in found for item in items if item.score >= MEMBER):
        group = [next((item for item in items if _alike(seed, item)), None) for items in found]
        members = [item for item in group if item is not None]
        motion = _motion_term(members)
        score = float(np.median([item.score for item in members])) + motion
        if 2 * len(members) >= len(found) and score >= best_score:
            best_score = score
            best = [item and replace(item, terms={**item.terms, "motion": motion}) for item in group]
    return best


def _alike(one: Standing, other: Standing) -> bool:
    """Tell whether two lines may be the same needle at two moments."""
    gap = np.subtract(other.entry_px, one.entry_px)
    gap_mm = abs(float(one.direction[0] * gap[1] - one.direction[1] * gap[0])) * one.step_mm
    near = abs(one.slope_deg - other.slope_deg) <= SAME_DEG and gap_mm <= SAME_MM
    return other.score >= MEMBER and near and one.direction[0] * other.direction[0] > 0


def _motion_term(members: Sequence[Standing]) -> float:
    """Log-odds of how far the ends lie apart along their line, for a needle against scenery.

    Scenery that slides level under the probe moves its end along the line as well, but also the line across
    itself: twice what such a slide would give is taken off. Outliers, up to a fifth at each side, count not.
    """
    if len(members) < FEWEST:
        return 0.0
    tips, entries, directions = (
        np.array([getattr(item, name) for item in members]) for name in ("tip_px", "entry_px", "direction")
    )
    mean = directions.mean(axis=0) / np.linalg.norm(directions.mean(axis=0))
    gaps = tips.mean(axis=0) - entries
    across = directions[:, 0] * gaps[:, 1] - directions[:, 1] * gaps[:, 0]
    spread_mm = [np.ptp(np.quantile(v, (0.2, 0.8))) * members[0].step_mm for v in (tips @ mean, across)]
    alone_mm = max(0.0, spread_mm[0] - 2 * spread_mm[1] * abs(mean[0]) / mean[1])
    return _capped((alone_mm / END_SD_MM) ** 2 / 2 - np.log(ANYWHERE_MM / (END_SD_MM * 2.507)), 0, 3)


@dataclass(frozen=True, eq=False)
class _Scene:
    """A picture in units of its own noise, and its geometry."""

    picture: FloatArray
    mask: BoolArray
    depth_share: FloatArray
    step_mm: float

    @cached_property
    def beams(self) -> FloatArray:
        """Unit vectors down the beam, (height, width, 2)."""
        down = np.stack(np.gradient(np.asarray(self.depth_share, dtype=float))[::-1], axis=-1)
        return np.asarray(down / np.maximum(np.linalg.norm(down, axis=-1, keepdims=True), 1e-9))

    def course(self, line: Line) -> FloatArray:
        """Points along a line from where it enters the region to where it leaves it, (n, 2)."""
        foot = line.offset_px * np.array([np.cos(line.normal_rad), np.sin(line.normal_rad)])
        reach, step = 2 * float(np.hypot(*self.mask.shape)), ALONG_MM / self.step_mm
        points = foot + np.arange(-reach, reach, step)[:, None] * line.direction
        inside = np.flatnonzero(np.isfinite(self.sample(points[None])[0]))
        return np.asarray(points[inside[0] : inside[-1] + 1] if inside.size else points[:0])

    def sample(self, points: FloatArray) -> FloatArray:
        """Values at points, (n, m, 2); NaN outside the region."""
        x, y = points[..., 0].astype(np.float32), points[..., 1].astype(np.float32)
        values = cv2.remap(self.picture.astype(np.float32), x, y, cv2.INTER_LINEAR)
        known = cv2.remap(self.mask.astype(np.uint8), x, y, cv2.INTER_NEAREST, borderValue=0)
        return np.where(known > 0, values, np.nan)


def _weigh(scene: _Scene, line: Line) -> Standing | None:
    """Weigh one line as a needle; None when its place, slope or end rule it out."""
    slope_deg = float(np.degrees(np.arctan2(line.direction[1], abs(line.direction[0]))))
    points = scene.course(line)
    if not SHALLOWEST_DEG <= slope_deg <= STEEPEST_DEG or len(points) * ALONG_MM < SHORTEST_MM + FREE_MM:
        return None
    column, row = np.rint(points).astype(np.intp).T
    beam = scene.beams[row, column]
    strip = _Strip.along(scene, points, line.direction)
    first, last = strip.shaft
    off_beam_deg = np.degrees(np.arccos(np.minimum(abs(beam[first : last + 1] @ line.direction).mean(), 1)))
    too_short = last - first < SHORTEST_MM / ALONG_MM or len(points) - last < FREE_MM / ALONG_MM
    if too_short or scene.depth_share[row[0], column[0]] > DEEPEST_ENTRY or off_beam_deg < OFF_BEAM_DEG:
        return None
    entry, direction = ((float(x), float(y)) for x, y in (points[0], line.direction))
    terms = _shaft_terms(strip, slope_deg) | _side_terms(strip)
    terms["curtain"] = _curtain_term(scene, strip, beam)
    return Standing(entry, direction, strip.tip_mm, scene.step_mm, terms)


def _mean_along(values: FloatArray, length_mm: float) -> FloatArray:
    """Running mean along the first axis, leaving NaN out."""
    flat = values.reshape(len(values), -1)
    parts = (np.nan_to_num(flat).astype(np.float32), np.isfinite(flat).astype(np.float32))
    size = (1, round(length_mm / ALONG_MM) | 1)
    total, weight = (cv2.blur(part, size, borderType=cv2.BORDER_REPLICATE) for part in parts)
    mean = np.where(weight > 0.2, total / np.maximum(weight, 1e-6), np.nan)
    return np.asarray(mean, dtype=float).reshape(values.shape)


@dataclass(frozen=True, eq=False)
class _Strip:
    """What lies along a line from the edge on: `points` (n_along, 2), values (n_along, n_across)."""

    points: FloatArray
    across_mm: FloatArray
    raw: FloatArray
    mean: FloatArray

    @classmethod
    def along(cls, scene: _Scene, points: FloatArray, direction: FloatArray) -> _Strip:
        """Sample a strip; `across_mm` is positive below the line."""
        below = np.array([-direction[1], direction[0]]) * (1 if direction[0] >= 0 else -1)
        across_mm = np.arange(-WALLS_MM[1], WALLS_MM[1] + ACROSS_MM / 2, ACROSS_MM)
        raw = scene.sample(points[:, None] + across_mm[:, None] * below / scene.step_mm)
        return cls(points, across_mm, raw, _mean_along(raw, AVERAGE_MM))

    @cached_property
    def sides(self) -> tuple[FloatArray, FloatArray]:
        """What lies above and below the band, (n_along,) each; NaN outside the region."""
        chosen = [
            (sign * self.across_mm - SIDE_MM[0]) * (sign * self.across_mm - SIDE_MM[1]) for sign in (-1, 1)
        ]
        above, below = (np.asarray(np.nanmean(self.mean[:, part <= 1e-6], axis=1)) for part in chosen)
        return above, below

    @cached_property
    def contrast(self) -> FloatArray:
        """How far the band stands out from what lies above it, in noise levels over chance, (n_along,)."""
        band = np.nanmax(self.mean[:, np.abs(self.across_mm) < BAND_MM], axis=1)
        return np.asarray(np.nan_to_num(band - self.sides[0] - LUCK))

    @cached_property
    def shaft(self) -> tuple[int, int]:
        """First and last sample of the stretch that stands out most in sum."""
        gain = np.concatenate([[0.0], np.cumsum(np.clip(self.contrast - CLEAR, -2, 2))])
        last = int(np.argmax(gain[1:]))
        return int(np.argmin(gain[: last + 1])), last

    @cached_property
    def tip_mm(self) -> float:
        """Where the band has fallen half way from its last millimetres to what follows."""
        last, reach = self.shaft[1], round(END_MM / 2 / ALONG_MM)
        narrow = _mean_along(self.raw, 2 * ALONG_MM)[:, np.abs(self.across_mm) < BAND_MM]
        band = np.nan_to_num(np.nanmax(narrow, axis=1))
        half = (np.median(band[max(0, last - reach) : last - 2]) + np.median(band[last + 4 :][:reach])) / 2
        start = max(0, last - round(2 * AVERAGE_MM / ALONG_MM))
        bright = np.flatnonzero(band[start : last + 3] > half)
        return float((start + bright[-1] if bright.size else last) * ALONG_MM)

    @cached_property
    def stray_mm(self) -> float:
        """How far the upper edge of the band strays from a straight line, smoothed over 4 mm."""
        near = np.abs(self.across_mm) <= 3 * BAND_MM
        rise = np.nan_to_num(np.gradient(self.mean[:, near], axis=1))
        place_mm = self.across_mm[near][np.argmax(rise, axis=1)]
        on = np.flatnonzero(self.contrast[: self.shaft[1] + 1] > CLEAR)
        on = on[on >= self.shaft[0]]
        if len(on) * ALONG_MM < SHORTEST_MM / 2:
            return np.inf
        stray = place_mm[on] - np.polyval(np.polyfit(on, place_mm[on], 1), on)
        return float(np.std(_mean_along(stray, 4.0)))

    def ending(self, values: FloatArray) -> tuple[float, float]:
        """Mean of the shaft's last stretch and of what follows beyond its end, of values (n_along,)."""
        last, n, gap = self.shaft[1], round(END_MM / ALONG_MM), round(1 / ALONG_MM)
        parts = values[max(0, last - n) : last - gap + 1], values[last + gap : last + gap + n]
        return float(np.nanmean(parts[0])), float(np.nanmean(parts[1]))


def _capped(value: float, low: float, high: float) -> float:
    return float(np.clip(value, low, high)) if np.isfinite(value) else low


def _shaft_terms(strip: _Strip, slope_deg: float) -> dict[str, float]:
    """Log-odds of a shaft's slope, beginning, length, straightness and end.

    Needles take any slope alike, layers lie along the skin within 12 degrees. A shaft shows from the edge on,
    give or take 5 mm, other lines begin anywhere. Each 3 mm of a shaft stand out with a chance of 0.85, of a
    chance line with 0.5. A shaft's upper edge strays by 0.2 mm (bend, beads of echo), a tissue line's by 0.5.
    Nothing of a needle lies beyond its end; a tissue line goes on, or fades away.
    """
    first, last = strip.shaft
    layer = 2 / (12 * 2.507) * np.exp(-((slope_deg / 12) ** 2) / 2)
    length_mm = len(strip.points) * ALONG_MM
    share, cells = (strip.contrast[first : last + 1] > CLEAR).mean(), (last - first + 1) * ALONG_MM / 3
    shown = share * np.log(0.85 / 0.5) + (1 - share) * np.log(0.15 / 0.5)
    stray = strip.stray_mm**2 / 2 * (1 / 0.2**2 - 1 / 0.5**2)
    end, beyond = strip.ending(strip.contrast)
    return {
        "slope": _capped(-np.log((STEEPEST_DEG - SHALLOWEST_DEG) * layer), -2, 3),
        "entry": _capped(np.log(length_mm / 2 / 5) - first * ALONG_MM / 5, -4, 2),
        "body": _capped(cells * shown, -3, 4),
        "straight": _capped(2 * np.log(0.5 / 0.2) - stray, -4, 2),
        "end": _capped(1.0 - 0.7 * beyond, -4, 1) + _capped(0.3 * (end - beyond - 4), -2, 1),
    }


def _side_terms(strip: _Strip) -> dict[str, float]:
    """Log-odds of what lies beside a shaft.

    Echo lingers below a shaft, not above it (4 +- 5 noise levels); beside tissue lines it is alike (0 +- 6).
    A tube has two like walls with a dark valley between; a needle's own copies lie closer, or fade.
    """
    z = strip.ending(strip.sides[1] - strip.sides[0])[0]
    first, last = strip.shaft
    profile = np.nanmean(strip.mean[first : last + 1], axis=0)
    middle, near = len(profile) // 2, round(WALLS_MM[0] / ACROSS_MM)
    above = (strip.across_mm < -SIDE_MM[0]) & (strip.across_mm > -WALLS_MM[1] / 2)
    level = np.nan_to_num(profile - np.nanmedian(profile[above]))
    wall = float(level[np.abs(strip.across_mm) < BAND_MM].max())
    worst = 0.0
    for half in (level[middle:], level[middle::-1]):
        rise = np.minimum(wall, half) - np.maximum(np.minimum.accumulate(half), 0)
        worst = max(worst, float(rise[near:].max()) / max(wall, 1.0))
    likeness = np.log(6 / 5) - (z - 4) ** 2 / (2 * 5**2) + z**2 / (2 * 6**2)
    return {"side": _capped(likeness, -3, 1.5), "twin": _capped(6 * (0.2 - worst), -4, 0)}


def _curtain_term(scene: _Scene, strip: _Strip, beam: FloatArray) -> float:
    """Tails or shadow hang from the shaft along the beam and end where it ends; above it nothing changes."""
    reach_mm = np.arange(*CURTAIN_MM, 2 * BLUR_MM)
    change = []
    for sign in (1, -1):
        places = strip.points[:, None] + sign * reach_mm[:, None] * beam[:, None] / scene.step_mm
        end, beyond = strip.ending(np.asarray(np.nanmean(scene.sample(places), axis=1)))
        change.append(end - beyond)
    below, above = change[0], float(np.nan_to_num(change[1]))
    return _capped(0.3 * abs(below - above) - 0.5, -0.5, 2) - _capped(0.3 * abs(above) - 0.6, 0, 2)
