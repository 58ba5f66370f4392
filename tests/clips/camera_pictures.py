"""Pictures as a source hands them on, drawn, each with its number in it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from needlecoach.clips import open_clip
from needlecoach.clips.capture import Captured
from tests.streams import moving_square, number_in, with_number

SIZE = (160, 120)


def captured(
    count: int,
    *,
    fps: float = 30.0,
    first: int = 0,
    size: tuple[int, int] = SIZE,
    start_s: float | None = None,
) -> Iterator[Captured]:
    """So many pictures from number `first` on, at exact times unless they start later."""
    drawn = moving_square(12, size)
    begin_s = first / fps if start_s is None else start_s
    for number in range(first, first + count):
        pixels = with_number(drawn[number % len(drawn)], number)
        yield Captured(number, begin_s + (number - first) / fps, pixels)


def numbers_of(path: Path) -> list[int]:
    """Numbers of a recording's pictures."""
    with open_clip(path) as clip:
        return [number_in(frame.pixels) for frame in clip]


def times_of(path: Path) -> list[float]:
    """Times of a recording's pictures."""
    with open_clip(path) as clip:
        return [frame.time_s for frame in clip]
