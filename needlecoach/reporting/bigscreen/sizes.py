"""How big things are that everybody knows, for saying a distance in words.

The words stand in the language files, the sizes here, so that no translation can change them. Every thing is
either sized by a rule or a standard, or marked as common practice. All figures are from memory of the named
source, but for sums, which are shown.
"""

from __future__ import annotations

from dataclasses import dataclass

# A thing is named only when it is as long as the distance, give or take this share.
NEAR_ENOUGH = 0.25
# Where a distance is less than something, that something is at most this many times as long.
FAR_LARGER = 1.6


@dataclass(frozen=True)
class Thing:
    """Something everybody knows: its name in the language files, its size, and where the size is from."""

    name: str
    mm: float
    source: str


_COINS = "Council Regulation (EC) No 975/98, technical specifications of euro coins"
_CARD = "ISO/IEC 7810, card size ID-1: 85.60 x 53.98 x 0.76 mm"
_BATTERY = "IEC 60086-2, largest size: LR03 10.5 x 44.5 mm, LR6 14.5 x 50.5 mm"
_RICE = (
    "Regulation (EU) No 1308/2013, Annex II: long grain is over 6.0 mm long and, in group B, at least three "
    "times as long as wide, so a grain of 6 mm is at most 2 mm wide"
)
_PAPER = "common practice, no source: copying paper of 80 g/m2 is about 0.1 mm thick"

THINGS = (
    Thing("sheet", 0.1, _PAPER),
    Thing("two_sheets", 0.2, _PAPER),
    Thing("three_sheets", 0.3, _PAPER),
    Thing("four_sheets", 0.4, _PAPER),
    Thing("five_sheets", 0.5, _PAPER),
    Thing("card", 0.76, _CARD),
    Thing("ten_sheets", 1.0, _PAPER),
    Thing("two_cards", 1.52, _CARD),
    Thing("cent", 1.67, f"{_COINS}: 1 cent 16.25 x 1.67 mm"),
    Thing("rice_wide", 2.0, _RICE),
    Thing("fifty_cents", 2.38, f"{_COINS}: 50 cents 24.25 x 2.38 mm"),
    Thing("two_cents", 3.34, f"{_COINS}: 1 cent is 1.67 mm thick"),
    Thing("two_rice", 4.0, _RICE),
    Thing("three_cents", 5.01, f"{_COINS}: 1 cent is 1.67 mm thick"),
    Thing("rice_long", 6.6, "Codex Alimentarius, CXS 198-1995: long grain is 6.6 mm long or more"),
    Thing("five_cents", 8.35, f"{_COINS}: 1 cent is 1.67 mm thick"),
    Thing("small_battery", 10.5, _BATTERY),
    Thing("battery", 14.5, _BATTERY),
    Thing("cent_across", 16.25, f"{_COINS}: 1 cent 16.25 x 1.67 mm"),
    Thing("ten_cents_across", 19.75, f"{_COINS}: 10 cents 19.75 x 1.93 mm"),
    Thing("euro_across", 23.25, f"{_COINS}: 1 euro 23.25 x 2.33 mm"),
    Thing("two_batteries", 29.0, _BATTERY),
    Thing("ball", 40.0, "Laws of table tennis 2.3: the ball is 40 mm across"),
    Thing("battery_long", 50.5, _BATTERY),
    Thing("card_wide", 53.98, _CARD),
    Thing("card_long", 85.6, _CARD),
)


def like(mm: float) -> Thing | None:
    """Return the thing whose size is nearest to a distance, by their ratio; None when none is near enough."""
    if not mm > 0:
        return None
    best = min(THINGS, key=lambda one: max(one.mm / mm, mm / one.mm))
    return best if abs(best.mm - mm) <= NEAR_ENOUGH * mm else None


def no_less_than(mm: float) -> Thing | None:
    """Return the smallest thing that a distance surely fits into; None when that is far larger."""
    best = next((one for one in THINGS if one.mm >= mm), None)
    return best if best is not None and best.mm <= FAR_LARGER * max(mm, THINGS[0].mm) else None
