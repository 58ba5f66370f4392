"""A session that is drawn, for the pages' tests: one attempt after the other, no camera, no tracker."""

from __future__ import annotations

import base64
import threading
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from needlecoach.live.card import Card, CardLine
from needlecoach.live.shown import Shown, Slot
from needlecoach.live.state import (
    AttemptNow,
    RecordingNow,
    RowNow,
    SessionState,
    SetupNow,
    SourceNow,
    VisitorNow,
)
from needlecoach.live.words import state_word

MM_PER_PX = 0.1
CENTRE_PX, RADIUS_PX = (400.0, 260.0), 40.0
# Seconds of one round: out, going in, at rest, coming back, out.
IN_S, DEEP_S, BACK_S, OUT_S, ROUND_S = 1.0, 3.0, 4.0, 5.0, 8.0
SIZE_PX = (640, 480)


class FakeSession:
    """Plays drawn rows at a rate of its own, with the interface of `needlecoach.live.session.Session`."""

    def __init__(self, *, fps: float = 30.0, visitor: bool = False, folder: Path | None = None) -> None:
        self.slot = Slot()
        self.called: list[str] = []
        self.nick = ""
        self.visitor = visitor
        self.folder = folder
        self.fps = fps
        self._rows: list[RowNow] = []
        self._stop = threading.Event()
        self._cards: tuple[Card, ...] = ()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self.state = fake_state(0, 0.0, ())

    def start(self) -> None:
        self._thread.start()

    def close(self) -> None:
        self._stop.set()
        self.slot.close()
        if self._thread.ident is not None:
            self._thread.join()

    def wait_newer(self, than: int, timeout_s: float) -> Shown | None:
        return self.slot.wait_newer(than, timeout_s)

    def rows_since(self, number: int) -> tuple[RowNow, ...]:
        return tuple(row for row in list(self._rows) if row.number > number)

    def end_attempt(self) -> None:
        self.called.append("end_attempt")

    def forget_try(self) -> None:
        self.called.append("forget_try")
        self._cards = self._cards[1:]

    def next_visitor(self) -> None:
        self.called.append("next_visitor")

    def set_nickname(self, text: str) -> None:
        self.called.append("set_nickname")
        self.nick = text

    def still(self) -> Path:
        """Path of a short clip of the live picture; here one that was given."""
        self.called.append("still")
        assert self.folder is not None
        return self.folder

    def take_setup(self, clip: Path) -> None:
        self.called.append(f"take_setup {clip.name}")

    def play(self, number: int) -> Shown:
        """Draw one frame and show it."""
        time_s = number / self.fps
        within_s = time_s % ROUND_S
        row = fake_row(number, time_s)
        if row.sight == "none":
            self._rows = []
        else:
            self._rows.append(row)
        attempt_number = int(time_s // ROUND_S) + 1
        if within_s > OUT_S + 1 and len(self._cards) < attempt_number:
            self._cards = (fake_card(attempt_number), *self._cards)
        if within_s > OUT_S + 2 and self._cards and self._cards[0].kind == "live":
            self._cards = (checked(self._cards[0]), *self._cards[1:])
        state = fake_state(number, time_s, self._cards, row)
        if row.sight != "none":
            state = replace(
                state, attempt=AttemptNow(attempt_number, time_s - within_s + IN_S, within_s - IN_S)
            )
        if self.visitor:
            state = replace(state, visitor=VisitorNow(self.nick, ""))
        self.state = state
        shown = Shown(number, time_s, fake_picture(row), state)
        self.slot.put(shown)
        return shown

    def _run(self) -> None:
        began, number = time.monotonic(), 0
        while not self._stop.is_set():
            number += 1
            self.play(number)
            self._stop.wait(max(0.0, began + number / self.fps - time.monotonic()))


def fake_row(number: int, time_s: float) -> RowNow:
    """A needle at 30 degrees that goes to the target's rim, hides on the way back, and leaves."""
    within_s = time_s % ROUND_S
    along = np.interp(within_s, [IN_S, DEEP_S, BACK_S, OUT_S], [0.0, 1.0, 1.0, 0.0])
    entry = np.array([120.0, 120.0])
    deepest = np.array([CENTRE_PX[0] - RADIUS_PX + 8, CENTRE_PX[1] - 23.0])
    tip = entry + along * (deepest - entry)
    there = IN_S < within_s < OUT_S
    hidden = there and BACK_S < within_s < BACK_S + 0.6
    lost = there and BACK_S + 0.3 < within_s < BACK_S + 0.6
    turns = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    outline = [(CENTRE_PX[0] + RADIUS_PX * np.cos(t), CENTRE_PX[1] + RADIUS_PX * np.sin(t)) for t in turns]
    centre_mm = float(np.hypot(*(tip - CENTRE_PX))) * MM_PER_PX
    grey = np.where(np.arange(200) < along * 150, 180, 40).astype(np.uint8)
    return RowNow(
        number=number,
        time_s=time_s,
        sight="none" if not there else "lost" if lost else "inferred" if hidden else "seen",
        tip_px=(float(tip[0]), float(tip[1])) if there else None,
        tip_sd_mm=(3.5 if lost else 1.0 if hidden else 0.3) if there else None,
        entry_px=(120.0, 120.0) if there else None,
        angle_deg=26.0 if there else None,
        target_px=CENTRE_PX,
        target_found=True,
        target_outline_px=tuple((float(x), float(y)) for x, y in outline),
        centre_mm=centre_mm if there else None,
        edge_mm=centre_mm - RADIUS_PX * MM_PER_PX if there else None,
        sd_mm=(3.5 if lost else 1.0 if hidden else 0.4) if there else None,
        strip=base64.b64encode(grey.tobytes()).decode() if there else "",
        strip_step_mm=0.2 if there else 0.0,
        tip_mm=float(along) * 30 if there else None,
        target_mm=31.0 if there else None,
    )


def fake_picture(row: RowNow) -> np.ndarray:
    """Picture of that row, (480, 640, 3)."""
    picture = np.full((SIZE_PX[1], SIZE_PX[0], 3), 50, np.uint8)
    cv2.circle(picture, (int(CENTRE_PX[0]), int(CENTRE_PX[1])), int(RADIUS_PX), (20, 20, 20), -1)
    if row.tip_px is not None and row.entry_px is not None:
        ends = [tuple(int(v) for v in place) for place in (row.entry_px, row.tip_px)]
        cv2.line(picture, ends[0], ends[1], (230, 230, 230), 2)
    return picture


def fake_card(number: int) -> Card:
    """A card with invented figures."""
    lines = (
        CardLine("closest_centre_mm", "Closest to the centre", "3.2 ± 0.5 mm", 3.2, 0.5, "mm"),
        CardLine("closest_edge_mm", "Closest to the outline", "0.8 ± 0.5 mm inside", -0.8, 0.5, "mm"),
        CardLine("passes", "Passes", "1", 1, None, "count"),
        CardLine("blind_advance_mm", "Advanced without seeing the tip", "2.0 ± 0.6 mm", 2.0, 0.6, "mm"),
        CardLine("tip_visibility_share", "Tip visible", "85 %", 0.85, None, "share"),
        CardLine("duration_s", "Time with the needle in", "4.0 s", 4.0, None, "s"),
    )
    return Card(
        number=number,
        name=f"L01-20261126-1000{number:02d}",
        kind="live",
        fate="checking",
        outcome="hit",
        outcome_text="Hit",
        lines=lines,
        at="10:00",
        learner="L01",
    )


def checked(card: Card) -> Card:
    """The same card with hindsight: one figure differs."""
    return replace(
        card,
        kind="checked",
        fate="done",
        folder=card.name,
        differences=("Advanced without seeing the tip: 4.1 ± 0.6 mm by the recording, 2.0 ± 0.6 mm live.",),
    )


def fake_state(
    number: int, time_s: float, cards: tuple[Card, ...], row: RowNow | None = None
) -> SessionState:
    """A state with drawn content."""
    sight = "none" if row is None else row.sight
    key = {"none": "ready", "seen": "needle_in", "inferred": "tip_hidden", "lost": "tip_lost"}[sight]
    return SessionState(
        number=number,
        time_s=time_s,
        word=state_word(key),  # type: ignore[arg-type]
        source=SourceNow("running", "640 x 480 px, 30.0 pictures a second", 0.0, SIZE_PX, 30.0),
        recording=RecordingNow("idle", "Nothing is recorded between attempts."),
        setup=SetupNow(
            file="setup.marks.json",
            ready=True,
            has_target=True,
            target_name="cyst",
            region_px=((100.0, 40.0), (540.0, 40.0), (540.0, 440.0), (100.0, 440.0)),
            mm_per_px=(MM_PER_PX, MM_PER_PX),
        ),
        row=row,
        card=cards[0] if cards else None,
        history=cards,
        learner="L01",
        version=len(cards),
    )
