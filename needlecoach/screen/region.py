"""Finds the B-mode picture on the scanner's screen: a rectangle, or a sector between two arcs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.errors import MarksError, UnscorableError
from needlecoach.model import BoolArray, FloatArray, Frame, GreyImage, Region

FloatImage = npt.NDArray[np.float32]

# Grey levels by which a pixel must leave the surround to belong to the picture; codecs leave up to 3.
_LIT_LEVELS = 4.0
# A surround painted in one grey stays below this local standard deviation after coding.
_FLAT_SD = 0.7
# A noisy one stays below so many times what its noise leaves in the mean, and in every frame within so many
# sds; the noise is that of the calmer part of the screen.
_FLAT_SHARE, _MOST_SDS = 1.6, 3.5
_QUIET_PERCENT = 20
_TEXTURED_SD = 2.5
# Deep echoes apart from the picture's bright part are fainter than this; writing on the screen is not.
_FAINT_LEVELS = 80.0
_SPOT_SIDE_PX = 8
# Change over time, in grey levels, that shows a picture where nothing else does.
_CHANGE_LEVELS = 12.0
# What hangs on to the picture is narrower than this share of its size, and less than the rest of this one.
_HANGER_SHARE, _LEAST_KEPT = 0.12, 0.75
_SMALLEST_SIDE_PX = 32
_SMALLEST_SHARE = 0.02
_NOT_FOUND = (
    "No ultrasound picture stands out on this screen; give its place with --region x,y,w,h, or --screen auto "
    "for a camera's video of the screen."
)


def find_region(frames: Sequence[Frame]) -> Region:
    """Find the B-mode picture in frames of one recording, best spread over it; one frame will do.

    The picture is the largest textured patch that differs from the flat surround. It is taken as a sector
    when a sector covers that patch clearly better than a rectangle does.

    Parameters
    ----------
    frames : sequence of Frame
        Pictures of one size.

    Returns
    -------
    Region
        With source "found". Edges are good to about 2 px where the picture is not black there.

    Raises
    ------
    UnscorableError
        When nothing looks like a picture; the message says how to give the region.
    """
    if not frames:
        raise UnscorableError("The recording holds no frame, so no picture can be found in it.")
    screen = _Screen.of(frames)
    patch = _largest_patch(screen)
    if patch is None:
        patch = _changing_box(frames)
    if patch is None:
        raise UnscorableError(_NOT_FOUND)
    return _best_shape(screen, patch)


def given_region(
    box_px: tuple[int, int, int, int], frame_size_px: tuple[int, int], frames: Sequence[Frame] = ()
) -> Region:
    """Region from the user's box (x, y, width, height), which wins over anything found.

    With `frames`, a picture that is clearly a sector within the box gives a sector with that box.

    Raises
    ------
    MarksError
        When the box does not lie in a frame of `frame_size_px` (width, height), or is too small.
    """
    x, y, w, h = box_px
    if x < 0 or y < 0 or x + w > frame_size_px[0] or y + h > frame_size_px[1]:
        raise MarksError(
            f"Region {x},{y},{w},{h} does not lie within the frame of {frame_size_px[0]} x "
            f"{frame_size_px[1]} px; give --region x,y,w,h again."
        )
    box = Region(kind="rectangle", box_px=box_px, source="given")
    if not frames:
        return box
    crops = [
        replace(frame, pixels=np.ascontiguousarray(frame.pixels[y : y + h, x : x + w])) for frame in frames
    ]
    try:
        found = find_region(crops)
    except UnscorableError:
        return box
    fills = found.box_px[2] > 0.85 * w and found.box_px[3] > 0.85 * h
    if found.kind != "sector" or found.apex_px is None or not fills:
        return box
    apex_px = (found.apex_px[0] + x, found.apex_px[1] + y)
    return replace(found, box_px=box_px, apex_px=apex_px, source="given")


def settle_region(
    frames: Sequence[Frame],
    frame_size_px: tuple[int, int],
    *,
    given: tuple[int, int, int, int] | None,
    of_file: tuple[int, int, int, int] | None,
) -> Region:
    """Region by the user's box, else by the file's, else found in the frames.

    Raises
    ------
    UnscorableError
        When no picture stands out on the screen.
    MarksError
        When a box does not lie in a frame of `frame_size_px` (width, height).
    """
    if given is not None:
        return given_region(given, frame_size_px, frames=frames)
    if of_file is not None:
        return replace(given_region(of_file, frame_size_px, frames=frames), source="from the file")
    return find_region(frames)


@dataclass(frozen=True, eq=False)
class _Screen:
    """The recording boiled down: `rise` is each pixel's distance from the surround; the others are masks."""

    rise: FloatArray
    lit: BoolArray
    textured: BoolArray

    @classmethod
    def of(cls, frames: Sequence[Frame]) -> _Screen:
        # Frame by frame: a stack of very large screens as decimals would fill the memory.
        pictures = [frame.pixels for frame in frames]
        mean = _mean(pictures)
        local_sd = _local_sd(mean, 7)
        # A frame grabber's noise is new in every frame, speckle is not: what it leaves in the mean is known.
        noise = float(np.percentile(_flicker(pictures, mean), _QUIET_PERCENT))
        flat = local_sd < max(_FLAT_SD, _FLAT_SHARE * noise / np.sqrt(len(pictures)))
        if flat.mean() < 0.005:  # no surround at all: the picture fills the frame
            return cls(
                rise=mean.astype(float), lit=np.ones(mean.shape, bool), textured=local_sd > _TEXTURED_SD
            )
        surround = float(np.bincount(mean[flat].round().astype(int), minlength=256).argmax())
        rise = np.abs(mean - surround)
        level = _LIT_LEVELS + max(2.0, _MOST_SDS * noise)
        lit = _most_rise(pictures, surround) > level if len(pictures) > 1 else rise > _LIT_LEVELS
        return cls(rise=rise.astype(float), lit=lit, textured=local_sd > _TEXTURED_SD)


def _mean(pictures: Sequence[GreyImage]) -> FloatImage:
    total = np.zeros(pictures[0].shape, np.float32)
    for picture in pictures:
        total += picture
    return total / np.float32(len(pictures))


def _flicker(pictures: Sequence[GreyImage], mean: FloatImage) -> FloatImage:
    """Standard deviation of each pixel over the pictures, 0 for a single one."""
    squares = np.zeros_like(mean)
    if len(pictures) < 2:
        return squares
    for picture in pictures:
        squares += (picture - mean) ** 2
    return np.asarray(np.sqrt(squares / np.float32(len(pictures) - 1)))


def _most_rise(pictures: Sequence[GreyImage], surround: float) -> FloatImage:
    """Largest distance of each pixel from the surround in any of the pictures."""
    most = np.zeros(pictures[0].shape, np.float32)
    for picture in pictures:
        np.maximum(most, np.abs(picture - np.float32(surround)), out=most)
    return most


def _local_sd(image: FloatArray | FloatImage, size_px: int) -> FloatArray:
    mean = cv2.blur(image, (size_px, size_px))
    square = cv2.blur(image * image, (size_px, size_px))
    return np.sqrt(np.maximum(square - mean * mean, 0))


def _largest_patch(screen: _Screen) -> BoolArray | None:
    """Mask of the patch with the most texture, holes filled, thin marks cut off; None without one."""
    closed = cv2.morphologyEx(screen.lit.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    lit = cv2.morphologyEx(_filled(closed), cv2.MORPH_OPEN, np.ones((7, 7), np.uint8))
    n_patches, labels, stats, _ = cv2.connectedComponentsWithStats(lit, connectivity=4)
    textured_px = np.bincount(labels.ravel(), weights=screen.textured.ravel(), minlength=n_patches)
    textured_px[0] = 0
    best = int(textured_px.argmax())
    sides = stats[best, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]]
    if best == 0 or sides.min() < _SMALLEST_SIDE_PX or textured_px[best] < _SMALLEST_SHARE * lit.size:
        return None
    return np.asarray(labels == best)


def _changing_box(frames: Sequence[Frame]) -> BoolArray | None:
    """Mask of the box around all that changes, for pictures black but for a moving echo; None if little."""
    stack = np.stack([frame.pixels for frame in frames])
    changes = (stack.max(axis=0) - stack.min(axis=0)) > _CHANGE_LEVELS
    changes = cv2.morphologyEx(changes.astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    if changes.mean() < _SMALLEST_SHARE / 2:
        return None
    x, y, w, h = cv2.boundingRect(changes)
    if min(w, h) < _SMALLEST_SIDE_PX:
        return None
    box = np.zeros(changes.shape, dtype=bool)
    box[y : y + h, x : x + w] = True
    return box


def _filled(mask: np.ndarray) -> np.ndarray:
    """Fill the holes of a mask (0/1, uint8)."""
    outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.drawContours(np.zeros_like(mask), outlines, -1, 1, thickness=cv2.FILLED)


def _best_shape(screen: _Screen, patch: BoolArray) -> Region:
    """Rectangle or sector, whichever covers the patch better; in doubt the rectangle."""
    rectangle = _fit_rectangle(screen, patch, share=0.5)
    covered = _overlap(rectangle, patch)
    loose = _loose_echoes(screen, patch)
    sector = _fit_sector(screen, patch, loose)
    if sector is not None and _overlap(sector, patch) >= covered + 0.03:
        return sector
    if not loose.any():
        compact = None if covered > 0.97 else _compact_rectangle(screen, patch)
        if compact is not None or covered > 0.9:
            return compact or rectangle
    # The patch is the bright part of a picture with dark depths or shadows: take all that belongs to it.
    return _fit_rectangle(screen, patch | loose, share=0.05)


def _compact_rectangle(screen: _Screen, patch: BoolArray) -> Region | None:
    """Rectangle of a patch without what hangs on to it by a lamp's reflection; None when it is no rectangle.

    A menu's bar is narrower than the picture, and goes when the patch is opened by a large square.
    """
    side = round(_HANGER_SHARE * float(np.sqrt(patch.sum()))) | 1
    padded = np.pad(patch, side).astype(np.uint8)  # nothing beyond the frame holds a bar at its edge
    opened = cv2.morphologyEx(padded, cv2.MORPH_OPEN, np.ones((side, side), np.uint8))
    bulk = np.asarray(opened[side:-side, side:-side] > 0)
    if bulk.sum() < _LEAST_KEPT * patch.sum():
        return None
    rectangle = _fit_rectangle(screen, bulk, share=0.5)
    return rectangle if _overlap(rectangle, bulk) > 0.9 else None


def _loose_echoes(screen: _Screen, patch: BoolArray) -> BoolArray:
    """Mask of faint blurred spots in the patch's columns, apart from it; writing is brighter and sharper."""
    columns = np.flatnonzero(patch.any(axis=0))
    apart = (screen.lit & ~patch).astype(np.uint8)
    loose = cv2.morphologyEx(apart, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    step = cv2.morphologyEx(screen.rise, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    n_spots, labels, stats, _ = cv2.connectedComponentsWithStats(loose, connectivity=8)
    peak, sharpest = np.zeros(n_spots), np.zeros(n_spots)
    flat_labels = labels.ravel().astype(np.intp)
    np.maximum.at(peak, flat_labels, screen.rise.ravel())
    np.maximum.at(sharpest, flat_labels, step.ravel())
    left = stats[:, cv2.CC_STAT_LEFT]
    right = left + stats[:, cv2.CC_STAT_WIDTH]
    faint = (peak < _FAINT_LEVELS) & (sharpest < np.maximum(0.7 * peak, _LIT_LEVELS + 2))
    sides = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].min(axis=1)
    keep = faint & (sides >= _SPOT_SIDE_PX) & (left >= columns[0] - 2) & (right <= columns[-1] + 3)
    keep[0] = False
    return np.asarray(keep[labels])


def _overlap(region: Region, patch: BoolArray) -> float:
    """Intersection over union."""
    mask = region.mask(*patch.shape)
    return float((mask & patch).sum() / (mask | patch).sum())


def _fit_rectangle(screen: _Screen, patch: BoolArray, *, share: float) -> Region:
    """Rectangle from the patch's row and column profiles, edges at half height of the brightness step."""
    height, width = patch.shape
    left, right = _span(patch.mean(axis=0), share=share)
    top, bottom = _span(patch[:, left : right + 1].mean(axis=1), share=share)
    left, right = _sharpen(screen.rise[top : bottom + 1].mean(axis=0), left, right)
    top, bottom = _sharpen(screen.rise[:, left : right + 1].mean(axis=1), top, bottom)
    # Deep parts may be black: a picture as wide as the frame with nothing else below reaches the frame's end.
    fills_width = left <= 2 and right >= width - 3 and top <= 2
    if fills_width and not screen.lit[bottom + 8 :].any():
        bottom = height - 1
    return Region(kind="rectangle", box_px=(left, top, right - left + 1, bottom - top + 1))


def _span(profile: FloatArray, *, share: float = 0.5) -> tuple[int, int]:
    """First and last index at which a profile reaches `share` of its usual height."""
    usual = np.median(profile[profile > 0.25 * profile.max()])
    inside = np.flatnonzero(profile >= share * usual)
    return int(inside[0]), int(inside[-1])


def _sharpen(profile: FloatArray, first: int, last: int) -> tuple[int, int]:
    """Move both ends of a span to where the brightness profile is half way between outside and inside."""
    return _half_way(profile, first), len(profile) - 1 - _half_way(profile[::-1], len(profile) - 1 - last)


def _half_way(profile: FloatArray, first: int, *, reach_px: int = 5) -> int:
    """First index inside, near `first`, of a profile that rises from outside (low indices) to inside."""
    start, stop = max(first - reach_px, 0), min(first + reach_px + 1, len(profile))
    near = profile[start:stop]
    if first <= 1 or len(near) < 4:
        return first
    outer, inner = near[:2].mean(), near[-3:].mean()
    if inner < outer + 2:
        return first
    return start + int(np.argmax(near > (inner + outer) / 2))


def _fit_sector(screen: _Screen, patch: BoolArray, loose: BoolArray) -> Region | None:
    """Sector from the patch's two straight sides (apex = crossing) and its polar profiles; None without."""
    sides = _straight_sides(patch)
    if sides is None:
        return None
    (slope_left, offset_left), (slope_right, offset_right) = sides
    apex_y = (offset_left - offset_right) / (slope_right - slope_left)
    apex = (slope_left * apex_y + offset_left, apex_y)
    half_rad = (np.arctan(slope_right) - np.arctan(slope_left)) / 2
    reach = _farthest(apex, patch | loose)
    rise, lit = (
        _polar(image, apex, half_rad, reach) for image in (screen.rise, (patch | loose).astype(float))
    )
    if not np.isfinite(lit).any():
        return None
    r_min, r_max = _span(_mean_known(lit), share=0.2)
    r_min, r_max = _sharpen(_mean_known(rise), r_min, r_max)
    if r_max - r_min < _SMALLEST_SIDE_PX:
        return None
    return _sector(apex, (max(r_min - 0.5, 0.0), r_max + 0.5), float(np.degrees(half_rad)), patch.shape)


def _straight_sides(patch: BoolArray) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Lines x = slope * y + offset through both sides, down to the widest row; None if not opening."""
    width = patch.shape[1]
    rows = np.flatnonzero(patch.any(axis=1))
    left = patch[rows].argmax(axis=1)
    right = width - 1 - patch[rows][:, ::-1].argmax(axis=1)
    # Rows where the side runs along the frame's own edge say nothing of its direction.
    fits = []
    for side, at_edge, widest in (
        (left, left <= 1, left.argmin()),
        (right, right >= width - 2, right.argmax()),
    ):
        use = (np.arange(len(rows)) < widest) & ~at_edge
        if use.sum() < _SMALLEST_SIDE_PX:
            return None
        fits.append(_robust_line(rows[use].astype(float), side[use].astype(float)))
    (slope_left, _), (slope_right, _) = fits
    if slope_right - slope_left < 0.15 or slope_left > 0.2 or slope_right < -0.2:
        return None
    return fits[0], fits[1]


def _robust_line(y: FloatArray, x: FloatArray) -> tuple[float, float]:
    """Slope and offset of x = slope * y + offset: least squares, far points dropped three times."""
    use = np.ones(len(y), dtype=bool)
    slope = offset = 0.0
    for _ in range(4):
        slope, offset = np.polyfit(y[use], x[use], 1)
        distance = np.abs(x - slope * y - offset)
        use = distance <= max(2.5 * float(np.median(distance)), 1.0)
    return float(slope), float(offset)


def _farthest(apex: tuple[float, float], patch: BoolArray) -> int:
    y, x = np.nonzero(patch)
    return int(np.hypot(x - apex[0], y - apex[1]).max()) + 12


def _polar(image: FloatArray, apex: tuple[float, float], half_rad: float, reach: int) -> FloatArray:
    """Picture sampled along beams, shape (beams, radii in px), NaN outside the frame, no outer beams."""
    angles = np.linspace(-0.9, 0.9, 181)[:, None] * half_rad
    radii = np.arange(reach)[None, :]
    x = (apex[0] + radii * np.sin(angles)).astype(np.float32)
    y = (apex[1] + radii * np.cos(angles)).astype(np.float32)
    nowhere = (np.nan,)
    polar = cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=nowhere)
    return np.asarray(polar, dtype=float)


def _mean_known(polar: FloatArray) -> FloatArray:
    """Mean over beams at each radius, 0 where fewer than a tenth of the beams are in the frame."""
    known = np.isfinite(polar)
    count = known.sum(axis=0)
    total = np.where(known, polar, 0).sum(axis=0)
    return np.where(count >= len(polar) / 10, total / np.maximum(count, 1), 0.0)


def _sector(
    apex: tuple[float, float], radii: tuple[float, float], half_angle_deg: float, shape: tuple[int, int]
) -> Region:
    """Sector with its bounding box cut to the frame."""
    sine, cosine = np.sin(np.radians(half_angle_deg)), np.cos(np.radians(half_angle_deg))
    x0 = max(int(np.floor(apex[0] - radii[1] * sine)), 0)
    x1 = min(int(np.ceil(apex[0] + radii[1] * sine)), shape[1] - 1)
    y0 = max(int(np.floor(apex[1] + radii[0] * cosine)), 0)
    y1 = min(int(np.ceil(apex[1] + radii[1])), shape[0] - 1)
    return Region(
        kind="sector",
        box_px=(x0, y0, x1 - x0 + 1, y1 - y0 + 1),
        apex_px=(float(apex[0]), float(apex[1])),
        r_min_px=float(radii[0]),
        r_max_px=float(radii[1]),
        half_angle_deg=half_angle_deg,
    )
