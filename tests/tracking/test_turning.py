"""A drawn bright line that has turned is found again; invented data."""

import cv2
import numpy as np

from needlecoach.tracking.axis import Axis
from needlecoach.tracking.turning import turned

STEP_MM = 0.15


def shaft(turn_deg: float) -> np.ndarray:
    """A line of 15 mm from (0, 40) px, 30 degrees down and as much more as it has turned."""
    picture, slope = np.full((200, 200), 40, dtype=np.uint8), np.radians(30 + turn_deg)
    end = np.array([0, 40]) + 15 / STEP_MM * np.array([np.cos(slope), np.sin(slope)])
    cv2.line(picture, (0, 40), tuple(np.rint(end).astype(int).tolist()), 200, 3)
    return picture


AXIS = Axis(np.array([[0.0, 40.0]]), np.array([[np.cos(np.pi / 6), np.sin(np.pi / 6)]]), np.zeros(1), STEP_MM)
EMPTY = np.full((200, 200), 40, dtype=np.uint8)


def test_a_small_turn_is_followed() -> None:
    """Two degrees move the tip, 15 mm in, by half a millimetre: between two of the places looked at."""
    tip = turned(AXIS, shaft(2.0), EMPTY, 15.0).points(0, 15.0)
    true = np.array([0, 40]) + 15 / STEP_MM * np.array([np.cos(np.radians(32)), np.sin(np.radians(32))])

    assert np.hypot(*(tip - true)) * STEP_MM < 0.25


def test_a_shaft_that_stays_keeps_its_axis() -> None:
    assert turned(AXIS, shaft(0.0), EMPTY, 15.0) is AXIS


def test_a_needle_hardly_in_has_no_direction_to_turn() -> None:
    assert turned(AXIS, shaft(2.0), EMPTY, 3.0) is AXIS
    assert turned(AXIS, shaft(2.0), EMPTY, np.nan) is AXIS
