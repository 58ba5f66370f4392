"""The tip told by its passing: brighter, for a moment, than its place was before and will be after."""

from __future__ import annotations

import cv2
import numpy as np

from needlecoach.model import FloatArray
from needlecoach.tracking.kymograph import FloatImages

# A tip at 10 mm/s moves by half a millimetre in this time: out of its own picture.
FLASH_S = 0.05
# Two looks at the same speckle differ by so many greys; what is so many more is sure.
STRAY_GREY, SURE_GREY = 8.0, 16.0
# A passing piece of the shaft flashes too, but is darker than this clip's tip usually is: what is by 2-7 dB
# (10-30 greys) says less and less.
AS_BRIGHT_GREY, TOO_DIM_GREY = 10.0, 30.0
FLASH_NATS = 6.0


def flash_bonus(grey: FloatImages, time_s: FloatArray, usual_grey: float) -> FloatArray:
    """Log odds for a tip that is just passing each sample, (n_frames, n_samples); nothing where none moves.

    Parameters
    ----------
    grey : (n_frames, n_samples)
        Strips along the axis.
    time_s : (n_frames,)
    usual_grey : what a tip usually has in this clip

    Notes
    -----
    On its way back a tip lies among bubbles that may look just like it, and what its place looks like once it
    has gone differs little. But they stay where they are, and it is there for a moment only. Unlike the end
    of what moves, which is where the shaft leaves the plane when the tip has, this is a place of its own.
    """
    n = len(grey)
    if n < 3:
        return np.zeros(grey.shape)
    reach = max(1, round(FLASH_S / float(np.median(np.diff(time_s)))))
    frames = np.arange(n)
    # What slides by a sample is no news.
    around = cv2.dilate(grey, np.ones((1, 3), dtype=np.uint8))
    before, after = (around[np.clip(frames + by, 0, n - 1)] for by in (-reach, reach))
    flash = np.clip((grey - np.maximum(before, after) - STRAY_GREY) / SURE_GREY, 0, 1)
    bright = np.clip((grey - usual_grey + TOO_DIM_GREY) / (TOO_DIM_GREY - AS_BRIGHT_GREY), 0, 1)
    return np.asarray(FLASH_NATS * flash * bright, dtype=float)
