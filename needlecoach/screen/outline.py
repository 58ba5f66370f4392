"""Finds the outline of a scanner's screen in a camera's picture: four straight edges round what it shows."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, pairwise

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray

FloatImage = npt.NDArray[np.float32]

# Edges are looked for in a picture of about this width; the best ones are then fitted in the full one.
WORK_PX = 640
BLUR_PX = 1.2
# Slopes of a side against the picture's own: a camera is held about upright.
MOST_SLOPE = 0.5
# A step in grey per px that counts half; that of a dark bezel against a dark screen is about one level high.
FAINT_SLOPE = 0.12
# The edge is looked at in so many pieces; speckle has no sign that lasts over a piece.
PIECES = 8
PIECE_LEAST = 0.25
LINES_PER_WAY = 20
# Two lines closer than this (px of the working picture, at both ends) are one.
SAME_PX = 3.0
SUPPORT_PX = 9
# An edge has one steepest place within so many px.
STEEP_PX = 2
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
# Each edge is read across in so many stretches, in steps of this; a step in grey is about so wide.
STRETCHES, PROFILE_PX, STEP_REACH_PX = 240, 0.5, 2.5
# Steeper things than the edge itself may stand beside most of it.
USUAL_PERCENT = 25
# What is written on the screen lies inside of its outline, all of it.
HELD_WEIGHT = 1.5


@dataclass(frozen=True, eq=False)
class _Lines:
    """Straight edges across one way of the picture: place = slope * (along - middle) + offset.

    `support` (n, length) is how clearly the edge shows at every place along it, from -1 to 1; `sign` whether
    it is brighter on the far side.
    """

    slope: FloatArray
    offset: FloatArray
    sign: FloatArray
    support: FloatArray
    middle: float


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
    across = _edges(small)
    down = _edges(np.ascontiguousarray(small.T))
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


def _edges(picture: FloatImage) -> _Lines:
    """Straight edges that run down a picture, the clearest first."""
    height = picture.shape[0]
    clear = _clear(picture)
    slopes = np.arange(-MOST_SLOPE, MOST_SLOPE, 2.0 / height)
    votes = np.stack([_votes(clear, one) for one in slopes])
    found = [_peaks(sign * votes, slopes, height, sign) for sign in (1.0, -1.0)]
    lines = np.array(sorted((line for lines in found for line in lines), reverse=True)).reshape(-1, 4)
    middle = (height - 1) / 2
    places = lines[:, 1, None] * (np.arange(height) - middle) + lines[:, 2, None]
    support = lines[:, 3, None] * _along(clear, places)
    return _Lines(lines[:, 1], lines[:, 2], lines[:, 3], support, middle)


def _clear(picture: FloatImage) -> FloatImage:
    """Signs of edges, from -1 to 1: at the steepest place across each and one pixel beside it, else 0."""
    slope = cv2.Sobel(cv2.GaussianBlur(picture, (0, 0), BLUR_PX), cv2.CV_32F, 1, 0, scale=1 / 8)
    size = np.abs(slope)
    steepest = size >= cv2.dilate(size, np.ones((1, 2 * STEEP_PX + 1), np.uint8))
    thin = np.where(steepest, np.tanh(slope / np.float32(FAINT_SLOPE)), np.float32(0))
    beside = np.ones((1, 3), np.uint8)
    return np.asarray(cv2.dilate(thin, beside) + cv2.erode(thin, beside), dtype=np.float32)


def _votes(clear: FloatImage, slope: float) -> FloatImage:
    """Mean sign along lines of one slope, by piece of the length and place, (PIECES, width)."""
    height, width = clear.shape
    shear = np.array([[1, slope, -slope * (height - 1) / 2], [0, 1, 0]])
    upright = cv2.warpAffine(clear, shear, (width, height), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    cuts = np.linspace(0, height, PIECES + 1).astype(int)[:-1]
    lengths = np.diff([*cuts, height])[:, None]
    return np.asarray(np.add.reduceat(upright, cuts, axis=0) / lengths, dtype=np.float32)


def _peaks(
    votes: FloatImage, slopes: FloatArray, height: int, sign: float
) -> list[tuple[float, float, float, float]]:
    """Lines (score, slope, offset, sign) with the most pieces that agree; none crosses a clearer one."""
    score = np.minimum(np.maximum(votes - PIECE_LEAST, 0), 0.5).sum(axis=1)
    best: list[tuple[float, float, float, float]] = []
    reach = 0.4 * height
    at = np.arange(votes.shape[2])
    for _ in range(LINES_PER_WAY):
        i, x = np.unravel_index(int(score.argmax()), score.shape)
        if score[i, x] < 0.5:
            break
        best.append((float(score[i, x]), float(slopes[i]), float(x), sign))
        turn = (slopes - slopes[i])[:, None] * reach
        first, last = at - x - turn, at - x + turn
        score[(np.minimum(np.abs(first), np.abs(last)) < SAME_PX) | (first * last < 0)] = 0
    return best


def _along(clear: FloatImage, places: FloatArray) -> FloatArray:
    """How clearly edges show along lines, from -1 to 1, smoothed over a few px; NaN outside the picture."""
    height, width = clear.shape
    if not len(places):
        return np.zeros(places.shape)
    rows = np.broadcast_to(np.arange(height, dtype=np.float32), places.shape).astype(np.float32)
    known = (places >= 1) & (places <= width - 2)
    seen = cv2.blur(cv2.remap(clear, places.astype(np.float32), rows, cv2.INTER_LINEAR), (SUPPORT_PX, 1))
    return np.asarray(np.where(known, seen, np.nan), dtype=float)


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


def _quads(across: _Lines, down: _Lines, shape: tuple[int, int]) -> _Quads:
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


def _pairs(lines: _Lines, width: int) -> npt.NDArray[np.intp]:
    """Pairs of lines, the one with the smaller offset first, far enough apart to be sides of a screen."""
    pairs = [
        (i, j) if lines.offset[i] < lines.offset[j] else (j, i)
        for i, j in combinations(range(len(lines.offset)), 2)
        if abs(lines.offset[i] - lines.offset[j]) > 0.2 * width and abs(lines.slope[i] - lines.slope[j]) < 0.5
    ]
    return np.array(pairs, dtype=np.intp).reshape(-1, 2)


def _meet(across: _Lines, down: _Lines, i: npt.NDArray[np.intp], j: npt.NDArray[np.intp]) -> FloatArray:
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
    across: _Lines, down: _Lines, picture: FloatImage, writing: BoolArray, speckle: FloatImage
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
