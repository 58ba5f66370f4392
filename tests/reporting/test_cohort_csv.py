"""The text of cohort.csv is the same wherever it is made, and comes even when the process for it is ended."""

import multiprocessing

import pytest

from needlecoach.gather.together import gather
from needlecoach.reporting import cohort_csv
from needlecoach.reporting.cohort_csv import attempts_text, csv_text
from needlecoach.reporting.cohort_tables import attempts_of_cohort
from tests.gather.written import write_learners


@pytest.fixture
def table(tmp_path):
    write_learners(tmp_path, learners=3, attempts=4)
    return gather([tmp_path]).table


def test_in_a_process_of_its_own_the_text_is_the_same(table, monkeypatch):
    with attempts_text(table) as attempts:
        assert not multiprocessing.active_children()  # not worth one
        here = attempts()
    monkeypatch.setattr(cohort_csv, "_WORTH_A_PROCESS", 1)
    monkeypatch.setattr(cohort_csv.os, "cpu_count", lambda: 2)
    with attempts_text(table) as attempts:
        assert len(multiprocessing.active_children()) == 1
        assert attempts() == here == csv_text(attempts_of_cohort(table))


def test_the_text_comes_even_when_its_process_is_ended(table, monkeypatch):
    monkeypatch.setattr(cohort_csv, "_WORTH_A_PROCESS", 1)
    monkeypatch.setattr(cohort_csv.os, "cpu_count", lambda: 2)
    with attempts_text(table) as attempts:
        multiprocessing.active_children()[0].kill()
        assert attempts() == csv_text(attempts_of_cohort(table))
