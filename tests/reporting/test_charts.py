"""Charts: what they show, that they take the page's colours, and that they draw quickly."""

import re
import time
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from needlecoach.model import Attempt
from needlecoach.reporting.charts import Charts, _path_mm
from needlecoach.reporting.sheet import PALETTE


def plan_chart(card, attempt) -> str:
    return Charts(card).plan(attempt)


def time_chart(card, attempt) -> str:
    return Charts(card).time(attempt).wide


@pytest.mark.parametrize("draw", [plan_chart, time_chart])
def test_chart_is_well_formed_named_and_colourless_by_itself(card, draw):
    text = draw(card, card.attempts[0])
    root = ElementTree.fromstring(text)
    assert root.get("role") == "img"
    assert root.get("aria-label").startswith("Attempt 1")
    assert root.get("viewBox") and root.get("width") is None
    for name, colour in PALETTE.items():
        assert colour not in text, name
    assert "var(--seen)" in text and "var(--target)" in text


def test_chart_reaches_for_nothing_outside(card):
    text = time_chart(card, card.attempts[0]) + plan_chart(card, card.attempts[0])
    assert re.findall(r'(?:href|src)="(?!#)', text) == []


def test_ids_of_two_charts_on_a_page_differ(card):
    charts = [plan_chart(card, card.attempts[0]), *Charts(card).time(card.attempts[0])]
    ids = [set(re.findall(r'\bid="([^"]+)"', chart)) for chart in charts]
    assert all(ids)
    assert sum(len(one) for one in ids) == len(set.union(*ids))


def test_chart_does_not_depend_on_those_drawn_before(card):
    """One sheet serves all charts of a clip: nothing of the chart before may be left on it."""
    passes = (card.attempts[0].passes[0],) * 3
    other = replace(card.attempts[0], number=2, first_frame=20, last_frame=50, passes=passes)
    charts = Charts(card)
    former = charts.plan(other), charts.time(other)
    assert charts.plan(card.attempts[0]) == plan_chart(card, card.attempts[0]) != former[0]
    assert charts.time(card.attempts[0]) == Charts(card).time(card.attempts[0]) != former[1]


def test_narrow_chart_says_the_same_in_less_width(card):
    wide, narrow = Charts(card).time(card.attempts[0])
    widths = [float(ElementTree.fromstring(one).get("viewBox").split()[2]) for one in (wide, narrow)]
    assert widths[1] < 0.5 * widths[0]
    numbers = re.compile(r"[−\d.]+")
    said = [{word for word in words(one) if not numbers.fullmatch(word)} for one in (wide, narrow)]
    assert said[0] == said[1]


def words(chart: str) -> list[str]:
    """Texts written in a chart."""
    return [node.text for node in ElementTree.fromstring(chart).iter() if node.tag.endswith("}text")]


def test_time_chart_names_states_passes_and_the_inside(card):
    said = words(time_chart(card, card.attempts[0]))
    for word in ("seen", "not seen", "no needle", "pass 1", "inside the target", "tip to outline, mm"):
        assert word in said


def test_inferred_stretch_is_hatched_and_dashed(card):
    text = time_chart(card, card.attempts[0])
    assert "<pattern" in text
    assert "stroke-dasharray" in text
    seen_only = replace(card, track=replace(card.track, tip_visible=card.track.needle_present))
    assert "url(#h" not in time_chart(seen_only, card.attempts[0]).split("</defs>", 1)[0]
    assert text.count("url(#h") > time_chart(seen_only, card.attempts[0]).count("url(#h")


def test_without_target_the_time_chart_is_a_strip_only(card):
    bare = replace(card, marks=replace(card.marks, target=None), distances={})
    said = words(time_chart(bare, card.attempts[0]))
    assert "seen" in said and "tip to outline, mm" not in said
    assert "mm right of where the tip came in" in words(plan_chart(bare, card.attempts[0]))


def test_without_any_tip_there_is_no_plan(card, needleless_card):
    assert plan_chart(needleless_card, card.attempts[0]) == ""


def test_passes_are_numbered_in_the_plan_when_there_are_several(card):
    one = card.attempts[0].passes[0]
    three = replace(card.attempts[0], passes=(one, one, one))
    numbered = [text for text in words(plan_chart(card, three)) if text in ("1", "2", "3")]
    assert numbered == ["1", "2", "3"]


def test_gaps_in_time_and_distance_do_not_break_the_chart(card):
    edge = np.array(card.distances["edge_distance_mm"])
    edge[30:34] = np.nan
    gappy = replace(card, distances={**card.distances, "edge_distance_mm": edge})
    assert "inside the target" in words(time_chart(gappy, card.attempts[0]))


def test_attempt_of_one_frame_can_be_drawn(card):
    tiny = Attempt(1, 37, 37, True, (), 37, "miss", {})
    assert time_chart(card, tiny) and plan_chart(card, tiny)


def test_one_more_attempt_costs_little(card):
    """The sheets are set up once a clip; the bound is ours, several times what it takes."""
    charts = Charts(card)
    charts.plan(card.attempts[0]), charts.time(card.attempts[0])
    start = time.process_time()
    charts.plan(card.attempts[0]), charts.time(card.attempts[0])
    assert time.process_time() - start < 0.3


def test_the_plan_shows_true_places(card):
    """Twice as far apart in depth: the path and the outline of the plan are, those of the screen are not."""
    attempt = card.attempts[0]
    stretched = card.track.tip_px * (1, 2), card.track.target_px * (1, 2)
    track = replace(card.track, tip_px=stretched[0], target_px=stretched[1])
    target = replace(
        card.marks.target, outline_px=card.marks.target.outline_px * (1, 2), centre_px=(np.nan, np.nan)
    )
    true = replace(card, true_track=track, true_target=target)

    (path, outline), (shown_path, shown_outline) = (_path_mm(one, attempt) for one in (true, card))
    np.testing.assert_allclose(path, shown_path * (1, 2))
    np.testing.assert_allclose(outline, shown_outline * (1, 2), atol=1e-6)
