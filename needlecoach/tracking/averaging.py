"""The scanner's frame averaging undone: every picture as it was before those before it were blended in."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray, GreyImage
from needlecoach.tracking.drift import after, back, steadied

# Shares that are told apart; below the least one the pictures are left as they are, since undoing makes
# noise stronger.
STEP_SHARE = 0.025
LEAST_SHARE = 0.1
MOST_SHARE = 0.65
# A change by so many greys in one picture begins an event; what follows it is known to about the other.
EVENT_GREY = 25
FOLLOWS_GREY = 4.0
# What follows must be more than nothing: an encoder repeats a picture where too little changes.
REPEATED_GREY = 1.0
# Where the whole picture moves faster, everything changes.
CALM_MM_S = 1.0
# So many events tell, if they speak so much less for no averaging at all; more than so many of one picture
# tell nothing new.
FEWEST_EVENTS = 200
CLEAR_SHARE = 0.8
MOST_PER_PICTURE = 300
# A picture with hardly any change beside ones with much is the one before recorded again.
CHANGED_GREY = 12
COPY_SHARE = 0.1
COPY_REACH_S = 0.1
BUSY_PIXELS = 20
FEWEST_COPIES = 0.25


def without_averaging(
    pictures: Sequence[GreyImage], time_s: FloatArray, drift: FloatArray, *, mask: BoolArray, step_mm: float
) -> list[GreyImage]:
    """Take out of every picture what is left in it of the one shown before.

    Parameters
    ----------
    pictures : steadied working pictures of one window
    time_s : (n_frames,)
    drift : (n_frames, 3)
        What was taken out of each to hold it steady (see `Held`): the scanner blends what it shows.
    mask : (height, width) bool, where they show anything
    step_mm : width of a pixel

    Returns
    -------
    list of pictures
        The same pictures where no averaging shows.

    Notes
    -----
    Scanners smooth in time by showing a share of the picture before with each new one (persistence, a
    first-order recursive filter). A needle that moves is then dim where it is and leaves ghosts where it was.
    """
    if len(pictures) < 5:
        return list(pictures)
    new, share = _shown_on(pictures, time_s, drift, mask, step_mm)
    # Of a picture recorded several times the last is coded best.
    last = np.append(new[1:] - 1, len(pictures) - 1)
    if share < LEAST_SHARE:
        return list(pictures)
    out = list(pictures[: last[0] + 1])
    for before, first, end in zip(last[:-1], new[1:], last[1:], strict=True):
        for i in range(first, end + 1):
            out.append(undone(pictures[i], drift[i], pictures[before], drift[before], share))
    return out


def averaged_share(
    pictures: Sequence[GreyImage], time_s: FloatArray, drift: FloatArray, *, mask: BoolArray, step_mm: float
) -> float:
    """Share of the picture before that each shows, 0 where it is left as it is (see `without_averaging`)."""
    share = _shown_on(pictures, time_s, drift, mask, step_mm)[1] if len(pictures) >= 5 else 0.0
    return share if share >= LEAST_SHARE else 0.0


def undone(
    picture: GreyImage, drift: FloatArray, before: GreyImage, drift_before: FloatArray, share: float
) -> GreyImage:
    """One steadied picture without the share of the one before in it; the drifts (3,) as for all."""
    shown = steadied(before, after(back(drift_before), drift))
    now = cv2.addWeighted(picture, 1 / (1 - share), shown, -share / (1 - share), 0)
    return np.asarray(now, dtype=np.uint8)


def _shown_on(
    pictures: Sequence[GreyImage], time_s: FloatArray, drift: FloatArray, mask: BoolArray, step_mm: float
) -> tuple[npt.NDArray[np.intp], float]:
    """Which pictures are new, and the share of the one before that each of them shows."""
    inner = cv2.erode(mask.astype(np.uint8), np.ones((5, 5), np.uint8))
    smooth = [np.asarray(inner * cv2.GaussianBlur(one, (3, 3), 0), dtype=np.uint8) for one in pictures]
    new = np.flatnonzero(_new_pictures(smooth, time_s))
    last = np.append(new[1:] - 1, len(pictures) - 1)
    speed_px_s = np.hypot(*np.diff(drift[last, :2], axis=0).T) / np.diff(time_s[last])
    calm = np.append(True, speed_px_s * step_mm < CALM_MM_S)
    return new, share_kept([smooth[i] for i in last], calm)


def share_kept(pictures: Sequence[GreyImage], calm: BoolArray) -> float:
    """Share of the picture before that each picture shows, 0 where nothing tells of any.

    Parameters
    ----------
    pictures : each new, smoothed a little
    calm : (n_frames,) bool, whether the whole picture stood still as each came

    Notes
    -----
    Where a place has changed and stays as it is now, what is still to come is a share of what has come, and
    again of that: the share at which most large changes are followed so, twice, is taken. A needle that
    passes slowly changes a place at every pace, so it favours none. Where it does by chance, it moves by
    little from picture to picture, and what is then undone too much moves it by less.
    """
    shares = np.arange(0.0, MOST_SHARE + STEP_SHARE / 2, STEP_SHARE)
    votes, n_events = np.zeros(len(shares)), 0
    for i in range(1, len(pictures) - 2):
        if not calm[i : i + 3].all():
            continue
        changed = np.flatnonzero(cv2.absdiff(pictures[i], pictures[i - 1]) > EVENT_GREY)
        changed = changed[:: len(changed) // MOST_PER_PICTURE + 1]
        looks = np.array([picture.ravel()[changed] for picture in pictures[i - 1 : i + 3]], dtype=float)
        steps = np.diff(looks, axis=0)
        first, second, third = steps[:, np.abs(steps[1]) > REPEATED_GREY]
        off = (second - shares[:, None] * first) ** 2 + (third - shares[:, None] * second) ** 2
        # The larger a change, the better its sequel can be told.
        votes += np.exp(-off / (2 * FOLLOWS_GREY**2)) @ np.abs(first)
        n_events += len(first)
    best = int(np.argmax(votes))
    clear = n_events >= FEWEST_EVENTS and votes[0] <= CLEAR_SHARE * votes[best] and best < len(shares) - 1
    return float(shares[best]) if clear else 0.0


def _new_pictures(pictures: Sequence[GreyImage], time_s: FloatArray) -> BoolArray:
    """Tell which pictures are new and not the one before once more: recorders run faster than scanners."""
    changed = [0, *(_changed(one, other) for one, other in pairwise(pictures))]
    counts: npt.NDArray[np.intp] = np.array(changed)
    reach = max(1, round(COPY_REACH_S / float(np.median(np.diff(time_s)))))
    beside = np.lib.stride_tricks.sliding_window_view(np.pad(counts, reach), reach).max(axis=1)
    # Much changed shortly before and will shortly after: a needle that sets out is no copy.
    most = np.minimum(beside[: len(counts)], beside[reach + 1 :])
    copies = counts < COPY_SHARE * most
    busy = most >= BUSY_PIXELS
    if not busy.any() or copies[busy].mean() < FEWEST_COPIES:
        return np.ones(len(pictures), dtype=bool)
    copies[0] = False
    return np.asarray(~copies)


def _changed(one: GreyImage, other: GreyImage) -> int:
    """Number of pixels in which two pictures differ clearly."""
    return cv2.countNonZero(cv2.threshold(cv2.absdiff(one, other), CHANGED_GREY, 1, cv2.THRESH_BINARY)[1])
