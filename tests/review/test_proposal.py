"""What is proposed is told so that a page can put it into a sentence of its own."""

from pathlib import Path

from needlecoach.errors import UnscorableError
from needlecoach.model import Marks
from needlecoach.review import proposal


def test_a_reason_comes_without_its_full_stop(monkeypatch):
    def nothing(*_, **__):
        raise UnscorableError("the recording has 2 frames: give a longer recording.")

    monkeypatch.setattr(proposal, "inspect_clip", nothing)
    found = proposal.propose(Path("L01.mp4"), Marks(), screen=None, fps=None)
    assert found["region"] is None
    assert found["region_problem"] == "the recording has 2 frames: give a longer recording"
