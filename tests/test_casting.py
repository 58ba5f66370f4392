"""phantom plan: what it writes, what it leaves alone, and that a plan that can't be cast gets no file."""

import json

import pytest

from needlecoach.block.file import read_block
from needlecoach.block.plan_file import EXAMPLE
from needlecoach.casting import plan_block
from needlecoach.errors import BlockError, OutputError
from needlecoach.model import Medium
from needlecoach.screen.sound import sound_in


def a_plan(folder, **keys):
    path = folder / "plan.json"
    path.write_text(json.dumps(json.loads(EXAMPLE.read_text()) | keys))
    return path


def test_a_plan_gets_its_sheet_and_the_blocks_file(tmp_path):
    written = plan_block(a_plan(tmp_path, cast_on="2026-11-26"), tmp_path / "out")
    assert {one.name for one in (tmp_path / "out").iterdir()} == {"G1.sheet.html", "G1.block.json"}
    block = read_block(written.block)
    assert block == written.casting.block
    assert {one.name: one.depth_mm for one in block.targets}["grape"] == 41.0  # on the floor of its layer
    assert block.scanned_medium == Medium("gel", 20.0)
    assert written.casting.sound == sound_in(Medium("gel", 20.0))  # the one that scoring uses too


def test_beside_the_plan_where_no_folder_is_given(tmp_path):
    plan_block(a_plan(tmp_path))
    assert {one.name for one in tmp_path.iterdir()} == {"plan.json", "G1.sheet.html", "G1.block.json"}


def test_a_blocks_file_changed_by_hand_is_put_aside(tmp_path):
    path = a_plan(tmp_path)
    place = plan_block(path).block
    assert plan_block(path).aside is None  # the same again
    place.write_text(place.read_text().replace("41.0", "39.5"))
    aside = plan_block(path).aside
    assert "39.5" in aside.read_text()
    assert "41.0" in place.read_text()


def test_a_plan_that_can_not_be_cast_gets_a_sheet_that_says_so_and_no_file(tmp_path):
    written = plan_block(a_plan(tmp_path, gelatin_at_hand_g=5))
    assert written.block is None
    assert not (tmp_path / "G1.block.json").exists()
    page = written.sheet.read_text()
    assert "It can’t be cast as planned" in page
    assert "There are 5 g gelatin" in page
    assert "Order of work" not in page


def test_faults_of_files(tmp_path):
    with pytest.raises(BlockError, match="check the name"):
        plan_block(tmp_path / "none.json")
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError):
        plan_block(a_plan(tmp_path), tmp_path / "file")
