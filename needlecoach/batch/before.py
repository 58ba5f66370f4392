"""Whether a clip's results are there already, and would come out the same."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

from needlecoach.batch.values import Before, Job
from needlecoach.clips import sha256_of
from needlecoach.corrections import corrections_path, read_corrections
from needlecoach.errors import NeedlecoachError
from needlecoach.reporting.record import marks_record, plain, versions
from needlecoach.reporting.reopen import STRIP_FILE, read_attempts, read_page, read_run
from needlecoach.reporting.results import files_of
from needlecoach.scored import options_of


def scored_before(job: Job) -> Before | None:
    """Look for results of this very clip with these marks, options, corrections and versions, all of them.

    Returns
    -------
    Before or None
        None when the clip is to be scored, also where its results can't be read or are not whole. A replay
        that is there and was not asked for is no reason to score again.
    """
    folder = job.out / job.name
    try:
        run = read_run(folder)
        if _as_asked(run, job) and _is_whole(folder, run, job) and _is_of_clip(run, job.clip):
            return Before(run["result"]["unscorable"])
    except (NeedlecoachError, OSError, KeyError, TypeError, ValueError, csv.Error):
        pass  # it is scored, and what is wrong with the clip is told then
    return None


def _as_asked(run: dict[str, Any], job: Job) -> bool:
    """Compare what is quickly compared: the clip's name, versions, marks and options."""
    return bool(
        run["clip"]["file"] == job.clip.name
        and run["versions"] == versions()
        and run["marks"] == _as_read(marks_record(job.marks))
        and run["options"] == _as_read(options_of(job.wish))
    )


def _is_whole(folder: Path, run: dict[str, Any], job: Job) -> bool:
    """Tell whether every file that such a run writes is there, and the tables have their rows."""
    wanted = files_of(run, replay=job.wish.replay)
    if json.loads(read_page(folder))["strip"] is not None:
        wanted.add(STRIP_FILE)
    n_rows = len(read_attempts(folder))
    return n_rows == run["result"]["attempts"] and all((folder / name).is_file() for name in wanted)


def _is_of_clip(run: dict[str, Any], clip: Path) -> bool:
    """Compare the recording's fingerprint and its corrections, which a clip that can't be scored ignores."""
    sha256 = sha256_of(clip)
    if run["clip"]["sha256"] != sha256:
        return False
    corrections = read_corrections(corrections_path(clip), sha256)
    return bool(run["result"]["unscorable"]) or run["corrections"] == _as_read(list(corrections))


def _as_read(value: Any) -> Any:
    """Value as it comes back from a file of JSON."""
    return json.loads(json.dumps(plain(value)))
