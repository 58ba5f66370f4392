"""The command agreement: both files written, the words on the terminal, and bad input in one line."""

import csv
import json
import os

import pytest
from typer.testing import CliRunner

from needlecoach import cli
from needlecoach.agreement import PAGE_FILE, TABLE_FILE, run_agreement
from needlecoach.errors import CohortError, NeedlecoachError, OutputError

RATINGS = "clip,attempt,rater,outcome,closest_edge_mm\n"


@pytest.fixture
def place(tmp_path, monkeypatch):
    """Twelve results and two supervisors' ratings of them; `reports` and `ratings.csv`."""
    monkeypatch.chdir(tmp_path)
    rows = []
    for number in range(12):
        name, edge = f"L{number:02d}", number - 6
        folder = tmp_path / "reports" / name
        folder.mkdir(parents=True)
        record = {"schema": 1, "versions": {"needlecoach": "0.6.0"}, "marks": {}, "options": {}}
        record["clip"] = {"file": f"{name}.mp4", "sha256": name}
        (folder / "run.json").write_text(json.dumps(record))
        outcome = "hit" if edge < 0 else "miss"
        (folder / "attempts.csv").write_text(
            f"attempt,outcome,closest_edge_mm,corrected\n1,{outcome},{edge},\n"
        )
        rows += [f"{name}.mp4,1,S1,{outcome},{edge + 0.5}\n", f"{name}.mp4,1,S2,miss,{edge - number % 3}\n"]
    (tmp_path / "ratings.csv").write_text(RATINGS + "".join(rows))
    return tmp_path


def run(*arguments):
    """Exit code and the one line that main would print."""
    result = CliRunner().invoke(cli.app, ["agreement", *map(str, arguments)])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        assert isinstance(result.exception, NeedlecoachError), result.exception
        return 2, str(result.exception)
    return result.exit_code, result.output


def test_it_writes_table_and_page_and_says_what_it_found(place):
    code, output = run("ratings.csv", "reports")
    assert code == 0
    assert "12 attempts of 12 recordings rated by 2 supervisors (S1, S2)" in output
    assert output.splitlines()[-1] == os.path.join("reports", "agreement", PAGE_FILE)
    out = place / "reports" / "agreement"
    assert sorted(path.name for path in out.iterdir()) == [TABLE_FILE, PAGE_FILE]
    with (out / TABLE_FILE).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    same = next(
        row for row in rows if row["statistic"] == "same answer" and row["raters"] == "needlecoach S1"
    )
    assert (same["value"], same["n"], same["quantity"]) == ("1.0", "12", "outcome")
    shifted = next(
        row for row in rows if row["statistic"] == "mean difference" and row["raters"] == "needlecoach S1"
    )
    assert float(shifted["value"]) == pytest.approx(-0.5)
    assert "needlecoach" in (out / PAGE_FILE).read_text(encoding="utf-8")


def test_it_compares_raters_alone_and_again_over_a_former_comparison(place):
    assert run("ratings.csv", "--out", "out", "--quiet") == (0, "")
    first = (place / "out" / TABLE_FILE).read_bytes()
    assert b"needlecoach S1" not in first
    assert run("ratings.csv", "--out", "out", "--quiet") == (0, "")
    assert (place / "out" / TABLE_FILE).read_bytes() == first


def test_the_example_is_written_once(place):
    code, output = run("--example", "ours.csv")
    assert code == 0 and "invented" in output
    assert run("ours.csv", "--out", "out", "--quiet")[0] == 0
    assert run("--example", "ours.csv")[0] == 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "--example"),
        (["none.csv", "reports"], "none.csv"),
        (["reports"], "not a file"),
        (["ratings.csv", "none"], "no such folder"),
        (["ratings.csv", "ratings.csv"], "no such folder"),
        (["bad.csv", "reports"], 'bad.csv: row 3, column "outcome"'),
        (["other.csv", "reports"], "None of the 1 rated attempts"),
        (["alone.csv"], "S1 alone"),
    ],
)
def test_bad_input_is_one_line_and_leaves_nothing(place, arguments, words):
    (place / "bad.csv").write_text(RATINGS + "L00.mp4,1,S1,hit,1\nL00.mp4,1,S2,hut,1\n")
    (place / "other.csv").write_text(RATINGS + "L99.mp4,1,S1,hit,1\n")
    (place / "alone.csv").write_text(RATINGS + "L00.mp4,1,S1,hit,1\n")
    code, line = run(*arguments)
    assert code == 2 and words in line and "\n" not in line.strip()
    assert not (place / "reports" / "agreement").exists()


def test_what_can_not_be_written_leaves_the_former_comparison(place):
    out = place / "out"
    run_agreement(place / "ratings.csv", [], out)
    former = (out / TABLE_FILE).read_bytes()
    (out / PAGE_FILE).unlink()
    (out / PAGE_FILE).mkdir()
    with pytest.raises(OutputError, match="can't be written"):
        run_agreement(place / "ratings.csv", [place / "reports"], out)
    assert (out / TABLE_FILE).read_bytes() == former
    assert sorted(path.name for path in out.iterdir()) == [TABLE_FILE, PAGE_FILE]
    with pytest.raises(OutputError):
        run_agreement(place / "ratings.csv", [], place / "ratings.csv" / "below")


def test_a_fault_in_the_ratings_leaves_the_former_comparison(place):
    run_agreement(place / "ratings.csv", [], place / "out")
    former = (place / "out" / PAGE_FILE).read_bytes()
    (place / "ratings.csv").write_text(RATINGS)
    with pytest.raises(CohortError):
        run_agreement(place / "ratings.csv", [], place / "out")
    assert (place / "out" / PAGE_FILE).read_bytes() == former
