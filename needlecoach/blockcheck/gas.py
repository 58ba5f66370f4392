"""Gas: bright spots with a dirty shadow below them, on one picture and over several."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.blockcheck.view import BEAM_STEP_MM, FACE_MM, ROW_STEP_MM, Beams, Floats32, View, to_db
from needlecoach.model import BoolArray, FloatArray, GasPocket, GasSpot

# Of fully developed speckle exp(-10) of the samples lie 10 dB or more above the mean (exponential law of
# intensities): a handful in a picture, and hardly any is wide and has a shadow.
BRIGHT_DB = 10.0
# Half the intensity is gone below it, and still a good third of it at the picture's far end: fluid is dark
# too, but bright again below.
SHADOW_DB, FAR_SHADOW_DB = 3.0, 2.0
# A shadow must be so long and so much darker than speckle alone makes it: in standard errors of a median.
LEAST_SHADOW_MM, LEAST_SDS = 4.0, 4.0
# Standard deviation of fully developed speckle in dB: pi / sqrt(6) * 10 / ln 10 (the law of extreme values).
SPECKLE_SD_DB = 5.57
_SMOOTH_MM, _JOIN_MM, _CLEAR_OF_SPOT_MM = 0.25, 0.8, 1.0
_LEAST_WIDTH_MM, _BESIDE_MM, _MOST_SPOILT = 0.5, 12.0, 0.75
# The rims of a spot are blurred beyond its shadow: so much of its width counts.
_CORE_SHARE = 0.8
# An oblique streak is a needle or its trail, one as wide as the picture a border: neither is a pocket of gas.
_STREAK_MM, _STREAK_RATIO, _STREAK_DEG, _MOST_SHARE = 5.0, 3.5, (12.0, 78.0), 0.6
# The same pocket on the next picture lies no further than this from where it was.
_SAME_MM = 2.5


@dataclass(frozen=True, eq=False)
class Spots:
    """What was bright on one picture: gas with its shadow, and how many specks have none."""

    gas: tuple[GasSpot, ...]
    n_specks: int


def find_gas(view: View, *, left_out: BoolArray | None = None) -> Spots:
    """Find gas on a picture.

    Parameters
    ----------
    view : the picture
    left_out : (h, w) of the cut: marked targets, whose walls are bright and whose insides may be dark

    Returns
    -------
    Spots
        The deepest `LEAST_SHADOW_MM` of a picture can't show a shadow, so no gas is told there.
    """
    beams = Beams.of(view)
    bright = _bright(beams, _on_beams(beams, view, left_out))
    joined = cv2.morphologyEx(
        bright.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, round(_JOIN_MM / BEAM_STEP_MM)), np.uint8)
    )
    n_spots, labels, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    gas, specks = [], 0
    for label in range(1, n_spots):
        box = stats[label, :4]
        if not _can_be_gas(labels == label, box, beams):
            continue
        spot = _with_shadow(beams, view, bright, labels == label)
        gas += [spot] if spot is not None else []
        specks += spot is None
    return Spots(tuple(gas), specks)


def _on_beams(beams: Beams, view: View, mask: BoolArray | None) -> BoolArray:
    """A mask of the cut brought to beams, False outside."""
    if mask is None:
        return np.zeros(beams.level_db.shape, dtype=bool)
    local = (beams.frame_px - view.corner_px.astype(np.float32)).astype(np.float32)
    x, y = np.ascontiguousarray(local[..., 0]), np.ascontiguousarray(local[..., 1])
    return np.asarray(cv2.remap(mask.astype(np.uint8), x, y, cv2.INTER_NEAREST) > 0)


def _bright(beams: Beams, left_out: BoolArray) -> BoolArray:
    """Samples that stand out of what is usual at their depth."""
    known = np.isfinite(beams.level_db)
    power = np.where(known, 10 ** (np.nan_to_num(beams.level_db) / 10), 0).astype(np.float32)
    sigma = _SMOOTH_MM / BEAM_STEP_MM, _SMOOTH_MM / ROW_STEP_MM
    smooth = cv2.GaussianBlur(power, (0, 0), sigmaX=sigma[0], sigmaY=sigma[1])
    level = 10 * np.log10(np.maximum(smooth, 1e-12))
    usual = np.array([np.median(row[ok]) if ok.any() else 0 for row, ok in zip(level, known, strict=True)])
    # The median of an exponential law lies 1.6 dB below its mean.
    out = (level - usual[:, None] - 1.6 > BRIGHT_DB) & known & ~left_out
    out[beams.depth_mm < FACE_MM] = False
    return np.asarray(out)


def _usual_db(beams: Beams, bright: BoolArray, columns: tuple[int, int]) -> Floats32:
    """Median level of the beams up to some mm to both sides of these columns, at each depth, (rows,)."""
    reach = max(round(_BESIDE_MM / BEAM_STEP_MM), 8)
    beside = np.r_[max(columns[0] - reach, 0) : columns[0], columns[1] : columns[1] + reach]
    beside = beside[beside < beams.level_db.shape[1]]
    # What lies below something bright may be in its shadow: it tells nothing, unless little else is left.
    spoilt = np.maximum.accumulate(bright[:, beside], axis=0)
    spoilt[spoilt.mean(axis=1) > _MOST_SPOILT] = False
    near = np.where(spoilt | bright[:, beside], np.nan, beams.level_db[:, beside])
    known = np.isfinite(near).any(axis=1)
    usual = np.full(len(near), np.nan, dtype=np.float32)
    usual[known] = np.nanmedian(near[known], axis=1)
    return usual


def _can_be_gas(spot: BoolArray, box: npt.NDArray[Any], beams: Beams) -> bool:
    """Tell by its size and shape whether a bright spot can be a pocket of gas."""
    row = int(box[1])
    width_mm, height_mm = box[2] * beams.apart_mm[row], box[3] * ROW_STEP_MM
    if width_mm < _LEAST_WIDTH_MM or box[2] > _MOST_SHARE * spot.shape[1]:
        return False
    if max(width_mm, height_mm) < _STREAK_MM:
        return True
    y, x = np.nonzero(spot)
    spread = np.cov(np.stack([x * beams.apart_mm[row], y * ROW_STEP_MM]))
    sizes, ways = np.linalg.eigh(spread)
    tilt = float(np.degrees(np.arctan2(abs(ways[1, 1]), abs(ways[0, 1]))))
    ratio = float(np.sqrt(sizes[1] / max(sizes[0], 1e-6)))
    return not (ratio > _STREAK_RATIO and _STREAK_DEG[0] < tilt < _STREAK_DEG[1])


def _with_shadow(beams: Beams, view: View, bright: BoolArray, spot: BoolArray) -> GasSpot | None:
    """The spot as gas with its shadow, None where none follows it down to the picture's end."""
    rows, columns = np.nonzero(spot)
    left, right = int(columns.min()), int(columns.max()) + 1
    usual_db = _usual_db(beams, bright, (left, right))[:, None]
    start = int(rows.max()) + round(_CLEAR_OF_SPOT_MM / ROW_STEP_MM)
    rim = int((right - left) * (1 - _CORE_SHARE) / 2)
    below, beside = beams.level_db[start:, left + rim : right - rim], usual_db[start:]
    black_db = float(to_db(np.array([2], np.uint8), view.dynamic_range_db)[0])
    lit = (np.nan_to_num(beside, nan=-999.0) > black_db) & np.isfinite(below)
    deep = np.flatnonzero(lit.mean(axis=1) > 0.5)
    if len(deep) * ROW_STEP_MM < LEAST_SHADOW_MM:
        return None
    darker = np.where(lit, beside - below, np.nan)[deep]
    shadow_db, far_db = float(np.nanmedian(darker)), float(np.nanmedian(darker[-(len(deep) // 3) :]))
    sd_db = 1.25 * SPECKLE_SD_DB / np.sqrt(_n_speckles(len(deep), (right - left) * beams.apart_mm[start]))
    if shadow_db < max(SHADOW_DB, LEAST_SDS * sd_db) or far_db < FAR_SHADOW_DB:
        return None
    return _spot(beams, spot, shadow_db, usual_db, (left, right, start + int(deep[-1])))


def _n_speckles(n_rows: int, width_mm: float) -> float:
    """About so many independent speckles in a shadow: 0.3 mm tall, 0.6 mm wide (7.5 MHz, from memory)."""
    return max(n_rows * ROW_STEP_MM / 0.3 * max(width_mm / 0.6, 1.0), 1.0)


def _spot(
    beams: Beams, spot: BoolArray, shadow_db: float, usual_db: Floats32, reach: tuple[int, int, int]
) -> GasSpot:
    rows, columns = np.nonzero(spot)
    left, right, end = reach
    row, column = int(np.median(rows)), int(np.median(columns))
    above = float(np.nanmax((beams.level_db - usual_db)[spot]))
    places = beams.frame_px
    top, bottom, last = int(rows.min()), int(rows.max()), min(end, places.shape[0] - 1)
    edges = left, min(right, places.shape[1]) - 1
    centre = places[row, column]
    return GasSpot(
        centre_px=(float(centre[0]), float(centre[1])),
        width_mm=float((right - left) * beams.apart_mm[row]),
        depth_mm=float(beams.depth_mm[row]),
        above_db=above,
        shadow_db=shadow_db,
        outline_px=_patch(places, (top, bottom), edges),
        shadow_px=_patch(places, (bottom, last), edges),
    )


def _patch(places: Floats32, rows: tuple[int, int], columns: tuple[int, int]) -> FloatArray:
    """Corners (4, 2) in the frame of a patch of beams."""
    (top, bottom), (left, right) = rows, columns
    corners = [places[top, left], places[top, right], places[bottom, right], places[bottom, left]]
    return np.array(corners, dtype=float)


def shadow_share(view: View, spots: Sequence[GasSpot]) -> float:
    """Share of a picture that lies in gas and below it, 0 to 1."""
    mask = spots_mask(view, spots)
    return float(mask[view.inside].mean())


def spots_mask(view: View, spots: Sequence[GasSpot], *, margin_mm: float = 0.0) -> BoolArray:
    """Pixels of the cut, (h, w), that lie in gas or below it."""
    mask = np.zeros(view.greys.shape, np.uint8)
    for spot in spots:
        for outline in (spot.outline_px, spot.shadow_px):
            cv2.fillPoly(mask, [(outline - view.corner_px).round().astype(np.int32)], (1,))
    grow = round(margin_mm / view.scale.mean_mm_per_px)
    if grow > 0 and spots:
        mask = np.asarray(cv2.dilate(mask, np.ones((2 * grow + 1, 2 * grow + 1), np.uint8)), np.uint8)
    return np.asarray(mask > 0)


def pockets(
    pictures: Sequence[Sequence[GasSpot]], sizes_mm: Sequence[tuple[float, float]]
) -> list[GasPocket]:
    """Pockets of gas over the pictures of a sweep, the widest first.

    Parameters
    ----------
    pictures : the gas of each picture, in the order of the sweep
    sizes_mm : mm per px along x and y of each picture

    Notes
    -----
    A spot within `_SAME_MM` of one on the picture before, or half its own width, is the same pocket.
    """
    chains: list[list[GasSpot]] = []
    before: list[tuple[list[GasSpot], FloatArray]] = []
    for spots, size in zip(pictures, sizes_mm, strict=True):
        now: list[tuple[list[GasSpot], FloatArray]] = []
        for spot in spots:
            place = np.asarray(spot.centre_px) * size
            near = [
                chain
                for chain, old in before
                if np.hypot(*(place - old)) < max(_SAME_MM, (chain[-1].width_mm + spot.width_mm) / 2)
            ]
            chain = near[0] if near else []
            if not near:
                chains.append(chain)
            chain.append(spot)
            now.append((chain, place))
        before = now
    return sorted((_pocket(chain) for chain in chains), key=lambda one: -one.width_mm)


def _pocket(chain: Sequence[GasSpot]) -> GasPocket:
    widest = max(chain, key=lambda spot: spot.width_mm)
    return GasPocket(
        widest.width_mm, widest.depth_mm, widest.above_db, widest.shadow_db, n_pictures=len(chain)
    )
