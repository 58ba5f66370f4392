"""What is told beside the figures: moments, the best and the last of earlier attempts."""

from dataclasses import replace

import pytest

from needlecoach.reporting.page import render_summary
from needlecoach.reporting.pagedata import page_data
from needlecoach.reporting.teaching import (
    advice_data,
    checks_data,
    earlier_data,
    moment_words,
    standard_data,
)
from tests.reporting.conftest import core_card, taught_card


@pytest.mark.parametrize(("time_s", "words"), [(4.25, "4.3 s"), (0.04, "0.0 s"), (61.0, "61.0 s")])
def test_a_moment_is_told_to_a_tenth_of_a_second(time_s, words):
    assert moment_words(time_s).replace("\u00a0", " ") == words


def test_advice_keeps_its_order_and_its_frame(clip_file):
    data = advice_data(taught_card(clip_file).attempts[0])
    assert [(one["frame"], one["moment"].replace("\u00a0", " ")) for one in data] == [
        (22, "at 0.9 s"),
        (37, "at 1.5 s"),
    ]
    assert [one["result"] for one in checks_data(taught_card(clip_file).attempts[0])] == [
        "met",
        "not met",
        "can't tell",
    ]


def rows_of(card):
    return {row["title"]: row for row in earlier_data(card, card.attempts[0])["rows"]}


def test_the_best_and_the_last_five_are_told_as_the_figure_is(clip_file):
    card = taught_card(clip_file)
    centre = rows_of(card)["Closest to centre"]
    assert centre["this"] == "0.9\u00a0±\u00a00.3\u00a0mm" and centre["best"] == "0.5\u00a0mm"
    assert [one[:3] for one in centre["last"]] == ["2.0", "1.5", "1.0", "0.5", "3.0"]
    # A count stays one although a table told it as 2.0.
    assert rows_of(card)["Passes"]["last"] == ["2"] * 5
    outcome = rows_of(card)["Outcome"]
    assert (outcome["this"], outcome["best"], outcome["last"]) == ("hit", "hit", ["hit"] * 5)
    words = "6 earlier attempts at this task under the same learner’s code: 5 hits, 1 miss."
    assert earlier_data(card, card.attempts[0])["words"] == words


def test_one_earlier_attempt_alone_is_in_no_order(clip_file):
    card = taught_card(clip_file)
    assert earlier_data(card, card.attempts[0])["last_words"] == "Last 5, oldest first"
    once = replace(card, earlier=replace(card.earlier, n=1, outcomes={"hit": 1}, last=card.earlier.last[:1]))
    assert earlier_data(once, once.attempts[0])["last_words"] == "The one before"
    html = render_summary(once)
    assert '<th scope="col">The one before</th>' in html and 'data-name="The one before"' in html
    assert "oldest first" not in html


def test_a_core_sample_is_compared_by_its_notch(clip_file):
    assert rows_of(core_card(clip_file))["Notch in the target"]["best"] == "6.0\u00a0mm"


def test_what_was_never_known_before_has_no_row_and_no_attempts_no_table(card, clip_file):
    assert "Tip visible" not in rows_of(taught_card(clip_file))
    assert earlier_data(card, card.attempts[0]) is None


def test_without_a_target_nothing_that_needs_one_is_compared(card, clip_file):
    bare = taught_card(clip_file)
    earlier = bare.earlier
    bare = replace(bare, marks=replace(card.marks, target=None))
    object.__setattr__(bare, "earlier", earlier)
    assert list(rows_of(bare)) == ["Passes"]


OURS = {"name": "Ours <i>", "source": "a made-up table", "note": "Ask first.", "file": "ours.toml",
        "criteria": [{"column": "passes", "operator": "<=", "limit": 2, "words": ""}]}  # fmt: skip


def test_name_source_and_note_of_the_standard_stand_above_its_criteria(clip_file):
    card = taught_card(clip_file)
    assert standard_data(card) == []
    card = replace(card, options={**card.options, "standard": OURS})
    page = render_summary(card)
    part = page[page.index('class="standard"') : page.index('class="checks"')]
    for words in ("Ours &lt;i&gt;", "Source: a made-up table", "Ask first."):
        assert words in part
    assert page_data(card)["attempts"][0]["standard"] == standard_data(card)
    bare = replace(card, options={"standard": {**OURS, "source": "", "note": ""}})
    assert standard_data(bare) == ["Ours <i>"]


def test_the_settings_tell_the_standard_by_name_and_number_also_without_a_needle(clip_file, needleless_card):
    for card in (taught_card(clip_file), needleless_card):
        page = render_summary(replace(card, options={**card.options, "standard": OURS}))
        settings = page[page.index("Settings of this run") :]
        assert "held against “Ours &lt;i&gt;” (1 criterion)" in settings
        assert "column" not in settings.split("</dl>")[0]
