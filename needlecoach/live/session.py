"""A live session: camera in, running score out. Composes the steps beside it; pages read its state."""

from __future__ import annotations

import threading
import traceback
from collections.abc import Callable
from pathlib import Path

from needlecoach.clips.capture import Captured
from needlecoach.errors import ClipError
from needlecoach.live.attempts import AttemptWatch, Began, Event, Why
from needlecoach.live.daybook import Book, DayBook
from needlecoach.live.dayssetup import DaysSetup
from needlecoach.live.following import Followed, FollowerOf, Following, forward
from needlecoach.live.hindsight import Scorer
from needlecoach.live.kept import KeptRows
from needlecoach.live.ports import LiveRecorder, Source, recording_now, source_now
from needlecoach.live.saving import without_results
from needlecoach.live.saying import SteadySight, warnings_of, word_of
from needlecoach.live.setup import Setup
from needlecoach.live.shown import Shown, Slot
from needlecoach.live.state import AttemptNow, RowNow, SessionState
from needlecoach.live.visitor import Visitor
from needlecoach.scored import Wish
from needlecoach.tracking.beside import another_process

# The follower looks at the clock so often where no picture comes.
TICK_S = 0.1
# Of pictures that came while one was followed the newest three are followed, those before the newest while
# they are no older than this: what a slow step kept waiting is made up for at once.
SPARE_S = 0.1
# Looks at what was stand back behind following what is: both want the same cores.
LOOKS_POLITENESS = 10
# What is being scored when the session ends is waited for so long; its recording is kept in any case.
PATIENCE_S = 30.0


class Session:
    """Follows the needle in a camera's picture until it is closed; `start` it, then `close` it.

    Parameters
    ----------
    source : Source
        The camera, open; whoever opened it closes it.
    recorder : LiveRecorder
        Sees every picture of that camera; the same.
    setup : Setup
        The day's marks, which may be missing yet; its options' learner is that of the attempts.
    out : Path
        Folder for the results; recordings lie in `recordings` in it.
    wish : Wish
        How attempts are scored.
    visitor : bool
        Visitor mode: no code of a learner, no date and no notes are kept, cards are cleared after each try.
    scored : callable, optional
        Called with the results folder of each attempt once its recording was scored.
    follower_of, scorer
        Make the causal tracker, and score recordings; for tests.
    """

    def __init__(
        self,
        source: Source,
        recorder: LiveRecorder,
        *,
        setup: Setup,
        out: Path,
        wish: Wish,
        visitor: bool = False,
        scored: Callable[[Path], None] | None = None,
        follower_of: FollowerOf = forward,
        scorer: Scorer | None = None,
    ) -> None:
        self._source, self._recorder, self._out = source, recorder, out
        self._visitor = Visitor() if visitor else None
        self._beside = another_process(LOOKS_POLITENESS)
        self._follower_of = follower_of
        self._kept, self._watch, self._sight = KeptRows(), AttemptWatch(), SteadySight()
        self._slot, self._scorer = Slot(), scorer or Scorer()
        book = Book(out, wish, setup.options.learner, visitor, scored)
        self._book = DayBook(book, recorder, self._scorer, self._kept, self._has_changed)
        self._setup = DaysSetup(setup, book, recorder, source, self._has_changed)
        self._following: Following | None = None
        self._row: RowNow | None = None
        self._number, self._version = -1, 0
        self._lock = threading.RLock()  # between the follower and those who press a button
        self._stop = threading.Event()
        self._left_over = len(without_results(out))
        self._thread = threading.Thread(target=self._run, name="needlecoach-live", daemon=True)

    def start(self) -> None:
        """Begin to follow, on a thread of its own."""
        self._thread.start()

    def close(self, patience_s: float = PATIENCE_S) -> None:
        """End the attempt that runs, keep all recordings, wait a while for scores; safe to call twice."""
        if self._stop.is_set():
            return
        self._stop.set()
        self._slot.close()
        if self._thread.ident is not None:
            self._thread.join()
        with self._lock:
            self._end_now("closed")
        self._book.close(self._source.now_s(), patience_s)
        self._scorer.close()
        self._setup.close()
        if self._following is not None:
            self._following.close()
        self._beside.shutdown(wait=False, cancel_futures=True)

    def now_s(self) -> float:
        """The session's time, by a clock that never steps back."""
        return self._source.now_s()

    @property
    def state(self) -> SessionState:
        """All that a page shows at this moment, whether or not pictures come."""
        with self._lock:
            return self._state()

    def wait_newer(self, than: int, timeout_s: float) -> Shown | None:
        """Wait for a frame of a higher number (-1 takes any); None when none came in that time."""
        return self._slot.wait_newer(than, timeout_s)

    def rows_since(self, number: int) -> tuple[RowNow, ...]:
        """Rows after a frame of the attempt that runs, or of the last one; without the target's outline."""
        return self._kept.drawn_since(number)

    def end_attempt(self) -> None:
        """End the attempt that runs; the next begins once the needle has been out."""
        with self._lock:
            self._end_now("ended by hand")

    def forget_try(self) -> None:
        """Take the attempt that runs, or else the latest one, away with its recording and results."""
        with self._lock:
            if self._book.forget():
                self._watch.end(self.now_s(), "ended by hand")
            self._kept.clear_drawn()
            if self._visitor is not None:
                self._visitor.clear()
            self._has_changed()

    def next_visitor(self) -> None:
        """The needle is put away: nothing is shown any more of the visitor before."""
        with self._lock:
            if self._visitor is not None:
                self._visitor.clear()
                self._book.clear()
                self._kept.clear_drawn()
            self._has_changed()

    def set_nickname(self, text: str) -> None:
        """Call the visitor whose turn it is by a nickname, which is kept in no file."""
        with self._lock:
            if self._visitor is not None:
                if self._visitor.is_between:
                    self.next_visitor()
                self._visitor.set_nickname(text)
            self._has_changed()

    def still(self) -> Path:
        """Keep the live picture as a short clip to mark on; the marks that hold now lie beside it.

        Raises
        ------
        ClipError
            When there is no picture.
        OutputError
            When it can't be written.
        """
        if self._source.state.kind != "running":
            raise ClipError("There is no live picture to mark on; see to the camera first.")
        with self._lock:
            laid = None if self._following is None else self._following.laid
        return self._setup.still(laid, self._kept.place_at(self.now_s()))

    def take_setup(self, clip: Path) -> None:
        """Take the marks beside a still as the day's setup; what is wrong with them the state tells."""
        self._setup.take(clip)

    def _run(self) -> None:
        than = -1
        while not self._stop.is_set():
            captured = self._source.wait_newer(than, TICK_S, spare_s=SPARE_S)
            try:
                with self._lock:
                    self._pick_up()
                    if captured is not None:
                        than = captured.number
                        self._take(captured)
                    else:
                        self._wait()
            except Exception:  # a defect of ours: its traceback is kept, the session goes on
                traceback.print_exc()

    def _pick_up(self) -> None:
        """Follow by marks that were laid on the picture meanwhile."""
        self._setup.look()
        laid = self._setup.take_laid()
        if laid is None:
            return
        self._end_now("ended by hand")
        if self._following is not None:
            self._following.close()
        self._following = Following(laid, self._follower_of, self._beside)
        self._sight.forget()

    def _take(self, captured: Captured) -> None:
        """Follow one picture and show it."""
        self._number, following = captured.number, self._following
        self._kept.note(captured.number, captured.time_s)
        followed: Followed | None = None
        if following is not None and following.fits(captured.pixels):
            followed = following.see(captured.number, captured.time_s, captured.pixels)
        elif following is not None:
            self._end_now("interrupted")
        self._row = None if followed is None else followed.now
        if followed is not None:
            row = followed.row
            self._kept.add(followed, running=self._watch.began_s is not None)
            self._sight.see(row.time_s, row.sight)
            self._act(self._watch.see(row.time_s, row.needle_present), captured.time_s)
        else:
            self._wait()
        self._book.tick(captured.time_s)
        self._slot.put(Shown(captured.number, captured.time_s, captured.pixels, self._state()))

    def _wait(self) -> None:
        """Let time pass without a followed picture."""
        now_s = self.now_s()
        if self._source.state.kind == "ended":
            self._end_now("interrupted")
        if self._source.state.kind != "running":
            self._row = None
        self._act(self._watch.tick(now_s), now_s)
        self._book.tick(now_s)

    def _act(self, events: list[Event], now_s: float) -> None:
        following = self._following
        for event in events:
            if isinstance(event, Began):
                if following is None:
                    continue
                if self._visitor is not None and self._visitor.is_between:
                    self.next_visitor()
                self._kept.begin(event.at_s)
                self._book.begin(event.at_s, following.laid, self._setup.file)
            else:
                self._book.end(event, self._kept.take(), now_s)
                if self._visitor is not None:
                    self._visitor.try_ended()
            self._has_changed()

    def _end_now(self, why: Why) -> None:
        self._act(self._watch.end(self.now_s(), why, bar=why == "ended by hand"), self.now_s())

    def _has_changed(self) -> None:
        self._version += 1

    def _state(self) -> SessionState:
        source, following, cards = self._source.state, self._following, self._book.cards
        entry, now_s = self._book.running, self.now_s()
        visitor = None if self._visitor is None else self._visitor.now()
        followed_fps = None if following is None else following.fps
        size_fault = "" if following is None else self._setup.size_fault(source.size_px, following.laid)
        return SessionState(
            number=self._number,
            time_s=now_s,
            word=word_of(
                source.kind,
                source.words,
                laying=self._setup.is_laying,
                is_laid=following is not None,
                setup_fault=self._setup.fault or size_fault,
                picture_fault="" if following is None else following.fault,
                sight=self._sight.said if self._row is not None else None,
                caution="" if visitor is None else visitor.caution,
            ),
            source=source_now(source, followed_fps),
            recording=recording_now(self._recorder.state, "" if entry is None else entry.name),
            setup=self._setup.now(following, size_fault),
            row=self._row,
            attempt=None
            if entry is None
            else AttemptNow(entry.number, entry.began_s, max(now_s - entry.began_s, 0.0)),
            card=cards[0] if cards else None,
            history=cards if self._visitor is None else cards[:1],
            warnings=warnings_of(
                recording=self._recorder.state.words,
                fps=source.fps if source.kind == "running" else 0.0,
                followed_fps=followed_fps,
                trouble=self._book.trouble,
                n_left_over=self._left_over,
                n_waiting=self._scorer.waiting,
            ),
            visitor=visitor,
            learner=None if self._visitor is not None else self._setup.learner,
            version=self._version,
        )
