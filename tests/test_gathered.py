"""The command `cohort` from end to end, as a user gives it. Invented results."""

import json
import re
import subprocess
import sys

import pandas as pd
import pytest
from typer.testing import CliRunner

from needlecoach.cli import app
from needlecoach.errors import NeedlecoachError
from tests.gather.written import write, write_learners


def run(*words):
    return CliRunner().invoke(app, ["cohort", *map(str, words)])


def fault(*words) -> str:
    result = run(*words)
    assert isinstance(result.exception, NeedlecoachError), result.output
    line = str(result.exception)
    assert "\n" not in line
    return line


@pytest.fixture(scope="module")
def reports(tmp_path_factory):
    return write_learners(tmp_path_factory.mktemp("all") / "reports", learners=6, attempts=8)


def test_a_page_and_two_tables(tmp_path, reports):
    result = run(reports, "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert "6 learners, 48 attempts: " in result.stdout and "cohort.html" in result.stdout
    table = pd.read_csv(tmp_path / "out" / "cohort.csv")
    assert len(table) == 48 and table["order"].max() == 8
    assert len(pd.read_csv(tmp_path / "out" / "learners.csv")) == 6
    assert "L03" in (tmp_path / "out" / "cohort.html").read_text(encoding="utf-8")


def test_run_again_on_more_it_gives_more_and_quiet_says_nothing(tmp_path, reports):
    out = tmp_path / "out"
    assert run(reports, "--out", out, "--quiet").output == ""
    write(tmp_path / "more", "new", learner="L99")
    assert run(reports, tmp_path / "more", "--out", out, "--quiet").exit_code == 0
    assert "L99" in pd.read_csv(out / "learners.csv")["learner"].tolist()


def test_cohort_csv_can_be_given_instead_of_the_folders(tmp_path, reports):
    run(reports, "--out", tmp_path / "one")
    assert run(tmp_path / "one" / "cohort.csv", "--out", tmp_path / "two").exit_code == 0
    for name in ("cohort.csv", "learners.csv"):
        assert (tmp_path / "two" / name).read_bytes() == (tmp_path / "one" / name).read_bytes()
    assert "is read from" in fault(tmp_path / "one" / "cohort.csv", "--out", tmp_path / "one")


def test_anonymised_nothing_tells_the_codes_and_the_next_run_keeps_them(tmp_path):
    reports = tmp_path / "L01 and others"
    for code in ("L01", "L02"):
        write(reports, f"{code}_first", folder=f"{code}_x", learner=code, target_name=f"{code} plum")
    (write(reports, "L02_bad") / "run.json").write_text("{")
    key, out = tmp_path / "private" / "key.json", tmp_path / "out"
    words = (reports, "--out", out, "--anonymise", "--key", key)
    assert run(*words).exit_code == 0
    text = "".join(path.read_text(encoding="utf-8") for path in out.iterdir())
    assert not re.search(r"L0[12]", text)
    first = json.loads(key.read_text())["codes"]
    assert sorted(first) == ["L01", "L02"] and "P01" in text
    write(reports, "third", learner="L03")
    assert run(*words).exit_code == 0
    assert json.loads(key.read_text())["codes"] == first | {"L03": "P03"}


def test_only_one_task_when_asked(tmp_path):
    write(tmp_path / "r", "a")
    write(tmp_path / "r", "b", task="core")
    run(tmp_path / "r", "--task", "core", "--out", tmp_path / "out")
    assert pd.read_csv(tmp_path / "out" / "cohort.csv")["clip"].tolist() == ["b.mp4"]
    (tmp_path / "r" / "b" / "run.json").unlink()
    assert fault(tmp_path / "r", "--task", "core", "--out", tmp_path / "o").startswith("--task core: no such")


def test_what_was_left_out_is_said_and_the_rest_is_done(tmp_path):
    write(tmp_path / "r", "a")
    (write(tmp_path / "r", "bad") / "run.json").write_text("{")
    result = run(tmp_path / "r", "--out", tmp_path / "out", "--quiet")
    assert result.exit_code == 0 and result.stdout == ""
    assert result.stderr.startswith("Left out: ") and "bad" in result.stderr
    assert "Not read: bad." in (tmp_path / "out" / "cohort.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--acceptable", "20"], "--acceptable must lie between 0 and 1 (20 % is 0.2), got 20."),
        (["--unacceptable", "0"], "--unacceptable must lie between 0 and 1"),
        (["--alpha", "nan"], "--alpha must lie between 0 and 1"),
        (["--beta", "1"], "--beta must lie between 0 and 1"),
        (["--acceptable", "0.5"], "acceptable failure rate (0.5) must be below the unacceptable one (0.4)"),
        (["--false-competence", "-1"], "--false-competence must lie between 0 and 1"),
        (["--length", "0"], "--length must be from 1 to 2000, got 0."),
        (["--length", "3"], ""),
        (["--quiet-after", "-1"], "--quiet-after must be from 0"),
        (["--anonymise"], "--anonymise needs --key FILE"),
        (["--key", "k.json"], "--key is for --anonymise"),
        (["--standard", "none.toml"], "none.toml"),
    ],
)
def test_what_can_not_be_is_told_in_one_line(tmp_path, reports, words, told):
    assert told in fault(reports, "--out", tmp_path / "out", *words)
    assert not (tmp_path / "out").exists()


def test_a_key_where_everybody_gets_it_is_refused(tmp_path, reports):
    out = tmp_path / "out"
    assert "lies within" in fault(reports, "--out", out, "--anonymise", "--key", out / "key.json")
    assert "lies within" in fault(reports, "--out", out, "--anonymise", "--key", reports / "key.json")


@pytest.mark.parametrize(("make", "told"), [
    (lambda path: None, "there is no such file or folder"),
    (lambda path: path.mkdir(), "holds no results folders"),
    (lambda path: path.write_text("a,b\n"), "is no table of attempts"),
    (lambda path: write(path, "a", []), "No attempt was found"),
])  # fmt: skip
def test_nothing_to_show_is_told(tmp_path, make, told):
    make(tmp_path / "r")
    assert told in fault(tmp_path / "r", "--out", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_one_attempt_and_attempts_without_a_code_make_a_page(tmp_path):
    write(tmp_path / "one", "a")
    write(tmp_path / "none", "b", learner=None)
    for name in ("one", "none"):
        assert run(tmp_path / name, "--out", tmp_path / "out").exit_code == 0
        assert (tmp_path / "out" / "cohort.html").stat().st_size > 1000


def test_as_a_program_a_fault_is_one_line_and_exit_code_2(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "needlecoach", "cohort", str(tmp_path), "--out", str(tmp_path / "out")],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 2 and done.stdout == ""
    assert done.stderr.startswith("Error: ") and done.stderr.count("\n") == 1
