"""The commands phantom plan, targets and example, as a user runs them."""

import json

import pytest
from typer.testing import CliRunner

from needlecoach import cli
from needlecoach.block.plan_file import EXAMPLE
from needlecoach.errors import BlockError


def run(*args):
    return CliRunner().invoke(cli.app, ["phantom", *map(str, args)], standalone_mode=False)


def test_from_the_example_to_a_sheet(tmp_path):
    assert run("example", "--out", tmp_path / "plan.json").exception is None
    result = run("plan", tmp_path / "plan.json", "--out", tmp_path / "out")
    assert result.exception is None
    assert "G1.sheet.html" in result.output
    assert (tmp_path / "out" / "G1.block.json").exists()


def test_the_example_is_printed():
    assert run("example").output == EXAMPLE.read_text()


def test_a_plan_that_can_not_be_cast_says_why_and_ends_with_2(tmp_path):
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(json.loads(EXAMPLE.read_text()) | {"gelatin_at_hand_g": 5}))
    result = CliRunner().invoke(cli.app, ["phantom", "plan", str(path)])
    assert result.exit_code == 2
    assert "There are 5 g gelatin" in result.output
    assert "No block's file was written" in result.output


def test_graded_targets_are_a_table():
    lines = run("targets", "--probe-depth", 60, "--standing", "new", "--count", 3).output.splitlines()
    assert len(lines) == 4
    assert lines[1].split()[:4] == ["1.2", "32.4", "21.0", "30°"]  # 42 mm to a width of 32.4: 1.2 bits


def test_what_can_not_be_reached_is_said():
    output = run("targets", "--probe-depth", 60, "--masters", 4, "--needle", 50).output
    assert "are not as hard as asked for" in output


@pytest.mark.parametrize("args", [(), ("--standing", "new", "--masters", "2")])
def test_one_standing(args):
    with pytest.raises(BlockError, match="Give one of"):
        raise run("targets", "--probe-depth", 60, *args).exception
