"""The target followed through a clip by its own texture, apart from the rest of the picture."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray, GreyImage, Target
from needlecoach.tracking.drift import LARGEST_SHIFT_MM, Registration, moved, steady
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.target_doubt import FollowingDoubt, tiles_sd_px

FloatImage = npt.NDArray[np.float32]

# The rim carries most of what can be held on to, so the patch reaches a little beyond it.
PATCH_REACH = 1.3
SMALLEST_PATCH_PX = 16
TILES_ACROSS = 6
SMALLEST_TILE_PX = 9
TILE_PX = 15
# Spread of grey values below which a tile is as good as empty: noise, coding and rounding make about this.
EMPTY_GREY = 2.0
FEWEST_TILES = 4
# From frame to frame the target moves little; a quicker push, or a loss, brings on the wide search.
NEAR_PX = 5
WIDE_MM = 4.0
WIDE_EVERY = 5
# Pictures closer in time than this to the last one compared are left out: a target moves at a hand's pace.
# Those between two so far apart are compared only where it moved by more than so much meanwhile.
VOTE_S = 0.045
CALM_S = 0.095
CALM_MM = 0.1
# Likeness (mean correlation of the tiles) as a share of what it is beside the marked frame, where only the
# scanner's noise lowers it: to count as found, to be found again after a loss, and to be believed in full.
# Between the first and the last the look itself changes, as when the probe slides off the target, and a
# changed look seems to move: the vote is believed the less the weaker it is.
HOLD = 0.45
REGAIN = 0.5
SURE = 0.7
# Texture that does not last from the marked frame to the ones beside it is noise.
LASTING = 0.3
BESIDE = 2
# Chance alone takes the best of a wide search to 0.2, so noise may lower the demands no further than by half.
LOWEST_USUAL = 0.5
# Correlation of the whole picture's fine detail that it needs to count as the same plane.
PICTURE_HOLD = 0.25


@dataclass(frozen=True, eq=False)
class TargetPath:
    """Where the target is, frame by frame.

    Attributes
    ----------
    centre_px : (n, 2) float
        Centre of the target in pixels of the original frame.
    found : (n,) bool
        False where the target could not be made out: `centre_px` then holds its last sure place, moved
        with the picture.
    sd_mm : (n,) float
        Standard uncertainty of the following along one direction; not that of the marking.
    """

    centre_px: FloatArray
    found: BoolArray
    sd_mm: FloatArray

    @classmethod
    def nowhere(cls, n: int) -> TargetPath:
        """Path over n frames when no target was marked: NaN."""
        return cls(np.full((n, 2), np.nan), np.zeros(n, dtype=bool), np.zeros(n))

    def cut(self, n: int) -> TargetPath:
        """Path over the first n frames."""
        return TargetPath(self.centre_px[:n], self.found[:n], self.sd_mm[:n])


@dataclass(frozen=True, eq=False)
class _Tile:
    """A piece of the marked patch: its top-left corner in the working picture, its greys, its say."""

    x: int
    y: int
    greys: FloatImage
    say: float


@dataclass(frozen=True, eq=False)
class _Vote:
    """Best common offset of the tiles in px, their mean correlation, whether the search cut it short, and
    how far the tiles disagree on it (see `target_doubt.tiles_sd_px`)."""

    offset: FloatArray
    likeness: float
    at_edge: bool
    sd_px: float


class TargetFollower:
    """Follows a marked target through steadied working pictures, shown to it one after the other.

    Parameters
    ----------
    beside : working pictures, as recorded, of the marked frame and of those up to two beside it, by number
    target : outline and centre as marked on frame `target.frame`, which `beside` must hold
    plane : geometry of the working picture

    Notes
    -----
    Tiles of the marked patch are each compared with every picture by normalised correlation, and the maps are
    added: a tile that the needle crosses fits nowhere and so has little say, where one correlation of the
    whole patch would lean towards the bright streak. The template is never renewed, so no error builds up.
    Places are not smoothed over time: a target springs back within a frame or two when its wall gives way.

    A target with nothing to hold on to is taken to stay with the steadied picture, and counts as found as
    long as the fine detail of the whole picture is that of the marked frame. Turning and change of shape are
    not followed.
    """

    def __init__(self, beside: Mapping[int, GreyImage], target: Target, plane: Plane) -> None:
        self._plane = plane
        marked = beside[target.frame]
        self._start = plane.from_frame_px(target.centre_px)
        self._patch = _cut_patch(marked, plane.from_frame_px(target.outline_px), plane.mask)
        usual = _usual_likeness([p for i, p in beside.items() if i != target.frame], self._patch)
        self._detail = _detail(marked) if usual < LASTING else None
        self._marked = Registration(marked, plane.mask, plane.step_mm)
        self._usual = max(usual, LOWEST_USUAL)
        self._last, self._sure, self._lost_for = np.zeros(2), np.zeros(2), 0
        self._met = False
        self._time_s: list[float] = []
        self._waiting: list[tuple[int, GreyImage]] = []
        self._voted: list[int] = []
        self._offset: list[FloatArray] = []
        self._found: list[bool] = []
        self._doubt = FollowingDoubt(plane.step_mm)
        self._latest: tuple[float, FloatArray, bool, float] | None = None

    def see(self, picture: GreyImage, time_s: float) -> None:
        """Take in the next steadied picture; those in quick succession are not all compared."""
        self._time_s.append(time_s)
        number = len(self._time_s) - 1
        if self._waiting_s(number) < VOTE_S:
            return
        if self._voted and self._detail is None and time_s - self._time_s[self._voted[-1]] < CALM_S:
            self._waiting.append((number, picture))
            return
        vote = self._calm(picture) if self._waiting else None
        if vote is None:
            self._catch_up()
        self._waiting = []
        self._compare(number, picture, vote)

    def _waiting_s(self, number: int) -> float:
        """Time since the last picture that was compared, or that may be yet."""
        if not self._voted:
            return np.inf
        last = self._waiting[-1][0] if self._waiting else self._voted[-1]
        return self._time_s[number] - self._time_s[last]

    def _calm(self, picture: GreyImage) -> _Vote | None:
        """The vote on a picture, where the target is still surely there; None where it is not, or moved."""
        vote = _vote(picture, self._patch, self._last, NEAR_PX)
        moved_mm = float(np.hypot(*(vote.offset - self._last))) * self._plane.step_mm
        sure = vote.likeness >= self._usual * SURE and not vote.at_edge
        return vote if self._met and not self._lost_for and sure and moved_mm < CALM_MM else None

    def _catch_up(self) -> None:
        """Compare the pictures that were left out."""
        for number, picture in self._waiting:
            self._compare(number, picture)
        self._waiting = []

    def _compare(self, number: int, picture: GreyImage, vote: _Vote | None = None) -> None:
        time_s = self._time_s[number]
        if self._detail is None:
            offset, found = self._follow(picture, time_s, vote)
        else:
            offset, found = self._stay(self._detail, picture, time_s)
        self._voted.append(number)
        self._offset.append(offset)
        self._found.append(found)

    def now(self, picture: GreyImage, time_s: float, drift: FloatArray) -> tuple[FloatArray, bool, float]:
        """Where the target is in the next steadied picture, from it and those before alone.

        Pictures in quick succession are not all compared. Nothing is kept: use this or `see`, not both.

        Returns
        -------
        centre_px, found, sd_mm
            As a row of `TargetPath`.
        """
        if self._latest is None or time_s - self._latest[0] >= VOTE_S:
            self._time_s = [time_s]
            self._compare(0, picture)
            self._latest = (time_s, self._offset[-1], self._found[-1], self._doubt.latest_mm())
            self._voted, self._offset, self._found = [], [], []
        _, offset, found, sd_mm = self._latest
        return self._plane.to_frame_px(moved(self._start + offset, drift)), found, sd_mm

    def path(self, drift: FloatArray) -> TargetPath:
        """Path of the target through the pictures seen so far.

        Parameters
        ----------
        drift : (n, 3)
            What steadying took out (see `drift.Held`).
        """
        n = len(self._time_s)
        if n == 0:
            return TargetPath.nowhere(0)
        self._catch_up()
        times, voted_s = np.array(self._time_s), np.array(self._time_s)[self._voted]
        offset = np.stack([np.interp(times, voted_s, column) for column in np.array(self._offset).T], axis=-1)
        found = np.interp(times, voted_s, np.array(self._found, dtype=float)) > 0.5
        sd_mm = self._doubt.between(times, voted_s, np.array(self._offset))
        return TargetPath(self._plane.to_frame_px(moved(self._start + offset, drift)), found, sd_mm)

    def _stay(self, detail: FloatImage, picture: GreyImage, time_s: float) -> tuple[FloatArray, bool]:
        """Offset of the whole steadied picture from the marked frame, and whether it shows the same plane."""
        last, inside = np.array([*self._last, 0.0]), self._plane.mask
        held = self._marked.hold(time_s, picture, last)
        likeness = np.corrcoef(detail[inside], _detail(held.picture)[inside])[0, 1]
        found = bool(likeness >= PICTURE_HOLD)
        if found and not self._met:
            # Steadied pictures do not move any more: registering each anew would only add its error.
            self._last, self._met = moved(self._start, held.drift) - self._start, True
        self._doubt.stayed(time_s, found=found)
        return self._last, found

    def _follow(
        self, picture: GreyImage, time_s: float, vote: _Vote | None = None
    ) -> tuple[FloatArray, bool]:
        """Offset from the marked place in the next picture, and whether it was found."""
        needed = self._usual * (HOLD if self._met and not self._lost_for else REGAIN)
        vote = vote or _vote(picture, self._patch, self._last, NEAR_PX)
        if (not self._met or vote.at_edge or vote.likeness < needed) and self._lost_for % WIDE_EVERY == 0:
            # By the marked frame the picture may have drifted, which the steadied ones have not.
            wide_mm = WIDE_MM if self._met else WIDE_MM + LARGEST_SHIFT_MM
            wide_px = max(NEAR_PX + 1, round(wide_mm / self._plane.step_mm))
            vote = _vote(picture, self._patch, self._last, wide_px)
        if vote.likeness < needed:
            self._last, self._lost_for = self._sure, self._lost_for + 1
            self._doubt.held(time_s)
            return self._sure, False
        self._last, self._lost_for, self._met = vote.offset, 0, True
        belief = np.clip((vote.likeness / self._usual - HOLD) / (SURE - HOLD), 0, 1)
        if belief == 1:
            self._sure = vote.offset
        disbelieved = (1 - belief) * (vote.offset - self._sure)
        self._doubt.voted(time_s, vote.sd_px, float(np.hypot(*disbelieved)), vote.likeness / self._usual)
        return self._sure + belief * (vote.offset - self._sure), True


def follow_alone(
    pictures: Iterable[tuple[float, GreyImage]], plane: Plane, target: TargetFollower
) -> TargetPath:
    """Follow a target, and nothing else, through times and working pictures of a clip, consumed once."""
    drifts: list[FloatArray] = []
    for held in steady(pictures, mask=plane.mask, step_mm=plane.step_mm):
        drifts.append(held.drift)
        target.see(held.picture, held.time_s)
    return target.path(np.array(drifts).reshape(-1, 3))


def _cut_patch(picture: GreyImage, outline: FloatArray, mask: BoolArray) -> list[_Tile]:
    """Tiles of the target and its surroundings that hold some texture and lie in the region."""
    centre = outline.mean(axis=0)
    half = float(np.ptp(outline, axis=0).min()) / 2
    reach = max(PATCH_REACH, SMALLEST_PATCH_PX / max(half, 1.0))
    outer = (centre + reach * (outline - centre)).astype(np.float32)
    seen = np.zeros(mask.shape, dtype=np.uint8)
    cv2.fillPoly(seen, [np.rint(outer).astype(np.int32)], 1)
    seen &= mask.astype(np.uint8)
    if not seen.any():
        return []
    greys = picture.astype(np.float32)
    side = int(np.clip(round(0.5 * half), SMALLEST_TILE_PX, TILE_PX))
    tiles = []
    for x, y in _grid(outer, side):
        window = (slice(y, y + side), slice(x, x + side))
        if min(x, y) < 0 or mask[window].shape != (side, side) or not mask[window].all():
            continue
        spread = float(greys[window].std())
        if seen[window].mean() >= 0.5 and spread >= EMPTY_GREY:
            say = spread**2 / (spread**2 + 4 * EMPTY_GREY**2)
            tiles.append(_Tile(x, y, greys[window].copy(), say))
    return tiles


def _grid(outer: npt.NDArray[np.float32], side: int) -> list[tuple[int, int]]:
    """Top-left corners of tiles laid out evenly over the box round an outline."""
    low, high = outer.min(axis=0), outer.max(axis=0) - side
    pitch = np.maximum(side * 0.8, (high - low) / (TILES_ACROSS - 1))
    across, down = (np.arange(low[k], high[k] + 1, pitch[k]) for k in (0, 1))
    return [(round(float(x)), round(float(y))) for y in down for x in across]


def _usual_likeness(beside: Sequence[GreyImage], patch: list[_Tile]) -> float:
    """Best likeness in the frames beside the marked one; 0 without enough texture, 1 for a single frame."""
    if len(patch) < FEWEST_TILES:
        return 0.0
    return max((_vote(picture, patch, np.zeros(2), NEAR_PX).likeness for picture in beside), default=1.0)


def _vote(picture: GreyImage, patch: list[_Tile], around: FloatArray, reach: int) -> _Vote:
    """Let the tiles vote on their common offset within `reach` px of `around`."""
    side = patch[0].greys.shape[0]
    base = np.rint(around).astype(int)
    corners = np.array([(t.x, t.y) for t in patch]) + base
    low, high = corners.min(axis=0) - reach, corners.max(axis=0) + side + reach
    area = _window(picture, low, high)
    votes = np.zeros((2 * reach + 1, 2 * reach + 1), dtype=np.float32)
    ballots = []
    for tile, (x, y) in zip(patch, corners - reach - low, strict=True):
        near_tile = area[y : y + side + 2 * reach, x : x + side + 2 * reach]
        fit = cv2.matchTemplate(near_tile, tile.greys, cv2.TM_CCOEFF_NORMED)
        ballots.append(np.asarray(tile.say * np.maximum(fit, 0), dtype=np.float32))
        votes += ballots[-1]
    votes /= sum(t.say for t in patch)
    row, column = (int(k) for k in np.unravel_index(int(votes.argmax()), votes.shape))
    at_edge = min(row, column) == 0 or max(row, column) == 2 * reach
    peak = np.array([column, row], dtype=float)
    if not at_edge:
        beside = votes[row, column - 1 : column + 2], votes[row - 1 : row + 2, column]
        peak += [_vertex(three) for three in beside]
    sd_px = (
        np.inf if at_edge else tiles_sd_px([b[row - 1 : row + 2, column - 1 : column + 2] for b in ballots])
    )
    return _Vote(base + peak - reach, float(votes[row, column]), at_edge, sd_px)


def _window(picture: GreyImage, low: FloatArray, high: FloatArray) -> FloatImage:
    """Cut of the picture from low to high, its edge greys repeated where it reaches beyond."""
    height, width = picture.shape
    inside_low = np.clip(low, 0, (width - 1, height - 1))
    inside_high = np.clip(high, inside_low + 1, (width, height))
    cut = picture[inside_low[1] : inside_high[1], inside_low[0] : inside_high[0]]
    before, after = inside_low - low, high - inside_high
    greys: FloatImage = cut.astype(np.float32)
    if before.any() or after.any():
        greys = np.pad(greys, ((before[1], after[1]), (before[0], after[0])), mode="edge")
    return greys


def _vertex(three: FloatImage) -> float:
    """Place of the top of a parabola through three values at -1, 0, 1."""
    left, middle, right = (float(v) for v in three)
    bend = left - 2 * middle + right
    return 0.0 if bend >= 0 else float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5))


def _detail(picture: GreyImage) -> FloatImage:
    """Speckle and edges without the broad shading that any picture of a phantom shares."""
    grey = picture.astype(np.float32)
    return np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.0) - cv2.GaussianBlur(grey, (0, 0), 6.0))
