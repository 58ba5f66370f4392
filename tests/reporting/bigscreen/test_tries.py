"""Which attempts are shown, and what is told of them: from an invented card and its tables."""

from dataclasses import replace

import pytest

from needlecoach.model import Figure
from needlecoach.reporting.bigscreen.tries import tries_of
from needlecoach.reporting.pagedata import page_data
from needlecoach.reporting.tables import attempts_table
from tests.reporting.conftest import core_card


def told(card, name="olive"):
    return tries_of(page_data(card), attempts_table(card), name)


def changed(card, **facts):
    """The card with other facts of its attempt; figures by name."""
    figures = facts.pop("figures", {})
    attempt = replace(card.attempts[0], **facts)
    return replace(card, attempts=(replace(attempt, figures={**attempt.figures, **figures}),))


def test_a_hit_is_told_from_the_middle_at_its_closest_frame(card):
    (one,), left = told(card)
    assert left == []
    assert (one.first, one.decisive, one.last) == (10, 37, 64)
    assert (one.outcome, one.kind, one.is_core, one.target_name) == ("hit", "middle", False, "olive")
    assert one.mm == pytest.approx(0.8944, abs=0.01)
    assert (one.sd_mm, one.beside_mm) == (0.31, None)


@pytest.mark.parametrize(("outcome", "kind"), [("miss", "beside"), ("borderline", "on_edge")])
def test_a_miss_is_told_from_the_rim(card, outcome, kind):
    edge = {"closest_edge_mm": Figure("closest_edge_mm", 1.6, 0.2, "mm")}
    (one,), _ = told(changed(card, outcome=outcome, figures=edge))
    assert (one.kind, one.mm, one.beside_mm) == (kind, 1.6, 1.6)


def test_a_core_sample_is_told_at_its_firing(clip_file):
    (one,), _ = told(core_card(clip_file, fired=True))
    assert (one.decisive, one.is_core, one.kind, one.mm) == (38, True, "sample", 6.3)
    (one,), _ = told(core_card(clip_file))
    assert one.decisive == 37


def test_a_sample_from_beside_it_has_no_length(clip_file):
    none = {"notch_in_target_mm": Figure("notch_in_target_mm", 0.0, 0.2, "mm")}
    (one,), _ = told(changed(core_card(clip_file), outcome="miss", figures=none))
    assert (one.kind, one.mm) == ("no_sample", None)


def test_what_cannot_be_shown_is_left_out_with_the_reason(card, unscorable_card, needleless_card):
    assert told(unscorable_card) == ([], ["no attempt was found in it"])
    assert told(needleless_card) == ([], ["no attempt was found in it"])
    no_target = replace(card, marks=replace(card.marks, target=None))
    assert told(no_target) == ([], ["no target was marked in it"])
    why = ["attempt 1 was not followed well enough to be shown"]
    assert told(changed(card, closest_frame=None)) == ([], why)
    assert told(changed(card, outcome="unscorable")) == ([], why)
