"""The file of a block: what is written is read again, and what can't be is said in one line."""

import json
from datetime import date

import pytest

from needlecoach.block.file import block_text, read_block, write_block
from needlecoach.errors import BlockError, OutputError
from needlecoach.model import Block, BlockContainer, BlockLayer, BlockTarget, Medium

# Invented.
BLOCK = Block(
    "G3",
    date(2026, 11, 26),
    BlockContainer("box", 200.0, 120.0, 80.0),
    Medium("gel"),
    20.0,
    (BlockLayer("below", 20.0, 5.0, False, 50.0, 80.0), BlockLayer("top", 70.0, 2.0, True, 0.0, 50.0)),
    (BlockTarget("olive", "solid", "egg", (15.0, 20.0, 15.0), 40.0, (10.0, -5.0)),),
    "für den Kurs",
)


def changed(**keys):
    return json.dumps(json.loads(block_text(BLOCK)) | keys)


def test_what_was_written_is_read_again(tmp_path):
    path = tmp_path / "new" / "G3.block.json"
    write_block(path, BLOCK)
    assert read_block(path) == BLOCK
    assert [one.name for one in path.parent.iterdir()] == ["G3.block.json"]


def test_a_file_by_hand_needs_little(tmp_path):
    path = tmp_path / "a.block.json"
    path.write_text(
        '{"schema": 1, "code": "A1", "container": '
        '{"kind": "round", "length_mm": 150, "width_mm": 150, "height_mm": 60}}'
    )
    block = read_block(path)
    assert (block.targets, block.medium, block.cast_on) == ((), None, None)
    assert block.container.area_mm2 == pytest.approx(17671.46, abs=0.01)  # pi / 4 * 150²


def test_medium_takes_the_blocks_temperature_only_where_it_has_none():
    assert BLOCK.scanned_medium == Medium("gel", 20.0)
    own = Block(**{**vars(BLOCK), "medium": Medium("gel", 5.0)})
    assert own.scanned_medium == Medium("gel", 5.0)


def test_an_outline_of_an_egg_may_be_anything_between_its_sections():
    # Sections of a 15 x 20 x 15 egg: a circle of 15, and an ellipse whose circle of like area is sqrt(300).
    assert BLOCK.target("olive").mean_range_mm == pytest.approx((15.0, 17.3205), abs=1e-4)
    assert BLOCK.target("grape") is None


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"schema": 2}, 'key "schema" is 2; this version reads schema 1.'),
        ({"colour": "red"}, 'unknown key "colour"; take it out'),
        ({"code": "our best block"}, "A block is called by a code"),
        ({"cast_on": "26.11.2026"}, 'key "cast_on" must be a day as YYYY-MM-DD'),
        ({"cast_on": "20261126"}, "YYYY-MM-DD"),
        ({"cast_on": "2026-W48-4"}, "YYYY-MM-DD"),
        ({"temperature_c": 90.0}, "temperature must be from 0 to 40"),
        ({"medium": {"kind": "water"}}, "medium water needs its temperature"),
        (
            {"container": {"kind": "box", "length_mm": 2.0, "width_mm": 9.0, "height_mm": 8.0}},
            "from 20 to 1000 mm, got 2",
        ),
        ({"targets": [{"name": "a", "size_mm": [1, 2], "depth_mm": 4}]}, 'key "targets.1.size_mm.3" is'),
        ({"targets": [{"name": "a\nb", "size_mm": [1, 2, 3], "depth_mm": 4}]}, "one line of 1 to 60"),
        ({"targets": [{"name": "a", "size_mm": [1, 2, 3], "depth_mm": -4}]}, "Depth of target a"),
        ({"targets": [{"name": "a", "size_mm": [1, 2, 3], "depth_mm": 4}] * 2}, "Two targets are called a"),
        ({"layers": [{"gelatin_g_l": 20, "top_mm": 50, "bottom_mm": 30}]}, "must lie from top_mm down"),
    ],
)
def test_what_can_not_be_is_said_in_one_line(tmp_path, keys, says):
    path = tmp_path / "b.block.json"
    path.write_text(changed(**keys))
    with pytest.raises(BlockError) as fault:
        read_block(path)
    assert says in str(fault.value)
    assert str(fault.value).startswith(f"{path}: ")
    assert "\n" not in str(fault.value)


@pytest.mark.parametrize("content", [b"", b"{", b"\xff\xfe", b"[1]", b'{"schema": NaN}', b"1" * 2_000_000])
def test_rubbish_is_refused(tmp_path, content):
    path = tmp_path / "b.block.json"
    path.write_bytes(content)
    with pytest.raises(BlockError):
        read_block(path)


def test_layers_that_do_not_meet_are_refused():
    below, top = BLOCK.layers
    with pytest.raises(BlockError, match="begins at 50"):
        Block(**{**vars(BLOCK), "layers": (below, BlockLayer("top", 70.0, 0.0, False, 0.0, 45.0))})
    with pytest.raises(BlockError, match="lowest up"):
        Block(**{**vars(BLOCK), "layers": (top, below)})


def test_a_missing_file_and_a_place_that_can_not_be_written(tmp_path):
    with pytest.raises(BlockError, match="check the name"):
        read_block(tmp_path / "none.block.json")
    with pytest.raises(BlockError, match="is not a file"):
        read_block(tmp_path)
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError):
        write_block(tmp_path / "file" / "x.block.json", BLOCK)
