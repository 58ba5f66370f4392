"""How sure the hand was that marked an outline: two markings of one target compared."""

from __future__ import annotations

import numpy as np

from needlecoach.errors import MarksError
from needlecoach.model import FloatArray, Point, Target

# Two markings that agree by luck, or that one hand copied, don't make a hand surer than this.
LEAST_SD_PX = 0.3
_DIRECTIONS = 360


def marking_sd_px(first: Target, again: Target) -> float:
    """Standard uncertainty of one marked outline, from two markings of it by hand.

    Parameters
    ----------
    first, again : the same target on the same frame, marked twice, the second time without seeing the first

    Returns
    -------
    float
        Px across the outline: the root mean square of what both differ by in all directions from the point
        between their centres, over the square root of 2 (each marking has its share in a difference). Not
        under 0.3 px.

    Raises
    ------
    MarksError
        When that point does not lie within both outlines: they can't be of one target.
    """
    between = np.add(first.centre_px, again.centre_px) / 2
    centre = (float(between[0]), float(between[1]))
    differences = _radii_px(first.outline_px, centre) - _radii_px(again.outline_px, centre)
    if not np.isfinite(differences).all():
        raise MarksError(
            "The target's second marking (again) does not lie over the first one; mark the same target on "
            "the same frame again, or take it out."
        )
    return max(float(np.sqrt((differences**2).mean() / 2)), LEAST_SD_PX)


def _radii_px(outline_px: FloatArray, centre_px: Point) -> FloatArray:
    """Distance from a point to the outline in all directions, (360,): the farthest one where it folds back.

    NaN where a direction does not meet it, as from a point outside.
    """
    turns = np.linspace(0, 2 * np.pi, _DIRECTIONS, endpoint=False)
    rays = np.stack([np.cos(turns), np.sin(turns)], axis=-1)[:, None, :]
    corners = outline_px - np.asarray(centre_px)
    sides = np.roll(corners, -1, axis=0) - corners
    # centre + radius * ray = corner + share * side, solved by crossing both with the other direction.
    facing = rays[..., 0] * sides[:, 1] - rays[..., 1] * sides[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        radius = (corners[:, 0] * sides[:, 1] - corners[:, 1] * sides[:, 0]) / facing
        share = (corners[:, 0] * rays[..., 1] - corners[:, 1] * rays[..., 0]) / facing
    met = (radius > 0) & (share >= -1e-9) & (share <= 1 + 1e-9)
    farthest = np.where(met, radius, -np.inf).max(axis=1)
    return np.where(np.isfinite(farthest), farthest, np.nan)
