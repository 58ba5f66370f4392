"""Codes of learners replaced by others, always in the same way, by a key that is kept apart."""

from __future__ import annotations

import re
import secrets
from collections.abc import Iterable, Mapping

import pandas as pd

from needlecoach.errors import CohortError

NEW_CODE = re.compile(r"P\d{2,6}")
# Names of files and folders, and fingerprints that lead to a recording, can tell who somebody is.
_DROPPED = ("folder", "clip", "clip_sha256")
# What people typed beside the code, and may have put it into.
_TYPED = ("target", "phantom", "block")


def anonymise(table: pd.DataFrame, key: Mapping[str, str]) -> tuple[pd.DataFrame, dict[str, str]]:
    """Give every learner another code.

    Parameters
    ----------
    table
        The table of attempts.
    key
        New codes by old ones, of former runs; empty at first.

    Returns
    -------
    tuple
        The table under new codes, in their order, and the key with what was added to it. Names of files and
        folders and fingerprints are blank, times of scoring are cut down to the day, and an old code that
        stands as a word in a target's, a phantom's or a block's name is replaced there too.

    Raises
    ------
    CohortError
        When the key gives one code to two learners.

    Notes
    -----
    New codes are P01, P02... in random order, never made from the old ones: without the key there is no way
    back. Dates and results stay, by which somebody who knows them can still tell a learner.
    """
    if len(set(key.values())) != len(key):
        raise CohortError("The key gives one code to two learners; mend it or begin a new one.")
    whole = _extended(key, set(table["learner"]) - {""})
    new = table.assign(learner=table["learner"].map({"": "", **whole}))
    for name in _DROPPED:
        new[name] = ""
    for name in _TYPED:
        new[name] = new[name].map({text: recoded(text, whole) for text in set(new[name])})
    new["at"] = new["at"].dt.normalize()
    return new.sort_values(["learner", "order"], kind="stable", ignore_index=True), whole


def recoded(text: str, key: Mapping[str, str]) -> str:
    """Text in which old codes that stand as words are replaced by new ones, however they are written."""
    if not text or not key:
        return text
    folded = {old.casefold(): new for old, new in key.items()}
    return re.sub(r"[\w.-]+", lambda word: _word(word[0], folded), text)


def _word(word: str, folded: Mapping[str, str]) -> str:
    if word.casefold() in folded:
        return folded[word.casefold()]
    # A code at the head of a longer word is one too, unless its number goes on: L1 is not in L12.
    codes = "|".join(re.escape(old) for old in sorted(folded, key=len, reverse=True))
    return re.sub(rf"(?<![^\W_])(?:{codes})(?!\d)", lambda part: folded[part[0].casefold()], word, flags=re.I)


def _extended(key: Mapping[str, str], learners: Iterable[str]) -> dict[str, str]:
    """The key with a code for every learner, those added drawn by lot."""
    missing = sorted(set(learners) - set(key))
    taken = set(key.values())
    free = [
        code for number in range(1, len(key) + len(missing) + 1) if (code := f"P{number:02d}") not in taken
    ]
    free = free[: len(missing)]
    secrets.SystemRandom().shuffle(free)
    return {**key, **dict(zip(missing, free, strict=True))}
