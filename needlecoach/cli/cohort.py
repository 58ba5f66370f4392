"""The command for many results at once: cohort."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from needlecoach.cli.options import standard_option
from needlecoach.cli.root import app
from needlecoach.console import say_error, stoppable
from needlecoach.errors import CohortError

if TYPE_CHECKING:
    from needlecoach.gathered import Written


@app.command()
def cohort(
    reports: Annotated[
        list[Path],
        typer.Argument(metavar="REPORTS...", help="Results folders, folders of them, or attempts.csv files."),
    ],
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the page and the tables.")] = Path(
        "reports/cohort"
    ),
    standard: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Criteria that tell who needs what; see needlecoach standard."),
    ] = None,
    acceptable: Annotated[float, typer.Option(metavar="P", help="Failure rate that is acceptable.")] = 0.2,
    unacceptable: Annotated[float, typer.Option(metavar="P", help="Failure rate that is not.")] = 0.4,
    alpha: Annotated[
        float, typer.Option(metavar="P", help="Risk of calling an acceptable rate unacceptable.")
    ] = 0.1,
    beta: Annotated[float, typer.Option(metavar="P", help="Risk of the reverse.")] = 0.1,
    crossing: Annotated[
        Literal["stop", "restart", "go-on"],
        typer.Option(help="After a CUSUM has crossed a line: stop, begin again from 0, or go on."),
    ] = "restart",
    length: Annotated[
        int, typer.Option(metavar="N", help="Attempts within which the LC-CUSUM may find competence.")
    ] = 50,
    false_competence: Annotated[
        float, typer.Option(metavar="P", help="Share of inadequate learners that it may take for competent.")
    ] = 0.05,
    interval: Annotated[
        Literal["wilson", "jeffreys"], typer.Option(help="Kind of 95 % interval of shares of hits.")
    ] = "wilson",
    quiet_after: Annotated[
        int, typer.Option(metavar="DAYS", help="More days without an attempt than this count as quiet.")
    ] = 14,
    anonymise: Annotated[
        bool, typer.Option("--anonymise", help="Give learners other codes; needs --key.")
    ] = False,
    key: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Which code is whose; kept apart, read and extended each time."),
    ] = None,
    task: Annotated[
        Literal["aspirate", "core"] | None, typer.Option(help="Only attempts of this kind.")
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print errors only.")] = False,
) -> None:
    """Show how a cohort learns: a page with a curve per learner, and tables of attempts and learners.

    Results are only read, so it can be run again at any time; each recording counts once. Learners stand in
    the order of their codes and are not ranked.

    Example: needlecoach cohort reports --standard ours.toml

    Exit code: 0 written, 2 something to mend, 130 stopped.
    """
    if anonymise and key is None:
        raise CohortError("--anonymise needs --key FILE, in which it is kept which code is whose.")
    if key is not None and not anonymise:
        raise CohortError("--key is for --anonymise; give both or neither.")
    with stoppable():
        from needlecoach.cohort.values import Rates
        from needlecoach.gathered import Wish, write_cohort

        wish = Wish(
            rates=Rates(
                _share("acceptable", acceptable),
                _share("unacceptable", unacceptable),
                _share("alpha", alpha),
                _share("beta", beta),
            ),
            crossing=crossing,
            length=_whole("length", length, 1, 2000),
            false_competence=_share("false-competence", false_competence),
            standard=standard_option(standard),
            interval=interval,
            quiet_after=_whole("quiet-after", quiet_after, 0, 10_000),
            task=task,
            key=key,
        )
        written = write_cohort(reports, out, wish)
    _say(written, quiet=quiet)


def _share(name: str, value: float) -> float:
    if not 0 < value < 1:
        raise CohortError(f"--{name} must lie between 0 and 1 (20 % is 0.2), got {value:g}.")
    return value


def _whole(name: str, value: int, least: int, most: int) -> int:
    if not least <= value <= most:
        raise CohortError(f"--{name} must be from {least} to {most}, got {value}.")
    return value


def _say(written: Written, *, quiet: bool) -> None:
    from needlecoach.gather.together import fault_lines

    for line in fault_lines(written.faults):
        say_error(f"Left out: {' '.join(line.split())}")
    if quiet:
        return
    learners, attempts = len(written.report.learners), len(written.report.table)
    people, tries = "learner" if learners == 1 else "learners", "attempt" if attempts == 1 else "attempts"
    typer.echo(f"{learners} {people}, {attempts} {tries}: {written.page}")
    for note in written.report.notes:
        typer.echo(f"  {note}")
