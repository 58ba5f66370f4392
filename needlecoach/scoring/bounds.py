"""Where a person said that attempts and passes begin, put over what the track gave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from needlecoach.model import Correction, FloatArray, Pass
from needlecoach.scoring.passes import Span

# A bound that was joined may lie a little elsewhere once the track is mended: it is looked for this near.
SAME_BOUND_S = 0.5


@dataclass(frozen=True)
class Bounds:
    """Frames with which, by a person's word, an attempt or a pass begins, or does not begin anew."""

    split_attempts: tuple[int, ...] = ()
    join_attempts: tuple[int, ...] = ()
    split_passes: tuple[int, ...] = ()
    join_passes: tuple[int, ...] = ()

    @classmethod
    def of(cls, corrections: Sequence[Correction]) -> Bounds:
        """Gather them from corrections; those of other kinds are left out."""
        frames = {
            kind: tuple(one.frame for one in corrections if one.kind == kind)
            for kind in ("split attempt", "join attempts", "split pass", "join passes")
        }
        return cls(*frames.values())

    def spans(self, spans: Sequence[Span], time_s: FloatArray) -> tuple[Span, ...]:
        """Attempts split and joined; a frame in none, or a bound that is not there, changes nothing."""
        bounded = list(spans)
        for frame in self.join_attempts:
            at = _nearest([span.first_frame for span in bounded], frame, time_s)
            if at:
                bounded[at - 1 : at + 1] = [replace(bounded[at], first_frame=bounded[at - 1].first_frame)]
        for frame in self.split_attempts:
            for at, span in enumerate(bounded):
                if span.first_frame < frame <= span.last_frame:
                    early = Span(span.first_frame, frame - 1, cut_off=False)
                    bounded[at : at + 1] = [early, replace(span, first_frame=frame)]
                    break
        return tuple(bounded)

    def passes(
        self, passes: Sequence[Pass], depth_mm: FloatArray, first_frame: int, time_s: FloatArray
    ) -> tuple[Pass, ...]:
        """Passes of one attempt split and joined.

        Parameters
        ----------
        depth_mm : (n,) position of the tip along the shaft, from frame `first_frame` on
        time_s : of all frames of the clip
        """

        def between(first: int, last: int) -> Pass:
            deepest = first + int(np.argmax(depth_mm[first - first_frame : last + 1 - first_frame]))
            return Pass(first, last, deepest)

        bounded = list(passes)
        for frame in self.join_passes:
            at = _nearest([one.first_frame for one in bounded], frame, time_s)
            if at:
                bounded[at - 1 : at + 1] = [between(bounded[at - 1].first_frame, bounded[at].last_frame)]
        for frame in self.split_passes:
            for at, one in enumerate(bounded):
                if one.first_frame < frame <= one.last_frame:
                    bounded[at : at + 1] = [
                        between(one.first_frame, frame - 1),
                        between(frame, one.last_frame),
                    ]
                    break
        return tuple(bounded)


def _nearest(starts: Sequence[int], frame: int, time_s: FloatArray) -> int:
    """Index of the start nearest to a frame, 0 (which joins nothing) when none is near."""
    if not starts or frame >= len(time_s):
        return 0
    away_s = np.abs(time_s[list(starts)] - time_s[frame])
    at = int(away_s.argmin())
    return at if away_s[at] <= SAME_BOUND_S else 0
