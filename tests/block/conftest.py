"""Invented plans."""

from dataclasses import replace

import pytest

from needlecoach.block.materials import MATERIALS, own_material
from needlecoach.model import BlockContainer
from needlecoach.model.plan import Approach, Plan, PlannedLayer, PlannedTarget


def thing(name="thing", made_of="grape", size=18.0, depth=41.0, place=(0.0, 0.0), layer=1, **keys):
    material = MATERIALS.get(made_of) or own_material("own", float(made_of), gas=False, spoils=False)
    sizes = size if isinstance(size, tuple) else (size,) * 3
    shape = keys.pop("shape", "ball" if len(set(sizes)) == 1 else "egg")
    found = PlannedTarget(name, material, "solid", shape, sizes, depth, place, layer, False, Approach())
    return replace(found, **keys)


@pytest.fixture
def plan():
    """A box of 200 x 130 mm with three layers of 25 mm, and nothing in it."""
    layers = (
        PlannedLayer("bed", 25.0, 20.0, 5.0),
        PlannedLayer("middle", 25.0, 40.0, 5.0),
        PlannedLayer("top", 25.0, 70.0, 2.0),
    )
    return Plan("G1", None, BlockContainer("box", 200.0, 130.0, 75.0), 2340.0, layers, ())
