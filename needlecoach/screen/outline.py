"""Finds the outline of a scanner's screen in a camera's picture: four straight edges round what it shows."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, pairwise

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray
from needlecoach.screen.edge_fit import refine
from needlecoach.screen.edge_lines import Lines, straight_edges

FloatImage = npt.NDArray[np.float32]

# Edges are looked for in a picture of about this width; the best ones are then fitted in the full one.
WORK_PX = 640
FIFTHS = 5
LEAST_SUPPORT, LEAST_MEAN = 0.3, 0.5
# Beyond a corner an edge of the outline ends; this far of the side's length is looked at.
BEYOND_SHARE = 0.08
BEYOND_WEIGHT = 0.5
SMALLEST_SHARE = 0.1
LEAST_ASPECT, MOST_ASPECT = 0.9, 2.6
# Speckle just inside of an edge tells that it is the border of the ultrasound picture.
RIM_PX = 6
# Writing and ticks: small things brighter than what is round them by a share of the brightest.
WRITING_PX = 11
WRITING_SHARE, WRITING_GREY = 0.15, 10.0
# A frame round the screen is at most so wide, as a share of the screen's sides.
BEZEL_SHARE = 0.14
# So much of the clearness must be left where all four sides, or only some, move in.
AS_CLEAR_ALL, AS_CLEAR_SOME = 0.65, 0.8
MOVED_SHARE = 0.006
# On no side is a frame narrower than so much of what it is on the others.
EVEN_SHARE = 0.5
# The sides of a frame are parallel: it is as wide at both ends, but for so much of the screen's size (how
# well lines are placed) and of its width (how much a slant view tapers it).
PARALLEL_SHARE, TAPER = 0.006, 0.4
REFINEMENTS = 2
# What is written on the screen lies inside of its outline, all of it.
HELD_WEIGHT = 1.5


def find_outline(picture: npt.NDArray[np.float32], spread: npt.NDArray[np.float32]) -> FloatArray | None:
    """Corners of the screen's outline (4, 2), clockwise from the upper left; None when none can be made out.

    Parameters
    ----------
    picture : (height, width) mean or median of frames laid on each other
    spread : (height, width) standard deviation of its pixels over the recording

    Notes
    -----
    Lines are voted for by the sign of the slope across them, piece by piece along their length, so that a
    step
    of one or two grey levels counts as long as it is straight, and speckle does not. Of the quadrilaterals
    that
    four lines make, the best supported is taken; where it is the outside of a frame round the screen, the
    next lines inwards on all sides with nothing written between are the screen's own.
    """
    step = max(1, round(picture.shape[1] / WORK_PX))
    small = _shrunk(picture, step)
    if min(small.shape) < 60:
        return None
    across = straight_edges(small)
    down = straight_edges(np.ascontiguousarray(small.T))
    if len(across.slope) < 2 or len(down.slope) < 2:
        return None
    corners = _best(across, down, small, _writing(small), _speckle(small, _shrunk(spread, step)))
    if corners is None:
        return None
    found = np.asarray((corners + 0.5) * step - 0.5)
    for _ in range(REFINEMENTS):
        found = refine(found, picture)
    return found


def _shrunk(picture: FloatImage, step: int) -> FloatImage:
    height, width = (side // step for side in picture.shape)
    cut = picture[: height * step, : width * step]
    return np.asarray(cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA), dtype=np.float32)


@dataclass(frozen=True, eq=False)
class _Quads:
    """Quadrilaterals of lines: `sides` (n, 4) as numbers of left, right, upper and lower line."""

    sides: npt.NDArray[np.intp]
    corners: FloatArray
    support: FloatArray
    beyond: FloatArray

    @property
    def score(self) -> FloatArray:
        """Clearness of all four sides, less what goes on beyond their ends."""
        least = self.support.min(axis=1)
        return np.asarray(
            self.support.mean(axis=1) + 0.5 * least - BEYOND_WEIGHT * np.maximum(self.beyond, 0).mean(axis=1)
        )

    def chosen(self, rows: npt.NDArray[np.generic]) -> _Quads:
        return _Quads(self.sides[rows], self.corners[rows], self.support[rows], self.beyond[rows])


def _quads(across: Lines, down: Lines, shape: tuple[int, int]) -> _Quads:
    """All quadrilaterals of two lines down and two across the picture that could be a screen."""
    upright = _pairs(across, shape[1])
    level = _pairs(down, shape[0])
    sides = np.concatenate(
        [np.repeat(upright, len(level), axis=0), np.tile(level, (len(upright), 1))], axis=1
    ).reshape(-1, 4)
    left, right, upper, lower = sides.T
    corners = np.stack(
        [
            _meet(across, down, a, b)
            for a, b in ((left, upper), (right, upper), (right, lower), (left, lower))
        ],
        axis=1,
    )
    width = np.diff(corners[:, [[0, 1], [3, 2]], 0], axis=2)[..., 0]
    height = np.diff(corners[:, [[0, 3], [1, 2]], 1], axis=2)[..., 0]
    aspect = width.mean(axis=1) / np.maximum(height.mean(axis=1), 1)
    area = width.mean(axis=1) * height.mean(axis=1) / (shape[0] * shape[1])
    border = np.array([shape[1], shape[0]]) * 0.03
    fits = (corners > -border).all(axis=(1, 2)) & (corners < np.array(shape[::-1]) + border).all(axis=(1, 2))
    fits &= (aspect > LEAST_ASPECT) & (aspect < MOST_ASPECT) & (area > SMALLEST_SHARE)
    fits &= (np.minimum(width, height) > 0).all(axis=1)
    sides, corners = sides[fits], corners[fits]
    ends = corners[:, [[0, 3], [1, 2], [0, 1], [3, 2]], [[1, 1], [1, 1], [0, 0], [0, 0]]]
    tables = [_Sums(across.support), _Sums(down.support)]
    looked = [tables[i // 2].shares(sides[:, i], ends[:, i]) for i in range(4)]
    support = np.stack([one[0] for one in looked], axis=1)
    beyond = np.stack([one[1] for one in looked], axis=1)
    quads = _Quads(sides, corners, support, beyond)
    return quads.chosen((support.min(axis=1) > LEAST_SUPPORT) & (support.mean(axis=1) > LEAST_MEAN))


def _pairs(lines: Lines, width: int) -> npt.NDArray[np.intp]:
    """Pairs of lines, the one with the smaller offset first, far enough apart to be sides of a screen."""
    pairs = [
        (i, j) if lines.offset[i] < lines.offset[j] else (j, i)
        for i, j in combinations(range(len(lines.offset)), 2)
        if abs(lines.offset[i] - lines.offset[j]) > 0.2 * width and abs(lines.slope[i] - lines.slope[j]) < 0.5
    ]
    return np.array(pairs, dtype=np.intp).reshape(-1, 2)


def _meet(across: Lines, down: Lines, i: npt.NDArray[np.intp], j: npt.NDArray[np.intp]) -> FloatArray:
    """Where lines down the picture meet lines across it, (n, 2)."""
    a, b = across.slope[i], across.offset[i] - across.slope[i] * across.middle
    c, d = down.slope[j], down.offset[j] - down.slope[j] * down.middle
    x = (a * d + b) / (1 - a * c)
    return np.stack([x, c * x + d], axis=-1)


class _Sums:
    """Support of lines summed along their length, so that any stretch is read off at once."""

    def __init__(self, support: FloatArray) -> None:
        self._sum = np.pad(np.nancumsum(support, axis=1), ((0, 0), (1, 0)))
        # What runs the other way, such as the rim of something bright beside it, is no worse than nothing.
        self._for = np.pad(np.nancumsum(np.maximum(support, 0), axis=1), ((0, 0), (1, 0)))
        self._known = np.pad(np.cumsum(np.isfinite(support), axis=1), ((0, 0), (1, 0)))

    def shares(self, line: npt.NDArray[np.intp], ends: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean support between two ends of each line, and beyond them (0 outside the picture)."""
        first, last = ends.T
        length = last - first
        margin = np.maximum(0.02 * length, 2)
        cuts = np.linspace(first + margin, last - margin, FIFTHS + 1)
        each = np.stack(
            [self._total(self._for, line, a, b) / np.maximum(b - a, 1) for a, b in pairwise(cuts)], axis=1
        )
        # Glare may hide one part; an edge that is missing in two belongs to something shorter.
        on = (each.mean(axis=1) + np.sort(each, axis=1)[:, 1]) / 2
        reach = BEYOND_SHARE * length
        beyond = [
            self._total(self._sum, line, a, b) / np.maximum(self._total(self._known, line, a, b), 1)
            for a, b in ((first - margin - reach, first - margin), (last + margin, last + margin + reach))
        ]
        return on, (beyond[0] + beyond[1]) / 2

    def _total(
        self, table: FloatArray, line: npt.NDArray[np.intp], first: FloatArray, last: FloatArray
    ) -> FloatArray:
        top = table.shape[1] - 1
        a, b = (np.clip(np.rint(end), 0, top).astype(np.intp) for end in (first, last))
        return np.asarray(table[line, b] - table[line, a], dtype=float)


def _best(
    across: Lines, down: Lines, picture: FloatImage, writing: BoolArray, speckle: FloatImage
) -> FloatArray | None:
    """Corners of the screen among all quadrilaterals, in px of the working picture."""
    quads = _quads(across, down, (picture.shape[0], picture.shape[1]))
    quads = quads.chosen(np.argsort(-quads.score)[:400])
    fits = np.array([not _is_ultrasound(corners, speckle) for corners in quads.corners], dtype=bool)
    quads = quads.chosen(fits)
    if not len(quads.sides):
        return None
    held = np.array([_writing_share(corners, writing) for corners in quads.corners])
    outer = int((quads.score + HELD_WEIGHT * held).argmax())
    inner = _inside_frame(quads, outer, writing)
    return np.asarray(quads.corners[inner])


# Corners at the ends of the left, right, upper and lower side, and the axis across it.
_SIDES = ((0, 3, 0), (1, 2, 0), (0, 1, 1), (3, 2, 1))


def _inside_frame(quads: _Quads, best: int, writing: BoolArray) -> int:
    """The screen's own outline when the one found is, on some sides, that of a frame round it.

    That is the clearest one that lies inside the largest one about as clear, on all four sides or on three,
    with nothing written between.
    """
    outer = _next(quads, best, _moved(quads, best, outward=True), writing, AS_CLEAR_SOME, largest=True)
    moved = _moved(quads, outer, outward=False)
    all_in, some_in = ((moved > MOVED_SHARE).sum(axis=1) >= count for count in (4, 3))
    wide, high = np.ptp(quads.corners[outer], axis=0)
    width_px = moved * (wide, wide, high, high)
    all_in &= width_px.min(axis=1) > EVEN_SHARE * np.median(width_px, axis=1)
    for inside, least in ((all_in, AS_CLEAR_ALL), (some_in, AS_CLEAR_SOME)):
        inner = _next(quads, outer, np.where(inside[:, None], moved, -1), writing, least, largest=False)
        if inner != outer:
            return inner
    return best


def _moved(quads: _Quads, start: int, *, outward: bool) -> FloatArray:
    """How far the sides of each outline lie inside (or outside) of one, (n, 4), -1 where they cross."""
    corners = quads.corners[start]
    size = np.array([np.ptp(corners[:, 0]), np.ptp(corners[:, 1])])
    inward = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]])
    shift = (quads.corners - corners) * inward / size * (-1 if outward else 1)
    fits = (shift > -MOVED_SHARE).all(axis=(1, 2)) & (shift < BEZEL_SHARE).all(axis=(1, 2))
    moved = np.stack([shift[:, [a, b], axis].mean(axis=1) for a, b, axis in _SIDES], axis=1)
    for a, b, axis in _SIDES:
        one, other = shift[:, a, axis], shift[:, b, axis]
        fits &= np.abs(one - other) < PARALLEL_SHARE + TAPER * np.maximum(one, other)
    return np.asarray(np.where(fits[:, None], moved, -1))


def _next(
    quads: _Quads, start: int, moved: FloatArray, writing: BoolArray, least: float, *, largest: bool
) -> int:
    """The furthest, or the clearest, of the outlines reached from one; that one if there is none."""
    fits = (moved > -1).all(axis=1) & (quads.score > least * quads.score[start])
    order = moved.sum(axis=1) if largest else quads.score
    for i in np.flatnonzero(fits)[np.argsort(-order[fits])]:
        outer, inner = (i, start) if largest else (start, i)
        if not _between(quads.corners[outer], quads.corners[inner], writing):
            return int(i)
    return start


def _between(outer: FloatArray, inner: FloatArray, writing: BoolArray) -> bool:
    """Tell whether anything is written between two outlines."""
    ring = _filled(_grown(outer, 0.985), writing.shape) & ~_filled(_grown(inner, 1.01), writing.shape)
    return bool((writing & ring).sum() > max(12, 0.002 * ring.sum()))


def _grown(corners: FloatArray, factor: float) -> FloatArray:
    centre = corners.mean(axis=0)
    return np.asarray(centre + (corners - centre) * factor)


def _filled(corners: FloatArray, shape: tuple[int, ...]) -> BoolArray:
    mask = cv2.fillConvexPoly(np.zeros(shape, np.uint8), np.rint(corners).astype(np.int32), 1)
    return np.asarray(mask > 0)


def _writing(picture: FloatImage) -> BoolArray:
    """Small things brighter than what is round them."""
    raised = cv2.morphologyEx(picture, cv2.MORPH_TOPHAT, np.ones((WRITING_PX, WRITING_PX), np.uint8))
    least = max(WRITING_GREY, WRITING_SHARE * float(np.percentile(picture, 99.8)))
    return np.asarray(raised > least)


def _writing_share(corners: FloatArray, writing: BoolArray) -> float:
    return float((writing & _filled(corners, writing.shape)).sum() / max(int(writing.sum()), 1))


def _speckle(picture: FloatImage, spread: FloatImage) -> FloatImage:
    """Local roughness of a picture, which the ultrasound picture has and the screen round it lacks."""
    mean = cv2.blur(picture, (5, 5))
    rough = np.sqrt(np.maximum(cv2.blur(picture * picture, (5, 5)) - mean * mean, 0))
    return np.asarray(np.maximum(rough, 0.5 * cv2.blur(spread, (5, 5))), dtype=np.float32)


def _is_ultrasound(corners: FloatArray, speckle: FloatImage) -> bool:
    """Tell whether at least two sides have speckle just inside of them and none outside."""
    centre = corners.mean(axis=0)
    count = 0
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        way = (b - a) / max(float(np.hypot(*(b - a))), 1.0)
        normal = np.array([-way[1], way[0]])
        normal = normal if normal @ (centre - a) > 0 else -normal
        along = a + np.linspace(0.1, 0.9, 60)[:, None] * (b - a)
        inside, outside = (_median_at(speckle, along + side * RIM_PX * normal) for side in (1, -1))
        count += inside > max(3 * outside, 2.5)
    return count >= 2


def _median_at(picture: FloatImage, points: FloatArray) -> float:
    x, y = points.astype(np.float32).T
    return float(np.median(cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)))
