"""One step forward: a picture after what was known a moment ago, read as the tracker reads any."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace

import cv2
import numpy as np

from needlecoach.model import BoolArray, FloatArray, GreyImage
from needlecoach.tracking.bridge import RESTING_MM_S
from needlecoach.tracking.cover import COVER_BEYOND_MM, WAIT_MM
from needlecoach.tracking.doubt import seen_doubt_mm, unseen_doubt_mm
from needlecoach.tracking.follow import MOTION_FADE_SHARE, MOTION_SPAN_S, REST_NATS_PER_S
from needlecoach.tracking.kymograph import (
    BACKGROUND_TIME_S,
    GHOST_S,
    SAMPLE_MM,
    FloatImages,
    Sheet,
    moved_by,
    stand_out,
    unghosted,
)
from needlecoach.tracking.lately import Lately
from needlecoach.tracking.likelihood import (
    emission,
    from_further,
    motion_odds,
    moving_share,
    read_odds,
    tip_bonus,
)
from needlecoach.tracking.scenery import STIRRING
from needlecoach.tracking.sight import (
    EDGE_MM,
    EDGE_SD_MM,
    NO_SPOT_MOVING_NATS,
    NO_SPOT_NATS,
    SIGHT_SD_MM,
    UNSURE_NATS,
    chance_after,
    spot_evidence,
)
from needlecoach.tracking.spot import END_SHARE, Spot, find_spot
from needlecoach.tracking.tip import Belief, Dynamics, TipPath
from needlecoach.tracking.turning import turned

SPEED_S = 0.15
KEPT_S = 0.3
# What moves fast enough to show from one of a scanner's pictures to the next is told by these alone: over a
# longer time motion reaches back to where the tip was. What then stays as it is over so far is no shaft.
QUICK_S = 0.033
STILL_MM = 0.5
STILL_NATS = 0.6
BRIGHTER_GREY = 12.0
# Drawn back fast enough to be out this much later, what stirs no more within so long after that is out.
OUT_AHEAD_S, OUT_STILL_S = 0.15, 0.3
# Motion that tells the tip this well tells how far a needle was drawn back.
DRAWN_SD_MM = 4.0


@dataclass(frozen=True, eq=False)
class Step:
    """The needle in one picture; `along_mm` NaN without one. `strip` are the greys along its line."""

    along_mm: float
    across_mm: float
    sd_mm: float
    seen: bool
    shaft_share: float
    strip: GreyImage


@dataclass(frozen=True, eq=False)
class _Past:
    """A step kept for a moment."""

    time_s: float
    picture: GreyImage
    grey: FloatImages
    change: FloatImages
    along_mm: float
    moved_mm: float


class Stepper:
    """Steps forward from what was known lately, along an axis that stays as it was then."""

    def __init__(self, lately: Lately, mask: BoolArray, thrown_mm: float) -> None:
        assert lately.axis is not None and lately.onward is not None and lately.before is not None
        self.axis, self._onward, self._mask = lately.axis, lately.onward, mask
        self._sheet = Sheet.along(lately.axis, mask)
        n = min(self._sheet.inside.shape[1], len(lately.before))
        self._sheet = _cut(self._sheet, n)
        state = self._onward.belief.state
        self._belief = Belief(state[:, :n], self._onward.belief.absent)
        self._by_motion = Belief(self._onward.by_motion.state[:, :n], self._onward.by_motion.absent)
        self._before = lately.before[:n].copy()
        self._free = np.ones(n, dtype=bool)
        self._dynamics = Dynamics(n, thrown_mm)
        self._half_mm = lately.half_width_mm
        self._seen: float | None = lately.seen
        self._time_s = lately.time_s
        self._past: deque[_Past] = deque()
        self._back_mm_s = 0.0
        self._real = bool(np.isfinite(lately.in_since_s))
        self._leaving_s = -np.inf
        self._left_s = np.nan if self._real else lately.time_s

    @property
    def real(self) -> bool:
        """Whether a needle is in."""
        return self._real

    @property
    def left_s(self) -> float:
        """Since when no needle is in, NaN while one is."""
        return self._left_s

    def take_over(self, other: Stepper) -> None:
        """Go on in the place of another: what it saw leaving is leaving."""
        self._leaving_s = max(self._leaving_s, other._leaving_s)

    def warm(self, picture: GreyImage, time_s: float) -> None:
        """Take in a picture that belongs to what was known already, oldest first."""
        grey = self._sheet.sample(picture, 0)
        change = stand_out(grey[None], self._before[None])[0]
        self._past.append(_Past(time_s, picture, grey, change, np.nan, np.nan))

    def step(self, picture: GreyImage, time_s: float) -> Step:
        """Read the next picture."""
        step_s = max(time_s - self._time_s, 1e-3)
        self._turn(picture)
        grey = self._sheet.sample(picture, 0)
        change = self._change(grey, time_s)
        odds = read_odds(self._onward.table, change[None], self._sheet.inside)
        moves, now = self._motion(grey, time_s - MOTION_SPAN_S / 2), self._motion(grey, time_s - QUICK_S)
        # Drawn back along the axis: where a tip was a moment ago something changed too.
        now = from_further(now, round(self._back_mm_s * QUICK_S / SAMPLE_MM))
        quick = float(moving_share(now)[0])
        odds = _without_still(odds, now, quick)
        brighter = 1 - quick * (1 - self._brighter(grey, time_s - QUICK_S))
        bonus = tip_bonus(grey[None], odds, self._onward.usual_grey) * brighter
        moving = max(float(moving_share(moves)[0]), quick)
        slow_nats, quick_nats = (emission(one, fade_share=MOTION_FADE_SHARE)[0] for one in (moves, now))
        by_motion = slow_nats + quick * (quick_nats - slow_nats)
        shown, step = emission(odds, bonus)[0] + by_motion, self._dynamics.over(step_s)
        self._belief = self._belief.after(shown, moving, step)
        self._by_motion = self._by_motion.after(by_motion - REST_NATS_PER_S * step_s, moving, step)
        along_mm, sd_mm, _ = self._belief.read()
        if self._real and (np.isnan(along_mm) or self._went_out(along_mm, time_s)):
            self._real, self._left_s = False, time_s
        along_mm = along_mm if self._real else np.nan
        self._back_mm_s = self._drawn_mm_s(time_s) if quick > STIRRING else 0.0
        if self._by_motion.read()[0] < self._back_mm_s * OUT_AHEAD_S:
            self._leaving_s = time_s
        self._learn(grey, self._reach_mm(along_mm, moving), step_s)
        found = self._place(picture, grey, along_mm, sd_mm, time_s, step_s)
        moved_mm = self._by_motion.read()[0]
        self._past.append(_Past(time_s, picture, grey, change, found.along_mm, moved_mm))
        while self._past[0].time_s < time_s - KEPT_S and len(self._past) > 2:
            self._past.popleft()
        self._time_s = time_s
        if np.isfinite(along_mm):
            share = float((odds[0, : max(1, round(along_mm / SAMPLE_MM))] > 0).mean())
            return Step(found.along_mm, found.across_mm, found.sd_mm, found.seen, share, found.strip)
        return found

    def _turn(self, picture: GreyImage) -> None:
        """Follow a shaft that turns; what its new places looked like is then known less well."""
        reach_mm = self._belief.read()[0]
        axis = turned(self.axis, picture, self._onward.past, reach_mm)
        if axis is self.axis:
            return
        n = len(self._before)
        self.axis, self._sheet = axis, _cut(Sheet.along(axis, self._mask), n)
        # Beyond the needle its new places look now as they do without it.
        free = np.arange(n) * SAMPLE_MM > reach_mm + COVER_BEYOND_MM
        now, past = self._sheet.sample(picture, 0), self._sheet.sample(self._onward.past, 0)
        self._before = np.where(free, now, past).astype(np.float32)
        self._past = deque(replace(one, grey=self._sheet.sample(one.picture, 0)) for one in self._past)

    def _change(self, grey: FloatImages, time_s: float) -> FloatImages:
        change = stand_out(grey[None], self._before[None])[0]
        recent = [one.change for one in self._past if one.time_s >= time_s - GHOST_S - 1e-6]
        return unghosted(change, np.maximum.reduce([change, *recent]))

    def _motion(self, grey: FloatImages, since_s: float) -> FloatArray:
        """Log odds of a moving shaft, (1, n), from how the strip has changed since then."""
        ago = [one for one in self._past if one.time_s <= since_s + 0.005]
        motion = np.zeros_like(grey)[None] if not ago else moved_by(ago[-1].grey[None], grey[None])
        return motion_odds(motion, self._sheet.inside, self._onward.noise_grey)

    def _drawn_mm_s(self, time_s: float) -> float:
        """How fast what moves has been drawn back lately."""
        ago = [one for one in self._past if np.isfinite(one.moved_mm) and time_s - one.time_s <= SPEED_S]
        if not ago:
            return 0.0
        way_mm = float(np.nan_to_num(ago[0].moved_mm - self._by_motion.read()[0]))
        return max(0.0, way_mm / (time_s - ago[0].time_s))

    def _brighter(self, grey: FloatImages, since_s: float) -> FloatImages:
        """How surely each place has become brighter since then, (n,), 0-1: what a tip makes of a place."""
        ago = [one for one in self._past if one.time_s <= since_s + 0.005]
        return np.ones_like(grey) if not ago else np.clip((grey - ago[-1].grey) / BRIGHTER_GREY, 0, 1)

    def _reach_mm(self, along_mm: float, moving: float) -> float:
        """How far the needle reaches: no further than it was seen to be drawn back."""
        moved_mm, moved_sd_mm, _ = self._by_motion.read()
        if moving > STIRRING and moved_sd_mm <= DRAWN_SD_MM:
            return min(along_mm, moved_mm)
        return along_mm

    def _went_out(self, along_mm: float, time_s: float) -> bool:
        """Whether what moved has left at the edge: drawn out, or with no tip in sight that stayed there.

        A trail that looks like a needle stays where it is, however well a tip is seen in it.
        """
        drawn_out = time_s - self._leaving_s <= OUT_STILL_S
        unseen = self._seen is not None and self._seen < 0.5
        return bool(np.isnan(self._by_motion.read()[0])) and (drawn_out or (along_mm < WAIT_MM and unseen))

    def _learn(self, grey: FloatImages, along_mm: float, step_s: float) -> None:
        """Take places that no needle covers into what is known of them without one."""
        free = np.arange(len(grey)) * SAMPLE_MM > np.nan_to_num(along_mm, nan=-1.0) + COVER_BEYOND_MM
        share = 1 - np.exp(-step_s / BACKGROUND_TIME_S)
        # A place that has just come free shows what is there now.
        fresh = np.isnan(self._before) | (free & ~self._free)
        known, self._free = np.where(fresh, grey, self._before), free
        self._before = np.where(free, known + share * (grey - known), self._before).astype(np.float32)

    def _place(
        self,
        picture: GreyImage,
        grey: FloatImages,
        along_mm: float,
        sd_mm: float,
        time_s: float,
        step_s: float,
    ) -> Step:
        """Where the tip is told to be: at its own echo where that is seen."""
        strip = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
        if not np.isfinite(along_mm):
            self._seen = None
            return Step(np.nan, 0.0, np.nan, False, np.nan, strip)
        spot = find_spot(picture, self.axis, 0, along_mm, sd_mm)
        at_rest = self._speed_mm_s(along_mm, time_s) < RESTING_MM_S
        evidence = NO_SPOT_NATS if at_rest else NO_SPOT_MOVING_NATS
        if spot is not None:
            evidence = spot_evidence(spot, grey, self._before, at_rest=at_rest)
        limit_mm = EDGE_SD_MM if along_mm < EDGE_MM else SIGHT_SD_MM
        sure = evidence if sd_mm <= limit_mm else min(evidence, UNSURE_NATS)
        self._seen = chance_after(self._seen, sure, step_s)
        seen = self._seen > 0.5
        path = TipPath(np.full(2, along_mm), np.full(2, sd_mm), np.ones(2))
        flags, times = np.full(2, seen), np.array([time_s - step_s, time_s])
        if not seen:
            doubt = unseen_doubt_mm(path, path, flags, np.full(2, at_rest), times)
            return Step(along_mm, 0.0, float(doubt[1]), False, np.nan, strip)
        doubt = seen_doubt_mm(path, path, [spot, spot], flags, times)
        if spot is None or evidence <= 0:
            return Step(along_mm, 0.0, float(doubt[1]), True, np.nan, strip)
        return Step(self._tip_mm(spot), spot.across_mm, float(doubt[1]), True, np.nan, strip)

    def _tip_mm(self, spot: Spot) -> float:
        """Place of a tip by its spot, as `spot.tip_places_mm` tells it of many."""
        return spot.end_mm - self._half_mm * float(np.sqrt(END_SHARE))

    def _speed_mm_s(self, along_mm: float, time_s: float) -> float:
        ago = [one for one in self._past if np.isfinite(one.along_mm) and time_s - one.time_s <= SPEED_S]
        return abs(along_mm - ago[0].along_mm) / (time_s - ago[0].time_s) if ago else 0.0


def _without_still(odds: FloatArray, moving_odds: FloatArray, moving: float) -> FloatArray:
    """Log odds of a shaft, less what is for one where nothing changes while the needle moves: a trail."""
    reach = 2 * round(STILL_MM / SAMPLE_MM) + 1
    near = cv2.blur((moving_odds > 0).astype(np.float32), (reach, 1), borderType=cv2.BORDER_REPLICATE)
    return np.where(near <= 0, odds - moving * (np.maximum(odds, 0) + STILL_NATS), odds)


def _cut(sheet: Sheet, n: int) -> Sheet:
    """The sheet with n places; those added lie in no picture."""
    short = max(0, n - sheet.inside.shape[1])
    places = np.pad(sheet.places, ((0, 0), (0, 0), (0, short), (0, 0)), mode="edge")
    inside = np.pad(sheet.inside, ((0, 0), (0, short)))
    return Sheet(sheet.axis, places[:, :, :n], inside[:, :n])
