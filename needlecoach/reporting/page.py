"""The summary page: one file that opens anywhere, with every word a user typed escaped."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from importlib.resources import files
from typing import Any

import numpy as np
from markupsafe import Markup

from needlecoach.model import Attempt, Figure, Marks, Scorecard, Target
from needlecoach.reporting import wording
from needlecoach.reporting.glossary import words_used
from needlecoach.reporting.pagedata import figures_data, summary_views, verdict_data
from needlecoach.reporting.record import plain, versions
from needlecoach.reporting.teaching import BEST_WORDS, advice_data, checks_data, earlier_data, standard_data
from needlecoach.reporting.templating import template

MAX_EMBEDDED_BYTES = 15_000_000

NO_NORM = (
    "No published norm was found for the share of time the tip is visible: "
    "compare it with your own attempts only."
)
NO_FIGURES = "No figures are given, because a figure without a sound basis would mislead."
NO_NEEDLE = (
    "If there was one, it was too faint or too briefly in the picture to be told from its surroundings."
)

_SHARES = {"tip_visibility_share", "tip_visibility_advancing"}
_TEMPLATES = files("needlecoach.reporting") / "templates"
# The drawing is that of the review page.
_DRAWING = files("needlecoach") / "review" / "static"


@dataclass(frozen=True)
class Media:
    """Pictures for the page.

    `stills` are JPEG files, keyed by attempt number. `replay` is the video file's bytes, or None without
    one; `replay_name` the file beside the page.
    """

    stills: Mapping[int, bytes] = field(default_factory=dict)
    replay: bytes | None = None
    replay_name: str = "replay.webm"


def render_summary(card: Scorecard, media: Media | None = None) -> str:
    """Return the summary page of a scored clip as HTML that needs no network.

    An unscorable clip, and a clip without a needle, get a page that says so and shows no figure.
    """
    media = media or Media()
    scored = not card.unscorable and bool(card.attempts)
    views = summary_views(card) if scored else []
    script = _script() if scored else ""
    return template("summary.html.j2").render(
        title=card.clip.path.name,
        learner=card.marks.learner,
        notes=card.marks.notes,
        verdict=_verdict(card),
        verdict_remark=NO_FIGURES if card.unscorable else NO_NEEDLE,
        hint=wording.no_needle_hint(card) if not card.unscorable and not card.attempts else "",
        scored=scored,
        attempts=[_attempt_view(card, attempt, media) for attempt in card.attempts] if scored else [],
        views=Markup(_json(views)),
        script=Markup(script),
        policy=_policy(script),
        drawing_css=Markup((_DRAWING / "drawing.css").read_text(encoding="utf-8")),
        corrections=_corrections(card),
        with_target=card.marks.target is not None,
        with_core=card.marks.core is not None,
        evidence_words=wording.EVIDENCE_WORDS,
        best_words=BEST_WORDS,
        glossary=words_used(card),
        no_target=wording.no_target_words(card),
        replay_uri=_replay_uri(media) if not card.unscorable else "",
        replay_kept=wording.replay_words(card),
        quality_notes=card.quality_notes,
        scale=wording.scale_words(card) if scored else "",
        sound=wording.sound_words(card) if scored else "",
        confidence=wording.confidence_words(card.confidence) if scored else "",
        confidence_percent=wording.figure_text(Figure("confidence", card.confidence))
        if scored and math.isfinite(card.confidence)
        else "",
        no_norm=NO_NORM,
        facts=_facts(card),
        versions=versions(),
        options=_options(card),
    )


def _verdict(card: Scorecard) -> str:
    """Return the page's first sentence when there is nothing to score, else empty text."""
    if card.unscorable:
        return f"This clip can’t be scored: {card.unscorable.rstrip('.')}."
    if not card.attempts:
        return wording.NO_NEEDLE
    return ""


def _script() -> str:
    """The page's only script: the drawing, one file below the other, then what draws with it."""
    parts = [_DRAWING / f"drawing-{name}.js" for name in ("parts", "strip", "plan")]
    code = "\n".join(part.read_text(encoding="utf-8") for part in (*parts, _TEMPLATES / "summary.js"))
    return "\n" + re.sub(r"^import .*\n", "", code, flags=re.MULTILINE)


def _policy(script: str) -> str:
    """What a browser may do with the page: run that one script, fetch nothing."""
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")
    allowed = f"'sha256-{digest}'" if script else "'none'"
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data:; "
        "media-src data: file: 'self'; base-uri 'none'; form-action 'none'"
    )


def _json(value: object) -> str:
    """JSON that can stand in a page: nothing in it can close its element."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")).replace(
        "<", "\\u003c"
    )


def _corrections(card: Scorecard) -> list[dict[str, str]]:
    """What was put right, by whose code and when."""
    times = card.track.time_s
    return [
        {
            "moment": f"{times[one.frame]:.2f} s, frame {one.frame}"
            if one.frame < len(times)
            else f"frame {one.frame}",
            "what": wording.correction_words(one),
            "by": one.by or "not said",
            "at": one.at.replace("T", " ").removesuffix("Z") + (" UTC" if one.at.endswith("Z") else ""),
        }
        for one in card.corrections
    ]


def _attempt_view(card: Scorecard, attempt: Attempt, media: Media) -> dict[str, Any]:
    """Everything the template shows of one attempt."""
    table = [{**one, **_norm(one)} for one in figures_data(card, attempt)]
    shown = {one["name"]: one for one in table}
    number = attempt.number
    keys = wording.key_figures(card, attempt)
    return {
        "number": number,
        **verdict_data(card, attempt),
        "cut_off": attempt.cut_off,
        "advice": advice_data(attempt),
        "checks": checks_data(attempt),
        "standard": standard_data(card),
        "earlier": earlier_data(card, attempt),
        "core": attempt.core is not None,
        "core_words": wording.core_words(card, attempt),
        "still_words": _still_words(attempt),
        "keys": [shown[name] for name in keys if name in shown and shown[name]["text"] != "–"],
        "table": table,
        "still": _data_uri("image/jpeg", media.stills.get(number)),
        "has_tip": bool(np.isfinite(card.track.tip_px[attempt.first_frame : attempt.last_frame + 1]).any()),
    }


def _still_words(attempt: Attempt) -> str:
    """What the moment of an attempt's still is called."""
    if attempt.core is not None:
        return "moment of the sample" if attempt.core.fired_frame is not None else "best place of the notch"
    return "closest approach" if attempt.closest_frame is not None else "deepest point"


def _norm(figure: Mapping[str, Any]) -> dict[str, bool]:
    """Whether a figure needs the word on norms, and whether its own meaning says it already."""
    return {
        "no_norm": figure["name"] in _SHARES,
        "says_no_norm": "no published norm" in figure["meaning"].lower(),
    }


def _data_uri(kind: str, data: bytes | None) -> str:
    """Return bytes as a data URI, empty text for nothing."""
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}" if data else ""


def _replay_uri(media: Media) -> str:
    """Return the replay embedded when it is small enough, else the name of the file beside the page."""
    if media.replay is None:
        return ""
    return (
        _data_uri("video/webm", media.replay)
        if len(media.replay) <= MAX_EMBEDDED_BYTES
        else media.replay_name
    )


def _facts(card: Scorecard) -> list[tuple[str, str]]:
    """What the clip is, in pairs of a label and its words."""
    clip, track = card.clip, card.track
    facts = [("Recording", clip.path.name), ("Picture", f"{clip.width_px} × {clip.height_px} px")]
    if len(track):
        facts.append(("Frames (single pictures)", f"{len(track)} over {track.frame_durations_s.sum():.1f} s"))
    if not card.unscorable:
        kind = "curved picture (sector)" if card.region.kind == "sector" else "rectangular picture"
        source = "found in the frames" if card.region.source == "found" else card.region.source
        facts.append(("Ultrasound area", f"{kind}, {source}"))
    facts.append(("Task", {"aspirate": "aspiration", "core": "core sample"}[card.marks.task]))
    facts += _marked_facts(card.marks)
    facts += _block_facts(card)
    facts.append(("Fingerprint of the file (SHA-256)", card.clip_sha256))
    return facts


def _marked_facts(marks: Marks) -> list[tuple[str, str]]:
    """What the user said of needle, target, phantom and day."""
    needle = (
        (marks.needle_gauge, "{} gauge"),
        (marks.needle_length_mm, "{:g} mm long"),
        (marks.throw_mm, "throw {:g} mm"),
        (marks.notch_mm, "notch {:g} mm"),
        (marks.dead_space_mm, "dead space {:g} mm"),
    )
    target = (
        (marks.target_name or None, "{}"),
        (marks.target_kind, "{}"),
        (marks.target_true_mm, "{:g} mm across as stated"),
    )
    # A target marked once counts as marked to 1 px, which is no fact about it.
    twice = marks.target is not None and marks.target.marking_sd_px != Target.marking_sd_px
    marked = ((marks.target.marking_sd_px if marks.target and twice else None, "marked to ± {:.1f} px"),)
    pairs = (
        ("Needle", needle),
        ("Target", (*target, *marked)),
        ("Phantom", ((marks.phantom, "{}"),)),
        ("Date", ((marks.date, "{}"),)),
    )
    said = (
        (label, ", ".join(form.format(v) for v, form in parts if v is not None)) for label, parts in pairs
    )
    return [(label, words) for label, words in said if words]


def _block_facts(card: Scorecard) -> list[tuple[str, str]]:
    """What the block's file told, and the marked outline beside it."""
    marks, check = card.marks, card.size_check
    if marks.block is None:
        return []
    told = marks.of_block
    words = [marks.block]
    if told is not None and told.cast_on is not None:
        words.append(f"cast {told.cast_on}")
    if told is not None and told.medium:
        words.append("speed of sound from its file")
    facts = [("Block", ", ".join(words))]
    if told is None or told.target is None:
        return facts
    sizes = " × ".join(f"{side:g}" for side in told.target.size_mm)
    facts.append(
        ("True size by the block’s file", f"{told.target.shape}, {sizes} mm (width, length, height)")
    )
    if check is not None:
        across_sd_mm, high_sd_mm = check.sd_mm
        own = "; the scale was taken from it" if check.by_target else ""
        marked = (
            f"{check.across_mm:.1f} ± {across_sd_mm:.1f} mm across, {check.high_mm:.1f} ± {high_sd_mm:.1f} mm"
        )
        facts.append(("Size as marked", f"{marked} high{own}"))
    return facts


def _options(card: Scorecard) -> str:
    """Options of the run; of a path only the last part, so that no folder of anyone's machine is shown."""
    return wording.options_words(replace(card, options=plain(card.options)))
