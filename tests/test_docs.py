"""Promises of the documents, held against the code: commands, options, columns, keys, words, links."""

import re
import shlex
import subprocess
from pathlib import Path

import numpy as np
import pytest
import typer.main

import needlecoach
from needlecoach.cli import app
from needlecoach.cohort.table import LEADING
from needlecoach.marks import MarksFile, parse_scale, parse_target, read_marks
from needlecoach.model import Clip, Marks, Region, Scale, Scorecard, Track
from needlecoach.reporting.cohort_tables import LEARNER_COLUMNS
from needlecoach.reporting.results import FILES
from needlecoach.reporting.tables import track_table
from needlecoach.scoring import COLUMNS

ROOT = Path(__file__).parents[1]
PACKAGE = Path(needlecoach.__file__).parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
CI = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
GROUPS = typer.main.get_command(app).commands
# A group of commands is called with two words.
COMMANDS = {
    name if one is group else f"{name} {part}": one
    for name, group in GROUPS.items()
    for part, one in getattr(group, "commands", {"": group}).items()
}
SCORE = COMMANDS["score"]


def section(text: str, heading: str) -> str:
    """What lies below a heading, up to the next one."""
    found = re.search(rf"^#+ {re.escape(heading)}\n(.*?)(?=^#|\Z)", text, re.S | re.M)
    assert found, f"no section {heading!r}"
    return found[1]


def table(text: str) -> list[list[str]]:
    """Cells of the first table's rows, heading left out."""
    lines = re.search(r"(?:^\|.*\n)+", text, re.M)
    assert lines, "no table"
    rows = [[cell.strip() for cell in line.strip().strip("|").split("|")] for line in lines[0].splitlines()]
    return rows[2:]


def code(cell: str) -> list[str]:
    """Words set as code in a cell."""
    return re.findall(r"`([^`]+)`", cell)


def command(name: str) -> str:
    """The command line below its mark in the README."""
    found = re.search(rf"^<!-- command: {name} -->\n\n    (.+)\n\n", README, re.M)
    assert found, f"no command {name!r}"
    return found[1]


def option_names(name: str) -> set[str]:
    return {
        word
        for item in COMMANDS[name].params
        if item.opts[0].startswith("--")
        for word in item.opts + item.secondary_opts
    }


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_option_is_in_the_readme_and_no_other(name):
    rows = table(section(README, f"Options of `needlecoach {name}`"))
    documented = {words.split()[0] for row in rows for words in code(row[0])}
    arguments = {item.metavar for item in COMMANDS[name].params if not item.opts[0].startswith("--")}
    assert documented == option_names(name) | arguments
    assert all(row[1] for row in rows)


def test_no_document_for_users_names_an_option_that_is_not_there():
    mentioned = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", README))
    assert mentioned <= set().union(*map(option_names, COMMANDS)) | {"--version", "--help"}


def test_every_option_has_a_help_text():
    assert [item.name for one in COMMANDS.values() for item in one.params if not item.help] == []


@pytest.mark.parametrize("text", [README, SCORE.help], ids=["README", "help"])
def test_example_commands_are_understood(text):
    examples = re.findall(r"needlecoach score (L01\.mp4 --[^`\n]+)", text)
    assert examples
    for example in examples:
        given = SCORE.make_context("score", shlex.split(example)).params
        assert parse_target(given["target"]).centre_px == (361, 261)
        assert parse_scale(given["scale"]).x_mm_per_px == pytest.approx(40 / 413)


def test_ci_runs_the_commands_of_the_readme():
    function = re.search(r"^readme_command\(\) \{\n.*?^\}", CI, re.S | re.M)
    assert function
    for name in ("test", "score"):
        assert f"readme_command {name}" in CI
        line = subprocess.run(
            ["bash", "-c", f"{function[0]}\nreadme_command {name}"],
            cwd=ROOT, capture_output=True, text=True, check=True,
        )  # fmt: skip
        assert line.stdout.strip() == command(name)
    assert not re.search(r"pip install|-m pytest|venv \.venv", CI)


def test_both_commands_do_all_setup():
    for name, end in (("test", "pytest"), ("score", "--out reports")):
        assert command(name).startswith("python3 -m venv .venv && .venv/bin/pip install ")
        assert command(name).endswith(end)
    clips = re.search(r"score (\S+)", command("score"))
    assert clips
    assert len(list(ROOT.glob(clips[1]))) == 7


def test_attempts_columns_are_documented_in_their_order():
    rows = table(section(README, "`attempts.csv`"))
    named = [(name, row[1]) for row in rows for name in code(row[0])]
    assert [name for name, _ in named] == ["clip", "learner", *COLUMNS, "corrected"]
    units = {"deg": "°"}
    for name, unit in named[2:-1]:
        wanted = units.get(COLUMNS[name].unit, COLUMNS[name].unit)
        assert unit == wanted or (not wanted and unit == "0–1"), name
    assert all(row[2] for row in rows)


def test_cohort_columns_are_documented_in_their_order():
    rows = table(section(README, "`cohort.csv`"))
    assert [name for row in rows for name in code(row[0])] == list(LEADING)
    assert all(row[2] for row in rows)


def test_learners_columns_are_documented_in_their_order():
    rows = table(section(README, "`learners.csv`"))
    assert [name for row in rows for name in code(row[0])] == list(LEARNER_COLUMNS)
    assert all(row[2] for row in rows)


def empty_card() -> Scorecard:
    nothing, pairs = np.zeros(0), np.zeros((0, 2))
    track = Track(nothing, nothing, pairs, nothing, nothing, pairs, nothing, nothing, pairs, nothing, pairs)
    return Scorecard(
        clip=Clip(Path("L01.mp4"), "video", 64, 48, 0, 25.0),
        clip_sha256="",
        marks=Marks(),
        region=Region("rectangle", (0, 0, 64, 48)),
        scale=Scale.from_mm_per_px(0.1),
        track=track,
        attempts=(),
        distances={},
        confidence=0.0,
    )


def test_track_columns_are_documented_in_their_order():
    rows = table(section(README, "`track.csv`"))
    assert [name for row in rows for name in code(row[0])] == list(track_table(empty_card()).columns)


def test_every_file_of_a_result_is_documented():
    assert {name for row in table(section(README, "Outputs")) for name in code(row[0])} == set(FILES)


def test_the_marks_example_is_read_and_its_keys_are_documented(tmp_path):
    example = re.search(r"```json\n(.*?)```", section(README, "Marks file"), re.S)
    assert example
    path = tmp_path / "L01.marks.json"
    path.write_text(example[1], encoding="utf-8")
    marks = read_marks(path)
    assert (marks.learner, marks.region_box_px) == ("L01", (100, 40, 420, 420))
    assert marks.target is not None and marks.scale is not None
    keys = [name for row in table(section(README, "Marks file")) for name in code(row[0])]
    assert keys == [field.alias or name for name, field in MarksFile.model_fields.items()]


@pytest.mark.parametrize(
    "words",
    ["never for patient care", "sharps", "infection control", "food", "Visitors", "identifying text",
     "licensed supervision come first"],
)  # fmt: skip
def test_cautions_come_with_the_readme(words):
    assert words in section(README, "What it is not")


def test_the_glossary_has_each_word_once_and_every_value_that_travels():
    words = [row[0] for row in table(section(DEVELOPERS, "Glossary"))]
    assert len(words) == len(set(words))
    values = {"frame", "clip", "region", "scale", "target", "marks", "needle", "track", "figure", "pass",
              "attempt", "scorecard"}  # fmt: skip
    asked = {"stroke", "redirection", "entry", "tip", "shaft", "trail", "visible", "inferred"}
    assert values | asked <= set(words)


BENCHMARKS = {path.name for path in (ROOT / "benchmarks").glob("*.py")}


def test_the_map_shows_the_rooms_as_they_are():
    drawn = section(DEVELOPERS, "Map of rooms")
    rooms = {
        path.name + ("/" if path.is_dir() else "") for path in PACKAGE.iterdir() if path.name[0] not in "_."
    }
    assert rooms <= set(re.findall(r"^  ([a-z_]+(?:/|\.py))", drawn, re.M))
    files = {path.name for path in PACKAGE.rglob("*.py")}
    assert set(re.findall(r"\w+\.py", drawn)) <= files | BENCHMARKS | {"test_docs.py"}
    for room in ("model", "tracking", "scoring", "finding", "clips", "screen"):
        listed = {path.name for path in (PACKAGE / room).glob("*.py")} - {"__init__.py"}
        assert listed <= set(re.findall(r"\w+\.py", drawn)), room


@pytest.mark.parametrize(
    "name", ["README.md", "DEVELOPERS.md", "sample_clips/README.md", "reports/README.md"]
)
def test_links_lead_somewhere_in_the_repository(name):
    path = ROOT / name
    text = path.read_text(encoding="utf-8")
    for link in re.findall(r"\]\(([^)]+)\)", text):
        assert (path.parent / link).exists(), link
    assert not re.search(r"https?://|/(?:work|home|root)/", text)


def test_the_pictures_are_small():
    pictures = sorted((ROOT / "reports" / "example").glob("*.png"))
    assert [path.name for path in pictures] == [
        "cohort.png",
        "contrast.png",
        "live.png",
        "mark.png",
        "overlay.png",
        "replay.png",
        "review.png",
        "summary.png",
    ]
    assert all(path.stat().st_size < 400_000 for path in pictures)


def test_the_changelog_starts_with_this_version():
    newest = re.search(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.M)
    assert newest
    assert newest[1] == needlecoach.__version__


def test_the_page_template_fetches_nothing():
    templates = [path for path in (PACKAGE / "reporting" / "templates").iterdir() if path.is_file()]
    assert templates
    for path in templates:
        text = path.read_text(encoding="utf-8")
        assert not re.search(
            r"https?:|(?:src|href)\s*=\s*[\"']?//|@import|url\(\s*[\"']?(?!data:|#)", text
        ), path.name
        assert "<link" not in text
        assert "<script src" not in text
