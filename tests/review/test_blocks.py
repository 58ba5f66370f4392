"""What the marking page learns of blocks. Invented blocks beside a drawn clip."""

from dataclasses import replace

import pytest

from needlecoach.block.file import write_block
from needlecoach.model import Block, BlockContainer, BlockTarget, Medium
from needlecoach.review.desk import Desk
from needlecoach.scored import Wish

PLUM = BlockTarget("plum", "fluid", "ball", (4.0, 4.0, 4.0), 25.0, (0.0, 0.0))
BOX = BlockContainer("box", 180.0, 120.0, 60.0)
# A speed as the scanner takes it to be: depths stay as shown.
BLOCK = Block("G3", None, BOX, Medium("custom", speed_m_s=1540.0), None, (), (PLUM,))
MARKS = {
    "schema": 1,
    "block": "G3",
    "target": {"ellipse": {"centre_px": [48, 32], "semi_axes_px": [20, 20]}, "name": "plum"},
}


@pytest.fixture
def beside(own_desk):
    write_block(own_desk.path.with_name("G3.block.json"), BLOCK)
    own_desk.path.with_name("G4.block.json").write_text("[]")
    return own_desk


def test_blocks_beside_the_clip_are_offered_and_spoilt_ones_told(beside, own_client, api):
    told = own_client.get(f"{api}blocks").json()
    (block,) = told["blocks"]
    assert told["given"] is None and len(told["faults"]) == 1 and "G4.block.json" in told["faults"][0]
    assert (block["code"], block["beside"], block["sound"]) == ("G3", True, "1540 m/s")
    assert block["targets"] == [{"name": "plum", "kind": "fluid", "shape": "ball", "size_mm": [4, 4, 4]}]


@pytest.mark.parametrize(
    ("mm_per_px", "said"), [([0.1, 0.1], ""), ([0.13, 0.13], "30% more across"), (None, "")]
)
def test_marks_of_the_page_are_held_against_their_block(beside, own_client, api, mm_per_px, said):
    """40 px across: 4 mm at 0.1 mm per px, as is true."""
    notes = own_client.post(f"{api}blocks", json={"marks": MARKS, "mm_per_px": mm_per_px}).json()["notes"]
    assert len(notes) == bool(said) and said in "".join(notes)


def test_what_can_t_be_held_against_it(beside, own_client, api):
    other = own_client.post(f"{api}blocks", json={"marks": {**MARKS, "block": "G9"}})
    assert other.json() == {"notes": []}
    wrong = own_client.post(f"{api}blocks", json={"marks": {**MARKS, "block": "no code"}})
    assert wrong.status_code == 422 and "called by a code" in wrong.json()["error"]
    assert own_client.post(f"{api}blocks", json={"marks": MARKS, "mm_per_px": [-1, 1]}).status_code == 422


def test_the_block_that_was_given_holds_where_the_marks_name_no_other(beside):
    given = replace(BLOCK, targets=(replace(PLUM, name="grape"),))
    desk = Desk(beside.path, beside.results.folder, Wish(), given)
    try:
        told = desk.blocks()
        assert told["given"] == "G3" and [one["targets"][0]["name"] for one in told["blocks"]] == ["grape"]
        desk.save_marks({key: MARKS[key] for key in ("schema", "target")}, "none")
        assert desk._scorable(no_target=False).of_block.target is None  # no plum in it
        desk.save_marks({**MARKS, "block": "G3"}, desk.marks.record()["version"])
        assert "has no target plum" in desk._scorable(no_target=False).of_block.notes[0]
        write_block(beside.path.with_name("G5.block.json"), replace(BLOCK, code="G5"))
        desk.save_marks({**MARKS, "block": "G5"}, desk.marks.record()["version"])
        assert desk._scorable(no_target=False).of_block.target == PLUM
    finally:
        desk.close()
