"""The target followed through a clip by its own texture, apart from the rest of the picture."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray, GreyImage, Target
from needlecoach.tracking.plane import Plane

FloatImage = npt.NDArray[np.float32]

# The rim carries most of what can be held on to, so the patch reaches a little beyond it.
PATCH_REACH = 1.3
TILES_ACROSS = 6
SMALLEST_TILE_PX = 9
TILE_PX = 15
# From frame to frame the target moves little; a push faster than this, or a loss, brings on the wide search.
NEAR_PX = 5
WIDE_MM = 4.0
# Brighter than nearly all of the marked patch is needle or gas and gets no further say.
CAP_PERCENTILE = 98.0
# Spread of grey values below which a tile is as good as empty: noise, coding and rounding make about this much.
EMPTY_GREY = 2.0
FEWEST_TILES = 4
# Mean correlation of the tiles: needed to go on with, and to begin again after a loss.
HOLD = 0.4
REGAIN = 0.5
# Share of the fine detail of the whole picture that has to last for the picture to count as the same plane.
PICTURE_HOLD = 0.25
MEDIAN_FRAMES = 3


@dataclass(frozen=True, eq=False)
class TargetPath:
    """Where the target is, frame by frame.

    Attributes
    ----------
    centre_px : (n, 2) float
        Centre of the target in pixels of the original frame; always finite.
    found : (n,) bool
        False where the target could not be made out: `centre_px` then holds the last place, moved with the picture.
    """

    centre_px: FloatArray
    found: BoolArray


@dataclass(frozen=True, eq=False)
class _Tile:
    """A piece of the marked patch: its top-left corner in the working picture, its greys and its say in the vote."""

    x: int
    y: int
    greys: FloatImage
    say: float


def follow_target(
    pictures: Sequence[GreyImage], target: Target, plane: Plane, *, shift: FloatArray
) -> TargetPath:
    """Follow a marked target through steadied working pictures, forwards and backwards from its marked frame.

    Parameters
    ----------
    pictures : n working pictures, all of `plane.size`, held steady
    target : outline and centre as marked on frame `target.frame`; a frame beyond the clip counts as its last one
    plane : geometry of the working picture
    shift : (n, 2)
        What steadying took out: a thing at p in the steadied picture lies at p + shift in the original one.

    Returns
    -------
    TargetPath
        n rows, of which none is NaN.

    Notes
    -----
    Tiles of the marked patch are each compared with every frame by normalised correlation, and the maps are added: a
    tile that the needle crosses fits nowhere and so has no say, where one correlation of the whole patch would lean
    towards the bright streak. The template is never renewed, so that no error builds up. A target with nothing to
    hold on to is taken to stay with the steadied picture, and found as long as the picture's fine detail lasts.
    Tracked is what is seen in the picture's plane: turning and change of shape are not.
    """
    n = len(pictures)
    shift = np.asarray(shift, dtype=float).reshape(n, 2)
    if n == 0:
        return TargetPath(np.zeros((0, 2)), np.zeros(0, dtype=bool))
    marked = min(target.frame, n - 1)
    outline = plane.from_frame_px(target.outline_px) - shift[marked]
    tiles, cap = _cut_tiles(pictures[marked], outline, plane.mask)
    offset, found = np.zeros((n, 2)), np.zeros(n, dtype=bool)
    if len(tiles) < FEWEST_TILES:
        found = _picture_lasts(pictures, marked, plane.mask)
    else:
        wide_px = max(NEAR_PX + 1, round(WIDE_MM / plane.step_mm))
        for order in (range(marked, n), range(marked, -1, -1)):
            for i, place in _follow(pictures, order, tiles, cap, wide_px):
                found[i] = place is not None
                offset[i] = offset[_before(i, marked)] if place is None else place
        offset = _smooth(offset, found)
    start = plane.from_frame_px(target.centre_px) - shift[marked]
    return TargetPath(plane.to_frame_px(start + offset + shift), found)


def _before(i: int, marked: int) -> int:
    """Frame next to i on the way to the marked one."""
    return i - int(np.sign(i - marked))


def _cut_tiles(picture: GreyImage, outline: FloatArray, mask: BoolArray) -> tuple[list[_Tile], int]:
    """Tiles of the patch that hold some texture and lie in the region, and the grey value to cap all pictures at."""
    centre = outline.mean(axis=0)
    patch_outline = (centre + PATCH_REACH * (outline - centre)).astype(np.float32)
    low, high = patch_outline.min(axis=0), patch_outline.max(axis=0)
    side = int(np.clip(round(float((high - low).min()) / 5), SMALLEST_TILE_PX, TILE_PX))
    pitch = np.maximum(side * 0.8, (high - low - side) / (TILES_ACROSS - 1))
    patch = np.zeros(mask.shape, dtype=np.uint8)
    cv2.fillPoly(patch, [np.rint(patch_outline).astype(np.int32)], 1)
    seen = (patch > 0) & mask
    if not seen.any():
        return [], 255
    cap = int(np.percentile(picture[seen], CAP_PERCENTILE))
    capped = np.minimum(picture, cap).astype(np.float32)
    tiles = []
    for top in np.arange(low[1], high[1] - side + 1, pitch[1]):
        for left in np.arange(low[0], high[0] - side + 1, pitch[0]):
            x, y = round(float(left)), round(float(top))
            window = (slice(y, y + side), slice(x, x + side))
            if x < 0 or y < 0 or seen[window].shape != (side, side) or not mask[window].all():
                continue
            spread = float(capped[window].std())
            if seen[window].mean() < 0.5 or spread < EMPTY_GREY:
                continue
            tiles.append(_Tile(x, y, capped[window].copy(), spread**2 / (spread**2 + 4 * EMPTY_GREY**2)))
    return tiles, cap


def _follow(
    pictures: Sequence[GreyImage], order: Iterable[int], tiles: list[_Tile], cap: int, wide_px: int
) -> Iterable[tuple[int, FloatArray | None]]:
    """Frame numbers in the order given with the offset from the marked place, None where lost."""
    last, lost = np.zeros(2), False
    for i in order:
        place, likeness, at_edge = _vote(pictures[i], tiles, cap, last, wide_px if lost else NEAR_PX)
        if not lost and (at_edge or likeness < HOLD):
            place, likeness, at_edge = _vote(pictures[i], tiles, cap, last, wide_px)
        lost = likeness < (REGAIN if lost else HOLD)
        if not lost:
            last = place
        yield i, None if lost else place


def _vote(
    picture: GreyImage, tiles: list[_Tile], cap: int, around: FloatArray, reach: int
) -> tuple[FloatArray, float, bool]:
    """Best common offset of the tiles within `reach` px of `around`, its mean correlation, and whether at the edge."""
    side = tiles[0].greys.shape[0]
    base = np.rint(around).astype(int)
    corners = np.array([(t.x, t.y) for t in tiles]) + base
    low = corners.min(axis=0) - reach
    high = corners.max(axis=0) + side + reach
    area = _window(picture, low, high, cap)
    votes = np.zeros((2 * reach + 1, 2 * reach + 1), dtype=np.float32)
    for tile, (x, y) in zip(tiles, corners - reach - low, strict=True):
        around_tile = area[y : y + side + 2 * reach, x : x + side + 2 * reach]
        fit = cv2.matchTemplate(around_tile, tile.greys, cv2.TM_CCOEFF_NORMED)
        votes += tile.say * np.maximum(fit, 0)
    votes /= sum(t.say for t in tiles)
    row, column = np.unravel_index(int(votes.argmax()), votes.shape)
    at_edge = min(row, column) == 0 or max(row, column) == 2 * reach
    peak = np.array([column, row], dtype=float)
    if not at_edge:
        peak += (
            _vertex(votes[row, column - 1 : column + 2]),
            _vertex(votes[row - 1 : row + 2, column]),
        )
    return base + peak - reach, float(votes.max()), bool(at_edge)


def _window(picture: GreyImage, low: FloatArray, high: FloatArray, cap: int) -> FloatImage:
    """Cut of the capped picture from low to high, its edge greys repeated where it reaches beyond."""
    height, width = picture.shape
    inside_low = np.clip(low, 0, (width - 1, height - 1))
    inside_high = np.clip(high, inside_low + 1, (width, height))
    cut = picture[inside_low[1] : inside_high[1], inside_low[0] : inside_high[0]]
    before, after = inside_low - low, high - inside_high
    capped = cv2.min(cut, cap).astype(np.float32)
    if before.any() or after.any():
        capped = cv2.copyMakeBorder(
            capped, int(before[1]), int(after[1]), int(before[0]), int(after[0]), cv2.BORDER_REPLICATE
        )
    return np.asarray(capped, dtype=np.float32)


def _vertex(three: FloatImage) -> float:
    """Place of the top of a parabola through three values at -1, 0, 1."""
    left, middle, right = (float(v) for v in three)
    bend = left - 2 * middle + right
    return 0.0 if bend >= 0 else float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5))


def _picture_lasts(pictures: Sequence[GreyImage], marked: int, mask: BoolArray) -> BoolArray:
    """Tell in which frames the fine detail of the whole picture is still that of the marked frame."""
    reference = _detail(pictures[marked])
    likeness = [np.corrcoef(reference[mask], _detail(p)[mask])[0, 1] for p in pictures]
    return np.asarray(np.array(likeness) >= PICTURE_HOLD)


def _detail(picture: GreyImage) -> FloatImage:
    grey = picture.astype(np.float32)
    return np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.0) - cv2.GaussianBlur(grey, (0, 0), 6.0))


def _smooth(offset: FloatArray, found: BoolArray) -> FloatArray:
    """Running median over the found frames, without lag; held frames and both ends stay as they are."""
    smooth = offset.copy()
    half = MEDIAN_FRAMES // 2
    for i in range(half, len(offset) - half):
        span = slice(i - half, i + half + 1)
        if found[span].all():
            smooth[i] = np.median(offset[span], axis=0)
    return smooth
