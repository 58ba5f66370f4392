"""The uncertainty of a marked outline: hands are drawn with a known error, which is found again."""

import numpy as np
import pytest

from needlecoach.errors import MarksError
from needlecoach.marking import LEAST_SD_PX, marking_sd_px
from needlecoach.model import Target


def ellipse(x_px: float = 300, y_px: float = 200, rx_px: float = 40, ry_px: float = 40) -> Target:
    return Target.from_ellipse((x_px, y_px), (rx_px, ry_px))


def test_a_circle_marked_larger() -> None:
    # All radii differ by 3 px, so 3 / sqrt(2), by hand.
    assert marking_sd_px(ellipse(), ellipse(rx_px=43, ry_px=43)) == pytest.approx(3 / 2**0.5, rel=1e-3)


def test_a_circle_marked_beside() -> None:
    # Moved by d, the radii differ by d cos(a): rms d / sqrt(2), and that again for two hands.
    assert marking_sd_px(ellipse(), ellipse(x_px=302)) == pytest.approx(2 / 2, rel=1e-2)


def test_it_is_the_same_both_ways_and_wherever_it_lies() -> None:
    one, other = ellipse(ry_px=30), ellipse(x_px=303, y_px=198, rx_px=44)
    moved = [Target(outline_px=target.outline_px + 1000) for target in (one, other)]
    assert marking_sd_px(one, other) == pytest.approx(marking_sd_px(other, one))
    assert marking_sd_px(*moved) == pytest.approx(marking_sd_px(one, other), rel=1e-3)


def test_hands_that_agree_are_not_believed_to_be_perfect() -> None:
    assert marking_sd_px(ellipse(), ellipse()) == LEAST_SD_PX
    assert marking_sd_px(ellipse(), ellipse(rx_px=40.1)) == LEAST_SD_PX


def test_the_error_of_drawn_hands_is_found_again() -> None:
    rng = np.random.default_rng(5)
    turns = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    rays = np.stack([np.cos(turns), np.sin(turns)], axis=-1)

    def by_hand() -> Target:
        """Outline of 24 corners, each 1.5 px off in or out."""
        return Target(outline_px=(300.0, 200.0) + (60 + rng.normal(0, 1.5, 24))[:, None] * rays)

    found = [marking_sd_px(by_hand(), by_hand()) for _ in range(100)]
    # Straight sides between corners average their errors: 2/3 of the variance is left, by hand.
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(1.5 * (2 / 3) ** 0.5, rel=0.08)


def test_an_outline_that_folds_back_counts_to_its_outer_side() -> None:
    # A square with a slit of 2 px that runs up from its lower side: its right side lies behind the slit.
    slit = np.array([[0, 0], [100, 0], [100, 100], [80, 100], [80, 30], [78, 30], [78, 100], [0, 100]], float)
    square = slit[[0, 1, 2, 7]]
    # Seen from the middle the mouth of the slit is about 1 degree wide, and there it is some 20 px nearer.
    assert marking_sd_px(Target(outline_px=slit), Target(outline_px=square)) < 20 / 2**0.5 * (3 / 360) ** 0.5


def test_two_targets_are_not_one_marked_twice() -> None:
    with pytest.raises(MarksError, match="does not lie over the first one") as problem:
        marking_sd_px(ellipse(), ellipse(x_px=500))
    assert len(str(problem.value).splitlines()) == 1
