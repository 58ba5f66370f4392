"""The folder of a cohort: whole or not at all, and nothing of anybody else's is touched. Invented results."""

from datetime import date

import pandas as pd
import pytest

from needlecoach.cohort.report import build_report
from needlecoach.cohort.values import Rates
from needlecoach.errors import OutputError
from needlecoach.gather.together import gather
from needlecoach.reporting import cohort_files
from needlecoach.reporting.cohort_files import FILES, check_replaceable, write_cohort_files
from needlecoach.reporting.cohort_tables import LEARNER_COLUMNS, attempts_of_cohort, learners_table
from needlecoach.scoring.standard import Criterion, Standard
from tests.gather.written import HIT, MISS, write, write_learners


def report_of(reports, **asked):
    told = dict(
        rates=Rates(), crossing="go-on", length=20, false_competence=0.1, standard=None, interval="wilson",
        today=date(2026, 4, 20),
    )  # fmt: skip
    return build_report(gather([reports]).table, **told | asked)


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    standard = Standard("Ours", (Criterion("blind_advance_mm", "<", 0.5),))
    return report_of(write_learners(tmp_path_factory.mktemp("cohort"), learners=6), standard=standard)


def contents(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_three_files_and_no_other_and_again(tmp_path, report):
    page = write_cohort_files(report, tmp_path / "new" / "out")
    assert page.name == "cohort.html"
    first = contents(page.parent)
    assert set(first) == set(FILES)
    (page.parent / "mine.txt").write_text("x")
    write_cohort_files(report, page.parent)
    assert contents(page.parent) == first | {"mine.txt": b"x"}


def test_each_learner_has_a_row_with_what_the_report_says(report):
    table = learners_table(report)
    assert list(table.columns) == list(LEARNER_COLUMNS)
    assert table["learner"].tolist() == [one.code for one in report.learners]
    row, one = table.iloc[0], report.learners[0]
    assert (row["hits"], row["scorable"], row["hit_low"]) == (one.hits.successes, 12, round(one.hits.low, 4))
    assert row["hit_share"] == round(one.hits.successes / 12, 4)
    assert row["cusum"] == round(one.cusum.value[-1], 4)
    assert row["cusum_state"] == (one.cusum.signals[-1].side if one.cusum.signals else "undecided")
    assert row["false_competence"] == report.calibration.false_competence
    assert (row["need"], row["need_met"], row["need_of"]) == ("blind_advance_mm", 0, 10)
    assert row["quiet_days"] == 39
    assert row["risk_limit"] == round(one.risk_adjusted.limit, 4)
    assert (row["ability"], row["ability_sd"]) == (round(one.ability.value, 4), round(one.ability.sd, 4))


def test_every_column_of_learners_is_filled_for_somebody_who_has_it(report):
    empty = {name for name in LEARNER_COLUMNS if learners_table(report)[name].isna().all()}
    assert empty <= {"competent_at", "cusum_signals", "risk_signals"}


def test_what_is_not_known_is_blank(tmp_path):
    write(tmp_path, "a", [HIT, MISS])
    row = learners_table(report_of(tmp_path)).iloc[0]
    assert row[["ability", "need", "risk_adjusted", "competent_at"]].isna().all()
    assert row["cusum_state"] == "undecided"


def test_counts_and_yes_or_no_are_whole_in_the_file(tmp_path):
    write(tmp_path / "r", "a", [HIT, {"outcome": "unscorable"}], target_name="=1+1", phantom="@g")
    out = write_cohort_files(report_of(tmp_path / "r"), tmp_path / "o").parent
    text = pd.read_csv(out / "cohort.csv", dtype=str, keep_default_na=False)
    assert text["passes"].tolist() == ["2", ""] and text["success"].tolist() == ["1", ""]
    assert text["cut_off"].tolist() == ["0", "0"] and text["invented"].tolist() == ["1", "1"]
    # No cell is run by a spreadsheet.
    assert text["target"].tolist() == ["'=1+1"] * 2 and text["phantom"].tolist() == ["'@g"] * 2


def test_a_table_changed_by_hand_to_hold_half_a_pass_is_written_all_the_same(report):
    assert attempts_of_cohort(report.table.assign(passes=1.5))["passes"].tolist() == [1.5] * len(report.table)


@pytest.mark.parametrize("name", FILES)
def test_what_is_none_of_ours_is_left_alone(tmp_path, report, name):
    (tmp_path / name).write_text("learner,order\n")
    with pytest.raises(OutputError, match=f"{name} exists and is none of ours"):
        write_cohort_files(report, tmp_path)
    assert contents(tmp_path) == {name: b"learner,order\n"}


def test_a_file_in_the_folders_place_is_left_alone(tmp_path, report):
    (tmp_path / "out").write_text("mine")
    with pytest.raises(OutputError, match="is no folder"):
        write_cohort_files(report, tmp_path / "out")


def test_what_is_read_from_is_not_written_over(tmp_path, report):
    table = write_cohort_files(report, tmp_path).parent / "cohort.csv"
    with pytest.raises(OutputError, match="is read from"):
        check_replaceable(tmp_path, [table])
    check_replaceable(tmp_path, [tmp_path])


@pytest.mark.parametrize("fails_at", [1, 2, 3, 4, 5, 6])
def test_a_fault_on_the_way_leaves_the_former_files(tmp_path, report, monkeypatch, fails_at):
    write_cohort_files(report, tmp_path)
    before = contents(tmp_path)
    calls = iter(range(1, 100))
    real = cohort_files.os.replace

    def replace(one, other):
        if next(calls) == fails_at:
            raise OSError(28, "No space left on device")
        real(one, other)

    monkeypatch.setattr(cohort_files.os, "replace", replace)
    with pytest.raises(OutputError, match=r"can't be written .*no space left"):
        write_cohort_files(report_of_other(report), tmp_path)
    assert contents(tmp_path) == before


def report_of_other(report):
    from dataclasses import replace

    return replace(report, learners=report.learners[:2])


def test_a_fault_while_the_page_is_made_leaves_nothing(tmp_path, report, monkeypatch):
    def broken(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(cohort_files, "render_cohort", broken)
    with pytest.raises(OutputError):
        write_cohort_files(report, tmp_path / "out")
    assert list((tmp_path / "out").iterdir()) == []
