"""The key file of an anonymised cohort: which learner has which new code; kept apart from what is shown."""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from needlecoach.cohort.anonymise import NEW_CODE
from needlecoach.errors import CohortError, OutputError

_SAYS = "Who is who in an anonymised cohort: keep this file apart from what is shown, and to yourself."


def check_apart(key: Path, out: Path, reports: Sequence[Path]) -> None:
    """Refuse a key within the folder that is shown, or among the results.

    Raises
    ------
    CohortError
        One line that says where the key would lie.
    """
    place = key.resolve()
    for folder, what in ((out, "--out"), *((path, "REPORTS") for path in reports)):
        if place.is_relative_to(folder.resolve()):
            raise CohortError(
                f"--key {key} lies within {folder} ({what}), where whoever gets that gets the key too; keep "
                "it elsewhere."
            )


def read_key(path: Path) -> dict[str, str]:
    """Return new codes by old ones; none where there is no such file yet.

    Raises
    ------
    CohortError
        When there is a file that can't be read, or that is no key.
    """
    try:
        told = json.loads(path.read_text(encoding="utf-8-sig"))
        codes = told["codes"]
        fit = all(isinstance(old, str) and NEW_CODE.fullmatch(new) for old, new in codes.items())
        if not fit or len(set(codes.values())) != len(codes):
            raise ValueError
        return dict(codes)
    except FileNotFoundError:
        return {}
    except OSError as problem:
        raise CohortError(
            f"--key {path}: can't be read ({problem.strerror or problem}); check the name."
        ) from problem
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as problem:
        raise CohortError(
            f"--key {path}: is no key of ours, or is spoilt; name a new file, or bring back the key as it "
            "was."
        ) from problem


def write_key(path: Path, key: Mapping[str, str]) -> None:
    """Write the key, readable by its owner alone, whole or not at all.

    Raises
    ------
    OutputError
        When it can't be written.
    """
    waiting = ""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        text = json.dumps({"about": _SAYS, "codes": dict(sorted(key.items()))}, indent=1, ensure_ascii=False)
        number, waiting = tempfile.mkstemp(prefix=".key.", suffix=".partial", dir=path.parent)
        with open(number, "w", encoding="utf-8") as file:  # only the owner may read what mkstemp makes
            file.write(text + "\n")
        os.replace(waiting, path)
    except OSError as problem:
        with contextlib.suppress(OSError):
            os.unlink(waiting)
        raise OutputError(
            f"--key {path} can't be written ({problem.strerror or problem}); name another place."
        ) from problem
