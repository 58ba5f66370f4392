"""What the command `agreement` does, once the command line is read: read, compare, write."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from needlecoach.cohort.agreement import AgreementReport, build_agreement
from needlecoach.cohort.ratings import read_ratings
from needlecoach.errors import OutputError
from needlecoach.reporting.agreement_page import render_agreement
from needlecoach.reporting.agreement_table import agreement_csv
from needlecoach.toolvalues import tool_attempts

TABLE_FILE, PAGE_FILE = "agreement.csv", "agreement.html"


def run_agreement(ratings: Path, reports: Sequence[Path], out: Path) -> AgreementReport:
    """Compare a file of ratings with results of the tool; write `out/agreement.csv` and `out/agreement.html`.

    Raises
    ------
    NeedlecoachError
        When something is to be mended, in one line; what lay in `out` is then left as it was.
    """
    told = read_ratings(ratings)
    tool, left_out = tool_attempts(reports) if reports else ([], [])
    report = build_agreement(told, tool)
    report = replace(report, notes=(*left_out, *report.notes))
    _write(out, {TABLE_FILE: agreement_csv(report), PAGE_FILE: render_agreement(report)})
    return report


def _write(out: Path, files: dict[str, str]) -> None:
    """Write all files under other names and then move them into place."""
    waiting = {out / name: out / f".{name}.partial" for name in files}
    try:
        out.mkdir(parents=True, exist_ok=True)
        for (final, partial), text in zip(waiting.items(), files.values(), strict=True):
            if final.is_dir():
                raise IsADirectoryError(0, "a folder of that name is there", str(final))
            partial.write_text(text, encoding="utf-8", newline="")
        for final, partial in waiting.items():
            os.replace(partial, final)
    except OSError as problem:
        for partial in waiting.values():
            with contextlib.suppress(OSError):
                partial.unlink()
        raise OutputError(
            f"The comparison can't be written to {out} ({problem.strerror or problem}); choose another --out."
        ) from problem
