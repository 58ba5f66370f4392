"""A needle in one still picture, by its looks alone, and several stills weighed together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from needlecoach.finding.candidates import Line, find_lines
from needlecoach.finding.strip import ACROSS_MM, ALONG_MM, BAND_MM, CLEAR, SIDE_MM, Scene, Strip, mean_known
from needlecoach.model import BoolArray, FloatArray, GreyImage, Point

# A needle goes in beside the probe, through the upper part of a side or from above, at a workable slope, and
# never along a beam.
DEEPEST_ENTRY = 0.6
SHALLOWEST_DEG, STEEPEST_DEG, OFF_BEAM_DEG = 10.0, 80.0, 10.0
LINES, FITS = 12, 2
# A pixel wider than half the band of a shaft shows neither its edge nor its sides.
COARSEST_MM = BAND_MM
# Where tails or shadow hang from a shaft, along the beam; walls of a tube lie at least this far apart, more
# than a needle's own echoes.
CURTAIN_MM, CURTAIN_STEP_MM, WALLS_MM = (1.5, 10.0), 0.6, 1.5
# What is believed: one line of twelve is the needle at best, and a false needle is far worse than none.
BELIEVED = 13.0
# Lines of one needle in several pictures: the hand may turn and move it by so much between them.
MEMBER, FEWEST, SAME_NEEDLE, SAME_LINE = 5.0, 3, (5.0, 5.0), (3.0, 1.5)
# As well as the slope of a thick, broken band is known from one picture.
SLOPE_SD_DEG = 1.0
# A hand turns a needle by about so much from one picture to another.
TURN_SD_DEG = 2.0
# The end of scenery is found within this much (one standard deviation); a needle's lies anywhere in so much.
END_SD_MM, ANYWHERE_MM = 2.0, 40.0
ROOT_2_PI = float(np.sqrt(2 * np.pi))


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

    def turned(self, steeper_deg: float) -> Standing:
        """The same turned about the middle of its shaft."""
        turn = np.radians(self.slope_deg + steeper_deg)
        direction = np.array([np.cos(turn) * np.sign(self.direction[0]), np.sin(turn)])
        half = self.tip_mm / 2 / self.step_mm
        x, y = np.asarray(self.entry_px) + half * (np.asarray(self.direction) - direction)
        return replace(
            self, entry_px=(float(x), float(y)), direction=(float(direction[0]), float(direction[1]))
        )

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
        Empty when no line can be a needle by its place, slope and free end, or pixels are wider than 0.5 mm.

    Notes
    -----
    The signs are those a reader of a still goes by. A straw that ends in the picture, or a trail left behind,
    bears most of them too: only `pool_standing` can tell those from a needle that moved.
    """
    if not mask.any() or step_mm > COARSEST_MM:
        return []
    scene = Scene.of(picture, mask, depth_share, step_mm)
    lines = find_lines(picture, step_mm=step_mm, mask=mask, count=LINES)
    found = [standing for line in lines if (standing := _weigh(scene, line)) is not None]
    kept: list[Standing] = []
    for item in sorted(found, key=lambda item: -item.score):
        if not any(_alike(item, other, SAME_LINE) for other in kept):
            kept.append(item)
    return kept[:count]


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
        group = [_next_alike(seed, items) for items in found]
        members = [item for item in group if item is not None]
        motion = _motion_term(members)
        score = float(np.median([item.score for item in members])) + motion
        if 2 * len(members) >= len(found) and score >= best_score:
            best_score = score
            best = [item and replace(item, terms={**item.terms, "motion": motion}) for item in group]
    return _at_one_slope(best) if any(best) else best


def _next_alike(seed: Standing, items: Sequence[Standing]) -> Standing | None:
    """The likeliest of a picture's lines that may be the seed's needle at another moment, little turned."""
    alike = [item for item in items if item.score >= MEMBER and _alike(seed, item, SAME_NEEDLE)]

    def likely(item: Standing) -> float:
        return item.score - ((item.slope_deg - seed.slope_deg) / TURN_SD_DEG) ** 2 / 2

    return max(alike, key=likely, default=None)


def _across_mm(item: Standing, point: FloatArray | Point) -> float:
    """Signed distance of a point from a needle's line."""
    gap = np.subtract(point, item.entry_px) * item.step_mm
    return float(item.direction[0] * gap[1] - item.direction[1] * gap[0])


def _alike(one: Standing, other: Standing, within: tuple[float, float]) -> bool:
    """Tell whether two lines go down one side with slopes and places within so many degrees and mm."""
    near = abs(one.slope_deg - other.slope_deg) <= within[0] and one.direction[0] * other.direction[0] > 0
    return near and abs(_across_mm(one, other.entry_px)) <= within[1]


def _at_one_slope(group: Sequence[Standing | None]) -> list[Standing | None]:
    """Turn the lines of a needle about their middles to one slope, as far as they differ by chance only."""
    slopes_deg = np.array([item.slope_deg for item in group if item is not None])
    spread = max(float(slopes_deg.var()), 1e-9)
    chance = min(1.0, SLOPE_SD_DEG**2 / spread)
    mean_deg = float(slopes_deg.mean())
    return [item and item.turned(chance * (mean_deg - item.slope_deg)) for item in group]


def _motion_term(members: Sequence[Standing]) -> float:
    """Log-odds of how far the ends lie apart along their line, for a needle against scenery.

    Scenery that slides level under the probe moves its end along the line as well, but also the line across
    itself: twice what such a slide gives is taken off. Up to a fifth of the ends may stray to either side.
    """
    if len(members) < FEWEST:
        return 0.0
    tips = np.array([item.tip_px for item in members]) * members[0].step_mm
    along = np.mean([item.direction for item in members], axis=0)
    along /= np.linalg.norm(along)
    across_mm = [_across_mm(item, np.mean([other.tip_px for other in members], axis=0)) for item in members]
    moved_mm = float(np.ptp(np.quantile(tips @ along, (0.2, 0.8))))
    alone_mm = max(0.0, moved_mm - 2 * float(np.ptp(across_mm)) * abs(along[0]) / along[1])
    return _capped(alone_mm**2 / (2 * END_SD_MM**2) - np.log(ANYWHERE_MM / (END_SD_MM * ROOT_2_PI)), 0, 3)


def _weigh(scene: Scene, line: Line) -> Standing | None:
    """Weigh one line as a needle; None when its place, slope or end rule it out."""
    foot = line.offset_px * np.array([np.cos(line.normal_rad), np.sin(line.normal_rad)])
    strip = scene.strip(foot, line.direction)
    for _ in range(FITS):
        if strip is not None and not strip.too_short:
            strip = scene.strip(*strip.fitted(scene.step_mm))
    if strip is None or strip.too_short or not SHALLOWEST_DEG <= strip.slope_deg <= STEEPEST_DEG:
        return None
    column, row = np.minimum(np.rint(strip.points).astype(np.intp), np.flip(scene.inside.shape) - 1).T
    first, last = strip.shaft
    beam = scene.beams[row, column]
    along_beam = min(float(np.abs(beam[first : last + 1] @ strip.direction).mean()), 1.0)
    if (
        scene.depth_share[row[0], column[0]] > DEEPEST_ENTRY
        or np.degrees(np.arccos(along_beam)) < OFF_BEAM_DEG
    ):
        return None
    entry, direction = ((float(x), float(y)) for x, y in (strip.points[0], strip.direction))
    terms = _shaft_terms(strip) | _side_terms(strip)
    terms["curtain"] = _curtain_term(scene, strip, beam)
    return Standing(entry, direction, strip.tip_mm, scene.step_mm, terms)


def _capped(value: float, low: float, high: float) -> float:
    return float(np.clip(value, low, high)) if np.isfinite(value) else low


def _shaft_terms(strip: Strip) -> dict[str, float]:
    """Log-odds of a shaft's slope, beginning, length, straightness and end.

    Needles take any slope alike, layers lie along the skin within 12 degrees. A shaft shows from the edge on,
    give or take 5 mm, other lines begin anywhere. Each 3 mm of a shaft stand out with a chance of 0.85, of a
    chance line with 0.5. A shaft's upper edge strays by 0.2 mm (bend, beads of echo), a tissue line's by 0.5.
    Nothing of a needle lies beyond its end; a tissue line goes on, or fades away.
    """
    first, last = strip.shaft
    layer = 2 / (12 * ROOT_2_PI) * np.exp(-((strip.slope_deg / 12) ** 2) / 2)
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


def _side_terms(strip: Strip) -> dict[str, float]:
    """Log-odds of what lies beside a shaft.

    Echo lingers below a shaft, not above it (4 +- 5 noise levels); beside tissue lines it is alike (0 +- 6).
    A tube has two like walls with a dark valley between; a needle's own copies lie closer, or fade.
    """
    z = strip.ending(strip.sides[1] - strip.sides[0])[0]
    first, last = strip.shaft
    profile = mean_known(strip.mean[first : last + 1])
    middle, near = len(profile) // 2, round(WALLS_MM / ACROSS_MM)
    above = (strip.across_mm < -SIDE_MM[0]) & (strip.across_mm > -2 * WALLS_MM)
    level = np.nan_to_num(profile - np.nanmedian(profile[above]))
    wall = float(level[np.abs(strip.across_mm) < BAND_MM].max())
    worst = 0.0
    for half in (level[middle:], level[middle::-1]):
        rise = np.minimum(wall, half) - np.maximum(np.minimum.accumulate(half), 0)
        worst = max(worst, float(rise[near:].max()) / max(wall, 1.0))
    likelier = np.log(6 / 5) - (z - 4) ** 2 / (2 * 5**2) + z**2 / (2 * 6**2)
    return {"side": _capped(likelier, -3, 1.5), "twin": _capped(6 * (0.2 - worst), -4, 0)}


def _curtain_term(scene: Scene, strip: Strip, beam: FloatArray) -> float:
    """Tails or shadow hang from the shaft along the beam and end where it ends; above it nothing changes."""
    reach_mm = np.arange(*CURTAIN_MM, CURTAIN_STEP_MM)
    change = []
    for sign in (1, -1):
        places = strip.points[:, None] + sign * reach_mm[:, None] * beam[:, None] / scene.step_mm
        end, beyond = strip.ending(mean_known(scene.sample(places), axis=1))
        change.append(end - beyond)
    below, above = change[0], float(np.nan_to_num(change[1]))
    return _capped(0.3 * abs(below - above) - 0.5, -0.5, 2) - _capped(0.3 * abs(above) - 0.6, 0, 2)
