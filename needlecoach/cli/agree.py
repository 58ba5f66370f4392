"""The command that holds supervisors' ratings against the tool and against each other: agreement."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from needlecoach.cli.root import app
from needlecoach.console import stoppable
from needlecoach.errors import CohortError


@app.command()
def agreement(
    ratings: Annotated[
        Path | None,
        typer.Argument(
            metavar="RATINGS", help="A CSV file of ratings: clip, attempt, rater, what was rated."
        ),
    ] = None,
    reports: Annotated[
        list[Path] | None,
        typer.Argument(metavar="REPORTS...", help="Results folders, or folders of them; none: raters alone."),
    ] = None,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the page and the table.")] = Path(
        "reports/agreement"
    ),
    example: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write an invented example of RATINGS to a new file, and stop."),
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print errors only.")] = False,
) -> None:
    """Compare supervisors' own ratings with the tool's, and with each other.

    One row of RATINGS is one attempt as one supervisor rated it, by the recording alone. Columns of
    attempts.csv (outcome, closest_edge_mm, ...) are compared with the tool too, columns of your own such as
    "overall [1-5]" between supervisors.

    Example: needlecoach agreement ratings.csv reports

    Exit code: 0 compared, 2 something to mend, 130 stopped.
    """
    with stoppable():
        if example is not None:
            from needlecoach.cohort.ratings import write_example

            write_example(example)
            typer.echo(f"{example}: invented ratings of the sample clips; write your own in their place.")
            return
        if ratings is None:
            raise CohortError("No file of ratings was given; --example FILE writes one to start from.")
        from needlecoach.agreement import PAGE_FILE, run_agreement

        report = run_agreement(ratings, reports or [], out)
        if quiet:
            return
        from needlecoach.reporting.agreement_words import in_short

        for line in (*in_short(report), f"{out / PAGE_FILE}"):
            typer.echo(line)
