"""How values are rounded: to the digits of the tables first, and from those to the digits said in words."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal

# Decimals by the unit of a quantity: finer than the measurement, coarse enough to read.
_TABLE_DECIMALS = {"px": 2, "mm": 3, "s": 4, "deg": 2, "°": 2, "mm/s": 2, "bits": 3}
_OTHER_DECIMALS = 4


def in_table(value: float, unit: str) -> float:
    """Return a finite value as the tables hold it."""
    return round(float(value), _TABLE_DECIMALS.get(unit, _OTHER_DECIMALS))


def in_words(value: float, unit: str, *, decimals: int, factor: int = 1) -> str:
    """Return the table's value times `factor` with few decimals, halves rounded away from zero.

    Who rounds a cell of the table by hand gets the same: 4.85 is 4.9, although the computer's own 4.85 lies a
    trace below and 0.125 would be 0.12 to it.
    """
    exact = Decimal(repr(in_table(value, unit))) * factor
    text = f"{exact.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP):f}"
    return text.removeprefix("-") if float(text) == 0 else text
