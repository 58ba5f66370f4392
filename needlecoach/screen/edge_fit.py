"""Fits straight lines to the four edges of an outline that is known about, to a fraction of a pixel."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import FloatArray

FloatImage = npt.NDArray[np.float32]

# Each edge is read across in so many stretches, in steps of this; a step in grey is about so wide.
STRETCHES, PROFILE_PX, STEP_REACH_PX = 240, 0.5, 2.5
# Steeper things than the edge itself may stand beside most of it.
USUAL_PERCENT = 25


def refine(corners: FloatArray, picture: FloatImage, reach_px: float = 5.0) -> FloatArray:
    """Corners (4, 2) moved to where lines fitted to the four edges of the full picture meet.

    Each edge is read in short stretches across it; a line is fitted to the places of the steepest slope by
    repeated least squares with far ones dropped, so that glare over a part of the edge does no harm.
    """
    smooth = np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.5), dtype=np.float32)
    lines = [
        _fitted(smooth, a, b, reach_px) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)
    ]
    meets = [np.cross(lines[i - 1], lines[i]) for i in range(4)]
    moved = np.array([meet[:2] / meet[2] if abs(meet[2]) > 1e-9 else (np.inf, np.inf) for meet in meets])
    far = np.hypot(*(moved - corners).T) > 2 * reach_px
    return np.asarray(np.where(far[:, None], corners, moved))


def _fitted(smooth: FloatImage, a: FloatArray, b: FloatArray, reach_px: float) -> FloatArray:
    """Line (3,) in homogeneous form through an edge near the line from a to b."""
    way = b - a
    normal = np.array([-way[1], way[0]]) / max(float(np.hypot(*way)), 1e-9)
    share = np.linspace(0.03, 0.97, STRETCHES)
    off = np.arange(-reach_px - 3, reach_px + 3.01, PROFILE_PX)
    points = a + share[:, None, None] * way + off[:, None] * normal
    x, y = np.moveaxis(points, -1, 0).astype(np.float32)
    profile = cv2.remap(smooth, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    profile = cv2.blur(profile, (1, 7))
    slope = np.asarray(profile[:, 2:] - profile[:, :-2], dtype=float)
    ends, rise = _straightest(slope, share, off[1:-1], reach_px)
    # The middle of the step, stretch by stretch, near the line that most stretches agree on.
    rough = ends[0] + (ends[1] - ends[0]) * share
    near = rise * (np.abs(off[1:-1] - rough[:, None]) <= STEP_REACH_PX)
    strength = near.sum(axis=1)
    place = (near * off[1:-1]).sum(axis=1) / np.maximum(strength, 1e-6)
    usual = float(np.median(strength))
    use, fit = strength > 0.3 * usual, np.array([ends[1] - ends[0], ends[0]])
    for _ in range(5):
        if use.sum() < STRETCHES / 10:
            break
        fit = np.polyfit(share[use], place[use], 1, w=np.sqrt(np.minimum(strength[use], usual)))
        away = np.abs(place - np.polyval(fit, share))
        use = (strength > 0.3 * usual) & (away <= max(2.5 * float(np.median(away[use])), 0.4))
    first, last = (a + t * way + np.polyval(fit, t) * normal for t in (0.0, 1.0))
    return np.asarray(np.cross([*first, 1.0], [*last, 1.0]))


def _straightest(
    slope: FloatArray, share: FloatArray, off: FloatArray, reach_px: float
) -> tuple[tuple[float, float], FloatArray]:
    """Offsets of both ends of the line on which most stretches show an edge of one sign, and their slopes.

    A stretch counts no more than it usually does: what is bright beside the edge does not outvote it.
    """
    ends = np.arange(-reach_px, reach_px + 0.01, PROFILE_PX)
    first, last = (one.ravel() for one in np.meshgrid(ends, ends, indexing="ij"))
    at = first[:, None] + (last - first)[:, None] * share
    column = np.rint((at - off[0]) / PROFILE_PX).astype(np.intp)
    row = np.arange(len(share))
    best: tuple[float, tuple[float, float], FloatArray] | None = None
    for sign in (1.0, -1.0):
        rise = np.maximum(sign * slope, 0)
        usual = float(np.percentile(rise.max(axis=1), USUAL_PERCENT))
        votes = np.minimum(rise, usual)[row, column].sum(axis=1) / max(usual, 1e-6)
        i = int(votes.argmax())
        if best is None or votes[i] > best[0]:
            best = float(votes[i]), (float(first[i]), float(last[i])), np.minimum(rise, 2 * usual)
    assert best is not None
    return best[1], best[2]
