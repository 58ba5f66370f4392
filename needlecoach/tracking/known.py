"""What a person said of single frames, as evidence for the tracker: a mended frame mends its neighbours."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, Correction, FloatArray, Point
from needlecoach.tracking.axis import Axis, AxisEvidence
from needlecoach.tracking.chain import Node
from needlecoach.tracking.drift import back, moved
from needlecoach.tracking.kymograph import SAMPLE_MM, FloatImages
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.tip import TipPath, spells

# A place said by hand is right to about this, and outweighs whatever one frame seems to show.
SAID_SD_MM = 0.4
SAID_NATS = 60.0
AT_THE_PLACE_NATS = 4.5
# What seemed to show something else by so much misled, there and, the less the further, so long about it.
MISLED_NATS = 4.0
MISLED_FOR_S = 0.5
MISLED_REACH = 3.0
# Between two that misled, no further apart than this, nothing is trusted either.
MISLED_BETWEEN_S = 2.0
# Frames on end whose strips differ by less than this, for so long at most, show the same: what was said of
# one holds for the others with this share of its weight.
ALIKE_GREY, ALIKE_S, ALIKE_SHARE = 5.0, 3.0, 0.3
# The shaft passes the said tip this closely; lines in the pictures about it that do not are none of it.
PASSING_MM = 2.0
PASSING_S = 0.3
PASSING_WORTH_MM = 30.0
# An axis further from a said tip is another line; said tips so far apart tell the line by themselves.
OFF_AXIS_MM = 3.0
OWN_LINE_MM = 5.0
UNBELIEVED_SD_MM = 3.0
MARKED_SD_PX, MARKED_SD_MM = 1.0, 0.1


@dataclass(frozen=True)
class Said:
    """Of one frame: the tip's place in px of the frame, whether it can be seen, and whether there is one."""

    tip_px: Point | None
    visible: bool
    absent: bool


def said_of(corrections: Sequence[Correction]) -> Mapping[int, Said]:
    """What corrections say of single frames, by frame; the last one about a frame counts."""
    said = {}
    for one in corrections:
        if one.kind in ("tip", "tip hidden", "no needle"):
            said[one.frame] = Said(one.tip_px, one.kind == "tip" and one.visible, one.kind == "no needle")
    return said


@dataclass(frozen=True, eq=False)
class Known:
    """What was said of the n frames of a window.

    Attributes
    ----------
    place : (n, 2) float
        The tip in steadied working pixels; NaN where it was not said.
    sight : (n,) int
        1: the tip can be seen, -1: it can't, 0: not said.
    absent : (n,) bool
        There is no needle.
    """

    place: FloatArray
    sight: npt.NDArray[np.int8]
    absent: BoolArray
    time_s: FloatArray
    sd_mm: float

    @classmethod
    def nothing(cls, time_s: FloatArray) -> Known:
        """Nothing was said."""
        n = len(time_s)
        return cls(np.full((n, 2), np.nan), np.zeros(n, dtype=np.int8), np.zeros(n, dtype=bool), time_s, 0.0)

    @classmethod
    def within(
        cls, said: Mapping[int, Said], first: int, time_s: FloatArray, drift: FloatArray, plane: Plane
    ) -> Known:
        """What was said of the frames of a window that begins with frame `first`."""
        n = len(time_s)
        here = {number - first: one for number, one in said.items() if first <= number < first + n}
        place, sight, absent = np.full((n, 2), np.nan), np.zeros(n, dtype=np.int8), np.zeros(n, dtype=bool)
        for i, one in here.items():
            absent[i] = one.absent
            sight[i] = 0 if one.absent else 1 if one.visible else -1
            if one.tip_px is not None:
                place[i] = moved(plane.from_frame_px(one.tip_px), back(drift[i]))
        sd_mm = float(np.hypot(np.sqrt(2) * MARKED_SD_PX * plane.scale.mean_mm_per_px, MARKED_SD_MM))
        return cls(place, sight, absent, time_s, sd_mm)

    @property
    def placed(self) -> BoolArray:
        """Frames in which the tip's place was said, (n,)."""
        return np.isfinite(self.place[:, 0])

    @property
    def _said_places(self) -> list[int]:
        return [int(i) for i in np.flatnonzero(self.placed)]

    def pick(self, nodes: Sequence[Node], block_s: FloatArray, step_mm: float) -> list[Node]:
        """Candidate lines without those that miss a said tip of about their time; the others gain worth."""
        if not self.placed.any():
            return list(nodes)
        kept = []
        for node in nodes:
            near = self.placed & (np.abs(self.time_s - block_s[node.block]) < PASSING_S)
            passing = node.line.distance_px(self.place[near]) * step_mm < PASSING_MM
            if passing.all():
                kept.append(replace(node, reward=node.reward + PASSING_WORTH_MM * bool(near.any())))
        return kept

    def through(self, seen: AxisEvidence | None, mask: BoolArray, step_mm: float) -> AxisEvidence | None:
        """Evidence for an axis through the said tips; as it was where they do not tell one."""
        places = self.place[self.placed]
        if not len(places):
            return seen
        if seen is not None and (self.off_axis_mm(seen.fit()) < OFF_AXIS_MM).all():
            return seen
        if np.hypot(*np.ptp(places, axis=0)) * step_mm < OWN_LINE_MM:
            return seen
        return AxisEvidence.of_line(places, self.time_s, mask, step_mm)

    def off_axis_mm(self, axis: Axis) -> FloatArray:
        """How far each said tip lies from the axis, (n_said,)."""
        return np.array([abs(self.on_axis(axis, i)[1]) for i in self._said_places])

    def on_axis(self, axis: Axis, frame: int) -> tuple[float, float]:
        """Place of the said tip of a frame along the axis and below it, mm."""
        off = (self.place[frame] - axis.entry[frame]) * axis.step_mm
        along = float(off @ axis.direction[frame])
        return along, float(off @ axis.below[frame]) - float(axis.bow_per_mm[frame]) * along**2

    def bind(self, log_likelihood: FloatArray, axis: Axis, grey: FloatImages | None = None) -> FloatArray:
        """Log likelihood of the tip at each sample (see `tip.emission`) with what was said in it.

        A place out of sight says nothing of what shows: it enters when sights are bridged. Given the strips
        (n, n_samples), what was said of a frame holds, less firmly, for those beside it as
        long as they look the same.
        """
        s = np.arange(log_likelihood.shape[1]) * SAMPLE_MM
        said = {int(i): np.full(len(s), -SAID_NATS) for i in np.flatnonzero(self.absent)}
        for i in (i for i in self._said_places if self.sight[i] > 0):
            off = (s - np.clip(self.on_axis(axis, i)[0], 0, s[-1])) / SAID_SD_MM
            said[i] = SAID_NATS - np.minimum(off**2 / 2, 2 * SAID_NATS)
        if not said:
            return log_likelihood
        misled = [i for i, row in said.items() if self._misled(log_likelihood[i], row)]
        bound = log_likelihood * self._trust(misled)[:, None]
        if grey is not None:
            for i in misled:
                bound[self._alike(grey, i)] = said[i] * ALIKE_SHARE
        for i, row in said.items():
            bound[i] = row
        return np.asarray(bound)

    def _misled(self, shown: FloatArray, said: FloatArray) -> bool:
        """Tell whether a frame seemed to show something else than what was said of it; absence is worth 0."""
        right = float(shown[said > SAID_NATS - AT_THE_PLACE_NATS].max(initial=-np.inf))
        if (said < 0).all():
            right = 0.0
        return max(float(shown.max()), 0.0) - right > MISLED_NATS

    def _trust(self, misled: Sequence[int]) -> FloatArray:
        """How far what frames seem to show is trusted, (n,), 0-1: little about those that misled."""
        trust = np.ones(len(self.time_s))
        for i in misled:
            away = np.abs(self.time_s - self.time_s[i]) / MISLED_FOR_S
            trust = np.minimum(trust, 1 - np.exp(-(np.minimum(away, MISLED_REACH) ** 4)))
        for first, last in pairwise(sorted(misled)):
            between_s = self.time_s[last] - self.time_s[first]
            said = self.placed[first + 1 : last] | self.absent[first + 1 : last]
            if between_s < MISLED_BETWEEN_S and not said.any():
                trust[first : last + 1] = 0.0
        return trust

    def _alike(self, grey: FloatImages, frame: int) -> slice:
        """Frames on end about one, of which nothing was said, whose strips look as its does."""
        alike = np.abs(grey - grey[frame]).mean(axis=1) < ALIKE_GREY
        alike &= np.abs(self.time_s - self.time_s[frame]) < ALIKE_S
        alike &= ~(self.placed | self.absent) | (np.arange(len(grey)) == frame)
        first = frame - int(np.argmin(np.append(alike[: frame + 1][::-1], False))) + 1
        return slice(first, frame + int(np.argmin(np.append(alike[frame:], False))))

    def sight_evidence(self, evidence: FloatArray) -> FloatArray:
        """Log odds that the tip is seen (see `sight.sight_evidence`) with what was said in it."""
        said = np.flatnonzero(self.sight)
        if not said.size:
            return evidence
        misled = [int(i) for i in said if evidence[i] * self.sight[i] < 0]
        bound = evidence * self._trust(misled)
        bound[said] = SAID_NATS * self.sight[said]
        return np.asarray(bound)

    def settle(self, path: TipPath, axis: Axis) -> TipPath:
        """Path with the said places in it, and no needle where none was said to be."""
        position, sd, present = path.position_mm.copy(), path.sd_mm.copy(), path.present.copy()
        for i in self._said_places:
            position[i], sd[i], present[i] = max(self.on_axis(axis, i)[0], 0.0), self.sd_mm, 1.0
        return TipPath(position, sd, present).without(self.absent)

    def only_bridged(self, path: TipPath, anchors: BoolArray) -> TipPath:
        """A path that is not believed beside a said place out of sight, up to the next anchors, (n,) bool.

        How sure it is there it has from that place alone: the even way between anchors is as good.
        """
        sd = path.sd_mm.copy()
        hidden = self.placed & (self.sight < 0)
        for first, end in spells(~anchors):
            if hidden[max(first - 1, 0)] or hidden[min(end, len(hidden) - 1)]:
                sd[first:end] = np.maximum(sd[first:end], UNBELIEVED_SD_MM)
        return TipPath(path.position_mm, sd, path.present)

    def kept_open(self, bridged: TipPath, path: TipPath) -> TipPath:
        """A bridged path without the gaps of the path before in which a person said that no needle is."""
        open_frames = np.zeros(len(self.absent), dtype=bool)
        for first, end in spells(np.isnan(path.position_mm)):
            open_frames[first:end] = self.absent[first:end].any()
        return bridged.without(open_frames)

    def off_line_mm(self, below_mm: FloatArray, axis: Axis) -> FloatArray:
        """How far the tip lies below the axis, (n,), with the said places in it."""
        said = {i: self.on_axis(axis, i)[1] for i in self._said_places}
        return np.array([said.get(i, float(off)) for i, off in enumerate(below_mm)])

    def in_sight(self, visible: BoolArray, present: BoolArray) -> BoolArray:
        """Where the tip can be seen, (n,), with what was said in it."""
        return np.asarray((visible | (self.sight > 0)) & (self.sight >= 0) & present)
