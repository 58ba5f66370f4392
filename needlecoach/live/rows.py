"""Live rows as a page draws them, and as scoring takes them."""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence

import numpy as np

from needlecoach.live.laid import Laid
from needlecoach.live.state import RowNow
from needlecoach.live.straight import to_frame_px
from needlecoach.model import FloatArray, LiveRow, ScreenView, Track
from needlecoach.scoring.geometry import signed_distance_mm
from needlecoach.scoring.uncertainty import distance_sd_mm
from needlecoach.tracking.kymograph import SAMPLE_MM

# As round as anyone can see; more points only make each message longer.
OUTLINE_POINTS = 40


def row_now(row: LiveRow, laid: Laid, view: ScreenView | None) -> RowNow:
    """Return a live row as a page draws it; `view` leads from the followed picture to the frame."""
    centre_mm, edge_mm, sd_mm = _distances_mm(row, laid)
    has_needle = row.needle_present
    return RowNow(
        number=row.number,
        time_s=row.time_s,
        sight=row.sight,
        tip_px=_point(row.tip_px, view) if has_needle else None,
        tip_sd_mm=_known(row.tip_sd_mm) if has_needle else None,
        entry_px=_point(row.entry_px, view) if has_needle else None,
        angle_deg=_known(row.angle_deg) if has_needle else None,
        target_px=_point(row.target_px, view),
        target_found=bool(row.target_found),
        target_outline_px=_outline_px(row, laid, view),
        centre_mm=centre_mm,
        edge_mm=edge_mm,
        sd_mm=sd_mm,
        strip=base64.b64encode(np.ascontiguousarray(row.strip).tobytes()).decode() if has_needle else "",
        strip_step_mm=SAMPLE_MM if has_needle and len(row.strip) else 0.0,
        tip_mm=_along_mm(row, row.tip_px, laid),
        target_mm=_along_mm(row, row.target_px, laid),
    )


def track_of(rows: Sequence[LiveRow]) -> Track:
    """Rows of frames on end as a track, in px of the followed picture."""
    present = np.array([row.needle_present for row in rows], dtype=bool)
    gone = ~present[:, None]
    return Track(
        time_s=np.array([row.time_s for row in rows], dtype=float),
        needle_present=present,
        tip_px=np.where(gone, np.nan, _stacked([row.tip_px for row in rows])),
        tip_visible=np.array([row.tip_visible for row in rows], dtype=bool),
        tip_sd_mm=np.where(present, [row.tip_sd_mm for row in rows], np.nan),
        entry_px=np.where(gone, np.nan, _stacked([row.entry_px for row in rows])),
        angle_deg=np.where(present, [row.angle_deg for row in rows], np.nan),
        shaft_visible_share=np.where(present, [row.shaft_visible_share for row in rows], np.nan),
        target_px=_stacked([row.target_px for row in rows]),
        target_found=np.array([row.target_found for row in rows], dtype=bool),
        trail_end_px=np.full((len(rows), 2), np.nan),
        target_sd_mm=np.nan_to_num([row.target_sd_mm for row in rows], nan=0.0),
    )


def _stacked(points: Sequence[FloatArray]) -> FloatArray:
    return np.array(points, dtype=float).reshape(-1, 2)


def _distances_mm(row: LiveRow, laid: Laid) -> tuple[float | None, float | None, float | None]:
    """Distance of the tip to the target's centre, to its outline (negative inside), and the latter's sd."""
    if laid.outline_mm is None or not row.needle_present:
        return None, None, None
    relative = laid.to_mm(np.asarray(row.tip_px, float)) - laid.to_mm(np.asarray(row.target_px, float))
    if not np.isfinite(relative).all():
        return None, None, None
    edge_mm = float(signed_distance_mm(relative[None], laid.outline_mm)[0])
    sd_mm = distance_sd_mm(
        edge_mm,
        tip_sd_mm=row.tip_sd_mm,
        marking_sd_mm=laid.marking_sd_mm,
        scale_sd_share=laid.scale.sd_share,
        following_sd_mm=row.target_sd_mm,
    )
    return float(np.hypot(*relative)), edge_mm, _known(float(sd_mm))


def _outline_px(row: LiveRow, laid: Laid, view: ScreenView | None) -> tuple[tuple[float, float], ...]:
    """Points round the target where it is in this frame; () without a target or its place."""
    target = laid.marks.target
    if target is None or not np.isfinite(row.target_px).all():
        return ()
    every = max(len(target.outline_px) // OUTLINE_POINTS, 1)
    here = target.outline_px[::every] + (np.asarray(row.target_px) - np.asarray(target.centre_px))
    return tuple((round(float(x), 1), round(float(y), 1)) for x, y in to_frame_px(here, view))


def _along_mm(row: LiveRow, point_px: FloatArray, laid: Laid) -> float | None:
    """Where along the strip a point lies, from the entry on, in mm as shown; None where it is not known."""
    if not row.needle_present or not np.isfinite(row.entry_px).all() or not np.isfinite(row.tip_px).all():
        return None
    scale = laid.scale
    way, there = scale.to_mm(row.tip_px - row.entry_px), scale.to_mm(np.asarray(point_px) - row.entry_px)
    length = float(np.hypot(*way))
    return None if length < 1e-6 else _known(float(way @ there) / length)


def _point(point_px: FloatArray, view: ScreenView | None) -> tuple[float, float] | None:
    if not np.isfinite(point_px).all():
        return None
    x, y = to_frame_px(np.asarray(point_px, dtype=float), view)
    return round(float(x), 2), round(float(y), 2)


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
