"""Where tip and target lie along the strip of greys that was read along the shaft."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecoach.model import FloatArray, Scale, Strip
from needlecoach.scoring.geometry import wall_crossings_mm


def tip_along_mm(strip: Strip, tip_px: FloatArray, scale: Scale) -> FloatArray:
    """Place of the tip along the strip of its frame, as shown.

    Parameters
    ----------
    strip : n frames
    tip_px : (n, 2), NaN where there is none
    scale : of the picture in which both are told

    Returns
    -------
    (n,) float
        Millimetres from the first sample, the tip's foot on the strip's line; NaN where either is unknown.
    """
    start_mm, direction = _lines_mm(strip, scale)
    return np.asarray(((scale.to_mm(tip_px) - start_mm) * direction).sum(axis=1))


def target_along_mm(strip: Strip, outline_px: FloatArray, centre_px: FloatArray, scale: Scale) -> FloatArray:
    """Stretch of the strip that lies within the target, frame by frame, as shown.

    Parameters
    ----------
    strip : n frames
    outline_px : (m, 2) corners about the target's centre, not closed
    centre_px : (n, 2) the target's centre in every frame
    scale : of the picture in which all are told

    Returns
    -------
    (n, 2) float
        Millimetres from the first sample to the near and the far wall; NaN where the line misses the target.
    """
    start_mm, direction = _lines_mm(strip, scale)
    return wall_crossings_mm(start_mm - scale.to_mm(centre_px), direction, scale.to_mm(outline_px))


def _lines_mm(strip: Strip, scale: Scale) -> tuple[FloatArray, FloatArray]:
    """First sample's place and unit vector of every frame's line, (n, 2) each."""
    way = scale.to_mm(strip.end_px - strip.start_px)
    length = np.hypot(way[:, 0], way[:, 1])[:, None]
    return scale.to_mm(strip.start_px), way / np.where(length > 0, length, np.nan)


@dataclass(frozen=True, eq=False)
class Along:
    """The strip as the needle's greys: one row per frame, (n, n_samples), the tip at `tip_mm` (n,) on it."""

    grey: FloatArray
    step_mm: float
    tip_mm: FloatArray

    @classmethod
    def of(cls, strip: Strip, tip_px: FloatArray, scale: Scale) -> Along:
        """Lay tips (n, 2) on the strip; its samples are as far apart as the scale says."""
        way = scale.to_mm(strip.end_px - strip.start_px)
        known = np.isfinite(way).all(axis=1)
        long_mm = float(np.median(np.hypot(*way[known].T))) if known.any() else 0.0
        step_mm = long_mm / max(strip.grey.shape[1] - 1, 1) or strip.step_mm
        return cls(strip.grey.astype(float), step_mm, tip_along_mm(strip, tip_px, scale))

    def cut(self, frames: slice) -> Along:
        """The same of some frames on end."""
        return Along(self.grey[frames], self.step_mm, self.tip_mm[frames])

    def behind_mm(self, tip_mm: float) -> FloatArray:
        """How far each sample lies behind a tip at a place along the strip, (n_samples,)."""
        return np.asarray(tip_mm - np.arange(self.grey.shape[1]) * self.step_mm)
