"""What the command `demo` does, once the command line is read: everything made, then three pages opened."""

from __future__ import annotations

import contextlib
import io
import webbrowser
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from needlecoach import gathered
from needlecoach.demo.folder import built_whole
from needlecoach.demo.invent import write_cohort
from needlecoach.demo.record import score_recording, write_recording
from needlecoach.demo.scenes import Shown, shown_recordings
from needlecoach.openday import Wishes, run_replay
from needlecoach.scored import Wish
from needlecoach.standards import read_standard

STANDARD = Path(__file__).with_name("standard.toml")
TITLE = "Invented tries"
# Whose summary is opened: the advice on a blind advance is what a supervisor wants to see; else the only one.
SUMMARY_OF = "L07"
Say = Callable[[str], None]


@dataclass(frozen=True)
class Pages:
    """The three pages of a demonstration."""

    cohort: Path
    summary: Path
    replay: Path


def run_demo(out: Path, *, today: date, say: Say, quick: bool = False, browser: bool = True) -> Pages:
    """Make the demonstration in `out`, whole or not at all, and open its pages.

    Parameters
    ----------
    out : a new folder, or that of a former demonstration, which is replaced
    today : the last day of the invented cohort's eight weeks
    say : tells a line of progress
    quick : simulate one recording, not four
    browser : open the pages; their places are told in any case

    Raises
    ------
    OutputError
        When the folder can't be written, or holds anything else.
    """
    with built_whole(out) as folder:
        say("Everything shown is invented: learners, results and recordings.")
        results = folder / "results"
        written = write_cohort(results, last_day=today)
        say(f"Invented {written} results of 12 learners in 8 weeks.")
        shown = shown_recordings(quick=quick)
        summaries = _simulated(shown, folder, on=today, say=say)
        pages = Pages(
            cohort=_cohort(results, folder / "cohort", today=today, say=say),
            summary=summaries.get(SUMMARY_OF, next(iter(summaries.values()))),
            replay=_replay([path.parent for path in summaries.values()], folder / "replay", say=say),
        )
    final = Pages(*(out / path.relative_to(folder) for path in (pages.cohort, pages.summary, pages.replay)))
    _open(final, say=say, browser=browser)
    return final


def _simulated(shown: Sequence[Shown], folder: Path, *, on: date, say: Say) -> dict[str, Path]:
    """Simulate and score recordings; return each learner's summary."""
    recordings = folder / "recordings"
    recordings.mkdir()
    wish, summaries = Wish(standard=read_standard(STANDARD)), {}
    for number, one in enumerate(shown, start=1):
        say(f"Recording {number} of {len(shown)}, {one.learner}: {one.happens}. Simulating ...")
        clip = write_recording(one, recordings, on=on)
        say("  scoring ...")
        _, result = score_recording(clip, folder / "results", wish)
        summaries[one.learner] = result / "summary.html"
    return summaries


def _replay(results: Sequence[Path], out: Path, *, say: Say) -> Path:
    say("Filming the replay ...")
    with contextlib.redirect_stdout(io.StringIO()):  # it would tell a place that is moved yet
        return run_replay(results, out, Wishes(heading=TITLE), browser=False, quiet=True)


def _open(pages: Pages, *, say: Say, browser: bool) -> None:
    for title, path in (("Cohort", pages.cohort), ("Summary", pages.summary), ("Replay", pages.replay)):
        say(f"{title + ':':<9}{path}")
        if browser:
            with contextlib.suppress(webbrowser.Error):  # its place has been told
                webbrowser.open(path.resolve().as_uri())


def _cohort(results: Path, out: Path, *, today: date, say: Say) -> Path:
    say("Putting the cohort together ...")
    wish = gathered.Wish(standard=read_standard(STANDARD))
    return gathered.write_cohort([results], out, wish, today=today).page
