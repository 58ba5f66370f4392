"""A core needle: the notch behind its point, the sheath that closes over it, and its firing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from needlecoach.model import Point

Part = Literal["tip", "sheath"]


@dataclass(frozen=True)
class Notch:
    """A recess that begins `dead_space_mm` behind the point; bare, it is duller and lies lower."""

    dead_space_mm: float = 5.0
    length_mm: float = 18.0
    dull_db: float = 9.0
    recess_mm: float = 0.4

    def ends_mm(self, tip_mm: Point, direction: Point) -> tuple[Point, Point]:
        """Near and far end of the notch, seen from the entry, of a straight needle."""
        (x, z), (ux, uz) = tip_mm, direction
        far, near = self.dead_space_mm, self.dead_space_mm + self.length_mm
        return (x - near * ux, z - near * uz), (x - far * ux, z - far * uz)


@dataclass(frozen=True)
class Shot:
    """A firing that begins at `time_s` and takes `took_s`.

    "tip": the needle as a whole is thrown forward by `throw_mm`; what its keys say of the insertion counts
    without it. "sheath": from `bare_from_s` on the sheath stays where it is while the keys push the inner
    needle on, and closes over what is bare when it is fired; until then the notch is covered.
    """

    time_s: float
    part: Part = "tip"
    throw_mm: float = 22.0
    took_s: float = 0.04
    bare_from_s: float = 0.0

    def share(self, time_s: float) -> float:
        """Part of the way that is done, 0 to 1; even speed, as a spring's."""
        return float(np.clip((time_s - self.time_s) / self.took_s, 0, 1))

    def thrown_mm(self, time_s: float) -> float:
        """How far the needle as a whole has been thrown."""
        return self.throw_mm * self.share(time_s) if self.part == "tip" else 0.0

    def first_after(self, fps: float) -> int:
        """First frame after the jump."""
        return int(np.ceil((self.time_s + self.took_s) * fps - 1e-6))


def bare_mm(notch: Notch | None, shot: Shot | None, pushed_mm: float, time_s: float) -> float:
    """How much of the notch is bare, from its far end back; `pushed_mm` since the sheath stays behind."""
    if notch is None:
        return 0.0
    if shot is None or shot.part == "tip":
        return notch.length_mm
    if time_s < shot.bare_from_s:
        return 0.0
    return float(np.clip(pushed_mm, 0, notch.length_mm)) * (1 - shot.share(time_s))


def length_inside_mm(
    ends_mm: tuple[Point, Point], centre_mm: Point, axes_mm: Point, tilt_deg: float
) -> float:
    """Length of a straight stretch inside an ellipse, mm, in closed form."""
    turn = np.radians(tilt_deg)
    towards = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    # In units of the semi-axes the ellipse is a circle of radius 1.
    start, end = (towards @ np.subtract(place, centre_mm) / axes_mm for place in ends_mm)
    way = end - start
    a, b, c = float(way @ way), float(start @ way), float(start @ start) - 1
    if a == 0 or b * b <= a * c:
        return 0.0
    root = np.sqrt(b * b - a * c)
    first, last = np.clip([(-b - root) / a, (-b + root) / a], 0, 1)
    return float(last - first) * float(np.hypot(*np.subtract(ends_mm[1], ends_mm[0])))
