"""How a block's brightness changes with depth, and where it is lost in black."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.stats import theilslopes

from needlecoach.blockcheck.speckle import Cells
from needlecoach.blockcheck.view import BLACK, FACE_MM, View
from needlecoach.model import BoolArray, DepthFall, FloatArray

# The course of brightness over depth is told in so many steps, by medians: what covers less than half of a
# depth does not bend it.
_BIN_MM = 2.0
# Theil-Sen takes all pairs of blocks; more than so many say nothing new.
_MOST_BLOCKS = 1500


def expected_db(depth_mm: FloatArray, level_db: FloatArray) -> FloatArray:
    """Usual level at the depth of each block, shape (n,): medians of a few mm, joined by straight lines."""
    edges = np.arange(depth_mm.min(), depth_mm.max() + _BIN_MM, _BIN_MM)
    bins = np.digitize(depth_mm, edges)
    kept = np.unique(bins)
    middles = np.array([np.median(depth_mm[bins == one]) for one in kept])
    levels = np.array([np.median(level_db[bins == one]) for one in kept])
    return np.asarray(np.interp(depth_mm, middles, levels), dtype=float)


def depth_fall(views: Sequence[View], masks: Sequence[BoolArray], pictures: Sequence[Cells]) -> DepthFall:
    """Slope of level over depth by Theil and Sen with its 95 % interval, and the profile it goes through.

    Parameters
    ----------
    views, masks, pictures : each picture, what of it is left out (h, w), and its blocks

    Notes
    -----
    The scanner's own gain over depth is in it and not known: a fall tells of gel and settings together.
    """
    depth = np.concatenate([cells.depth_mm for cells in pictures])
    level = np.concatenate([cells.level_db for cells in pictures])
    every = max(len(depth) // _MOST_BLOCKS, 1)
    slope, _, low, high = theilslopes(level[::every], depth[::every], alpha=0.95)
    return DepthFall(
        db_per_cm=10 * float(slope),
        low_db_per_cm=10 * float(low),
        high_db_per_cm=10 * float(high),
        span_mm=(float(depth.min()), float(depth.max())),
        profile=_profile(depth, level),
        lost_mm=_lost_mm(views, masks),
    )


def _profile(depth_mm: FloatArray, level_db: FloatArray) -> FloatArray:
    at = np.arange(depth_mm.min(), depth_mm.max() + _BIN_MM / 2, _BIN_MM / 2)
    near = [np.abs(depth_mm - one) <= _BIN_MM / 2 for one in at]
    return np.array([(one, np.median(level_db[ok])) for one, ok in zip(at, near, strict=True) if ok.any()])


def _lost_mm(views: Sequence[View], masks: Sequence[BoolArray]) -> float | None:
    """Depth below which at least half of the gel is black on the median picture, None where it is not."""
    found = [_black_from_mm(view, mask) for view, mask in zip(views, masks, strict=True)]
    lost = float(np.median(found))
    return None if lost >= min(view.deepest_mm for view in views) - 1.0 else lost


def _black_from_mm(view: View, mask: BoolArray) -> float:
    gel = view.inside & ~mask
    bins = (view.depth_mm[gel] / _BIN_MM).astype(int)
    n = np.bincount(bins)
    black = np.bincount(bins, weights=view.greys[gel] <= BLACK)
    lit = np.flatnonzero((n > 0) & (black < 0.5 * n))
    return float((lit.max() + 1) * _BIN_MM) if len(lit) else FACE_MM
