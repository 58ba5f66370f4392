"""How far off the followed target may be: what its tiles disagree on, its look, how long it is lost."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from needlecoach.model import FloatArray

# Fits to 34 drawn scenes of both kinds of probe (pushes of up to 2.5 mm, drift, turning and sliding probes):
# the truth lies within two standard uncertainties in about 19 of 20 pictures; checked on other clips.
# What registration leaves, in a picture that is like the marked one.
LEAST_MM = 0.015
# Tiles overlap and share their speckle, so what they disagree on understates what they are all wrong about.
TILES_TIMES = 2.2
# A look that has changed altogether seems to move by about so much.
CHANGED_MM = 0.2
# Of what a changed look seemed to move, and was not believed to.
DISBELIEVED_SHARE = 0.9
# The scanner's averaging draws a jump out over the next pictures.
JUMP_SHARE = 1.0
# A target that is not made out can be pushed or slide off unseen; by judgement, as few clips show it.
LOST_MM, LOST_MM_PER_ROOT_S = 0.1, 0.3
# A target without texture is not seen to move: about what a wall gives way before it is pierced.
UNSEEN_MM = 0.2


def tiles_sd_px(ballots: Sequence[FloatArray] | Sequence[npt.NDArray[np.float32]]) -> float:
    """Standard uncertainty of the tiles' common offset, px, along one direction (root mean square of both).

    Parameters
    ----------
    ballots : one (3, 3) piece of each tile's map of likeness times say, round the peak of their sum

    Returns
    -------
    float
        Infinite where their sum has no peak.

    Notes
    -----
    The peak of a sum of maps is an M-estimate: the variance is the sum of the squared slopes of the single
    maps at the common peak over the square of the sum's bend (Huber, Proc 5th Berkeley Symposium 1967;1:221,
    the "sandwich"; from memory). Tiles that all have their own peak there have no slope, and leave no doubt.
    """
    maps = np.asarray(ballots, dtype=float)
    variance = 0.0
    for lines in (maps[:, 1, :], maps[:, :, 1]):
        left, middle, right = lines.sum(axis=0)
        bend = float(left - 2 * middle + right)
        if bend >= 0:
            return float(np.inf)
        at = float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5))
        slopes = (lines[:, 2] - lines[:, 0]) / 2 + at * (lines[:, 0] - 2 * lines[:, 1] + lines[:, 2])
        variance += float((slopes**2).sum()) / bend**2 / 2
    return float(np.sqrt(variance))


class FollowingDoubt:
    """Standard uncertainty of a followed target, picture by picture; `step_mm` is a working pixel's width."""

    def __init__(self, step_mm: float) -> None:
        self._step_mm = step_mm
        self._sd_mm: list[float] = []
        self._sure_s, self._sure_mm = 0.0, LEAST_MM

    def voted(self, time_s: float, tiles_sd_px: float, disbelieved_px: float, likeness: float) -> None:
        """Take in a picture in which the tiles found the target; `likeness` as a share of the usual."""
        # A peak that the search cut short tells no disagreement: a whole pixel then.
        tiles_mm = (tiles_sd_px if np.isfinite(tiles_sd_px) else 1.0) * self._step_mm
        changed_mm = CHANGED_MM * max(0.0, 1.0 - likeness)
        parts = (
            LEAST_MM,
            TILES_TIMES * tiles_mm,
            changed_mm,
            DISBELIEVED_SHARE * disbelieved_px * self._step_mm,
        )
        self._sure_s, self._sure_mm = time_s, float(np.hypot.reduce(parts))
        self._sd_mm.append(self._sure_mm)

    def stayed(self, time_s: float, *, found: bool) -> None:
        """Take in a picture of which the target, without texture, is taken to be a part."""
        if not found:
            self.held(time_s)
            return
        self._sure_s, self._sure_mm = time_s, UNSEEN_MM
        self._sd_mm.append(UNSEEN_MM)

    def held(self, time_s: float) -> None:
        """Take in a picture in which the target was not made out."""
        since = LOST_MM_PER_ROOT_S * float(np.sqrt(max(0.0, time_s - self._sure_s)))
        self._sd_mm.append(float(np.hypot.reduce((self._sure_mm, LOST_MM, since))))

    def latest_mm(self) -> float:
        """Standard uncertainty in the picture taken in last; forgets those before, so that nothing grows."""
        self._sd_mm = self._sd_mm[-1:]
        return self._sd_mm[0]

    def between(self, time_s: FloatArray, seen_s: FloatArray, offset_px: FloatArray) -> FloatArray:
        """Standard uncertainty at all times, (n,) mm, from that at the times compared, (m,).

        `offset_px` (m, 2) is where the target was found then: a jump leaves doubt on either side of it.
        """
        jumps = np.hypot(*np.diff(offset_px, axis=0).T) * self._step_mm * JUMP_SHARE
        beside = np.maximum(np.append(0.0, jumps), np.append(jumps, 0.0))
        sd_mm = np.interp(time_s, seen_s, np.hypot(self._sd_mm, beside))
        return np.asarray(sd_mm, dtype=float)
