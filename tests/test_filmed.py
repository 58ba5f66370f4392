"""A filmed screen is doubted where what was found for it can't be one (drawn, invented)."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from needlecoach.errors import MarksError, UnscorableError
from needlecoach.filmed import Filmed
from needlecoach.model import Area, Marks, Region, Scale
from needlecoach.screen.rectify import straight_view

STRAIGHT = straight_view(np.array([[0.0, 0], [799, 0], [799, 599], [0, 599]]), (1280, 720))


def filmed(*, found_by_itself: bool = True) -> Filmed:
    nothing: Any = None
    return Filmed(nothing, Marks(), STRAIGHT, found_by_itself=found_by_itself)


def region(left: int, top: int, right: int, bottom: int, source: Any = "found") -> Region:
    width, height = STRAIGHT.size_px
    return Region("rectangle", (left, top, width - left - right, height - top - bottom), source=source)


def test_a_picture_with_room_beside_it_is_on_a_screen() -> None:
    filmed().check_outline(region(120, 40, 150, 60))
    filmed().check_outline(region(120, 0, 150, 60))


@pytest.mark.parametrize("margins", [(0, 0, 0, 0), (3, 60, 5, 60), (100, 0, 0, 100)])
def test_an_outline_that_is_the_picture_s_own_is_refused(margins: tuple[int, int, int, int]) -> None:
    with pytest.raises(UnscorableError, match="outline is about that of the ultrasound picture"):
        filmed().check_outline(region(*margins))


def test_what_the_user_gave_is_believed() -> None:
    filmed(found_by_itself=False).check_outline(region(0, 0, 0, 0))
    filmed().check_outline(region(0, 0, 0, 0, source="given"))


def test_a_file_with_a_calibration_was_filmed_by_nobody() -> None:
    area = Area((0, 0, 100, 100), Scale.from_mm_per_px(0.1))
    reader: Any = SimpleNamespace(areas=(area,), clip=SimpleNamespace(path=Path("L01.dcm")))
    with pytest.raises(MarksError, match=r"L01\.dcm: .*leave --screen out"):
        Filmed.of(reader, Marks(screen="auto"))


def test_only_ruler_and_target_scales_gain_the_doubt_about_the_screen_s_shape() -> None:
    marked, ruler = Scale.from_points((0, 0), (0, 400), mm=40), Scale(0.1, 0.1, "ruler", 0.001)
    nothing: Any = None
    one = Filmed(nothing, Marks(scale=marked), STRAIGHT, found_by_itself=True)
    assert one.doubted(marked) is marked
    assert one.doubted(ruler).sd_share > 0.001
