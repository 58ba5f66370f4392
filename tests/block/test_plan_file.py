"""The file of a plan: the example is read, defaults are what they say, faults are one line with their key."""

import json

import pytest

from needlecoach.block.file import read_block
from needlecoach.block.plan_file import EXAMPLE, read_plan, write_example
from needlecoach.casting import plan_block
from needlecoach.errors import BlockError, OutputError

# Invented.
PLAN = {
    "schema": 1,
    "code": "G1",
    "container": {"kind": "box", "length_mm": 200, "width_mm": 130, "height_mm": 90},
    "layers": [{"name": "bed", "thickness_mm": 25, "gelatin_g_l": 20},
               {"thickness_mm": 30, "gelatin_g_l": 70}],
    "targets": [{"name": "grape", "made_of": "grape", "size_mm": 18, "depth_mm": 20}],
}  # fmt: skip
BOX = PLAN["container"]
GRAPE = PLAN["targets"][0]


def read(tmp_path, **keys):
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(PLAN | keys))
    return read_plan(path)


def test_the_example_is_read_and_written_once(tmp_path):
    path = tmp_path / "mine.json"
    write_example(path)
    plan = read_plan(path)
    assert path.read_text() == EXAMPLE.read_text()
    assert [layer.gelatin_g_l for layer in plan.layers] == [20, 40, 70]
    with pytest.raises(OutputError, match="is there already and is left alone"):
        write_example(path)


def test_little_is_needed(tmp_path):
    plan = read(tmp_path)
    assert plan.container.height_mm == 55.0
    assert plan.room_ml == pytest.approx(2340)
    assert plan.layers[1].name == "layer 2"
    (grape,) = plan.targets
    assert (grape.shape, grape.kind, grape.layer, grape.held) == ("ball", "solid", 1, False)
    assert grape.size_mm == (18, 18, 18)


def test_a_thing_lies_in_the_layer_at_its_depth_or_in_the_named_one(tmp_path):
    assert read(tmp_path, targets=[GRAPE | {"depth_mm": 29.9}]).targets[0].layer == 1
    assert read(tmp_path, targets=[GRAPE | {"depth_mm": 30.1}]).targets[0].layer == 0
    assert read(tmp_path, targets=[GRAPE | {"layer": "bed"}]).targets[0].layer == 0


def test_round_and_measured_containers(tmp_path):
    bowl = read(tmp_path, container={"kind": "round", "diameter_mm": 150, "height_mm": 80})
    assert bowl.room_ml == pytest.approx(1413.72, abs=0.01)
    measured = read(tmp_path, container={"kind": "measured", "volume_ml": 1413.72, "height_mm": 80})
    assert measured.room_ml == pytest.approx(1413.72)
    assert measured.container.length_mm == pytest.approx(150, abs=0.01)


def test_a_thing_of_ones_own(tmp_path):
    own = GRAPE | {"made_of": "my wax", "density_kg_m3": 940, "holds_gas": True, "size_mm": [9, 20, 9]}
    (target,) = read(tmp_path, targets=[own]).targets
    assert (target.material.low_kg_m3, target.material.gas, target.shape) == (940, True, "egg")


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"schema": 3}, "this version reads schema 1"),
        ({"codes": "G1"}, 'unknown key "codes"'),
        ({"code": "two words"}, "A block is called by a code"),
        ({"cast_on": "soon"}, 'key "cast_on" must be a day as YYYY-MM-DD'),
        ({"layers": []}, 'key "layers"'),
        ({"layers": [{"thickness_mm": 25}]}, 'key "layers.1.gelatin_g_l" is missing'),
        ({"layers": [{"thickness_mm": 5, "gelatin_g_l": 40}]}, "The layers come to 5 mm; a block is 20"),
        ({"layers": [{"thickness_mm": "25", "gelatin_g_l": 20}]}, 'key "layers.1.thickness_mm"'),
        ({"layers": [{"name": "a", "thickness_mm": 25, "gelatin_g_l": 20}] * 2}, "Two layers are called a"),
        ({"targets": [GRAPE, GRAPE]}, "Two targets are called grape"),
        ({"targets": [GRAPE | {"depth_mm": 60}]}, "grape at 60 mm lies below the block’s 55 mm"),
        ({"targets": [GRAPE | {"layer": "roof"}]}, 'there is no layer "roof"; name one of bed, layer 2'),
        ({"targets": [GRAPE | {"made_of": "cheese"}]}, 'made_of "cheese" is not known'),
        ({"targets": [GRAPE | {"size_mm": [1, 2]}]}, 'key "targets.1.size_mm'),
        ({"targets": [GRAPE | {"shape": "ball", "size_mm": [9, 20, 9]}]}, "call it an egg"),
        ({"targets": [GRAPE | {"holds_gas": True}]}, 'with its own "density_kg_m3"'),
        ({"targets": [GRAPE | {"approach": {"angle_deg": 0}}]}, 'key "targets.1.approach.angle_deg"'),
        ({"container": {"kind": "box", "length_mm": 200, "height_mm": 90}}, 'has "length_mm" and'),
        ({"container": BOX | {"volume_ml": 100}}, "and no other size"),
        ({"container": {"kind": "measured", "volume_ml": 20, "height_mm": 90}}, "from 20 to 1000 mm, got 16"),
        ({"margin_percent": -1}, 'key "margin_percent"'),
        ({"notes": 5}, 'key "notes"'),
    ],
)  # fmt: skip
def test_faults_are_one_line(tmp_path, keys, says):
    with pytest.raises(BlockError) as fault:
        read(tmp_path, **keys)
    words = str(fault.value)
    assert says in words
    assert words.startswith(f"{tmp_path / 'plan.json'}: ")
    assert "\n" not in words


def test_a_plan_and_the_file_of_a_block_are_told_from_each_other(tmp_path):
    plan = tmp_path / "mine.json"
    plan.write_text(json.dumps(PLAN))
    block = plan_block(plan, tmp_path).block
    with pytest.raises(BlockError, match="is a plan, not the file of a block"):
        read_block(plan)
    with pytest.raises(BlockError, match="is the file of a block, not a plan"):
        read_plan(block)
