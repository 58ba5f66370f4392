"""The day's attempts: each recorded, scored at once, scored again with hindsight, and told as a card."""

from __future__ import annotations

import contextlib
import math
import threading
import time
import traceback
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from needlecoach.errors import NeedlecoachError
from needlecoach.live.attempts import Ended
from needlecoach.live.card import Card
from needlecoach.live.entry import Entry, checked_card, why_words
from needlecoach.live.figures import Verdict, verdict_of
from needlecoach.live.following import Followed
from needlecoach.live.hindsight import Hindsight, Order, Scorer
from needlecoach.live.kept import KeptRows
from needlecoach.live.laid import Laid
from needlecoach.live.livetrack import live_card, live_table, write_live_table
from needlecoach.live.moved import moved_marks
from needlecoach.live.saving import (
    ENDING,
    LIVE_TRACK,
    Recorder,
    Saving,
    recordings_folder,
    remove_results,
    unused_name,
)
from needlecoach.marks import MarksFile
from needlecoach.scored import Wish

# An attempt's recording begins so long before it, as a needle may be told some seconds late on a busy machine
# and scoring wants the picture without it, and goes on so long after it has left.
BEFORE_S, AFTER_S = 5.0, 2.6
# Two attempts in quick succession: the recording of the second begins so long after the first has left, that
# of the first goes on at least as long, and ends so long before the second needle is told, as that comes a
# little after it is in.
BETWEEN_S, TOLD_LATE_S = 0.5, 0.8
MOST_CARDS = 200
NOT_SAVED = "It was not recorded: {why}"
PART_SAVED = "Its recording stops before it ended, as there was no room on the disk; the live score stands."


@dataclass(frozen=True)
class Book:
    """Where and how the day's attempts are kept.

    `wall` tells the time on the wall, which names files and nothing else. `scored` is called with each
    results folder once it is written, from a thread beside the follower's; with `visitor` nothing of a person
    is written.
    """

    out: Path
    wish: Wish
    learner: str | None = None
    visitor: bool = False
    scored: Callable[[Path], None] | None = None
    wall: Callable[[], datetime] = field(default=datetime.now)


class DayBook:
    """Keeps the attempts; nothing of it makes the one wait who follows the picture.

    Parameters
    ----------
    kept : where the target lay of late
    changed : called from any thread when a card has changed
    """

    def __init__(
        self, book: Book, recorder: Recorder, scorer: Scorer, kept: KeptRows, changed: Callable[[], None]
    ) -> None:
        self.book, self._recorder, self._scorer = book, recorder, scorer
        self._kept, self._changed = kept, changed
        self._hand = ThreadPoolExecutor(max_workers=1, thread_name_prefix="needlecoach-book")
        self._lock = threading.Lock()
        self._cards: list[Card] = []
        self._open: list[Entry] = []
        self._n_begun = 0
        self._ended_s = -math.inf
        self.running: Entry | None = None
        self.trouble = ""

    @property
    def cards(self) -> tuple[Card, ...]:
        """Cards of the day, the latest first."""
        with self._lock:
            return tuple(self._cards)

    def begin(self, at_s: float, laid: Laid, of_day: MarksFile | None) -> None:
        """An attempt has begun; the one before is brought to its end."""
        for entry in self._open:
            if entry.ended is not None:
                finish_s = max(at_s - TOLD_LATE_S, entry.ended.at_s + BETWEEN_S)
                entry.finish_s = min(entry.finish_s, finish_s)
        # A recording that reaches back into the one before would score its end again.
        before_s = self._ended_s
        wall, self._n_begun = self.book.wall(), self._n_begun + 1
        learner = None if self.book.visitor else self.book.learner or laid.given.learner
        name = unused_name(self.book.out, learner or "try", wall)
        entry = Entry(self._n_begun, name, f"{wall:%H:%M}", laid, of_day, at_s, learner)
        self.running = entry
        self._open.append(entry)
        self._do(lambda: self._save(entry, max(at_s - BEFORE_S, before_s + BETWEEN_S)))

    def end(self, ended: Ended, rows: tuple[Followed, ...], now_s: float) -> None:
        """The running attempt has ended: its live card follows at once."""
        entry, self.running = self.running, None
        if entry is None:
            return
        entry.ended, entry.rows = ended, rows
        self._ended_s = ended.at_s
        entry.finish_s = ended.at_s + AFTER_S if ended.why == "left" else now_s
        self._do(lambda: self._score_live(entry))
        self.tick(now_s)

    def tick(self, now_s: float) -> None:
        """Let time pass: recordings end when their time has come."""
        for entry in [one for one in self._open if one.finish_s <= now_s]:
            self._finish(entry, entry.finish_s)

    def forget(self) -> bool:
        """Take the running attempt, or else the latest one, away with all files of it; tell which it was."""
        entry, self.running = self.running, None
        if entry is not None:
            entry.forgotten = True
            self._open.remove(entry)
            self._do(lambda: self._drop(entry))
            return True
        with self._lock:
            latest = self._cards.pop(0) if self._cards else None
        for one in self._open if latest is not None else []:
            if latest is not None and one.name == latest.name:
                one.forgotten = True
        if latest is not None:
            self._do(lambda: self._remove(latest))
            self._changed()
        return False

    def clear(self) -> None:
        """Show no cards any more; files stay."""
        with self._lock:
            self._cards = []

    def close(self, now_s: float, patience_s: float) -> None:
        """Finish all recordings, then wait a while for their scores; the running attempt has ended before."""
        for entry in list(self._open):
            self._finish(entry, min(entry.finish_s, now_s))
        until_s = time.monotonic() + patience_s
        while self._open and time.monotonic() < until_s:
            time.sleep(0.05)
        self._hand.shutdown(wait=True)

    def _finish(self, entry: Entry, at_s: float) -> None:
        if not entry.finishing:
            entry.finishing = True
            self._do(lambda: self._finish_now(entry, at_s))

    def _do(self, work: Callable[[], None]) -> None:
        """Have something done in turn, beside the one who follows; a defect is told and ends nothing."""

        def safely() -> None:
            try:
                work()
            except Exception:  # a defect of ours: its traceback is kept, the day goes on
                traceback.print_exc()
                self.trouble = "An error of this program, see the terminal; please tell of it."
            self._changed()

        with contextlib.suppress(RuntimeError):  # closed meanwhile: what is recorded is kept all the same
            self._hand.submit(safely)

    def _save(self, entry: Entry, from_s: float) -> None:
        """Write the marks, then begin the recording."""
        try:
            folder = recordings_folder(self.book.out)
            path = folder / f"{entry.name}{ENDING}"
            entry.saving = Saving(self._recorder, path, lambda at_s: self._marks(entry, at_s), from_s)
        except (NeedlecoachError, OSError) as problem:
            entry.trouble = NOT_SAVED.format(why=" ".join(str(problem).split()))

    def _marks(self, entry: Entry, at_s: float) -> MarksFile:
        place = self._kept.place_at(at_s)
        return moved_marks(
            entry.laid,
            entry.of_day,
            None if place is None else place.target_px,
            None if place is None else place.view,
            learner=entry.learner,
            visitor=self.book.visitor,
            date=f"{self.book.wall():%Y-%m-%d}",
        )

    def _score_live(self, entry: Entry) -> None:
        """Make the card that is shown at once."""
        scorecard = live_card(entry.laid, entry.rows)
        verdict = verdict_of(scorecard)
        entry.table = live_table(scorecard, entry.rows, self._first(entry))
        entry.rows = ()
        notes = (*why_words(entry), *verdict.notes, *([entry.trouble] if entry.trouble else []))
        card = Card(
            number=entry.number,
            name=entry.name,
            kind="live",
            fate="live only" if entry.saving is None else "checking",
            outcome=verdict.outcome,
            outcome_text=verdict.outcome_text,
            lines=verdict.lines,
            notes=notes,
            at=entry.at,
            learner=entry.learner,
        )
        with self._lock:
            if not entry.forgotten:
                self._cards = [card, *self._cards][:MOST_CARDS]

    def _first(self, entry: Entry) -> tuple[int, float] | None:
        """Number and time of the recording's first frame."""
        first_s = math.nan if entry.saving is None else entry.saving.first_s
        number = self._kept.number_at(first_s) if math.isfinite(first_s) else None
        return None if number is None else (number, first_s)

    def _finish_now(self, entry: Entry, at_s: float) -> None:
        """End the recording and have it scored."""
        path = None if entry.saving is None else entry.saving.end(at_s)
        if entry.forgotten:
            self._drop(entry)
        elif path is None:
            self._settle(entry, notes=(entry.trouble or NOT_SAVED.format(why="nothing could be written."),))
        elif entry.saving is not None and entry.ended and not entry.saving.holds(entry.ended.at_s):
            self._settle(entry, notes=(PART_SAVED,))
        else:
            order = Order(path, self.book.out, entry.name, self.book.wish, _within_s(entry))
            self._scorer.submit(order, lambda found: self._do(lambda: self._look_back(entry, found)))

    def _look_back(self, entry: Entry, found: Hindsight) -> None:
        """Put the recording's score in the live one's place."""
        if entry.forgotten:
            self._drop(entry)
            return
        if found.verdict is None:
            self._settle(entry, notes=(found.fault,))
            return
        folder = self.book.out / entry.name
        if entry.table is not None:
            with contextlib.suppress(OSError):
                write_live_table(entry.table, folder / LIVE_TRACK)
        self._settle(entry, found.verdict)
        if self.book.scored is not None:
            try:
                self.book.scored(folder)
            except NeedlecoachError as problem:
                self.trouble = str(problem)

    def _settle(self, entry: Entry, verdict: Verdict | None = None, notes: tuple[str, ...] = ()) -> None:
        """Change an attempt's card for the last time."""
        if entry in self._open:
            self._open.remove(entry)
        entry.table = None
        with self._lock:
            self._cards = [
                checked_card(one, verdict, notes) if one.name == entry.name else one for one in self._cards
            ]

    def _drop(self, entry: Entry) -> None:
        if entry in self._open:
            self._open.remove(entry)
        if entry.saving is not None:
            entry.saving.drop()
        remove_results(self.book.out, entry.name)

    def _remove(self, card: Card) -> None:
        """Take the files of an attempt away that was finished."""
        folder = self.book.out / "recordings"
        if not any(one.name == card.name for one in self._open):
            for path in (folder / f"{card.name}{ENDING}", folder / f"{card.name}.marks.json"):
                path.unlink(missing_ok=True)
            remove_results(self.book.out, card.name)


def _within_s(entry: Entry) -> tuple[float, float] | None:
    """When the attempt was, in the time of its recording; None where that is not known."""
    if entry.saving is None or entry.ended is None or not math.isfinite(entry.saving.first_s):
        return None
    return entry.began_s - entry.saving.first_s, entry.ended.at_s - entry.saving.first_s
