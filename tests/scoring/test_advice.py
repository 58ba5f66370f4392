"""Each rule of advice on a drawn attempt that triggers it and on a near miss. All data are invented."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from needlecoach.model import CoreSample, Figure
from needlecoach.scoring import score_track
from needlecoach.scoring.advice import FLOOR, MOST, PRAISE, RULES, advise
from needlecoach.scoring.bounds import Bounds
from needlecoach.scoring.lesson import Finding, Rule, millimetres, sure
from needlecoach.scoring.motion import Scene, prepare

from .conftest import ENTRY_PX, MM_PER_PX, REGION, Drawing  # isort: skip

ROOT = Path(__file__).parents[2]
OUT = [(9, 0), (9.4, -8)]
STRAIGHT = [(0, -10), (1, 0), (3, 20), (7, 20), *OUT]
SLOW = [(0, -5), (1, 0), (6, 20), (7, 20), *OUT]
WITH_REST = [(0, -10), (1, 0), (2, 10), (4, 10), (5, 20), (7, 20), *OUT]
STROKES = [(t, 18 if i % 2 else 21) for i, t in enumerate(np.arange(3, 8.1, 0.5))]
STROKING = [(0, -10), (1, 0), *STROKES, *OUT]


def passes(*depths):
    """In and back by turns, 2 s each, out at last."""
    knots, time = [(0, -10), (1, 0)], 1
    for deep in depths:
        time += 2
        knots.append((time, deep))
    return [*knots, (time + 1, deep), (time + 3, 0), (time + 3.4, -8)]


def poorly(drawn, share):
    """The same needle with so much of its shaft to be seen."""
    drawn.change["shaft_visible_share"] = np.where(drawn.depth_mm >= 0, share, np.nan)
    return drawn


def resting_at(depth):
    """In to 10 mm, to another depth while the tip may be out of sight, a rest there, and on."""
    return [(0, -10), (1, 0), (2, 10), (2.5, 10), (3.5, depth), (4, depth), (6, 20), (7, 20), *OUT]


def fanned(turn_deg):
    """Strokes at an angle that goes to and fro by so much to each side, slowly."""
    time_s = Drawing(STROKING).time_s
    return Drawing(STROKING, angle_deg=30 + turn_deg * np.sin(time_s * 1.3))


def ending_with_the_needle_in(drawn):
    drawn.times = Drawing(drawn.knots).time_s[: 6 * 25]
    return drawn


STEEP = dict(hidden_s=((1.2, 1.5), (2, 2.3)), angle_deg=55.0)

# Rule -> what is drawn, in words (as in DEVELOPERS.md); the drawings; what its advice must say.
CASES = {
    "advancing unseen": (
        "7 mm forward in two spells out of sight", Drawing(STRAIGHT, hidden_s=((1.4, 1.75), (2.2, 2.55))),
        "2 mm forward in one", Drawing(STRAIGHT, hidden_s=((1.4, 1.6),)),
        "went 7 mm further in",
    ),
    "pushing on while lost": (
        "8 mm forward in 2 s out of sight", Drawing(SLOW, hidden_s=((2, 4),)),
        "the same 2 s with the needle at rest", Drawing(WITH_REST, hidden_s=((2, 4),)),
        "out of sight for 2.0 s on end, and the needle went 8.0 mm further in",
    ),
    "plane lost": (
        "out of sight for 1.6 s at rest on the way in", Drawing(WITH_REST, hidden_s=((2.2, 3.8),)),
        "out of sight for 0.9 s there", Drawing(WITH_REST, hidden_s=((2.2, 3.1),)),
        "lost once for 1.6 s; it came back while the needle was held still",
    ),
    "steep angle": (
        "55 degrees, half of the shaft shows, out of sight now and then",
        poorly(Drawing(STRAIGHT, **STEEP), 0.5),
        "the same with all of the shaft to be seen", poorly(Drawing(STRAIGHT, **STEEP), 1.0),
        "went in at 55 degrees",
    ),
    "stopping short": (
        "3 mm short of the near wall", Drawing(STRAIGHT, target_mm=(27, 0, 4)),
        "the same, but the clip ends with the needle in",
        ending_with_the_needle_in(Drawing(STRAIGHT, target_mm=(27, 0, 4))),
        "stopped 3.0 mm short",
    ),
    "missing to one side": (
        "the line 2 mm beside the target", Drawing(STRAIGHT, target_mm=(20, -6, 4)),
        "short of the target, the line 1 mm inside its rim",
        Drawing(STRAIGHT, target_mm=(27, -3, 4)),
        "passed 2.0 mm beside the target, on its deep side",
    ),
    "passing the far wall": (
        "4 mm past the far wall", Drawing(STRAIGHT, target_mm=(12, 0, 4)),
        "0.9 mm past it", Drawing(STRAIGHT, target_mm=(15.1, 0, 4)),
        "went 4.0 mm past",
    ),
    "repeated redirection": (
        "three passes, a hit with the last", Drawing(passes(12, 2, 13, 2, 20)),
        "three passes, a hit with the second", Drawing(passes(12, 2, 20, 10, 20)),
        "pushed forward 3 times before the tip was in the target",
    ),
    "strokes on one line": (
        "five strokes at one angle", Drawing(STROKING),
        "five strokes that swing by 5 degrees to each side", fanned(5.0),
        "kept to a line",
    ),
    "going well": (
        "one pass into the target, always in sight", Drawing(STRAIGHT),
        "the same, 1.5 mm of it out of sight", Drawing(STRAIGHT, hidden_s=((2, 2.15),)),
        "In the target with the first pass, with the tip in sight all the time",
    ),
}  # fmt: skip


def said(drawn):
    (attempt,) = drawn.score().attempts
    return {one.rule: one for one in attempt.advice}


@pytest.mark.parametrize("rule", CASES)
def test_what_triggers_a_rule_and_what_nearly_does(rule):
    _, trigger, _, near, words = CASES[rule]
    advice = said(trigger)
    assert rule in advice
    assert words in advice[rule].happened
    assert rule not in said(near)


CORE = dict(dead_space_mm=5, notch_mm=18, throw_mm=22)
CORE_CASES = {
    "fired short": (
        "held 10 mm before the best place", dict(held=2.0), "held 2 mm before it", dict(held=10.0),
        "held with the point 2 mm in, 10 mm short of the best place to fire from: 5 mm of its notch would",
    ),
    "fired too deep": (
        "fired 6 mm beyond the best place", dict(held=18.0, fired=True),
        "held 1.8 mm beyond it, the notch as long as the target", dict(held=10.8, notch_mm=12.0),
        "fired with the point 18 mm in, 6 mm beyond the best place to fire from: 9 mm of its notch lay in",
    ),
    "notch outside": (
        "the point 2 mm past the middle, not fired", dict(held=22.0, throw=0.0),
        "the point at the far wall, not fired", dict(held=25.9, throw=0.0, notch_mm=12.0),
        "The point was inside the target, but only 3 mm of the notch",
    ),
    "fired towards the edge": (
        "fired, the point 1 mm from the picture's edge", dict(held=12.0, to_edge=1.0, fired=True),
        "the point 7 mm from it", dict(held=12.0, to_edge=7.0),
        "the point ended 1 mm before the picture's edge",
    ),
}  # fmt: skip


def core_advice(held, *, fired=False, throw=22.0, to_edge=30.0, notch_mm=18.0):
    """Advice on a core needle held at a depth, target from 14 to 26 mm; figures by sums along the shaft."""
    drawn = Drawing([(0, -10), (1, 0), (3, held), (5, held), (6, 0), (6.4, -8)], target_mm=(20, 0, 6))
    track, target = drawn.track(), drawn.target
    scene = Scene.of(
        track, scale=drawn.scale, target=target, region=REGION, pass_withdrawal_mm=5.0, bounds=Bounds()
    )
    (attempt,) = score_track(track, scale=drawn.scale, target=target, region=REGION).attempts
    motion = prepare(scene, scene.spans()[0])

    def inside(tip):
        return max(0.0, min(26.0, tip - 5.0) - max(14.0, tip - 5.0 - notch_mm))

    def place(depth):
        return tuple(ENTRY_PX + depth * drawn.unit[0] / MM_PER_PX)

    values = {
        "notch_length_mm": notch_mm,
        "notch_in_target_mm": inside(held + (throw if fired else 0.0)),
        "notch_in_target_fired_mm": inside(held + throw) if throw else None,
        "fired_tip_to_edge_mm": to_edge,
        "best_fire_depth_mm": 20.0 + notch_mm / 2 + 5.0 - throw,
    }
    figures = dict(attempt.figures) | {name: Figure(name, value) for name, value in values.items()}
    best = place(20.0 + notch_mm / 2 + 5.0 - throw) if throw else None
    core = CoreSample(
        100,
        100 if fired else None,
        "tip" if fired else "",
        (place(0), place(1)),
        best_tip_px=best,
        before_frame=97 if fired else None,
    )
    return {one.rule: one for one in advise(motion, replace(attempt, core=core, figures=figures))}


@pytest.mark.parametrize("rule", CORE_CASES)
def test_what_triggers_a_rule_of_core_needles_and_what_nearly_does(rule):
    _, trigger, _, near, words = CORE_CASES[rule]
    advice = core_advice(**trigger)
    assert rule in advice
    assert words in advice[rule].happened
    assert rule not in core_advice(**near)


def test_nothing_is_none_as_the_headline_has_it():
    """Held at 17 mm, 5 mm of dead space: the notch ends at 12 mm, the target begins at 14."""
    outside = core_advice(held=17.0, throw=0.0)["notch outside"].happened
    assert "but none of the notch; 12 mm could have been" in outside
    beyond = core_advice(held=28.0, fired=True)["fired too deep"].happened
    assert "none of its notch lay in the target; fired from the best place, 12 mm would have lain" in beyond


def test_advice_on_a_firing_leads_to_the_firing():
    """Frame 100; the needle stood before it in frame 97 (invented)."""
    assert core_advice(held=18.0, fired=True)["fired too deep"].frame == 100


def test_a_hit_without_a_firing_seen_is_not_held_against_firing():
    assert "fired too deep" not in core_advice(held=18.0)
    assert "fired too deep" in core_advice(held=18.0, fired=True)
    assert "fired towards the edge" not in core_advice(held=18.0, to_edge=-5.0)


def test_a_core_needle_is_not_told_to_keep_its_point_in_the_target():
    advice = core_advice(held=30.0, throw=0.0)
    assert not {"passing the far wall", "stopping short", "strokes on one line"} & advice.keys()


def test_every_rule_has_its_cases_and_its_row_in_the_document():
    cases = CASES | CORE_CASES
    rules = {rule.name: rule for rule in (*RULES, PRAISE)}
    assert rules.keys() == cases.keys()
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = re.search(r"^\| rule of advice .*\n\|[- |]+\n((?:\|.*\n)+)", text, re.M)
    assert table, "no table of the rules"
    rows = [[cell.strip() for cell in row.strip("|").split("|")] for row in table[1].splitlines()]
    assert {row[0]: (row[1], row[3], row[4]) for row in rows} == {
        name: (rule.evidence, cases[name][0], cases[name][2]) for name, rule in rules.items()
    }


def test_every_rule_says_its_evidence_where_it_stands():
    for rule in (*RULES, PRAISE):
        assert "Evidence:" in " ".join((rule.find.__doc__ or "").split()), rule.name


@pytest.mark.parametrize(
    "drawn", [trigger for _, trigger, *_ in CASES.values()], ids=[name.replace(" ", "-") for name in CASES]
)
def test_sentences_are_whole_and_at_most_three(drawn):
    (attempt,) = drawn.score().attempts
    assert len(attempt.advice) <= MOST
    assert [one.weight for one in attempt.advice] == sorted((a.weight for a in attempt.advice), reverse=True)
    for one in attempt.advice:
        assert FLOOR <= one.weight <= 1
        assert attempt.first_frame <= one.frame <= attempt.last_frame
        assert one.time_s == drawn.track().time_s[one.frame]
        for sentence in (one.happened, one.why, one.try_next):
            assert re.fullmatch(r"[A-Z].*[^ .]\.", sentence)
            assert "nan" not in sentence and "None" not in sentence
            assert "patient" not in sentence.lower()
        assert not re.search(r"\d\.\d\d", one.happened + one.try_next)  # no false precision


# ---- how the tip was found again


@pytest.mark.parametrize(
    ("knots", "hidden_s", "words"),
    [
        (resting_at(6), (2.2, 3.8), "drawn back by 4.0 mm"),
        (resting_at(12.4), (2.2, 3.8), "pushed on by 2.4 mm"),
        (STRAIGHT, (5, 8.5), "it was not found again before the needle was drawn back"),
    ],
)  # fmt: skip
def test_how_the_plane_was_regained(knots, hidden_s, words):
    assert words in said(Drawing(knots, hidden_s=(hidden_s,)))["plane lost"].happened


def test_who_held_still_is_not_told_to():
    assert said(Drawing(WITH_REST, hidden_s=((2.2, 3.8),)))["plane lost"].try_next.startswith("Go on keeping")
    assert said(Drawing(resting_at(6), hidden_s=((2.2, 3.8),)))["plane lost"].try_next.startswith("Keep the")


def test_a_tip_lost_while_drawn_out_is_not_lost_on_the_way_in():
    assert "plane lost" not in said(Drawing(STRAIGHT, hidden_s=((7.5, 9),)))


@pytest.mark.parametrize(("share", "words"), [(0.0, "slide or tilt it"), (0.5, "rotate it")])
def test_what_to_do_with_the_probe_depends_on_what_shows(share, words):
    drawn = poorly(Drawing(WITH_REST, hidden_s=((2.2, 3.8),)), share)
    assert words in said(drawn)["plane lost"].try_next


# ---- geometry


def test_where_a_flatter_needle_would_go_in():
    # Target 20 mm along 55 degrees, so 16.4 mm deep: 16.38 (1 / tan 40 - 1 / tan 55) = 8.05 mm further away.
    drawn = poorly(Drawing(STRAIGHT, hidden_s=((1.2, 1.5), (2, 2.3)), angle_deg=55.0), 0.5)
    assert "about 8 mm further from the probe" in said(drawn)["steep angle"].try_next
    assert "at 40 degrees" in said(drawn)["steep angle"].try_next


def test_by_how_much_to_turn():
    # 6 mm across at 20 mm along: atan(6 / 20) = 16.7 degrees.
    shallow = said(Drawing(STRAIGHT, target_mm=(20, -6, 4)))["missing to one side"]
    deep = said(Drawing(STRAIGHT, target_mm=(20, 6, 4)))["missing to one side"]
    assert "about 17 degrees flatter" in shallow.try_next
    assert "about 17 degrees steeper" in deep.try_next
    assert "on its shallow side" in deep.happened


def test_a_line_along_the_rim_is_off_though_it_meets_the_target():
    rim = said(Drawing(STRAIGHT, target_mm=(27, -3.8, 4), tip_sd_mm=0.3))
    assert "ran along the target's deep rim, 3.8 mm from its middle" in rim["missing to one side"].happened
    assert "stopping short" not in rim


# ---- choosing


def test_what_is_within_uncertainty_is_not_said():
    close = dict(target_mm=(24.2, 0, 4))
    assert "stopping short" in said(Drawing(STRAIGHT, **close))
    assert "stopping short" not in said(Drawing(STRAIGHT, tip_sd_mm=1.5, **close))


def test_rules_that_say_nearly_the_same_are_said_once():
    advice = said(Drawing(SLOW, hidden_s=((2, 4),)))
    assert {"pushing on while lost", "advancing unseen", "plane lost"} & advice.keys() == {
        "pushing on while lost"
    }


def test_weightiest_first_one_of_a_kind_and_no_more_than_three(monkeypatch, drawing):
    def rule(name, about, effect):
        return Rule(name, about, "ours, untested", lambda *_: Finding(0, "A.", "B.", "C.", effect, 1.0))

    invented = [
        ("a", "x", 0.3),
        ("b", "x", 0.8),
        ("c", "y", 0.5),
        ("d", "z", 0.05),
        ("e", "v", 0.6),
        ("f", "w", 0.2),
    ]
    monkeypatch.setattr("needlecoach.scoring.advice.RULES", tuple(rule(*one) for one in invented))
    assert list(said(drawing())) == ["b", "e", "c"]


def test_low_confidence_keeps_silent():
    drawn = Drawing(STRAIGHT, target_mm=(27, 0, 4))
    drawn.change["target_found"] = np.arange(len(drawn.time_s)) % 12 == 0
    assert drawn.figures()["confidence"] < 0.1
    assert said(drawn) == {}


def test_an_attempt_that_was_not_followed_teaches_nothing():
    drawn = Drawing(STRAIGHT, hidden_s=((0, 10),))
    drawn.change["shaft_visible_share"] = np.zeros(len(drawn.time_s))
    (attempt,) = drawn.score().attempts
    assert attempt.outcome == "unscorable"
    assert attempt.advice == ()


def test_without_a_target_sight_is_still_taught():
    assert list(said(Drawing(SLOW, hidden_s=((2, 4),), target_mm=None))) == ["pushing on while lost"]


def test_certainty_is_the_share_of_a_normal_distribution():
    # 68.27 and 95.45 % lie within one and two standard deviations (any table of the normal distribution).
    assert [sure(0, 1), sure(-1, 1), sure(1, 0)] == [0.0, 0.0, 1.0]
    assert [sure(1, 1), sure(2, 1)] == pytest.approx([0.6827, 0.9545], abs=1e-4)


@pytest.mark.parametrize(
    ("value", "sd", "words"),
    [(3.04, 0.1, "3.0 mm"), (3.04, 0.5, "3 mm"), (12.3, 0.1, "12 mm"), (0.4, 0.5, "under 1 mm")],
)
def test_lengths_are_said_no_finer_than_known(value, sd, words):
    assert millimetres(value, sd) == words
