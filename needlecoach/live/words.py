"""What a session says of itself: each state in large plain words, and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

StateKey = Literal[
    "opening",
    "no_picture",
    "ended",
    "marks_needed",
    "settling",
    "cant_settle",
    "screen_out_of_view",
    "too_dark",
    "frozen",
    "sharps",
    "ready",
    "needle_in",
    "tip_hidden",
    "tip_lost",
]


@dataclass(frozen=True)
class StateWord:
    """A state: `key` for programs, `text` for the eye from afar, `help` what to do or what it means."""

    key: StateKey
    text: str
    help: str = ""

    def record(self) -> dict[str, str]:
        """As values that JSON can hold: key, text, help."""
        return {"key": self.key, "text": self.text, "help": self.help}


_TEXTS: dict[StateKey, tuple[str, str]] = {
    "opening": ("Opening the camera", "The first picture takes a few seconds."),
    "no_picture": ("No picture", "Look at the camera's cable; it is tried again every second."),
    "ended": ("The picture has ended", "Start it again; what was recorded is kept."),
    "marks_needed": ("Mark the target", "Press “Mark on this picture”, once for the day."),
    "settling": ("Getting ready", "The marks are laid on the picture."),
    "cant_settle": ("The marks don’t fit", "Press “Mark on this picture” and mark again."),
    "screen_out_of_view": (
        "Screen out of view",
        "Turn the camera so that it sees the scanner’s whole screen, or clear the view.",
    ),
    "too_dark": ("Too dark", "Switch the light or the scanner’s screen on, or uncover the camera."),
    "frozen": ("The picture stands still", "Unfreeze the scanner."),
    "sharps": ("Sharps first", ""),
    "ready": ("Ready", "Bring the needle in."),
    "needle_in": ("Needle in", ""),
    "tip_hidden": ("Tip hidden", "It is drawn where it must be; find it before you go on."),
    "tip_lost": ("Tip lost: hold still", "Move the probe, not the needle, until the tip shows."),
}


def state_word(key: StateKey, help_text: str | None = None) -> StateWord:
    """Return a state in words; `help_text` goes before the usual help."""
    text, usual = _TEXTS[key]
    return StateWord(key, text, usual if help_text is None else help_text)
