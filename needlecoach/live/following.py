"""One captured frame after the other followed by the day's marks: rows, and what keeps it from following."""

from __future__ import annotations

import traceback
from collections import deque
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Protocol

from needlecoach.clips.reader import ColourImage
from needlecoach.live.fitness import Fault, Fitness
from needlecoach.live.laid import Laid
from needlecoach.live.rows import row_now
from needlecoach.live.state import RowNow
from needlecoach.live.straight import Straightened, Straightener, is_hidden
from needlecoach.model import GreyImage, LiveRow, ScreenView
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.target import TargetFollower
from needlecoach.tracking.throw import farthest_throw_mm

# How many pictures are followed a second is told over so many.
RATE_OF, GAP_S = 60, 1.0


class Follower(Protocol):
    """The causal half of the tracker."""

    def see(self, number: int, time_s: float, picture: GreyImage) -> LiveRow: ...

    def close(self) -> None: ...


FollowerOf = Callable[[Plane, TargetFollower | None, float, Executor | None], Follower]


@dataclass(frozen=True, eq=False)
class Followed:
    """What one frame gave: the row as scoring takes it and as pages draw it, and the screen's view."""

    row: LiveRow
    now: RowNow
    view: ScreenView | None


class Following:
    """Follows the live picture by marks that were laid on it; `close` it.

    Attributes
    ----------
    laid : Laid
    fault : str
        What keeps the picture from being followed, once it has held for a moment; "" where nothing does.
    """

    def __init__(self, laid: Laid, follower_of: FollowerOf, beside: Executor | None) -> None:
        self.laid = laid
        self._fitness, self._straight = Fitness(laid), Straightener(laid)
        self._follower_of, self._beside = follower_of, beside
        self._follower = self._new_follower()
        self.defects = 0
        self._seen_s: deque[float] = deque(maxlen=RATE_OF)

    @property
    def fault(self) -> Fault:
        """What a person is told."""
        return self._fitness.said

    @property
    def fps(self) -> float | None:
        """How many pictures were followed a second, over the last of them; None before there are enough."""
        times_s = list(self._seen_s)
        if len(times_s) < RATE_OF or times_s[-1] <= times_s[0]:
            return None
        return (len(times_s) - 1) / (times_s[-1] - times_s[0])

    def fits(self, pixels: ColourImage) -> bool:
        """Tell whether a frame is of the size that was marked."""
        return (pixels.shape[1], pixels.shape[0]) == self.laid.size_px

    def see(self, number: int, time_s: float, pixels: ColourImage) -> Followed | None:
        """Follow the next frame; None where its picture can't be followed."""
        if self._seen_s and time_s - self._seen_s[-1] > GAP_S:  # the camera was gone
            self._seen_s.clear()
        self._seen_s.append(time_s)
        picture = self._straight.see(number, time_s, pixels)
        if picture is None:
            self._fitness.out_of_view(time_s)
            return None
        working = self.laid.plane.resample(picture.pixels)
        if self._fitness.see(time_s, working):
            return None
        row = self._row(number, time_s, working)
        if row is None:
            return None
        row = self._without_glare(row, picture)
        return Followed(row, row_now(row, self.laid, picture.view), picture.view)

    def close(self) -> None:
        """End the follower."""
        self._follower.close()

    def _row(self, number: int, time_s: float, working: GreyImage) -> LiveRow | None:
        try:
            return self._follower.see(number, time_s, working)
        except Exception:  # a defect of ours: its traceback is kept, the session goes on with a new follower
            self.defects += 1
            if self.defects <= 3:
                traceback.print_exc()
            self._follower = self._new_follower()
            return None

    def _without_glare(self, row: LiveRow, picture: Straightened) -> LiveRow:
        """A tip under glare can't be seen, whatever shines there."""
        if row.sight == "seen" and is_hidden(self.laid, picture, row.tip_px):
            return replace(row, sight="inferred")
        return row

    def _new_follower(self) -> Follower:
        thrown_mm = farthest_throw_mm(self.laid.marks.core)
        return self._follower_of(self.laid.plane, self.laid.follower(), thrown_mm, self._beside)


def forward(
    plane: Plane, target: TargetFollower | None, thrown_mm: float, beside: Executor | None
) -> Follower:
    """Return the tracker's causal half."""
    from needlecoach.tracking.forward import Forward

    follower: Follower = Forward(plane, target, thrown_mm=thrown_mm, beside=beside)
    return follower
