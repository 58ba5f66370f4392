"""Names on the pictures of a checked block stay within them."""

from types import SimpleNamespace

import numpy as np
import pytest

from needlecoach.model import Scale
from needlecoach.reporting.charts.block_pictures import _gas


@pytest.mark.parametrize(("x_px", "turned"), [(150.0, False), (390.0, True)])
def test_the_name_of_gas_is_on_the_side_where_there_is_room(x_px, turned):
    picture = SimpleNamespace(
        greys=np.zeros((300, 400), np.uint8), corner_px=(0.0, 0.0), scale=Scale.from_mm_per_px(0.1)
    )
    assert ('text-anchor="end"' in _gas(1, (x_px, 80.0), 2.0, picture)) == turned
