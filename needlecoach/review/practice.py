"""What the live page needs of a session: pictures as they are followed, its state, what it can be asked."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Protocol

from needlecoach.clips.reader import ColourImage


class Row(Protocol):
    """One followed picture as a page draws it; places in px of that picture, None where there is none."""

    @property
    def number(self) -> int: ...
    @property
    def time_s(self) -> float: ...
    @property
    def sight(self) -> str: ...
    @property
    def tip_mm(self) -> float | None: ...
    @property
    def strip(self) -> str: ...
    @property
    def strip_step_mm(self) -> float: ...

    def record(self) -> dict[str, Any]:
        """As values that JSON can hold."""
        ...


class Setup(Protocol):
    """What holds for the day; `region_px` are corners of the ultrasound picture, none before it is known."""

    @property
    def region_px(self) -> Sequence[tuple[float, float]]: ...


class State(Protocol):
    """The session at one moment; `version` rises with attempts, cards, marks, not with pictures."""

    @property
    def version(self) -> int: ...
    @property
    def word(self) -> object: ...
    @property
    def row(self) -> Row | None: ...
    @property
    def setup(self) -> Setup: ...

    def record(self) -> dict[str, Any]:
        """As values that JSON can hold."""
        ...


class Shown(Protocol):
    """A picture as it was captured, blue-green-red, and the session at it."""

    @property
    def number(self) -> int: ...
    @property
    def time_s(self) -> float: ...
    @property
    def pixels(self) -> ColourImage: ...
    @property
    def state(self) -> State: ...


class Practice(Protocol):
    """A session that goes on by itself; everything may be asked from any thread."""

    @property
    def state(self) -> State:
        """The session now, also while no pictures come."""
        ...

    def now_s(self) -> float:
        """Time by the clock that stamps the pictures."""
        ...

    def wait_newer(self, than: int, timeout_s: float) -> Shown | None:
        """The newest picture that was followed, once its number is above `than`; None when none comes."""
        ...

    def rows_since(self, number: int) -> Sequence[Row]:
        """Rows of the attempt that runs, of pictures after this one."""
        ...

    def still(self) -> Path:
        """Save the picture of now as a clip to be marked; NeedlecoachError when there is none."""
        ...

    def take_setup(self, clip: Path) -> None:
        """Take the marks beside this clip as the day's from now on."""
        ...

    def end_attempt(self) -> None:
        """End the attempt that is under way, as if the needle had left."""
        ...

    def forget_try(self) -> None:
        """Drop the attempt that is under way, or else the last one, with all that was saved of it."""
        ...

    def next_visitor(self) -> None:
        """Take in that the needle is put away; the next visitor may begin."""
        ...

    def set_nickname(self, text: str) -> None:
        """Take a visitor's nickname, kept in memory until the try is over."""
        ...
