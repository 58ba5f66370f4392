"""The film of one attempt: its ultrasound picture as a video, and what the page draws over it."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from needlecoach.clips import ClipReader
from needlecoach.clips.webm import webm_file
from needlecoach.errors import ClipError
from needlecoach.model import FloatArray, Frame
from needlecoach.reporting.bigscreen.tries import Try

# The film begins this long before the needle comes in, but at most LONGEST_S before the decisive moment.
LEAD_S, LONGEST_S = 0.6, 10.0
SLOW_BEFORE_S, SLOW_AFTER_S = 1.5, 1.0
MAX_FPS, MAX_SIDE_PX, BIT_RATE = 30.0, 720, 1_600_000


@dataclass(frozen=True)
class Film:
    """A video (WebM) of the region alone, and `drawn`: what lies where in it, as JSON can hold it.

    Places are shares of the picture's width and height, times are seconds of the film.
    """

    video: bytes
    drawn: dict[str, Any]


def film_of(reader: ClipReader, page: dict[str, Any], one: Try, corners_px: FloatArray | None) -> Film:
    """Film one attempt of a scored clip.

    Parameters
    ----------
    reader : the clip, opened
    page : what the review page draws from (`pagedata.page_data`)
    corners_px : (n, 4, 2) the screen's corners in each frame of a camera's recording; None for any other

    Raises
    ------
    ClipError
        When the clip can't be read, or does not have the frames of the result.
    OutputError
        When the video can't be encoded.
    """
    view = _View(page, corners_px)
    frames = _frames(page, one)
    times_s = np.array(page["frames"]["time_s"], dtype=float)
    starts_ms = np.round((times_s[frames] - times_s[frames[0]]) * 1000).astype(int)
    usual_ms = int(np.median(np.diff(starts_ms))) if len(frames) > 1 else 40
    ends_ms = np.append(starts_ms[1:], starts_ms[-1] + max(usual_ms, 1))
    with tempfile.TemporaryDirectory(prefix="needlecoach-film-") as folder:
        path = Path(folder) / "film.webm"
        with webm_file(path, view.size_px, len(frames), int(ends_ms[-1]), bit_rate=BIT_RATE) as write:
            done = 0
            for frame in _read(reader, frames):
                write(view.picture(frame), int(starts_ms[done]), int(max(ends_ms[done] - starts_ms[done], 1)))
                done += 1
        video = path.read_bytes()
    if done < len(frames):
        raise ClipError(f"{reader.clip.path.name}: has fewer frames than its result; score it again.")
    return Film(video, _drawn(page, one, view, frames, starts_ms / 1000))


def _read(reader: ClipReader, frames: list[int]) -> Iterator[Frame]:
    wanted = set(frames)
    for frame in reader:
        if frame.number in wanted:
            yield frame
        if frame.number >= frames[-1]:
            return


def _frames(page: dict[str, Any], one: Try) -> list[int]:
    """Numbers of the frames that the film shows, at most `MAX_FPS` a second, the decisive one among them."""
    times = np.array(page["frames"]["time_s"], dtype=float)
    decisive_s = times[one.decisive]
    from_s = max(times[one.first] - LEAD_S, decisive_s - LONGEST_S)
    kept: list[int] = []
    for number in np.flatnonzero((times >= from_s) & (times <= decisive_s + SLOW_AFTER_S)):
        # A tenth of slack lets a rate of just over MAX_FPS through instead of halving it.
        if not kept or times[number] - times[kept[-1]] >= 0.9 / MAX_FPS:
            kept.append(int(number))
        elif number == one.decisive:
            kept[-1] = int(number)
    return kept


class _View:
    """From a clip's frames to the film's picture: the region, cut out, black beside it.

    A camera's frames are laid on its first one by the screen's corners.
    """

    def __init__(self, page: dict[str, Any], corners_px: FloatArray | None) -> None:
        outline = np.array(page["outline_px"], dtype=float)
        clip = page["clip"]
        low = np.floor(np.clip(outline.min(axis=0), 0, None)).astype(int)
        # The outline runs through the middles of the outermost pixels.
        high = np.minimum(np.ceil(outline.max(axis=0)).astype(int) + 1, [clip["width_px"], clip["height_px"]])
        self.corner, self.extent = low, np.maximum(high - low, 2)
        zoom = min(MAX_SIDE_PX / float(self.extent.max()), 1.0)
        # VP8 halves colour in both directions, so both sides are even.
        width, height = (max(2, 2 * round(side * zoom / 2)) for side in self.extent)
        self.size_px = (width, height)
        mask = np.zeros((self.extent[1], self.extent[0]), np.uint8)
        cv2.fillPoly(mask, [np.round(outline - low).astype(np.int32)], 1)
        self._mask = mask
        self._frame_px = (int(clip["width_px"]), int(clip["height_px"]))
        self._turns = None if corners_px is None else _turns(corners_px)

    def picture(self, frame: Frame) -> np.ndarray:
        """Grey picture (h, w) of the film."""
        pixels = frame.pixels
        if self._turns is not None:
            pixels = np.asarray(cv2.warpPerspective(pixels, self._turns[frame.number], self._frame_px))
        (x, y), (w, h) = self.corner, self.extent
        crop = pixels[y : y + h, x : x + w]
        if crop.shape != self._mask.shape:
            raise ClipError("The recording is smaller than its result says; score it again.")
        inside = cv2.bitwise_and(crop, crop, mask=self._mask)
        return np.asarray(cv2.resize(inside, self.size_px, interpolation=cv2.INTER_AREA), dtype=np.uint8)

    def place(self, point_px: Any, frame: int) -> list[float] | None:
        """A point of a frame as shares of the picture; None when not known."""
        if point_px is None or None in point_px:
            return None
        point = np.array(point_px, dtype=float)
        if self._turns is not None:
            turned = self._turns[frame] @ np.append(point, 1.0)
            point = turned[:2] / turned[2]
        return [round(float(share), 4) for share in (point - self.corner + 0.5) / self.extent]


def _turns(corners_px: FloatArray) -> list[np.ndarray]:
    """Homographies (3, 3) that lay each frame on the first by the screen's corners."""
    first = corners_px[0].astype(np.float32)
    return [cv2.getPerspectiveTransform(corners.astype(np.float32), first) for corners in corners_px]


def _drawn(
    page: dict[str, Any], one: Try, view: _View, frames: list[int], times_s: FloatArray
) -> dict[str, Any]:
    """What the page draws over the film."""
    track = page["frames"]
    decisive = frames.index(one.decisive)

    def places(name: str) -> list[list[float] | None]:
        return [view.place(track[name][n], n) if track["present"][n] else None for n in frames]

    notch = one.is_core and "notch_near_px" in track
    return {
        "width": int(view.extent[0]),
        "height": int(view.extent[1]),
        "decisive_s": round(float(times_s[decisive]), 3),
        "slow_from_s": round(max(float(times_s[decisive]) - SLOW_BEFORE_S, 0.0), 3),
        "end_s": round(float(times_s[-1]), 3),
        "first": next((i for i, n in enumerate(frames) if n >= one.first), 0),
        "time_s": [round(float(time), 3) for time in times_s],
        "tip": places("tip_px"),
        "entry": places("entry_px"),
        "seen": [int(track["visible"][n]) for n in frames],
        "notch_near": places("notch_near_px") if notch else None,
        "notch_far": places("notch_far_px") if notch else None,
        "outline": _outline(page, view),
        "target": [view.place(track["target_px"][n], n) for n in frames],
        "line": _line(page, view, one),
    }


def _outline(page: dict[str, Any], view: _View) -> list[list[float]]:
    """The target's outline about its centre, in shares of the picture."""
    target = page["target"]
    at = min(target["frame"], len(page["frames"]["time_s"]) - 1)
    centre = view.place(target["centre_px"], at)
    corners = [view.place(point, at) for point in target["outline_px"]]
    if centre is None:
        return []
    return [[round(x - centre[0], 4), round(y - centre[1], 4)] for x, y in filter(None, corners)]


def _line(page: dict[str, Any], view: _View, one: Try) -> list[list[float]] | None:
    """From the tip at the decisive moment to what its distance is told of: the middle, or the nearest rim."""
    track, target = page["frames"], page["target"]
    tip_px, centre_px = track["tip_px"][one.decisive], track["target_px"][one.decisive]
    if one.is_core or one.mm is None or None in (tip_px, centre_px) or None in [*tip_px, *centre_px]:
        return None
    end_px = np.array(centre_px, dtype=float)
    if one.kind != "middle":
        scale = np.array([page["scale"]["x_mm_per_px"], page["scale"]["y_mm_per_px"]])
        rim = _dense(np.array(target["outline_px"], dtype=float) - target["centre_px"]) + end_px
        end_px = rim[np.argmin(np.hypot(*((rim - tip_px) * scale).T))]
    ends = [view.place(tip_px, one.decisive), view.place(end_px.tolist(), one.decisive)]
    return [end for end in ends if end is not None]


def _dense(outline: FloatArray) -> FloatArray:
    """Points along a closed outline, 20 on each of its sides."""
    shares = np.linspace(0, 1, 20, endpoint=False)[:, None, None]
    return np.asarray((outline + shares * (np.roll(outline, -1, axis=0) - outline)).reshape(-1, 2))
