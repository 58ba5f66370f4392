"""What the big screen says of an attempt: a kind verdict, and how far in words that a child understands."""

from __future__ import annotations

import math
from dataclasses import dataclass

from needlecoach.reporting.bigscreen.language import Language
from needlecoach.reporting.bigscreen.sizes import like, no_less_than

# A miss by less than this was close (ours, for kindness; no result goes by it).
CLOSE_MM = 5.0
# A distance is said as "less than" once its standard uncertainty is a larger share of it than this.
VAGUE_SHARE = 0.5


@dataclass(frozen=True)
class Length:
    """A distance as it is said: rounded, and whether it is only an upper limit."""

    mm: float
    is_limit: bool


def said_length(mm: float, sd_mm: float | None) -> Length:
    """Round a distance for saying it: tenths under 1 mm, halves under 3 mm, else whole millimetres.

    One that is no larger than about its uncertainty is said as what it is almost surely less than: itself and
    two standard uncertainties, rounded up.
    """
    sd = sd_mm or 0.0
    step = _step(mm)
    rounded = round(mm / step) * step
    if rounded > 0 and sd <= VAGUE_SHARE * mm:
        return Length(round(rounded, 1), False)
    limit = max(mm + 2 * sd, 0.1)
    step = _step(limit)
    return Length(round(math.ceil(round(limit / step, 6)) * step, 1), True)


def _step(mm: float) -> float:
    return 0.1 if mm < 1 else 0.5 if mm < 3 else 1.0


def length_words(mm: float, language: Language) -> str:
    """Return "2 millimetres", with the language's decimal sign and form for one."""
    number = f"{mm:.1f}".removesuffix(".0").replace(".", language.decimal)
    return language.say("length.one" if mm == 1 else "length.other", number=number)


def distance_words(kind: str, mm: float | None, sd_mm: float | None, language: Language) -> str:
    """Return how far, as a sentence with something of that size.

    Parameters
    ----------
    kind : "middle", "beside", "on_edge", "sample" or "no_sample": what the distance is of
    mm, sd_mm : the distance and its standard uncertainty; None when not known
    """
    if kind == "no_sample":
        return language.say("reveal.no_sample")
    if mm is None:
        return ""
    length = said_length(mm, sd_mm)
    about = language.say(
        "reveal.under" if length.is_limit else "reveal.about", length=length_words(length.mm, language)
    )
    distance = language.say(f"reveal.{kind}", about=about)
    thing = no_less_than(length.mm) if length.is_limit else like(length.mm)
    if thing is None:
        return language.say("reveal.sentence", distance=distance)
    pattern = "reveal.compared_under" if length.is_limit else "reveal.compared"
    return language.say(pattern, distance=distance, thing=language.say(f"thing.{thing.name}"))


def verdict_words(outcome: str, beside_mm: float | None, language: Language) -> str:
    """Return a kind word for an outcome: hit, borderline or miss; a close miss by what it missed by."""
    if outcome == "hit":
        return language.say("reveal.hit")
    if outcome == "borderline":
        return language.say("reveal.edge")
    close = beside_mm is not None and beside_mm < CLOSE_MM
    return language.say("reveal.near" if close else "reveal.far")
