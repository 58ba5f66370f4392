"""Layer lines: nearly level bright lines right across a picture, where one pour of gel lies on another."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from needlecoach.blockcheck.view import BEAM_STEP_MM, FACE_MM, ROW_STEP_MM, Floats32, View
from needlecoach.model import BoolArray, FloatArray, LayerLine

# Gel sets level; a probe held askew, or a bowl, tilts it by less than this.
MOST_TILT_DEG, TILT_STEP_DEG = 10.0, 0.5
# Twice the intensity of the gel above and below, in three of four parts of the width, and far out of the
# noise.
LEAST_DB, PART_SHARE, LEAST_SDS = 3.0, 0.25, 5.0
_PARTS, _FEWEST_PARTS, _LEAST_KNOWN = 10, 5, 0.6
_SMOOTH_MM, _FLANK_MM, _APART_MM, _MOST_LINES = 0.15, (0.8, 2.0), 1.2, 12


def find_layer_lines(view: View, *, left_out: BoolArray | None = None) -> tuple[LayerLine, ...]:
    """Find layer lines on a picture, from the shallowest down.

    Parameters
    ----------
    view : the picture
    left_out : (h, w) of the cut: targets, gas and shadows, which say nothing of a line behind them

    Notes
    -----
    A line counts where three of four parts of the width show it. The level walls of a tube that lies across
    nearly all of the picture, and the container's bottom, look the same.
    """
    power, known, zoom = _upright(view, left_out)
    tilts = np.arange(-MOST_TILT_DEG, MOST_TILT_DEG + 1e-6, TILT_STEP_DEG)
    scores = np.stack([_score(power, known, float(tilt)) for tilt in tilts])
    finite = scores[np.isfinite(scores)]
    if not len(finite):
        return ()
    usual, upper = np.quantile(
        finite, (0.5, 0.84)
    )  # walls make rows below them negative, noise is told above
    level = max(LEAST_DB, float(usual + LEAST_SDS * (upper - usual)))
    found: list[LayerLine] = []
    scores = np.nan_to_num(scores, nan=-np.inf)
    while len(found) < _MOST_LINES and scores.max() > level:
        tilt, row = np.unravel_index(int(scores.argmax()), scores.shape)
        found.append(_line(view, float(tilts[tilt]), int(row), float(scores[tilt, row]), power.shape, zoom))
        _take_out(scores, tilts, float(tilts[tilt]), int(row), power.shape[1])
    return tuple(sorted((line for line in found if line.depth_mm > FACE_MM), key=lambda line: line.depth_mm))


def _upright(view: View, left_out: BoolArray | None) -> tuple[Floats32, Floats32, FloatArray]:
    """Intensity on a grid of known mm, where it is known (0 to 1), and px of the cut per sample (x, y)."""
    h, w = view.greys.shape
    size = (
        max(round(w * view.scale.x_mm_per_px / BEAM_STEP_MM), 2 * _PARTS),
        max(round(h * view.scale.y_mm_per_px / ROW_STEP_MM), 16),
    )
    use = view.inside & (view.depth_mm > FACE_MM / 2)
    if left_out is not None:
        use = use & ~left_out
    known = cv2.resize(use.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    power = cv2.resize(
        np.where(use, 10 ** (view.level_db / 10), 0).astype(np.float32), size, interpolation=cv2.INTER_LINEAR
    )
    return np.asarray(power, np.float32), np.asarray(known, np.float32), np.array([w / size[0], h / size[1]])


def _score(power: Floats32, known: Floats32, tilt_deg: float) -> FloatArray:
    """By how many dB each row at a tilt stands out in three of four parts of the width, NaN if unknown."""
    rise = -np.tan(np.radians(tilt_deg)) * BEAM_STEP_MM / ROW_STEP_MM
    size = power.shape[1], power.shape[0]
    # Row y of the sheared picture is the line through row y of its middle column.
    shear = np.array([[1, 0, 0], [rise, 1, -rise * (size[0] - 1) / 2]])
    total, weight = (cv2.warpAffine(one, shear, size, flags=cv2.INTER_LINEAR) for one in (power, known))
    parts = np.array_split(np.arange(size[0]), _PARTS)
    sums = np.stack([total[:, part].sum(axis=1) for part in parts], axis=1)
    counts = np.stack([weight[:, part].sum(axis=1) for part in parts], axis=1)
    sigma = _SMOOTH_MM / ROW_STEP_MM
    sums, counts = (cv2.GaussianBlur(one, (0, 0), sigmaX=1e-3, sigmaY=sigma) for one in (sums, counts))
    wide = np.array([len(part) for part in parts])
    level = 10 * np.log10(np.maximum(sums, 1e-12) / np.maximum(counts, 1e-6))
    over = np.where(counts >= _LEAST_KNOWN * wide, level - _flanks_db(sums, counts), np.nan)
    return _lower_part(over)


def _flanks_db(sums: np.ndarray, counts: np.ndarray) -> FloatArray:
    """Level beside each row: of the gel just above and just below it that which is brighter.

    So a step in brightness from one pour to the next makes no line.
    """
    near, far = (round(one / ROW_STEP_MM) for one in (_FLANK_MM[0], _FLANK_MM[1]))
    tall, middle = far - near + 1, (near + far) // 2
    mean = 10 * np.log10(
        np.maximum(cv2.blur(sums, (1, tall)), 1e-12) / np.maximum(cv2.blur(counts, (1, tall)), 1e-6)
    )
    above, below = np.roll(mean, middle, axis=0), np.roll(mean, -middle, axis=0)
    above[:middle], below[-middle:] = np.inf, np.inf
    return np.asarray(np.maximum(above, below), dtype=float)


def _lower_part(over_db: FloatArray) -> FloatArray:
    """The value that three of four parts reach in each row, NaN where too few are known."""
    known = np.isfinite(over_db).sum(axis=1)
    place = np.minimum((PART_SHARE * known).astype(int), over_db.shape[1] - 1)
    # Sorting puts what is not known last.
    lower = np.take_along_axis(np.sort(over_db, axis=1), place[:, None], axis=1)[:, 0]
    return np.where(known >= _FEWEST_PARTS, lower, np.nan)


def _line(
    view: View, tilt_deg: float, row: int, above_db: float, shape: tuple[int, ...], zoom: FloatArray
) -> LayerLine:
    half = (shape[1] - 1) / 2
    fall = np.tan(np.radians(tilt_deg)) * BEAM_STEP_MM / ROW_STEP_MM * half
    ends = np.array([[0, row - fall], [shape[1] - 1, row + fall]])
    ends_px = (ends + 0.5) * zoom - 0.5 + view.corner_px
    middle = ends_px.mean(axis=0)
    return LayerLine(
        ends_px=((float(ends_px[0, 0]), float(ends_px[0, 1])), (float(ends_px[1, 0]), float(ends_px[1, 1]))),
        depth_mm=float(view.region.depth_px(middle) * view.scale.y_mm_per_px),
        tilt_deg=tilt_deg,
        above_db=above_db,
    )


def _take_out(scores: FloatArray, tilts_deg: FloatArray, tilt_deg: float, row: int, columns: int) -> None:
    """Take a found line out of the scores: all lines that come near it anywhere within the picture."""
    half_mm = columns * BEAM_STEP_MM / 2
    turned = np.abs(np.tan(np.radians(tilts_deg)) - np.tan(np.radians(tilt_deg))) * half_mm
    rows = np.arange(scores.shape[1])
    near = np.abs(rows[None] - row) * ROW_STEP_MM < _APART_MM + turned[:, None]
    scores[near] = -np.inf


def lines_seen(
    pictures: Sequence[Sequence[LayerLine]], *, near_mm: float = 2.0
) -> list[tuple[LayerLine, int]]:
    """Lines of a sweep, each the brightest of those at its depth, and on how many pictures it was seen."""
    found: list[list[LayerLine]] = []
    for lines in pictures:
        for line in lines:
            same = [group for group in found if abs(group[-1].depth_mm - line.depth_mm) < near_mm]
            if same:
                same[0].append(line)
            else:
                found.append([line])
    best = [(max(group, key=lambda one: one.above_db), len(group)) for group in found]
    return sorted(best, key=lambda pair: pair[0].depth_mm)
