"""What supervisors rate: the columns of a ratings file, the kind of each, and how a cell of it is read."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from needlecoach.scoring import COLUMNS

Kind = Literal["words", "order", "grades", "numbers"]
# A rating as it is compared: a word, or a number.
Value = str | float

MOST_CATEGORIES = 12
_MOST_LETTERS = 40

# Columns of attempts.csv that hold words; the outcomes stand in an order: from outside to inside.
OUTCOMES = ("miss", "borderline", "hit")
NO_OUTCOME = "unscorable"
YES_NO = {"yes": "yes", "no": "no", "1": "yes", "0": "no", "true": "yes", "false": "no"}
# Columns of attempts.csv that nobody can rate: which attempt it is, and what the tool says of itself.
NO_RATING = {"attempt", "scale_source", "scale_sd_share", "confidence"}

_HEADER = re.compile(r"^(?P<name>[^\[\]]*?)\s*(?:\[(?P<kind>[^\[\]]*)\])?$")
_RANGE = re.compile(r"^(\d{1,3})\s*(?:-|–|\.\.|to)\s*(\d{1,3})$")
_DATE = re.compile(r"^\d{1,4}[./-]\d{1,2}[./-]\d{1,4}$|^\d{1,2}[. -]+[A-Za-z]{3,}|^[A-Za-z]{3,}[ -]\d{1,4}$")


class FaultError(ValueError):
    """What is wrong with a header or a cell, in words; its place is put in front by the reader."""


@dataclass(frozen=True)
class Quantity:
    """One column of ratings.

    `kind`: "words" without order, "order" for ordered words, "grades" for whole numbers of a stated range,
    "numbers" for measurements and counts. `categories` are those to choose from, in order where there is
    one, empty for numbers. `known` says that it is a column of attempts.csv, which the tool has a value of.
    """

    name: str
    title: str
    unit: str
    kind: Kind
    categories: tuple[str, ...] = ()
    known: bool = False


def quantity_of(header: str) -> Quantity:
    """Read a column's header: its name, and in square brackets what kind it is.

    `overall [1-5]` are grades, `aim [poor<fair<good]` ordered words, `grip [words]` words, `depth_mm
    [number]` numbers. Without brackets a column of attempts.csv is what it is there; any other is "numbers"
    here, until its cells tell (`by_cells`).

    Raises
    ------
    FaultError
        When the brackets say nothing that is understood.
    """
    found = _HEADER.match(header.strip())
    if found is None or not found["name"]:
        raise FaultError('the header must be a name, or a name and a kind such as "overall [1-5]"')
    name = found["name"].casefold() if found["name"].casefold() in COLUMNS else found["name"]
    if len(name) > _MOST_LETTERS or not name.isprintable():
        raise FaultError(f"the name must be of at most {_MOST_LETTERS} letters, got {len(name)}")
    if name in COLUMNS:
        if found["kind"] is not None:
            raise FaultError(
                f'"{name}" is a column of attempts.csv, of which the kind is known; leave out the brackets'
            )
        return _known(name)
    if found["kind"] is None:
        return Quantity(name, name, "", "numbers")
    return _told(name, found["kind"].strip())


def kind_is_told(header: str) -> bool:
    """Whether a header says the kind of its column, by its name or in brackets."""
    return "[" in header or header.strip().casefold() in COLUMNS


def by_cells(quantity: Quantity, cells: list[str]) -> Quantity:
    """Kind of a column that does not say it: numbers when its first cell is one, else words."""
    first = next((cell for cell in cells if cell), "")
    try:
        _number(first)
    except FaultError:
        if not re.match(r"^[-+]?\d", first):
            return with_words(Quantity(quantity.name, quantity.title, "", "words"), cells)
    return quantity


def with_words(quantity: Quantity, cells: list[str]) -> Quantity:
    """Words as found in the cells, in alphabetical order."""
    words = sorted({cell.casefold() for cell in cells if cell})
    if len(words) > MOST_CATEGORIES:
        raise FaultError(
            f"holds {len(words)} different words, at most {MOST_CATEGORIES} can be compared; call a column "
            "of remarks "
            '"notes", it is then left out'
        )
    return Quantity(quantity.name, quantity.title, quantity.unit, "words", tuple(words), quantity.known)


def _known(name: str) -> Quantity:
    column = COLUMNS[name]
    if name in NO_RATING:
        raise FaultError(f'"{name}" is no rating')
    if name == "outcome":
        return Quantity(name, column.title, "", "order", OUTCOMES, True)
    if name == "cut_off":
        return Quantity(name, column.title, "", "words", ("no", "yes"), True)
    return Quantity(name, column.title, column.unit, "numbers", (), True)


def _told(name: str, kind: str) -> Quantity:
    if (found := _RANGE.match(kind)) is not None:
        low, high = int(found[1]), int(found[2])
        if not 1 <= high - low < MOST_CATEGORIES:
            raise FaultError(
                f"[{kind}] must run upwards over 2 to {MOST_CATEGORIES} grades; numbers need no brackets"
            )
        return Quantity(name, name, "", "grades", tuple(str(one) for one in range(low, high + 1)))
    if "<" in kind:
        words = tuple(word.strip().casefold() for word in kind.split("<"))
        if not all(words) or len(set(words)) < len(words) or len(words) > MOST_CATEGORIES:
            raise FaultError(f"[{kind}] must be 2 to {MOST_CATEGORIES} different words with < between them")
        return Quantity(name, name, "", "order", words)
    if kind.casefold() in {"words", "word"}:
        return Quantity(name, name, "", "words")
    if kind.casefold() in {"number", "numbers"}:
        return Quantity(name, name, "", "numbers")
    raise FaultError(f"[{kind}] is not understood; write [1-5], [poor<fair<good], [words] or [number]")


def rating_of(quantity: Quantity, cell: str) -> Value | None:
    """Read a cell that is not blank; None for what says that nothing could be told.

    Raises
    ------
    FaultError
        When it can't be a rating of this column, with what can.
    """
    if quantity.kind == "numbers":
        return _number(cell)
    word = cell.casefold()
    if quantity.name == "outcome" and quantity.known and word == NO_OUTCOME:
        return None
    if quantity.name == "cut_off" and quantity.known:
        word = YES_NO.get(word, word)
    if quantity.kind == "grades":
        number = _number(cell)
        word = str(int(number)) if number.is_integer() else cell
    if word not in quantity.categories:
        raise FaultError(f'"{_short(cell)}" is none of {", ".join(quantity.categories)}')
    return word


def _number(cell: str) -> float:
    if re.fullmatch(r"[-+]?\d+,\d+", cell):
        raise FaultError(f'"{_short(cell)}" has a comma; write a decimal point ({cell.replace(",", ".")})')
    if cell.endswith("%"):
        raise FaultError(f'"{_short(cell)}" is in per cent; shares run from 0 to 1 (85 % is 0.85)')
    if _DATE.match(cell):
        raise FaultError(
            f'"{_short(cell)}" looks like a date, which spreadsheets make of numbers; write the number'
        )
    try:
        value = float(cell) if re.fullmatch(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?", cell) else math.nan
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or abs(value) > 1e9:
        raise FaultError(f'"{_short(cell)}" is not a number; leave the cell empty where nothing was rated')
    return value


def _short(text: str, most: int = 40) -> str:
    line = "".join(letter if letter.isprintable() else "?" for letter in text)
    return line if len(line) <= most else line[: most - 3] + "..."
