"""What a block's file tells of a clip. Blocks and marks are invented."""

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from needlecoach.analyse import score_clip
from needlecoach.block.file import write_block
from needlecoach.blockuse import block_beside, blocks_beside, marks_of_clip, with_block
from needlecoach.errors import BlockError
from needlecoach.marks import MarkOptions
from needlecoach.model import Block, BlockContainer, BlockTarget, Marks, Medium, Target

SAMPLES = Path(__file__).parents[1] / "sample_clips"
PLUM = BlockTarget("plum", "fluid", "ball", (10.0, 10.0, 10.0), 25.0, (0.0, 0.0))
BEAN = BlockTarget("Bean", "solid", "egg", (6.0, 12.0, 6.0), 30.0, (20.0, 0.0))
BLOCK = Block(
    "G3", date(2026, 11, 20), BlockContainer("box", 180.0, 120.0, 60.0), Medium("gel"), 20.0, (), (PLUM, BEAN)
)
OUTLINE = Target.from_ellipse((60.0, 60.0), (20.0, 20.0))
MARKED = Marks(target=OUTLINE, target_name="plum")


@pytest.fixture
def clip(tmp_path):
    path = tmp_path / "L01.mp4"
    path.touch()
    write_block(tmp_path / "G3.block.json", BLOCK)
    return path


def say(clip, **marks):
    marks = {"schema": 1, "target": {"ellipse": {"centre_px": [60, 60], "semi_axes_px": [20, 20]}}} | marks
    clip.with_name("L01.marks.json").write_text(json.dumps(marks))


def test_name_kind_size_and_sound_are_the_blocks():
    marks = with_block(replace(MARKED, target_name="bEAN"), BLOCK)
    assert (marks.block, marks.target_name, marks.target_kind) == ("G3", "Bean", "solid")
    assert marks.medium == Medium("gel", temperature_c=20.0)
    told = marks.of_block
    assert (told.cast_on, told.target, told.medium, told.notes) == ("2026-11-20", BEAN, True, ())


def test_what_was_marked_itself_goes_before_the_file_and_is_told():
    own = replace(
        MARKED,
        block="G2",
        medium=Medium("water", temperature_c=20.0),
        target_kind="solid",
        target_true_mm=8.0,
    )
    marks = with_block(own, BLOCK)
    assert (marks.block, marks.medium, marks.target_kind) == ("G3", own.medium, "solid")
    assert not marks.of_block.medium
    other, kind, size, sound = marks.of_block.notes
    assert other == "The marks name block G2; the file of block G3 was used."
    assert "plum is marked as solid, which was used; by the file of block G3 it is fluid" in kind
    assert "8 mm across, the file of block G3 says 10 mm" in size
    # Water at 20 °C: 1482 m/s (Marczak 1997, the table's 1482.34).
    assert "1482 m/s (water at 20 °C, Marczak 1997); the file of block G3 says 1499 m/s" in sound


def test_the_same_said_twice_is_no_difference():
    own = replace(
        MARKED, block="G3", medium=Medium("gel", temperature_c=20.0), target_kind="fluid", target_true_mm=9.5
    )
    assert with_block(own, BLOCK).of_block.notes == ()


@pytest.mark.parametrize(
    ("name", "targets", "said"),
    [
        ("", (PLUM, BEAN), "is not said, so its true size was not compared: name one of plum, Bean."),
        ("", (), "tells of no target"),
        ("grape", (PLUM,), "has no target grape by its file (it has plum)"),
        ("plums", (replace(PLUM, name="Plums"), replace(PLUM, name="PLUMS")), "has no target plums"),
    ],
)
def test_a_target_that_the_file_can_t_tell_is_said(name, targets, said):
    marks = with_block(replace(MARKED, target_name=name), replace(BLOCK, targets=targets))
    assert marks.of_block.target is None and marks.target_name == name
    (note,) = marks.of_block.notes
    assert said in note


def test_the_only_target_needs_no_name():
    marks = with_block(replace(MARKED, target_name=""), replace(BLOCK, targets=(PLUM,)))
    assert (marks.target_name, marks.of_block.target) == ("plum", PLUM)


def test_without_a_target_only_sound_is_taken():
    marks = with_block(Marks(), BLOCK)
    assert (marks.of_block.target, marks.of_block.notes) == (None, ())
    assert marks.medium is not None


def test_marks_that_name_no_block_read_none(clip):
    clip.with_name("G3.block.json").write_text("{")
    say(clip)
    marks = marks_of_clip(clip, MarkOptions())
    assert (marks.block, marks.of_block, marks.medium) == (None, None, None)


def test_the_marked_block_is_read_from_beside_the_clip(clip):
    say(clip, block="G3")
    marks = marks_of_clip(clip, MarkOptions(target_name="plum"))
    assert marks.of_block.target == PLUM
    assert marks_of_clip(clip, MarkOptions(), no_target=True).of_block.notes == ()
    other = replace(BLOCK, code="G4", targets=(BEAN,))
    assert marks_of_clip(clip, MarkOptions(block=other)).target_name == "Bean"


def test_a_marked_block_without_its_file_is_said(clip):
    say(clip, block="G9", medium={"kind": "gel"})
    marks = marks_of_clip(clip, MarkOptions())
    assert (marks.block, marks.medium) == ("G9", Medium("gel"))
    assert "G9.block.json is not beside the clip" in marks.of_block.notes[0]


def test_a_file_of_another_block_or_a_spoilt_one_is_told(clip):
    write_block(clip.with_name("G4.block.json"), BLOCK)
    clip.with_name("G5.block.json").write_text('{"schema": 1}')
    for code, said in (("G4", "is of block G3"), ("G5", 'key "code" is missing')):
        with pytest.raises(BlockError, match=said):
            block_beside(clip, code)
    found, faults = blocks_beside(clip)
    assert [one.code for one in found] == ["G3"] and len(faults) == 2


def test_a_whole_score_holds_what_the_block_told():
    """The sample's target is 8.0 mm across by its truth; 1540 m/s leaves its height as shown."""
    clip = SAMPLES / "clean_hit.mp4"
    cast = replace(PLUM, size_mm=(6.0, 6.0, 6.0))
    block = replace(BLOCK, medium=Medium("custom", speed_m_s=1540.0), targets=(cast,))
    card = score_clip(clip, marks_of_clip(clip, MarkOptions(block=block)))
    plain = score_clip(clip, marks_of_clip(clip, MarkOptions()))
    assert (card.size_check.across_mm, card.size_check.high_mm) == pytest.approx((8, 8), abs=0.15)
    assert card.size_check.high_share == pytest.approx(1 / 3, abs=0.03)
    assert "in block G3 it is 6 mm across" in card.quality_notes[0]
    assert card.sound.speed_m_s == 1540 and (plain.sound, plain.size_check) == (None, None)
    assert plain.quality_notes == card.quality_notes[1:]
    mine, its = card.attempts[0].figures, plain.attempts[0].figures
    assert mine["closest_centre_mm"].value == pytest.approx(its["closest_centre_mm"].value, abs=1e-9)
