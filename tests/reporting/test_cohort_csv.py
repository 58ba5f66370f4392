"""The text of cohort.csv, held against pandas' own (a general library's)."""

from needlecoach.gather.together import gather
from needlecoach.reporting.cohort_csv import attempts_text
from needlecoach.reporting.cohort_tables import attempts_of_cohort
from tests.gather.written import write_learners


def test_the_text_is_that_of_pandas(tmp_path):
    write_learners(tmp_path, learners=3, attempts=4)
    table = gather([tmp_path]).table
    assert attempts_text(table) == attempts_of_cohort(table).to_csv(index=False, lineterminator="\n")
