"""Advice on one attempt: what to try next time, at most three things, the weightiest first.

The rules stand in `lessons_sight`, `lessons_aim` and `lessons_core`, each with its bounds and where they are
from. Which of them are said is decided here. None of it is about patients: it is about practice on phantoms.
Time taken is no rule: standing still to look is right, and no recording tells it from hesitation.
"""

from __future__ import annotations

from needlecoach.model import Advice, Attempt
from needlecoach.scoring import lessons_aim, lessons_core, lessons_sight
from needlecoach.scoring.lesson import Finding, Rule, number
from needlecoach.scoring.motion import Motion

MOST = 3
# What weighs less is not worth a learner's attention: a tenth of what the exercise wants, surely lost (ours).
FLOOR = 0.1

RULES: tuple[Rule, ...] = (
    Rule("advancing unseen", "sight", "common practice", lessons_sight.advancing_unseen),
    Rule("pushing on while lost", "sight", "common practice", lessons_sight.pushing_on_while_lost),
    Rule("plane lost", "sight", "common practice", lessons_sight.plane_lost),
    Rule("steep angle", "angle", "published", lessons_sight.steep_angle),
    Rule("stopping short", "aim", "ours, untested", lessons_aim.stopping_short),
    Rule("missing to one side", "aim", "ours, untested", lessons_aim.missing_to_one_side),
    Rule("passing the far wall", "depth", "ours, untested", lessons_aim.passing_the_far_wall),
    Rule("repeated redirection", "passes", "common practice", lessons_aim.repeated_redirection),
    Rule("strokes on one line", "strokes", "common practice", lessons_aim.strokes_on_one_line),
    Rule("fired short", "notch", "ours, untested", lessons_core.fired_short),
    Rule("fired too deep", "notch", "ours, untested", lessons_core.fired_too_deep),
    Rule("notch outside", "notch", "ours, untested", lessons_core.notch_outside),
    Rule("fired towards the edge", "edge", "common practice", lessons_core.fired_towards_the_edge),
)
PRAISE = Rule("going well", "praise", "ours, untested", lessons_aim.going_well)


def advise(motion: Motion | None, attempt: Attempt) -> tuple[Advice, ...]:
    """Pick what is worth saying about an attempt.

    Parameters
    ----------
    motion : the attempt made ready; None when its needle could not be followed
    attempt : with its figures and outcome

    Returns
    -------
    tuple of Advice
        At most three, the weightiest first; of rules that say nearly the same only one. One of praise when
        nothing is to be mended and all went well. None where the needle could not be followed: what was not
        seen teaches nothing.

    Notes
    -----
    Weight is effect times certainty times the attempt's confidence, 0-1; nothing below 0.1 is said.
    """
    if motion is None or not any(number(attempt, name) is not None for name in ("confidence", "passes")):
        return ()
    chosen: list[Advice] = []
    taken: set[str] = set()
    for rule, advice in sorted(_found(motion, attempt), key=lambda pair: -pair[1].weight):
        if advice.weight >= FLOOR and rule.about not in taken and len(chosen) < MOST:
            taken.add(rule.about)
            chosen.append(advice)
    if not chosen and (finding := PRAISE.find(motion, attempt)) is not None:
        chosen = [_advice(PRAISE, finding, motion, attempt)]
    return tuple(chosen)


def _found(motion: Motion, attempt: Attempt) -> list[tuple[Rule, Advice]]:
    findings = [(rule, rule.find(motion, attempt)) for rule in RULES]
    return [(rule, _advice(rule, found, motion, attempt)) for rule, found in findings if found is not None]


def _advice(rule: Rule, found: Finding, motion: Motion, attempt: Attempt) -> Advice:
    trust = number(attempt, "confidence")
    weight = found.effect * found.certainty * (1.0 if trust is None else trust)
    return Advice(
        rule=rule.name,
        frame=motion.span.first_frame + found.row,
        time_s=float(motion.time_s[found.row]),
        happened=found.happened,
        why=found.why,
        try_next=found.try_next,
        weight=min(1.0, max(0.0, weight)),
    )
