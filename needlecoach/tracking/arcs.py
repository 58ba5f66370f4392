"""The shaft's course in time, fitted to its first echoes: mostly still, turning now and then."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt
from scipy.linalg import solveh_banded

from needlecoach.model import FloatArray, GreyImage
from needlecoach.tracking.chain import Node
from needlecoach.tracking.changes import Changes

# Pictures this close in time are read as one: the shaft hardly turns in between.
GROUP_S = 0.07
# A group is read only when the chain of lines passes this close in time.
NODE_REACH_S = 0.35
BAND_MM = 5.0
SAMPLE_MM = 0.3
FEWEST_ECHOES = 4
FIRST_ECHO_SHARE = 0.5
FIRST_ECHO_FLOOR = 8.0
# Copies may be brighter than the shaft. Where a distinct row of echoes (so much brighter than what lies
# between) stands above the brightest one nearly always, as weak as this share of it, weaker ones count.
WEAK_ECHO_SHARE = 0.2
DISTINCT = 1.4
COPY_MM = 0.6
COPIED_SHARE = 0.8
# Echoes further than this from the shaft are strays; the fit begins wide and narrows.
RESIDUAL_MM = (1.6, 1.2, 0.9, 0.7, 0.5, 0.4, 0.4, 0.4, 0.4, 0.4)
# Neighbouring echoes share speckle, in depth and from frame to frame.
ECHO_SD_MM = 1.5
# A place that a person marked is no stray.
PIN_SD_MM = 0.1
# A needle bends by about a millimetre over 40 mm.
BOW_SD_PER_MM = 1 / 40**2
# A shift of the entry, a turn and a change of bow by this much cost alike.
LEVEL_STEP_MM = 0.2
SLOPE_STEP = np.radians(1.0)
BOW_STEP_PER_MM = BOW_SD_PER_MM / 20
# Below this a step is none; above it the price grows with this power of it, so that turns are few, not small.
SMALLEST_STEP = 0.05
POWER = 0.5
# What level, slope and bow are held to, weakly, where no echo tells of them: nought.
PRIOR = (1e-6, 1e-3, 1e-2 / BOW_SD_PER_MM**2)


@dataclass(frozen=True, eq=False)
class Pins:
    """Places through which the shaft is known to pass: when, and mm along and across, (k,) each."""

    time_s: FloatArray
    along_mm: FloatArray
    across_mm: FloatArray


@dataclass(frozen=True, eq=False)
class Echoes:
    """First echoes of the shaft about a pivot: mm along and across, (n_groups, n_places), NaN where none.

    `say` is what each counts, 0-1: weak ones are more often strays. `slope` (n_groups,) is that of the line
    across which they were looked for.
    """

    along_mm: FloatArray
    across_mm: FloatArray
    say: FloatArray
    time_s: FloatArray
    slope: FloatArray
    pins: Pins | None = None

    @classmethod
    def none(cls) -> Echoes:
        """No echoes at all."""
        return cls(np.zeros((0, 1)), np.zeros((0, 1)), np.zeros((0, 1)), np.zeros(0), np.zeros(0))

    def pinned(self, pins: Pins) -> Echoes:
        """The same with places that are certain."""
        return replace(self, pins=pins)

    def upto(self, reach_mm: FloatArray, at_s: FloatArray) -> Echoes:
        """Leave out what lies beyond the given reach (mm, NaN where unknown) at the nearest given time."""
        nearest = np.abs(at_s[None, :] - self.time_s[:, None]).argmin(axis=1)
        limit = np.nan_to_num(reach_mm[nearest], nan=np.inf)[:, None]
        across = np.where(self.along_mm > limit, np.nan, self.across_mm)
        kept = np.isfinite(across).sum(axis=1) >= FEWEST_ECHOES
        return Echoes(
            self.along_mm[kept], across[kept], self.say[kept], self.time_s[kept], self.slope[kept], self.pins
        )


def shaft_echoes(
    bands: Sequence[Band], frame: tuple[FloatArray, FloatArray, FloatArray], step_mm: float
) -> Echoes:
    """Find the first echo across the shaft, place by place, in every band.

    The first echo, counted from above, is the shaft; what lies below it are copies drawn by reverberation.
    """
    pivot, along, across = frame
    copied = bool(bands) and np.mean([_row_above(band) for band in bands]) > COPIED_SHARE
    found = []
    for band in bands:
        n_mm, grey = _first_echo(band, WEAK_ECHO_SHARE if copied else FIRST_ECHO_SHARE)
        ok = grey > 0
        if np.count_nonzero(ok) >= FEWEST_ECHOES:
            at = band.centre[ok] + n_mm[ok, None] / step_mm * across - pivot
            # Where copies are brighter a strong echo is more often one of them.
            say = np.ones(len(at)) if copied else np.minimum(grey[ok] / np.percentile(grey[ok], 90), 1) ** 2
            found.append((band, at @ along * step_mm, at @ across * step_mm, say))
    longest = max((len(s) for _, s, _, _ in found), default=0)
    along_mm, across_mm, says = (np.full((len(found), longest), np.nan) for _ in range(3))
    for row, (_, s, n, say) in enumerate(found):
        along_mm[row, : len(s)], across_mm[row, : len(s)], says[row, : len(s)] = s, n, say
    slopes = np.array([_slope(band.centre[-1] - band.centre[0], along, across) for band, _, _, _ in found])
    return Echoes(along_mm, across_mm, says, np.array([band.time_s for band, _, _, _ in found]), slopes)


def _slope(way: FloatArray, along: FloatArray, across: FloatArray) -> float:
    return float((way @ across) / (way @ along))


@dataclass(frozen=True, eq=False)
class Band:
    """What stands out across a line at one time: grey values (n_places, n_offsets), offsets in mm below it.

    `centre` (n_places, 2) are the places on the line.
    """

    time_s: float
    centre: FloatArray
    offsets_mm: FloatArray
    grey: npt.NDArray[np.float32]


def read_bands(
    part: Sequence[Node],
    pictures: Sequence[GreyImage],
    changes: Changes,
    frame_time_s: FloatArray,
    rows: npt.NDArray[np.intp],
    frame: tuple[FloatArray, FloatArray, FloatArray],
    step_mm: float,
) -> list[Band]:
    """Read bands across the chain of lines, a group of frames each."""
    pivot, along, across = frame
    offsets = np.arange(-BAND_MM, BAND_MM + 1e-9, step_mm)
    node_s = np.array([changes.time_s[node.block] for node in part])
    group_of = np.unique(np.floor((frame_time_s[rows] - frame_time_s[0]) / GROUP_S), return_inverse=True)[1]
    bands = []
    for group in range(int(group_of.max()) + 1):
        members = rows[group_of == group]
        middle_s = float(frame_time_s[members].mean())
        nearest = int(np.argmin(np.abs(node_s - middle_s)))
        if abs(node_s[nearest] - middle_s) > NODE_REACH_S:
            continue
        node = part[nearest]
        reach = float((np.asarray(node.line.last_px) - pivot) @ along) * step_mm + 2
        s = np.arange(0, max(reach, 3.0), SAMPLE_MM)
        centre = node.entry + s[:, None] / step_mm * node.line.direction
        points = (centre[:, None, :] + offsets[None, :, None] / step_mm * across).astype(np.float32)
        raw = changes.excess_at([pictures[i] for i in members], int(changes.block_of[members[0]]), points)
        grey = np.asarray(cv2.GaussianBlur(raw, (3, 5), 0), dtype=np.float32)
        bands.append(Band(middle_s, centre, offsets, grey))
    return bands


def _row_above(band: Band) -> bool:
    """Tell whether a distinct row of echoes, weak as it may be, lies above the brightest one."""
    profile = np.asarray(band.grey.mean(axis=0), dtype=float)
    brightest = int(np.argmax(profile))
    top = int(np.searchsorted(band.offsets_mm, band.offsets_mm[brightest] - COPY_MM))
    if top < 1:
        return False
    row = int(np.argmax(profile[:top]))
    between = profile[row : brightest + 1].min()
    return bool(profile[row] >= max(WEAK_ECHO_SHARE * profile[brightest], DISTINCT * between))


def _first_echo(band: Band, share: float) -> tuple[FloatArray, FloatArray]:
    """Offset of the first echo in every row of a band, and by how much it stands out, 0 without one.

    An echo counts when it has a share of the brightest one of its row, or of most rows.
    """
    grey, offsets_mm = band.grey, band.offsets_mm
    peak = grey.max(axis=1)
    usual = max(FIRST_ECHO_FLOOR, share * float(np.percentile(peak, 75)))
    level = np.minimum(usual, np.maximum(share * peak, FIRST_ECHO_FLOOR))
    inner = grey[:, 1:-1]
    top = (inner >= grey[:, :-2]) & (inner > grey[:, 2:]) & (inner >= level[:, None])
    column = np.argmax(top, axis=1) + 1
    row = np.arange(len(grey))
    left, mid, right = grey[row, column - 1], grey[row, column], grey[row, column + 1]
    curve = left - 2 * mid + right
    shift = np.where(curve < 0, 0.5 * (left - right) / np.where(curve < 0, curve, -1), 0)
    at = offsets_mm[column] + np.clip(shift, -0.5, 0.5) * (offsets_mm[1] - offsets_mm[0])
    return at, np.where(top.any(axis=1), mid, 0.0)


def fit_arcs(echoes: Echoes, at_s: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Level (mm), slope and bow (per mm) of the shaft at given times.

    Notes
    -----
    Least squares made robust by reweighting (Holland & Welsch, Commun Stat 1977;A6:813), over all groups at
    once; what links neighbours in time costs a power of the change below its square (total variation, with
    power 1: Rudin, Osher & Fatemi, Physica D 1992;60:259), so a shaft that stands still is held still and
    one that turns may.
    """
    n = len(echoes.time_s)
    if n == 0:
        return np.zeros(len(at_s)), np.zeros(len(at_s)), np.zeros(len(at_s))
    known = np.isfinite(echoes.across_mm)
    s, y = np.where(known, echoes.along_mm, 0.0), np.where(known, echoes.across_mm, 0.0)
    say = np.where(known, echoes.say, 0.0)
    powers = np.stack([s**k for k in range(5)])
    steps = np.array([LEVEL_STEP_MM, SLOPE_STEP, BOW_STEP_PER_MM])
    state = np.zeros((n, 3))
    state[:, 1] = echoes.slope
    state[:, 0] = np.nanmedian(echoes.across_mm - echoes.slope[:, None] * echoes.along_mm, axis=1)
    link = np.ones(n - 1)
    pin_sums, pin_right = _pin_sums(echoes)
    for turn, scale in enumerate(RESIDUAL_MM):
        fitted = state[:, :1] + state[:, 1:2] * s + state[:, 2:] * s**2
        weight = say / (1 + ((y - fitted) / scale) ** 2) ** 2 / ECHO_SD_MM**2
        sums, right = (powers * weight).sum(axis=2).T, (powers[:3] * weight * y).sum(axis=2).T
        state = _solve(sums + pin_sums, right + pin_right, link, steps)
        if turn >= 1:
            moved = (np.diff(state, axis=0) / steps) ** 2
            link = (SMALLEST_STEP**2 + moved.sum(axis=1)) ** (POWER / 2 - 1)
    return tuple(np.interp(at_s, echoes.time_s, column) for column in state.T)  # type: ignore[return-value]


def _pin_sums(echoes: Echoes) -> tuple[FloatArray, FloatArray]:
    """What certain places add to the sums of `_solve`, each in the group of its time."""
    sums, right = np.zeros((len(echoes.time_s), 5)), np.zeros((len(echoes.time_s), 3))
    if echoes.pins is not None:
        for at_s, s, y in zip(echoes.pins.time_s, echoes.pins.along_mm, echoes.pins.across_mm, strict=True):
            group = int(np.abs(echoes.time_s - at_s).argmin())
            powers = s ** np.arange(5) / PIN_SD_MM**2
            sums[group] += powers
            right[group] += powers[:3] * y
    return sums, right


def _solve(sums: FloatArray, right: FloatArray, link: FloatArray, steps: FloatArray) -> FloatArray:
    """Arcs (n, 3) that fit sums (n, 5) of powers of s, weighted, and (n, 3) of them times the echo best."""
    n = len(sums)
    bands = np.zeros((4, n, 3))  # bands[k] couples unknown i with unknown i - k
    couple = np.concatenate([[0.0], link]) + np.concatenate([link, [0.0]])
    for row in range(3):
        bands[0, :, row] = sums[:, 2 * row] + couple / steps[row] ** 2 + PRIOR[row]
    bands[1, :, 1], bands[1, :, 2], bands[2, :, 2] = sums[:, 1], sums[:, 3], sums[:, 2]
    bands[3, 1:, :] = -link[:, None] / steps**2
    # scipy's upper form: the diagonal comes last, each band in the column of its later unknown.
    upper = bands[::-1].reshape(4, 3 * n)
    return np.asarray(solveh_banded(upper, right.reshape(-1))).reshape(n, 3)
