"""The words of the big screen, from a language file that is complete or refused."""

from __future__ import annotations

import string
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from needlecoach.errors import LanguageError

FOLDER = Path(__file__).parent / "languages"
# The file whose keys and brackets every other has.
MODEL = FOLDER / "en.toml"
MOST_NAMED = 5
LONGEST = 300


@dataclass(frozen=True)
class Language:
    """Words in one language: `words` are keyed by section and key, such as "reveal.hit"."""

    name: str
    code: str
    decimal: str
    words: Mapping[str, str]

    def say(self, key: str, **values: str) -> str:
        """Return the words of a key with the values put in."""
        return self.words[key].format(**values)

    def section(self, name: str) -> dict[str, str]:
        """Return all words of a section, keyed without it."""
        start = f"{name}."
        return {key.removeprefix(start): text for key, text in self.words.items() if key.startswith(start)}


def known_languages() -> list[str]:
    """Names of the languages that come with the tool."""
    return sorted(path.stem for path in FOLDER.glob("*.toml"))


def read_language(wanted: str) -> Language:
    """Return a language by its name, such as "de", or from a file of one's own (FILE.toml).

    Raises
    ------
    LanguageError
        When there is none of that name, the file can't be read, or its words are not complete.
    """
    own = wanted.lower().endswith(".toml")
    if not own and wanted not in known_languages():
        raise LanguageError(
            f"--language {wanted!r}: there is no such language; give one of {', '.join(known_languages())}, "
            "or a file of your own (FILE.toml)."
        )
    path = Path(wanted) if own else FOLDER / f"{wanted}.toml"
    told = _read(path)
    _check(told, _read(MODEL), path)
    words = {key: text for key, text in told.items() if "." in key}
    return Language(told["language"], told["code"], told["decimal"], words)


def _read(path: Path) -> dict[str, Any]:
    """Return a file's values, those of a section keyed "section.key"."""
    try:
        told = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as problem:
        raise LanguageError(
            f"{path}: can't be read ({problem.strerror or problem}); check the name."
        ) from problem
    except ValueError as problem:
        raise LanguageError(f"{path}: is not TOML in UTF-8 ({problem}); mend it.") from problem
    flat: dict[str, Any] = {}
    for key, value in told.items():
        flat |= (
            {f"{key}.{name}": text for name, text in value.items()}
            if isinstance(value, dict)
            else {key: value}
        )
    return flat


def _check(told: Mapping[str, Any], model: Mapping[str, str], path: Path) -> None:
    """Refuse words that are missing, unknown or no text, or that lack what is to be put into them."""
    missing, unknown = model.keys() - told.keys(), told.keys() - model.keys()
    if missing:
        raise LanguageError(f"{path}: words are missing: {_named(missing)}; see en.toml for what they say.")
    if unknown:
        raise LanguageError(f"{path}: has words that nothing says: {_named(unknown)}; take them out.")
    spoilt = {key for key, text in told.items() if not _is_text(text)}
    if spoilt:
        raise LanguageError(
            f"{path}: wants a text of up to {LONGEST} characters for {_named(spoilt)}; write one."
        )
    for key, text in told.items():
        wanted = _brackets(model[key])
        if _brackets(text) != wanted:
            words = " and ".join(f"{{{name}}}" for name in sorted(wanted or [])) or "no curly brackets"
            raise LanguageError(f"{path}: {key} needs {words}, got {text!r}; write it so.")
    if told["decimal"] not in {".", ","}:
        raise LanguageError(f'{path}: decimal must be "." or ",", got {told["decimal"]!r}.')
    if not all(part.isalnum() and part.isascii() for part in told["code"].split("-")):
        raise LanguageError(f'{path}: code must be as in HTML, such as "en", got {told["code"]!r}.')


def _is_text(value: object) -> bool:
    return isinstance(value, str) and 0 < len(value.strip()) <= LONGEST


def _named(keys: set[str]) -> str:
    shown = sorted(keys)[:MOST_NAMED]
    more = len(keys) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more else "")


def _brackets(text: str) -> set[str] | None:
    """Names in curly brackets; None where they are not in pairs or hold more than a name."""
    try:
        parts = [part[1:] for part in string.Formatter().parse(text) if part[1] is not None]
    except ValueError:
        return None
    if any(form or convert or not name.isidentifier() for name, form, convert in parts if name is not None):
        return None
    return {name for name, _, _ in parts if name is not None}
