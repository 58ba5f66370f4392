"""Splitting a track into attempts, and an attempt into passes and strokes."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from needlecoach.model import FloatArray, Pass, Track
from needlecoach.scoring.kinematics import ROUNDING_S, true_runs, turning_points

GAP_S = 0.3
PASS_MM = 3.0
STROKE_MM = (1.5, 5.0)


@dataclass(frozen=True)
class Span:
    """Frames of one attempt, both ends included; `cut_off` when the clip ends with the needle in."""

    first_frame: int
    last_frame: int
    cut_off: bool


def split_attempts(track: Track) -> tuple[Span, ...]:
    """Find the attempts: runs of frames with a needle, gaps under 0.3 s closed.

    Parameters
    ----------
    track : Track
        Only its times and `needle_present` are read.

    Returns
    -------
    tuple of Span
        In order of time; empty when no frame holds a needle. A run that touches the last frame is cut off.
    """
    joined: list[tuple[int, int]] = []
    for first, last in true_runs(track.needle_present):
        if joined and track.time_s[first] - track.time_s[joined[-1][1] + 1] < GAP_S - ROUNDING_S:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return tuple(Span(first, last, cut_off=last == len(track) - 1) for first, last in joined)


def split_passes(
    depth_mm: FloatArray, *, withdrawal_mm: float = 5.0, first_frame: int = 0
) -> tuple[Pass, ...]:
    """Find the passes in the insertion depth of one attempt.

    Parameters
    ----------
    depth_mm : (n,) smoothed position of the tip along the shaft, finite.
    withdrawal_mm : how far the tip must come back from its deepest point before a new pass can begin.
    first_frame : frame number of the first sample.

    Returns
    -------
    tuple of Pass
        Forward excursions of at least 3 mm. A pass starts at the entry or at the shallowest point after a
        withdrawal and ends just before the next withdrawal has grown to `withdrawal_mm`, or with the attempt.
    """
    found: list[Pass] = []
    start, deepest = 0, -1
    for i, depth in enumerate(depth_mm):
        if deepest < 0:
            if depth < depth_mm[start]:
                start = i
            elif depth - depth_mm[start] >= PASS_MM:
                deepest = i
        elif depth > depth_mm[deepest]:
            deepest = i
        elif depth_mm[deepest] - depth >= withdrawal_mm:
            found.append(Pass(first_frame + start, first_frame + i - 1, first_frame + deepest))
            start, deepest = i, -1
    if deepest >= 0:
        found.append(Pass(first_frame + start, first_frame + len(depth_mm) - 1, first_frame + deepest))
    return tuple(found)


def count_strokes(depth_mm: FloatArray, passes: tuple[Pass, ...], *, first_frame: int = 0) -> int:
    """Count the strokes of one attempt: to-and-fro movements of 1.5 to under 5 mm that are no pass.

    Parameters
    ----------
    depth_mm : (n,) smoothed position of the tip along the shaft, finite.
    passes : the passes of the same attempt.
    first_frame : frame number of the first sample.

    Notes
    -----
    A stroke is a backward movement of that size with a forward one after it, or, between two longer
    withdrawals, a forward movement of that size. Turning points need 1.5 mm to count, so tremor and jitter
    make none.
    """
    least, below = STROKE_MM
    turns = turning_points(depth_mm, threshold=least)
    legs = [float(depth_mm[b] - depth_mm[a]) for a, b in pairwise(turns)]
    pass_starts = {p.first_frame - first_frame for p in passes}
    begins_pass = [a in pass_starts for a, _ in pairwise(turns)]
    inner = range(1, len(legs) - 1)
    back = {i for i in inner if least <= -legs[i] < below and not begins_pass[i + 1]}
    forth = {
        i for i in inner if least <= legs[i] < below and not begins_pass[i] and not {i - 1, i + 1} & back
    }
    return len(back) + len(forth)
