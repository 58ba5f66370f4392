"""The results folder of a clip: built out of sight, moved into place whole."""

from __future__ import annotations

import json
import os
import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from needlecoach.errors import NeedlecoachError, OutputError
from needlecoach.model import Attempt, Frame, Scorecard
from needlecoach.reporting.page import Media, render_summary
from needlecoach.reporting.pagedata import page_data, strip_png
from needlecoach.reporting.record import run_record
from needlecoach.reporting.reopen import PAGE_FILE, STRIP_FILE, first_scored, read_attempts, read_run
from needlecoach.reporting.replay import Progress, read_ahead, stills, write_replay
from needlecoach.reporting.tables import attempts_table, combined_table, screen_table, track_table

# The files of a results folder; anything else found in a former one is the user's and is kept.
# `needlecoach review` opens a result by its page file, without scoring the clip again.
FILES = ("attempts.csv", "track.csv", "summary.html", "replay.webm", "run.json", PAGE_FILE)
# Written only when a camera filmed the screen, and only when a person corrected something.
CAMERA_FILE, RAW_FILES = "screen.csv", ("attempts.raw.csv", "track.raw.csv")


def files_of(run: Mapping[str, Any], *, replay: bool) -> set[str]:
    """Names of the files that belong to a result, by its record (run.json), with the replay if wanted."""
    names = set(FILES)
    if not replay or run["result"]["unscorable"] or not run["timing"]["frames"]:
        names.remove("replay.webm")
    if run["screen"] is not None:
        names.add(CAMERA_FILE)
    if run["corrections"]:
        names |= set(RAW_FILES)
    return names


def write_results(
    card: Scorecard,
    out_dir: Path,
    *,
    replay: bool,
    progress: Progress | None = None,
    name: str | None = None,
    ahead: Mapping[int, Frame] = MappingProxyType({}),
    media: Media | None = None,
) -> Path:
    """Write the results folder `out_dir/name` of a scored clip and return it.

    The folder appears whole or not at all, whatever goes wrong on the way. One from a former run is replaced;
    files in it that are not ours stay.

    Parameters
    ----------
    replay
        Write the replay video too. An unscorable clip gets none.
    progress
        Called with (frames done, frames in all) while the replay is written.
    name
        Name of the folder, the clip's own name by default.
    ahead
        Frames of the clip that were read already (see `foresee`), by number.
    media
        Stills and replay as `media_of` made them before; made here when left out.

    Raises
    ------
    OutputError
        When the folder can't be written, or holds something else than results.
    ClipError
        When the clip can't be read again for the pictures.
    """
    name = card.clip.name if name is None else name
    if not name or name in {".", ".."} or any(sign in name for sign in ("/", os.sep, "\0")):
        raise OutputError(f"{name!r} can't name a results folder; rename the clip.")
    final = Path(out_dir) / name
    with _as_output_error(final):
        _check_replaceable(final, card)
        with _partial_folder(Path(out_dir), name) as folder:
            record = run_record(
                card,
                place=_place(card.clip.path, final),
                first_scored_at=_first_scored_at(card, final),
                scored_at=datetime.now(UTC).isoformat(timespec="microseconds"),
            )
            if media is None:
                media = media_of(card, folder, replay=replay, progress=progress, ahead=ahead)
            elif media.replay is not None:
                (folder / media.replay_name).write_bytes(media.replay)
            _write_files(card, folder, record, media)
            _move_into_place(folder, final)
    return final


def foresee(card: Scorecard, into: dict[int, Frame]) -> None:
    """Read the frames that stills will show, as far as the scorecard of a clip's first part tells them."""
    read_ahead(card, list(_still_frames(card).values()), into)


def write_combined(names: Sequence[str], out_dir: Path) -> Path:
    """Write the attempts of several clips into `out_dir/attempts.csv`, whole or not at all; return its path.

    `names` are those of the clips' results folders in `out_dir`, whose tables are put together. The table of
    a former run is replaced.

    Raises
    ------
    OutputError
        When the file can't be written, or something else than a table of attempts has its name.
    """
    final = Path(out_dir) / "attempts.csv"
    with _as_output_error(final):
        if os.path.lexists(final) and not _is_attempts_table(final):
            raise OutputError(
                f"{final} exists and is no table of attempts of ours; move it or choose another --out."
            )
        table = combined_table({name: read_attempts(Path(out_dir) / name) for name in names})
        with _partial_folder(Path(out_dir), "attempts") as folder:
            write_csv(table, folder / final.name)
            os.replace(folder / final.name, final)
    return final


def _write_files(card: Scorecard, folder: Path, record: dict[str, object], media: Media) -> None:
    """Write every file of a results folder but the replay."""
    write_csv(attempts_table(card), folder / "attempts.csv")
    write_csv(track_table(card), folder / "track.csv")
    if card.raw is not None:
        for name, table in zip(RAW_FILES, (attempts_table(card.raw), track_table(card.raw)), strict=True):
            write_csv(table, folder / name)
    if card.screen is not None:
        write_csv(screen_table(card.screen), folder / CAMERA_FILE)
    _write_text(folder / "run.json", record_text(record))
    _write_text(folder / PAGE_FILE, json.dumps(page_data(card), ensure_ascii=False, allow_nan=False))
    if card.strip is not None:
        (folder / STRIP_FILE).write_bytes(strip_png(card.strip))
    _write_text(folder / "summary.html", render_summary(card, media))


def _first_scored_at(card: Scorecard, final: Path) -> str:
    """Time of the first scoring: that of a former result of the same recording in this folder, else now."""
    first = datetime.now(UTC)
    try:
        former = read_run(final)
        if former["clip"]["sha256"] == card.clip_sha256:
            first = first_scored(final, former)
    except (NeedlecoachError, OSError, KeyError, TypeError):
        pass  # nothing there, or nothing that can be read
    return first.isoformat(timespec="microseconds")


def _place(clip: Path, final: Path) -> str | None:
    """Where the clip lies, seen from its results: known when the folder around --out holds both.

    Elsewhere the way from one to the other would tell of folders that are no one's business.
    """
    clip, folder = Path(os.path.abspath(clip)), Path(os.path.abspath(final))
    around = folder.parent.parent
    if around == around.parent or around not in clip.parents:
        return None
    return Path(os.path.relpath(clip, folder)).as_posix()


def media_of(
    card: Scorecard,
    folder: Path,
    *,
    replay: bool,
    progress: Progress | None = None,
    ahead: Mapping[int, Frame] = MappingProxyType({}),
) -> Media:
    """Make the pictures of the page, and the replay in the folder; an unscorable clip has none.

    Parameters
    ----------
    replay, progress, ahead : as for `write_results`

    Raises
    ------
    ClipError
        When the clip can't be read again.
    OutputError
        When the replay can't be written.
    """
    if card.unscorable:
        return Media()
    shown = _still_frames(card)
    frames = list(shown.values())
    if not (replay and len(card.track)):
        found = stills(card, frames, ahead)
        return Media(stills={number: found[frame] for number, frame in shown.items()})
    film = folder / "replay.webm"
    found = write_replay(card, film, progress, with_stills=frames)
    return Media(stills={number: found[frame] for number, frame in shown.items()}, replay=film.read_bytes())


def _still_frames(card: Scorecard) -> dict[int, int]:
    """Frame that the still of each attempt shows, by the attempt's number."""
    return {one.number: frame for one in card.attempts if (frame := _still_frame(card, one)) is not None}


def _still_frame(card: Scorecard, attempt: Attempt) -> int | None:
    """Frame of a core needle's sample, else of the closest approach, else the last pass's or deepest point.

    None when the tip was never known.
    """
    if attempt.core is not None:
        return attempt.core.frame
    if attempt.closest_frame is not None:
        return attempt.closest_frame
    if attempt.passes:
        return attempt.passes[-1].deepest_frame
    track = card.track
    rows = np.arange(attempt.first_frame, attempt.last_frame + 1)
    rows = rows[np.isfinite(track.tip_px[rows]).all(axis=1)]
    if not len(rows):
        return None
    # Nothing is known of the entry in a track that was not followed to the edge: then the last one counts.
    inside_px = np.nan_to_num(np.hypot(*(track.tip_px[rows] - track.entry_px[rows]).T))
    return int(rows[len(rows) - 1 - np.argmax(inside_px[::-1])])


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write a table; an unknown value is an empty cell."""
    table.to_csv(path, index=False, encoding="utf-8", errors="backslashreplace", lineterminator="\n")


def _write_text(path: Path, text: str) -> None:
    """Write text; a file name that is not valid Unicode shows its odd bytes as escapes."""
    path.write_text(text, encoding="utf-8", errors="backslashreplace", newline="\n")


def record_text(record: dict[str, object]) -> str:
    """Return the text of run.json: readable JSON with each point (x, y) on one line."""
    text = json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False)
    number = r"(-?[\d.]+(?:e[-+]?\d+)?)"
    return re.sub(rf"\[\s+{number},\s+{number}\s+\]", r"[\1, \2]", text) + "\n"


@contextmanager
def _as_output_error(final: Path) -> Iterator[None]:
    """Turn the system's refusals into one line that says where and what to do."""
    try:
        yield
    except OSError as problem:
        reason = problem.strerror or str(problem)
        raise OutputError(
            f"Results can't be written to {final}: {reason.lower()}; "
            "make room or choose another folder with --out."
        ) from problem


@contextmanager
def _partial_folder(parent: Path, name: str) -> Iterator[Path]:
    """Give a folder beside the results that is gone at the end unless it was moved away."""
    parent.mkdir(parents=True, exist_ok=True)
    # A name is cut so that the longest one that the disk allows still fits with its ending.
    folder = Path(tempfile.mkdtemp(prefix=f".{name[:40]}.", suffix=".partial", dir=parent))
    try:
        mask = os.umask(0)
        os.umask(mask)
        folder.chmod(0o777 & ~mask)
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _check_replaceable(final: Path, card: Scorecard) -> None:
    """Refuse to put results in the place of anything that is not the results of a former run."""
    clip = card.clip.path.resolve()
    where = final.resolve()
    if where == clip or where in clip.parents:
        raise OutputError(f"{final} holds the clip itself; choose another folder with --out.")
    if not os.path.lexists(final):
        return
    is_former = final.is_dir() and ((final / "run.json").is_file() or not any(final.iterdir()))
    if not is_former:
        raise OutputError(f"{final} exists and holds no results of ours; move it or choose another --out.")


def _is_attempts_table(path: Path) -> bool:
    """Tell by its heading whether a file is a table of attempts, of one clip or of several."""
    with path.open("rb") as file:
        return file.readline(100).startswith((b"folder,clip,learner,attempt,", b"clip,learner,attempt,"))


def _move_into_place(folder: Path, final: Path) -> None:
    """Rename the finished folder to its name, and keep what is not ours of a former one."""
    if (aside := renamed(folder, final)) is None:
        return
    _keep_foreign_files(aside, final)
    if aside.is_symlink():
        aside.unlink()
    else:
        shutil.rmtree(aside, ignore_errors=True)


def renamed(folder: Path, final: Path) -> Path | None:
    """Rename a finished folder; a former one steps aside first and comes back if that fails.

    Returns
    -------
    Path or None
        Where the former one is now, for the caller to remove.
    """
    if not os.path.lexists(final):
        folder.rename(final)
        return None
    aside = folder.with_suffix(".former")
    final.rename(aside)
    try:
        folder.rename(final)
    except BaseException:
        aside.rename(final)
        raise
    return aside


def _keep_foreign_files(former: Path, final: Path) -> None:
    """Move what is not ours from the former results folder into the new one."""
    for entry in former.iterdir():
        if entry.name not in (*FILES, STRIP_FILE, CAMERA_FILE, *RAW_FILES):
            shutil.move(entry, final / entry.name)
