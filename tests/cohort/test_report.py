"""A cohort's report composed of its steps. Invented results; the steps are checked by tests of their own."""

from datetime import date

import numpy as np
import pytest

from needlecoach.cohort.report import build_report
from needlecoach.cohort.values import Rates
from needlecoach.errors import CohortError
from needlecoach.gather.together import gather
from needlecoach.scoring.standard import Criterion, Standard
from tests.gather.written import BLANK, HIT, MISS, write, write_learners

ASKED = dict(
    rates=Rates(), crossing="restart", length=20, false_competence=0.1, standard=None, interval="wilson",
    today=date(2026, 3, 20),
)  # fmt: skip


@pytest.fixture(scope="module")
def cohort(tmp_path_factory):
    return gather([write_learners(tmp_path_factory.mktemp("cohort"), learners=6)]).table


def report(table, **asked):
    return build_report(table, **ASKED | asked)


def test_learners_stand_by_code_with_what_is_theirs(cohort):
    found = report(cohort)
    assert [one.code for one in found.learners] == ["L01", "L02", "L03", "L04", "L05", "L06"]
    for one in found.learners:
        own = cohort[cohort["learner"] == one.code]
        assert (one.attempts, one.first_date, one.last_date) == (12, "2026-03-01", "2026-03-12")
        assert (one.hits.successes, one.hits.trials) == (own["success"].sum(), 12)
        assert (one.last_hits.successes, one.last_hits.trials) == (own["success"].tail(10).sum(), 10)
        assert len(one.cusum.value) == len(one.lc_cusum.value) == 12
        assert one.need is None and one.quiet_days is None
    assert found.notes == ()


def test_curves_are_of_the_measures_and_hold_every_point(cohort):
    found = report(cohort)
    assert [one.name for one in found.measures] == [
        "success", "closest_centre_mm", "blind_advance_mm", "time_to_target_s", "passes",
    ]  # fmt: skip
    curve = found.learners[0].curves[2]
    assert curve.measure == "blind_advance_mm"
    assert curve.order.tolist() == list(range(1, 13)) and curve.value.tolist() == list(range(12, 0, -1))
    assert curve.smooth is not None


@pytest.mark.parametrize(("lower", "least"), [(1, 1.0), (0, 0.0)])
def test_the_smooth_of_passes_stays_where_passes_can_be(tmp_path, lower, least):
    """Invented: five passes, soon one; the course alone would undershoot, its band in any case."""
    passes = [6, 4, 2, 1, 1, 1, lower, 1, 1, 1, 1, 1]
    for n, count in enumerate(passes):
        write(tmp_path, f"c{n:02d}", [{**HIT, "passes": count}], date=f"2026-03-{n + 1:02d}")
    (learner,) = report(gather([tmp_path]).table).learners
    smooth = next(one.smooth for one in learner.curves if one.measure == "passes")
    lines = np.array([smooth.low, smooth.middle, smooth.high])
    assert lines.min() >= least and (np.diff(lines, axis=0) >= 0).all()
    assert bool(lines.min() < 1) is (lower < 1)


def test_what_can_not_be_scored_is_in_no_curve_but_is_counted(tmp_path):
    write(tmp_path, "a", [HIT, BLANK, MISS])
    one = report(gather([tmp_path]).table).learners[0]
    assert (one.attempts, one.hits.trials, len(one.cusum.value)) == (3, 2, 2)
    assert one.curves[0].order.tolist() == [1, 3] and one.curves[0].value.tolist() == [1, 0]


def test_expected_failures_go_to_the_learner_and_target_that_they_are_of(cohort):
    found = report(cohort)
    assert found.difficulty.reason == ""
    assert len(found.difficulty.expected_failure) == len(cohort)
    by_target = dict(zip(cohort["target"], found.difficulty.expected_failure, strict=True))
    for one in found.learners:
        own = cohort[cohort["learner"] == one.code]
        value, course = 0.0, []
        for success, target in zip(own["success"], own["target"], strict=True):
            # Steps of Steiner et al. 2000 for an odds ratio of 2, restarted at a signal.
            p = by_target[target]
            value = max(0.0, (0.0 if success else np.log(2)) - np.log(1 + p) + value)
            course.append(value)
            value = 0.0 if value >= one.risk_adjusted.limit else value
        assert one.risk_adjusted.value == pytest.approx(course)


def test_targets_are_told_over_all_learners(cohort):
    grape, olive, plum = report(cohort).targets
    assert (grape.name, grape.kind, grape.attempts, grape.learners) == ("grape", "solid", 24, 6)
    assert (olive.kind, plum.kind, plum.index_of_difficulty) == ("", "fluid", 2.0)
    assert plum.depth_mm == pytest.approx(6.0) and plum.difficulty is not None and plum.teaches is not None


def test_targets_of_one_name_in_two_blocks_are_told_apart(cohort):
    plums = cohort["target"] == "plum"
    early = plums & (cohort["order"] <= cohort["order"][plums].median())
    blocks = cohort["target"].where(~early, "G1").where(~(plums & ~early), "G2").where(plums, "")
    got = report(cohort.assign(block=blocks))
    names = [one.name for one in got.targets]
    assert names == ["grape", "olive", "plum (block G1)", "plum (block G2)"]
    assert sum(one.attempts for one in got.targets[2:]) == plums.sum()
    assert set(got.table["target"]) == {"grape", "olive", "plum"}


def test_a_standard_tells_who_needs_what(cohort):
    standard = Standard("Ours", (Criterion("blind_advance_mm", "<", 0.5),))
    found = report(cohort, standard=standard)
    assert found.standard == "Ours"
    assert {one.need.column for one in found.learners} == {"blind_advance_mm"}


def test_who_has_gone_quiet(cohort):
    assert {one.quiet_days for one in report(cohort, today=date(2026, 3, 27)).learners} == {15}
    assert {one.quiet_days for one in report(cohort, quiet_after=7).learners} == {8}


def test_the_interval_is_the_one_asked_for(cohort):
    assert {one.hits.method for one in report(cohort, interval="jeffreys").learners} == {"Jeffreys"}


def test_both_tasks_are_told_and_each_has_its_distance(tmp_path):
    write(tmp_path, "a", [HIT])
    write(tmp_path, "b", [HIT], task="core")
    found = report(gather([tmp_path]).table)
    assert [one.name for one in found.measures][1:3] == ["closest_centre_mm", "notch_in_target_mm"]
    assert [one.lower_is_better for one in found.measures][1:3] == [True, False]
    assert any("--task" in note for note in found.notes)


def test_few_learners_are_warned_of(tmp_path):
    found = report(gather([write_learners(tmp_path, learners=4, attempts=2)]).table, notes=("first",))
    assert found.notes[0] == "first" and found.notes[1].startswith(
        "There are 4 learners: with fewer than 5 a code"
    )
    assert (
        report(gather([write_learners(tmp_path / "x", 1, 1)]).table)
        .notes[0]
        .startswith("There is one learner")
    )


def test_attempts_without_a_code_are_in_nobodys_figures(tmp_path):
    write(tmp_path, "a", [HIT], learner=None, target_name="plum")
    found = report(gather([tmp_path]).table)
    assert (found.learners, found.targets, len(found.table)) == ((), (), 1)


def test_no_attempt_at_all_is_told(tmp_path):
    write(tmp_path, "a", [])
    with pytest.raises(CohortError, match="No attempt was found"):
        report(gather([tmp_path]).table)
