"""The demonstration as a whole, with one simulated recording: pages, words, and what is left behind."""

import re
import webbrowser
from pathlib import Path

import pytest
from typer.testing import CliRunner

from needlecoach.cli import app
from needlecoach.demo import show
from needlecoach.demo.scenes import shown_recordings
from needlecoach.gather.together import gather


def text_of(page: Path) -> str:
    """Words of a page, without scripts, styles and pictures."""
    html = re.sub(r"<(style|script|svg)\b.*?</\1>", " ", page.read_text(encoding="utf-8"), flags=re.S)
    return re.sub(r"<[^>]+>", " ", html)


def test_three_pages_are_made_told_and_opened(made):
    pages, out, said = made.pages, made.out, made.said
    paths = [pages.cohort, pages.summary, pages.replay]
    assert [path.relative_to(out).as_posix() for path in paths] == [
        "cohort/cohort.html",
        "results/L04_invented/summary.html",
        "replay/replay.html",
    ]
    assert all(path.is_file() for path in paths)
    assert made.opened == [path.as_uri() for path in paths]
    assert [line.split(" ")[-1] for line in said[-3:]] == [str(path) for path in paths]
    assert not any(".partial" in line for line in said)


def test_every_page_says_that_it_is_invented(made):
    for page in (made.pages.cohort, made.pages.summary, made.pages.replay):
        assert "nvented" in text_of(page), page.name


def test_no_page_fetches_anything_or_names_a_folder_of_this_machine(made):
    pages, out = made.pages, made.out
    for page in (pages.cohort, pages.summary, pages.replay):
        html = page.read_text(encoding="utf-8")
        assert not re.search(r"(?:src|href)=[\"']?(?:https?:)?//", html), page.name
        assert str(out) not in html and ".partial" not in html


def test_all_results_are_read_without_a_word_on_spoilt_ones(made):
    out = made.out
    found = gather([out / "results"])
    assert (found.faults, found.notes) == ((), ())
    assert found.table["invented"].all() and found.table["learner"].nunique() == 12
    assert set(found.table["target_kind"]) == {"fluid", "solid"}
    assert found.table["target_width_mm"].notna().all() and found.table["target_depth_mm"].notna().all()


def test_the_cohorts_page_finds_the_stories(made):
    words = " ".join(text_of(made.pages.cohort).split())
    assert "Invented data" in words
    needs = words[words.index("Who needs what next Held") : words.index("Who has gone quiet")]
    assert "L07 Next: Less than 3 mm forward without seeing the tip" in needs
    assert "L09 Next: Duration, under 40 s" in needs
    assert "Invented for the demonstration" in needs
    quiet = words[words.index("Who has gone quiet") :]
    assert quiet.removeprefix("Who has gone quiet").strip().startswith("L11")


def test_nothing_is_left_beside_it(made):
    out = made.out
    assert [path.name for path in out.parent.iterdir()] == ["demo"]
    assert sorted(path.name for path in out.iterdir()) == [
        "cohort",
        "demo.json",
        "recordings",
        "replay",
        "results",
    ]


def test_a_stop_leaves_nothing(tmp_path, monkeypatch):
    def stop(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(show, "write_recording", stop)
    result = CliRunner().invoke(app, ["demo", "--out", str(tmp_path / "demo"), "--no-browser", "--quick"])
    assert result.exit_code == 130
    assert "No part of the demonstration was kept" in result.output
    assert list(tmp_path.iterdir()) == []


def test_a_folder_with_something_else_is_refused_before_any_work(tmp_path, monkeypatch):
    monkeypatch.setattr(show, "write_cohort", pytest.fail)
    (tmp_path / "mine.txt").write_text("mine")
    result = CliRunner().invoke(app, ["demo", "--out", str(tmp_path), "--no-browser"])
    assert result.exit_code != 0
    assert "no demonstration of ours" in str(result.exception)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_options_are_passed_on(tmp_path, monkeypatch):
    asked = {}
    monkeypatch.setattr(show, "run_demo", lambda out, **how: asked.update(how, out=out))
    assert CliRunner().invoke(app, ["demo", "--out", str(tmp_path), "--no-browser", "--quick"]).exit_code == 0
    assert (asked["out"], asked["browser"], asked["quick"]) == (tmp_path, False, True)
    assert CliRunner().invoke(app, ["demo"]).exit_code == 0
    assert (asked["out"], asked["browser"], asked["quick"]) == (Path("reports/demo"), True, False)


def test_a_browser_that_is_not_there_is_no_fault(tmp_path, monkeypatch):
    def none(_):
        raise webbrowser.Error("could not locate runnable browser")

    monkeypatch.setattr(webbrowser, "open", none)
    said = []
    show._open(show.Pages(*[tmp_path / "x.html"] * 3), say=said.append, browser=True)
    assert len(said) == 3


def test_the_summary_opened_is_that_of_the_blind_advance():
    assert show.SUMMARY_OF in {one.learner for one in shown_recordings() if "out of the plane" in one.happens}
