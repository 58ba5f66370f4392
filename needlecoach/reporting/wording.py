"""Figures and findings in plain words, with no more digits than are known."""

from __future__ import annotations

import math

from needlecoach.model import ASSUMED_M_S, Attempt, Correction, Figure, Scorecard
from needlecoach.reporting.rounding import in_words

NO_BREAK = "\u00a0"
_DECIMALS = {"mm": 1, "s": 1, "deg": 0, "°": 0, "mm/s": 0, "bits": 1, "count": 0, "px": 0, "": 1}
_UNIT_SIGNS = {"deg": "°", "share": "%", "count": ""}
# Shares of time: shown as percent.
_SHARES = {
    "tip_visibility_share",
    "tip_visibility_advancing",
    "path_efficiency",
    "scale_sd_share",
    "confidence",
}
# A region of at least this share of the frame leaves nothing of the screen out.
WHOLE_SHARE = 0.95
# Distances to the outline whose sign tells the side.
_SIGNED_EDGES = {"closest_edge_mm", "trail_end_edge_mm"}
# Distances whose sign tells a direction, in words for above and below 0.
_DIRECTIONS = {
    "offset_along_mm": ("beyond the centre", "short of the centre"),
    "offset_across_mm": ("deeper than the centre", "shallower than the centre"),
    "fired_tip_beyond_far_wall_mm": ("beyond", "short of it"),
    "fired_tip_to_edge_mm": ("", "beyond the picture"),
}

# What both sides of such a distance are called, above 0 and below.
SIDES = {
    **dict.fromkeys(_SIGNED_EDGES, ("outside", "inside")),
    **_DIRECTIONS,
    "fired_tip_to_edge_mm": ("within the picture", "beyond the picture"),
}

# Shown large on the page; everything else is in the full table. The order is that of reading.
KEY_FIGURES = (
    "time_to_target_s",
    "closest_edge_mm",
    "closest_centre_mm",
    "dwell_in_target_s",
    "passes",
    "redirections",
    "tip_visibility_share",
    "blind_advance_mm",
    "duration_s",
)
# The same for a core sample, which comes from behind the point.
CORE_KEY_FIGURES = (
    "notch_in_target_mm",
    "notch_in_target_before_mm",
    "notch_in_target_fired_mm",
    "fired_tip_beyond_far_wall_mm",
    "fired_tip_to_edge_mm",
    "best_fire_depth_mm",
    "passes",
    "redirections",
    "tip_visibility_share",
    "blind_advance_mm",
    "duration_s",
)
# Of a firing that was not seen, these are what would come of one.
_IF_FIRED = {"notch_in_target_fired_mm", "fired_tip_beyond_far_wall_mm", "fired_tip_to_edge_mm"}
# Shown for a clip with a target only.
_TARGET_FIGURES = {
    "notch_in_target_mm",
    "notch_in_target_before_mm",
    "notch_in_target_fired_mm",
    "fired_tip_beyond_far_wall_mm",
    "best_fire_depth_mm",
    "outcome",
    "time_to_target_s",
    "dwell_in_target_s",
    "closest_edge_mm",
    "closest_centre_mm",
    "offset_along_mm",
    "offset_across_mm",
    "overshoot_mm",
    "index_of_difficulty",
    "trail_end_edge_mm",
}
# Shown for a core sample only; an aspirate has none of them.
_CORE_FIGURES = {
    "notch_start_mm",
    "notch_length_mm",
    "notch_in_target_mm",
    "notch_in_target_before_mm",
    "notch_in_target_fired_mm",
    "throw_mm",
    "fired_tip_beyond_far_wall_mm",
    "fired_tip_to_edge_mm",
    "best_fire_depth_mm",
    "fired_s",
}
# Finer than this no mm is shown: a tip's own width and the picture's pixels make hundredths meaningless.
_FINEST_MM_DECIMALS = 1
# A distance less sure than this, and than its own size, is no measurement (the bound is ours).
UNSURE_MM = 5.0

# Said elsewhere on a page.
_SHOWN_ABOVE = {"attempt", "scale_source", "scale_sd_share", "confidence"}

EVIDENCE_WORDS = (
    "Evidence says how well a figure is founded: “published” follows a published definition, and says "
    "what was "
    "shown with it; “common practice” is usual in courses and studies, in differing definitions; “ours, "
    "untested” is our own definition, not yet tested against learning or outcome; “plain reading” only "
    "counts "
    "or measures and judges nothing."
)
NO_NEEDLE = (
    "No needle was followed in this clip: nothing came in from an edge of the picture and moved along its "
    "own axis (a needle that lies still from the first frame to the last is not recognised)."
)


def figure_text(figure: Figure, *, finer: int = 0) -> str:
    """Return a figure with its uncertainty and unit, such as "0.7 ± 0.3 mm"; a dash when it is unknown.

    A distance of which next to nothing is known is given by its uncertainty alone.

    The spaces within are no-break ones, so that a number keeps its unit. `finer` are more decimals.
    """
    value = figure.value
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    if (sd := _too_unsure_mm(figure)) is not None:
        return f"not known well enough (±\u00a0{in_words(sd, 'mm', decimals=0)}\u00a0mm)"
    if figure.name in _SIGNED_EDGES:
        side, value = ("inside" if value < 0 else "outside"), abs(value)
        return f"{_with_uncertainty(value, figure, decimals=1, finer=finer)} {side}"
    if figure.name in _DIRECTIONS:
        return _directed(value, figure, finer)
    return _with_uncertainty(value, figure, decimals=_decimals(figure), finer=finer)


def _too_unsure_mm(figure: Figure) -> float | None:
    """Uncertainty of a distance that is too unsure to be shown, mm; None for any other figure."""
    value, sd = figure.value, figure.sd
    if figure.unit != "mm" or not isinstance(value, (int, float)) or sd is None or not math.isfinite(sd):
        return None
    return sd if sd > max(UNSURE_MM, abs(value)) else None


def exact_text(figure: Figure) -> str:
    """Return a figure with every digit that was written, such as a limit, and its unit as `figure_text`."""
    assert isinstance(figure.value, (int, float))
    number = (100 if figure.name in _SHARES else 1) * figure.value
    return _with_unit(f"{number:.10g}".replace("-", "−"), figure.value, figure)


def _directed(value: float, figure: Figure, finer: int) -> str:
    """Return a distance with the word for its direction, without one where it is 0 as shown."""
    text = _with_uncertainty(abs(value), figure, decimals=1, finer=finer)
    if not any(digit in "123456789" for digit in text.split("\u00a0")[0]):
        return text
    return f"{text} {_DIRECTIONS[figure.name][0 if value > 0 else 1]}".rstrip(" ")


def _with_uncertainty(value: float, figure: Figure, *, decimals: int, finer: int = 0) -> str:
    """Return "value ± sd unit", rounded to where the uncertainty begins; without one to `decimals`."""
    factor = 100 if figure.name in _SHARES else 1
    sd = figure.sd if figure.sd is not None and math.isfinite(figure.sd) and figure.sd > 0 else None
    if sd is not None:
        # Where its first digit stands once it is rounded: 0.098 is 0.1, and says nothing of hundredths.
        first = -math.floor(math.log10(sd * factor))
        first -= round(sd * factor, first) >= 10.0 ** (1 - first)
        finest = _FINEST_MM_DECIMALS if figure.unit == "mm" else decimals + 1
        decimals = max(0, min(finest, first))
    decimals += finer
    text = in_words(value, figure.unit, decimals=decimals, factor=factor).replace("-", "−")
    if sd is not None:
        # Never "± 0": an uncertainty below the last digit shown is rounded up to it.
        least = 10**-decimals / factor
        text += f"\u00a0±\u00a0{in_words(max(sd, least), figure.unit, decimals=decimals, factor=factor)}"
    return _with_unit(text, value, figure)


def _with_unit(text: str, value: float, figure: Figure) -> str:
    """A number in words with its unit behind a no-break space; degrees have none."""
    sign = "%" if figure.name in _SHARES else _UNIT_SIGNS.get(figure.unit, figure.unit)
    if sign == "":
        return f"{text}{_unitless(value, figure)}"
    if sign == "bits" and text == "1":
        sign = "bit"
    return f"{text}{'' if sign == '°' else NO_BREAK}{sign}"


def _unitless(value: float, figure: Figure) -> str:
    """What stands in place of a unit: nothing for a count whose title names what is counted."""
    if figure.name == "plane_losses":
        return "\u00a0time" if value == 1 else "\u00a0times"
    return "" if isinstance(value, int) else " (no unit)"


def sd_words(figure: Figure) -> str:
    """Say what stands behind ±; empty for what has no uncertainty by its nature or is not known."""
    value = figure.value
    if value is None or isinstance(value, (str, bool)) or figure_text(figure) == "–":
        return ""
    if figure.sd is not None and math.isfinite(figure.sd) and figure.sd > 0:
        return "± is one standard uncertainty: about two of three such values lie within it of the true one."
    return "No uncertainty is stated for it."


def grade_words(figure: Figure) -> str:
    """The grade of evidence alone, without what was shown; empty when a figure has none."""
    return figure.evidence.split(":")[0]


def shown_figures(card: Scorecard, attempt: Attempt) -> list[Figure]:
    """Figures of an attempt that a page shows: none that needs a target or a core needle where none is."""
    left_out = _SHOWN_ABOVE if card.marks.target is not None else _SHOWN_ABOVE | _TARGET_FIGURES
    if card.marks.task != "core":
        left_out = left_out | _CORE_FIGURES
    return [figure for name, figure in attempt.figures.items() if name not in left_out]


def key_figures(card: Scorecard, attempt: Attempt) -> tuple[str, ...]:
    """Names of the figures to show large, in order: of a core sample none that says the same twice."""
    if card.marks.task != "core":
        return KEY_FIGURES
    seen = attempt.core is not None and attempt.core.fired_frame is not None
    same = "notch_in_target_fired_mm" if seen else "notch_in_target_before_mm"
    return tuple(name for name in CORE_KEY_FIGURES if name != same)


def condition_words(attempt: Attempt, figure: Figure) -> str:
    """Label a figure of a core sample that was not measured but given, or reckoned without a firing seen."""
    core = attempt.core
    if core is None or figure_text(figure) == "–":
        return ""
    if figure.name == "notch_length_mm" or (figure.name == "throw_mm" and core.fired_part != "tip"):
        return "as given"
    return "if fired" if core.fired_frame is None and figure.name in _IF_FIRED else ""


def core_words(card: Scorecard, attempt: Attempt) -> list[str]:
    """Say where a core sample comes from, whether a firing was seen, and what else is to be known of it."""
    needle, core = card.marks.core, attempt.core
    if needle is None or core is None:
        return []
    where = (
        "The sample comes from the notch, a hollow in the needle’s side: it begins "
        f"{needle.dead_space_mm:g}\u00a0mm behind the point and is {needle.notch_mm:g}\u00a0mm long, as "
        "given."
    )
    return [where, _firing_words(card, attempt), *core.notes]


def _firing_words(card: Scorecard, attempt: Attempt) -> str:
    core = attempt.core
    assert core is not None and card.marks.core is not None
    if core.fired_frame is not None:
        at = _fired_at(card, core.fired_frame)
        return f"A firing was seen{at}{_FIRED_PARTS[core.fired_part]}."
    if card.marks.core.throw_mm is None:
        return (
            "No firing was seen, and the throw (how far the needle jumps forward when fired) was not "
            "given, so "
            "what would come of firing is not known."
        )
    return (
        "No firing was seen. What is marked “if fired” is no measurement: it is what would come of "
        "firing from "
        f"where the point was held, with the throw of {card.marks.core.throw_mm:g}\u00a0mm that was given."
    )


_FIRED_PARTS = {
    "tip": ": the point jumped forward",
    "sheath": ": the sheath closed over the notch, and the point stayed where it was",
    "": "",
}


def _fired_at(card: Scorecard, frame: int) -> str:
    if not 0 <= frame < len(card.track):
        return ""
    return f" at {in_words(float(card.track.time_s[frame]), 's', decimals=1)}\u00a0s"


def correction_words(one: Correction) -> str:
    """Say what a correction put right."""
    if one.kind == "tip" and one.tip_px is not None:
        seen = "and can be seen" if one.visible else "but can’t be seen"
        return f"the tip is at x {one.tip_px[0]:.1f}, y {one.tip_px[1]:.1f} px {seen}"
    return {
        "tip hidden": "the tip can’t be seen",
        "no needle": "no needle is in the picture",
        "split attempt": "a new attempt begins",
        "join attempts": "the attempt that begins belongs to the one before",
        "split pass": "a new pass begins",
        "join passes": "the pass that begins belongs to the one before",
    }[one.kind]


def is_unscorable(attempt: Attempt, *, with_target: bool) -> bool:
    """Tell whether an attempt has nothing to show; one that only lacks a target has its other figures."""
    return attempt.outcome == "unscorable" and (with_target or _value(attempt, "passes") is None)


def headline(attempt: Attempt, *, with_target: bool) -> str:
    """Return one sentence that says what happened in an attempt."""
    start = f"Attempt {attempt.number}: "
    if is_unscorable(attempt, with_target=with_target):
        return f"{start}can’t be scored{': ' if attempt.reason else ''}{attempt.reason.rstrip('.')}."
    passes = _passes_words(attempt)
    if not with_target:
        return f"{start}{_joined(_text(attempt, 'duration_s', 'the needle was in for {}'), passes)}."
    if attempt.core is not None:
        seen = "" if attempt.core.fired_frame is not None else "no firing seen"
        return f"{start}{_joined(_notch_words(attempt), passes, seen)}."
    edge_mm = _value(attempt, "closest_edge_mm")
    if attempt.outcome == "hit":
        words = _text(attempt, "time_to_target_s", "the tip reached the target after {}")
        words = words or "the tip reached the target"
        close = _text(attempt, "closest_centre_mm", "closest to the centre {}")
        return f"{start}{_joined(words, passes, close)}."
    if attempt.outcome == "borderline":
        close = _text(attempt, "closest_edge_mm", "closest to its outline {}")
        return f"{start}{_joined('too close to call whether the tip reached the target', passes, close)}."
    if isinstance(edge_mm, (int, float)) and edge_mm < 0:
        words = "the tip was in the target too briefly to count as reaching it"
        return f"{start}{_joined(words, passes)}."
    words = _text(attempt, "closest_edge_mm", "the tip missed the target by {}").removesuffix(" outside")
    words = words or "the tip missed the target"
    return f"{start}{_joined(words, passes)}."


def _notch_words(attempt: Attempt) -> str:
    """What of a core needle's notch lay in the target, which is what its outcome goes by."""
    if attempt.outcome == "hit":
        words = _text(attempt, "notch_in_target_mm", "{} of the notch lay inside the target")
        return words or "the notch lay inside the target"
    if attempt.outcome == "borderline" and attempt.reason:
        return f"too close to call: {attempt.reason.rstrip('.')}"
    if attempt.outcome == "borderline":
        length = _text(attempt, "notch_in_target_mm", " ({})")
        return f"too close to call whether any of the notch lay inside the target{length}"
    return "none of the notch lay inside the target"


def _joined(*parts: str) -> str:
    """Join the parts that say something."""
    return ", ".join(part for part in parts if part)


def _passes_words(attempt: Attempt) -> str:
    """Return "1 pass", "3 passes" or "no full pass"."""
    count = _value(attempt, "passes")
    if not isinstance(count, int):
        return ""
    return {0: "no full pass", 1: "1 pass"}.get(count, f"{count} passes")


def _value(attempt: Attempt, name: str) -> float | int | str | bool | None:
    """Value of a figure, None when it is missing or unknown."""
    figure = attempt.figures.get(name)
    return None if figure is None else figure.value


def _text(attempt: Attempt, name: str, sentence: str) -> str:
    """Put a figure into a sentence; empty when it is missing, unknown or too unsure."""
    figure = attempt.figures.get(name)
    text = "–" if figure is None or _too_unsure_mm(figure) is not None else figure_text(figure)
    return "" if text == "–" else sentence.format(text)


def _decimals(figure: Figure) -> int:
    """Decimals of a figure without uncertainty."""
    if figure.name in _SHARES or isinstance(figure.value, int):
        return 1 if figure.name == "scale_sd_share" else 0
    return _DECIMALS.get(figure.unit, 2)


def replay_words(card: Scorecard) -> str:
    """What of the screen the replay shows: names must not be thought cut off where they are not."""
    if card.options.get("keep_screen"):
        return (
            "The whole screen is shown, as asked for with --keep-screen: look for names on it before it is "
            "passed on."
        )
    _, _, width, height = card.region.box_px
    if width * height >= WHOLE_SHARE * card.clip.width_px * card.clip.height_px:
        return (
            "The ultrasound picture fills the frame, so all of it is kept: look for names on it before it is "
            "shown, or give --region."
        )
    return "Only the ultrasound picture is kept; the rest of the screen is left out."


def confidence_words(confidence: float) -> str:
    """Say how far the result can be trusted. The bounds are a choice of ours."""
    if not math.isfinite(confidence):
        return "not known"
    if confidence >= 0.8:
        return "high: the needle was followed well"
    if confidence >= 0.5:
        return "fair: check the replay before relying on single figures"
    return "low: take the figures as hints only and look at the replay"


def no_target_words(card: Scorecard) -> str:
    """Say why nothing about a target is shown; empty for a clip with one."""
    if card.marks.target is not None:
        return ""
    if card.options.get("no_target"):
        return "Scored without its target, as asked, so nothing that needs a target is shown."
    return "No target was marked in this clip, so nothing that needs a target is shown."


# A screen's own recording has something beside the picture.
FILLED_SHARE = 0.97
CAMERA_HINT = " If a camera filmed the screen, give --screen auto."


def lines_of(card: Scorecard) -> list[str]:
    """Lines that tell of a scored clip on a terminal: one per attempt, or what to check without any."""
    if card.attempts:
        return [headline(one, with_target=card.marks.target is not None) for one in card.attempts]
    return [NO_NEEDLE, no_needle_hint(card)]


def no_needle_hint(card: Scorecard) -> str:
    """Say what to check when no needle was found: a wrong scale or region hides one."""
    box_px = card.region.box_px
    wide_mm, high_mm = card.scale.to_mm(box_px[2:])
    return (
        f"Check that the scale ({_scale_size(card)} mm per pixel, which makes the picture {wide_mm:.1f} × "
        f"{high_mm:.1f} mm) and the region (x,y,w,h {','.join(map(str, box_px))}, {card.region.source}) "
        "are right." + (CAMERA_HINT if _fills_frame(card) else "")
    )


def _fills_frame(card: Scorecard) -> bool:
    """Tell whether the picture was taken to fill the frame of a recording that no camera is known of."""
    width_px, height_px = card.region.box_px[2:]
    share = width_px * height_px / (card.clip.width_px * card.clip.height_px)
    return card.screen is None and card.region.source == "found" and share > FILLED_SHARE


def _scale_size(card: Scorecard) -> str:
    """Millimetres per pixel, as one number where both axes agree."""
    x, y = card.scale.x_mm_per_px, card.scale.y_mm_per_px
    return f"{x:.3g}" if math.isclose(x, y, rel_tol=0.002) else f"{x:.3g} across and {y:.3g} down"


def options_words(card: Scorecard) -> str:
    """Return the options of the run in words, joined by semicolons; one not known here keeps its name."""
    parts = []
    for name, value in card.options.items():
        match name, value:
            case "no_target", _:
                parts.append("without a target" if value else "with the target")
            case "fps", _:
                parts.append(_rate_words(card, value))
            case "keep_screen", _:
                parts.append("the whole screen shown" if value else "the ultrasound picture shown only")
            case "pass_withdrawal_mm", float() | int():
                parts.append(f"a new pass begins after a withdrawal of {value:g} mm")
            case "standard", {"name": said, "criteria": [*criteria]}:
                n = len(criteria)
                parts.append(f"held against “{said}” ({n} {'criterion' if n == 1 else 'criteria'})")
            case _:
                parts.append(f"{name.replace('_', ' ')}: {value}")
    return "; ".join(parts)


def _rate_words(card: Scorecard, fps: object) -> str:
    """Say what gave the frames their times."""
    if card.clip.kind == "images" and isinstance(fps, (float, int)):
        return f"{fps:g} pictures a second, as given"
    if card.clip.kind == "dicom":
        return "times from the DICOM file" if fps is None else f"times from the file, else {fps:g} a second"
    return "times from the video’s own time stamps"


def scale_words(card: Scorecard) -> str:
    """Say where millimetres come from and how sure they are."""
    scale = card.scale
    if scale.sd_share == 0:  # a stated size of a pixel comes without one
        known = "its uncertainty was not stated, and counts as none in every ±"
    else:
        known = f"known to {figure_text(Figure('scale_sd_share', scale.sd_share))}"
    return f"{_scale_size(card)} mm per pixel (source: {scale.source}), {known}"


def sound_words(card: Scorecard) -> str:
    """Say what speed of sound depths go by, and how much that changed them."""
    if card.sound is None:
        return (
            "nothing was corrected: depths are as the scanner shows them, which is taken to assume "
            f"{ASSUMED_M_S:g} m/s (in water or gel they come out some per cent too long)"
        )
    sound = card.sound
    known = f" ± {max(sound.sd_m_s, 0.1):.2g}" if sound.sd_m_s else ""
    speeds = f"{ASSUMED_M_S:g}, which the scanner is taken to assume, to {sound.speed_m_s:.1f}{known} m/s"
    words = f"depths corrected along the beam from {speeds} ({sound.source})"
    shown_mm = _target_depth_mm(card)
    if shown_mm is None:
        return f"{words}, which changes every depth by {100 * (sound.stretch - 1):+.1f}{NO_BREAK}%".replace(
            "-", "−"
        )
    change_mm = shown_mm * (sound.stretch - 1)
    size = f"{abs(change_mm):.1f}" if abs(change_mm) >= 0.05 else "under 0.1"
    return (
        f"{words}: the target’s centre, shown at a depth of {shown_mm:.1f} mm, lies at "
        f"{shown_mm + change_mm:.1f} mm, {size} mm {'less' if change_mm < 0 else 'more'}"
    )


def _target_depth_mm(card: Scorecard) -> float | None:
    """Depth of the marked target's centre along the beam, as shown; None without a target."""
    if card.marks.target is None:
        return None
    return float(card.region.depth_px(card.marks.target.centre_px)) * card.scale.y_mm_per_px
