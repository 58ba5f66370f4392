"""What a process does with one clip: no file of results is written here."""

from __future__ import annotations

import tempfile
import traceback
from pathlib import Path

from needlecoach.batch.before import scored_before
from needlecoach.batch.values import Failed, Job, Report, Result, Scored
from needlecoach.errors import NeedlecoachError, OutputError, UnscorableError
from needlecoach.model import Scorecard
from needlecoach.reporting.page import Media
from needlecoach.reporting.record import versions
from needlecoach.reporting.results import media_of
from needlecoach.scored import scored_card

NO_MEMORY = "there was not memory enough for it; close other programs, or score fewer at once with --jobs 1."
# The replay is drawn after the clip was followed, and takes about as long.
_FOLLOWING_SHARE = 0.5


def work(job: Job, report: Report | None = None) -> Result:
    """Score a clip and make its pictures, unless its results are there; whatever goes wrong is a result."""
    try:
        return scored_before_or_now(job, report or (lambda _: None))
    except NeedlecoachError as problem:
        return Failed(" ".join(str(problem).split()), unscorable=isinstance(problem, UnscorableError))
    except MemoryError:
        return Failed(NO_MEMORY)
    except Exception as problem:  # the others go on; the command tells of it at the end
        kind = type(problem).__name__
        return Failed(f"a fault of needlecoach, not yours ({kind})", defect=traceback.format_exc())


def scored_before_or_now(job: Job, report: Report) -> Result:
    """Score a clip and make its pictures, unless its results are there.

    Raises
    ------
    NeedlecoachError
        As `scored_card` and `media_of`.
    """
    if not job.again and (before := scored_before(job)) is not None:
        return before
    share = _FOLLOWING_SHARE if job.wish.replay else 1.0
    card = scored_card(job.clip, job.marks, job.wish, lambda done, n: report(share * done / n if n else 0.0))
    return Scored(card, _media(card, job, lambda part: report(share + (1 - share) * part)))


def _media(card: Scorecard, job: Job, report: Report) -> Media:
    try:
        with tempfile.TemporaryDirectory(prefix="needlecoach-", ignore_cleanup_errors=True) as scratch:
            return media_of(
                card,
                Path(scratch),
                replay=job.wish.replay,
                progress=lambda done, n: report(done / n if n else 0.0),
            )
    except OSError as problem:
        raise OutputError(
            f"{job.clip.name}: its replay can't be written to the folder of temporary files "
            f"({problem.strerror or problem}); make room, or use --no-replay."
        ) from problem


def work_there(job: Job) -> Result:
    """Score a clip on another machine or by another installation, as `work` does; one thread of OpenCV."""
    import cv2

    cv2.setNumThreads(1)
    if job.versions and (fault := _other_version(job)):
        return Failed(fault)
    if not job.clip.exists():
        return Failed(
            f"{job.clip}: the worker can't see it; Dask's workers need the same files under the same paths, "
            "as on a shared disk."
        )
    return work(job)


def _other_version(job: Job) -> str:
    """What differs between the command's versions and those here, in words; "" when nothing does."""
    here = versions()
    for name, wanted in job.versions.items():
        if here.get(name) != wanted:
            return (
                f"the worker has {name} {here.get(name, 'not at all')}, the command {wanted}; install the "
                "same, or results would differ by where they come from."
            )
    return ""
