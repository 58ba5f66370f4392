"""Live practice on a block with a file: marks, recordings and scores go by it. Blocks are invented."""

from dataclasses import replace
from datetime import date

import pytest
from stand_ins import CLIPS, setup_of
from typer.testing import CliRunner

from needlecoach.block.file import read_block, write_block
from needlecoach.blockuse import marks_of_clip
from needlecoach.cli import app
from needlecoach.errors import BlockError, OutputError
from needlecoach.live.laid import lay
from needlecoach.live.moved import moved_marks
from needlecoach.live.saving import keep_block
from needlecoach.live.setup import Setup
from needlecoach.marks import MarkOptions, read_marks, write_marks
from needlecoach.model import Block, BlockContainer, BlockTarget, Medium
from needlecoach.scored import Wish

PLUM = BlockTarget("plum", "solid", "ball", (9.0, 9.0, 9.0), 25.0, (0.0, 0.0))
BLOCK = Block(
    "G7", date(2026, 11, 20), BlockContainer("box", 180.0, 120.0, 60.0), Medium("gel"), 20.0, (), (PLUM,)
)


def test_a_recording_is_scored_by_the_block_as_the_live_picture_was(tmp_path):
    setup = setup_of("clean_hit", block=BLOCK)
    laid = lay(setup.clip, setup.marks(), Wish())
    assert laid.sound is not None and laid.given.of_block.target == PLUM
    clip = keep_block(tmp_path, BLOCK).with_name("L01.mkv")
    write_marks(clip.with_name("L01.marks.json"), moved_marks(laid, setup.marks_file(), None, None))
    of_recording = marks_of_clip(clip, MarkOptions())
    assert of_recording.of_block == laid.given.of_block  # which says that the medium is the block's
    assert (of_recording.medium, of_recording.block) == (laid.given.medium, "G7")


def test_a_medium_of_its_own_stays_in_the_recordings_marks(tmp_path):
    own = Medium("water", temperature_c=20.0)
    setup = setup_of("clean_hit", block=BLOCK, medium=own)
    moved = moved_marks(lay(setup.clip, setup.marks(), Wish()), setup.marks_file(), None, None)
    write_marks(tmp_path / "a.marks.json", moved)
    assert read_marks(tmp_path / "a.marks.json").medium == own


def test_a_block_named_in_the_marks_is_read_from_beside_them(tmp_path):
    file = tmp_path / "day.marks.json"
    of_day = Setup.of_file(CLIPS / "clean_hit.marks.json", MarkOptions()).marks_file()
    write_marks(file, of_day.model_copy(update={"block": "G7"}))
    setup = Setup.of_file(file, MarkOptions())
    assert setup.block() is None and setup.marks().of_block is None
    write_block(tmp_path / "G7.block.json", BLOCK)
    assert setup.block() == BLOCK and setup.marks().of_block.target == PLUM
    (tmp_path / "G7.block.json").write_text("{")
    with pytest.raises(BlockError, match=r"G7\.block\.json"):
        setup.marks()


def test_the_blocks_file_lies_with_the_recordings_and_replaces_no_other(tmp_path):
    place = keep_block(tmp_path, BLOCK)
    assert place == tmp_path / "recordings" / "G7.block.json" and read_block(place) == BLOCK
    assert keep_block(tmp_path, BLOCK) == place
    with pytest.raises(OutputError, match="tells otherwise of block G7"):
        keep_block(tmp_path, replace(BLOCK, notes="measured again"))
    assert read_block(place) == BLOCK


def test_a_spoilt_block_is_refused_before_any_camera_is_opened(tmp_path):
    spoilt = tmp_path / "G7.block.json"
    spoilt.write_text("{")
    result = CliRunner().invoke(app, ["live", "0", "--block", str(spoilt), "--out", str(tmp_path / "out")])
    assert isinstance(result.exception, BlockError) and "G7.block.json" in str(result.exception)
    assert not (tmp_path / "out").exists()
