"""The page of the big screen: one file with all films in it, that plays in any browser without a network.

Size of its text: ISO 9241-303 (from memory) wants capitals of at least 16 minutes of arc, better 20 to 22.
Here none is smaller than `LETTER_ARCMIN` from `DISTANCE_M` away, on a screen `SCREEN_MM` wide (55 inches
across, 16:9) or wider: capitals are `LETTER_SHARE` of its width. look/replay.css is written for that.
"""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from markupsafe import Markup

from needlecoach.reporting.bigscreen.film import Film
from needlecoach.reporting.bigscreen.language import Language
from needlecoach.reporting.bigscreen.tries import Try
from needlecoach.reporting.bigscreen.words import distance_words, verdict_words
from needlecoach.reporting.templating import template

DISTANCE_M, SCREEN_MM, LETTER_ARCMIN = 5.0, 1218.0, 20.0
LETTER_SHARE = DISTANCE_M * 1000 * math.tan(math.radians(LETTER_ARCMIN / 60)) / SCREEN_MM
# As in look/show.js.
SLOWER = 4
_LOOK = files("needlecoach.reporting.bigscreen") / "look"
_SCRIPTS = ("tries.js", "overlay.js", "show.js")
# Scripts beside the page are asked for only where visitors' tries may come.
_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src blob:; media-src blob:; "
    "script-src 'unsafe-inline'{more}"
)


@dataclass(frozen=True)
class Hidden:
    """What was hidden: photos by the name that they were given for, as JPEG files."""

    photos: Mapping[str, bytes]

    def index(self, name: str) -> int | None:
        """Place of a target's photo among all; names are alike in any case of letters."""
        names = [one.casefold() for one in self.photos]
        return names.index(name.casefold()) if name.casefold() in names else None


def try_data(
    one: Try, film: Film, language: Language, hidden: Hidden, *, simulated: bool = False
) -> dict[str, Any]:
    """Everything that the page is told of one try, as JSON can hold it; nothing of a person or a file."""
    named = bool(one.target_name)
    return {
        "video": base64.b64encode(film.video).decode("ascii"),
        "film": film.drawn,
        "photo": hidden.index(one.target_name),
        "simulated": simulated,
        "words": {
            "moment": language.say("film.sampled" if one.is_core else "film.nearest"),
            "verdict": verdict_words(one.outcome, one.beside_mm, language),
            "hidden": language.say("reveal.hidden" if named else "reveal.unnamed"),
            "name": one.target_name,
            "distance": distance_words(one.kind, one.mm, one.sd_mm, language),
            "photo": language.say("control.photo", name=one.target_name),
        },
    }


def render_page(
    tries: Sequence[dict[str, Any]],
    language: Language,
    hidden: Hidden,
    *,
    heading: str | None = None,
    more: str = "",
) -> str:
    """Return the page as HTML.

    Parameters
    ----------
    tries : as `try_data` makes them
    heading : instead of the language's own
    more : name of the scripts beside the page that bring visitors' tries (see `more.py`); "" for none
    """
    return template("replay.html.j2", within="bigscreen", folder="look").render(
        code=language.code,
        heading=heading or language.say("title.heading"),
        words=language.words,
        policy=Markup(_POLICY.format(more=" 'self' file:" if more else "")),
        style=Markup(_text("replay.css")),
        said=_json(_said(language, more)),
        photos=[_json(base64.b64encode(photo).decode("ascii")) for photo in hidden.photos.values()],
        tries=[_json(one) for one in tries],
        script=Markup("\n".join(_text(name) for name in _SCRIPTS)),
    )


def _said(language: Language, more: str) -> dict[str, str]:
    """The words that change while the page runs."""
    return {
        "what": language.say("title.what"),
        "approach": language.say("film.approach"),
        "slow": language.say("film.slow", times=str(SLOWER)),
        "after": language.say("film.after"),
        "pause": language.say("control.pause"),
        "go_on": language.say("control.go_on"),
        "broken": language.say("control.broken"),
        "more": more,
    }


def _text(name: str) -> str:
    return (_LOOK / name).read_text(encoding="utf-8")


def _json(value: Any) -> Markup:
    """JSON that can stand in a script element, and in a script."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


def try_script(name: str, data: dict[str, Any]) -> str:
    """A script that brings one more try to the page."""
    return f"needlecoachTry({_json(name)},{_json(data)});\n"


def list_script(names: Sequence[str]) -> str:
    """A script that says which tries besides its own the page is to show."""
    return f"needlecoachMore({_json(list(names))});\n"
