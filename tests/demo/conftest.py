"""One quick demonstration for all tests of what is made of it: a simulated recording takes seconds."""

import webbrowser
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pytest

from needlecoach.demo import show
from needlecoach.model import Scorecard

LAST_DAY = date(2026, 6, 28)


@dataclass(frozen=True)
class Made:
    """A quick demonstration: its folder and pages, what was said and opened, the recording's scorecard."""

    out: Path
    pages: show.Pages
    said: list[str]
    opened: list[str]
    card: Scorecard


@pytest.fixture(scope="session")
def made(tmp_path_factory) -> Made:
    out, said, opened, cards = tmp_path_factory.mktemp("made") / "demo", [], [], []
    score = show.score_recording

    def scored(*given, **named):
        cards.append(score(*given, **named))
        return cards[-1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(webbrowser, "open", opened.append)
        patch.setattr(show, "score_recording", scored)
        pages = show.run_demo(out, today=LAST_DAY, say=said.append, quick=True)
    return Made(out, pages, said, opened, cards[0][0])
