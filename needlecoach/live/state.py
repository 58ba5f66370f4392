"""All that a page shows of a session at one moment, as one value."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from needlecoach.live.card import Card
from needlecoach.live.words import StateWord
from needlecoach.reporting.record import plain

SCHEMA = 1


@dataclass(frozen=True)
class SourceNow:
    """The camera: `state` is opening, running, stalled, gone or ended; `words` are for a person.

    `fps` pictures come a second, `followed_fps` of them are followed; None where not known.
    """

    state: str
    words: str
    since_s: float
    size_px: tuple[int, int] | None
    fps: float | None
    followed_fps: float | None = None


@dataclass(frozen=True)
class RecordingNow:
    """What is being recorded: `state` is idle, recording or stopped; `words` are for a person."""

    state: str
    words: str
    name: str = ""


@dataclass(frozen=True)
class SetupNow:
    """The day's marks: their file's name, what they hold, and where they lie on the picture.

    `region_px` is the outline of the ultrasound picture in px of the frame, () while it is not known; `fault`
    says in one line why marks can't be used, "" when they can.
    """

    file: str = ""
    ready: bool = False
    has_target: bool = False
    target_name: str = ""
    task: str = "aspirate"
    region_px: tuple[tuple[float, float], ...] = ()
    mm_per_px: tuple[float, float] | None = None
    fault: str = ""


@dataclass(frozen=True)
class RowNow:
    """One followed frame as a page draws it: places in px of that frame, None where there is none.

    `edge_mm` is the distance of the tip to the target's outline, negative inside, `centre_mm` to its centre,
    `sd_mm` the uncertainty of the former. `target_outline_px` are points round the target. `strip` holds the
    greys along the needle from its entry on, base64 of one byte a sample, `strip_step_mm` apart, "" where
    there is none; `tip_mm` and `target_mm` say where along it tip and target's centre lie.
    """

    number: int
    time_s: float
    sight: str
    tip_px: tuple[float, float] | None
    tip_sd_mm: float | None
    entry_px: tuple[float, float] | None
    angle_deg: float | None
    target_px: tuple[float, float] | None
    target_found: bool
    target_outline_px: tuple[tuple[float, float], ...]
    centre_mm: float | None
    edge_mm: float | None
    sd_mm: float | None
    strip: str = ""
    strip_step_mm: float = 0.0
    tip_mm: float | None = None
    target_mm: float | None = None

    def record(self) -> dict[str, Any]:
        """As values that JSON can hold, under the names of the attributes; unknown is None."""
        record: dict[str, Any] = plain(self)
        return record


@dataclass(frozen=True)
class AttemptNow:
    """The attempt that runs: its number, when it began, and for how long (session's seconds)."""

    number: int
    began_s: float
    lasted_s: float


@dataclass(frozen=True)
class VisitorNow:
    """Visitor mode: the nickname of this try ("" without one), and the caution shown between tries.

    `caution` is not empty from the end of a try until somebody has said that the needle is put away (see
    `Session.next_visitor`), or the next try begins.
    """

    nickname: str
    caution: str


@dataclass(frozen=True)
class Warned:
    """A warning that holds now: `key` for programs, `text` for a person."""

    key: str
    text: str


@dataclass(frozen=True)
class SessionState:
    """All that a page shows at one moment.

    Attributes
    ----------
    number : of the newest frame that was followed, from 0; -1 before the first
    time_s : its time in the session
    word : the large plain state
    source, recording, setup : the camera, the recorder, the day's marks
    row : the newest followed frame; None while none is followed
    attempt : the one that runs; None between attempts
    card : of the latest attempt; None before the first, and when a visitor's was cleared
    history : cards of the day's attempts, the latest first, the one in `card` among them
    warnings : what holds now and does not stop the session
    visitor : None unless in visitor mode
    version : rises with every change other than a new frame, so that a page need not compare
    """

    number: int
    time_s: float
    word: StateWord
    source: SourceNow
    recording: RecordingNow
    setup: SetupNow
    row: RowNow | None = None
    attempt: AttemptNow | None = None
    card: Card | None = None
    history: tuple[Card, ...] = ()
    warnings: tuple[Warned, ...] = ()
    visitor: VisitorNow | None = None
    learner: str | None = None
    version: int = 0

    def record(self) -> dict[str, Any]:
        """As values that JSON can hold: `schema`, and the attributes under their own names, nested alike.

        `word` is {"key", "text", "help"}; unknown values are None (null), tuples lists.
        """
        record: dict[str, Any] = {"schema": SCHEMA, **plain(self)}
        return record
