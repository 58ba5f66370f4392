"""A needle before it sets out, on drawn pictures: invented data."""

import numpy as np
import pytest

from needlecoach.tracking.axis import Axis
from needlecoach.tracking.kymograph import SAMPLE_MM
from needlecoach.tracking.outset import in_before, not_at_the_edge
from needlecoach.tracking.tip import TipPath

STEP_MM, FPS, N, SET_OUT = 0.15, 20.0, 40, 20
TIME_S = np.arange(N) / FPS
REST_MM = 12.0
X, Y = np.meshgrid(np.arange(260), np.arange(120))
AXIS = Axis(
    entry=np.tile([5.0, 10.0], (N, 1)),
    direction=np.tile([np.cos(0.4), np.sin(0.4)], (N, 1)),
    bow_per_mm=np.zeros(N),
    step_mm=STEP_MM,
)
TIP_MM = REST_MM + np.maximum(np.arange(N) - SET_OUT, 0) * 0.5


def path_of(position_mm: np.ndarray, sd_mm: float = 0.2) -> TipPath:
    here = np.isfinite(position_mm)
    return TipPath(position_mm, np.where(here, sd_mm, np.nan), here.astype(float))


def from_setting_out() -> TipPath:
    """Found a little late; with its first frames still short of the tip."""
    position = np.where(np.arange(N) < SET_OUT + 2, np.nan, TIP_MM)
    position[SET_OUT : SET_OUT + 2] = (3.0, 8.0)
    return path_of(position)


def by_motion() -> TipPath:
    return path_of(np.where(np.arange(N) < SET_OUT, np.nan, TIP_MM + 1.0))


def pictures(*, tip_before: bool = True) -> list[np.ndarray]:
    out = []
    for i, tip_mm in enumerate(TIP_MM):
        x, y = AXIS.points(i, tip_mm)
        grey = 130 * np.exp(-0.5 * ((X - x) ** 2 + (Y - y) ** 2) / 4) * (tip_before or i >= SET_OUT)
        out.append(np.rint(40 + grey).astype(np.uint8))
    return out


def strips(*, brightens: bool = False) -> np.ndarray:
    s = np.arange(160) * SAMPLE_MM
    grey = np.where(s < TIP_MM[:, None], 90.0, 50.0).astype(np.float32)
    if brightens:
        grey[:SET_OUT] = 50
    return grey


def test_it_is_traced_back_from_where_it_first_stirred() -> None:
    got = in_before(from_setting_out(), by_motion(), strips(), pictures(), AXIS, TIME_S)
    assert got.position_mm == pytest.approx(TIP_MM, abs=0.3)
    assert (got.present[:SET_OUT] == 1).all()
    assert np.isfinite(got.sd_mm).all()


@pytest.mark.parametrize(
    ("grey", "shown"),
    [(strips(brightens=True), pictures()), (strips(), pictures(tip_before=False))],
    ids=["its place brightened", "no echo of a tip before"],
)
def test_one_that_comes_in_was_not_in_before(grey: np.ndarray, shown: list[np.ndarray]) -> None:
    path = from_setting_out()
    assert in_before(path, by_motion(), grey, shown, AXIS, TIME_S) is path


def test_nothing_stirs() -> None:
    path = path_of(np.full(N, np.nan))
    assert in_before(path, path, strips(), pictures(), AXIS, TIME_S) is path


def test_waiting_at_the_edge_is_not_being_in() -> None:
    """0.5 s at the edge, 1 s in, the rest at the edge again: a picture of either is its way."""
    position = np.full(N, 0.1)
    position[10:30] = 5.0
    here = np.isfinite(not_at_the_edge(path_of(position), TIME_S).position_mm)
    assert np.flatnonzero(here).tolist() == list(range(9, 31))


def test_never_beyond_the_edge() -> None:
    assert np.isnan(not_at_the_edge(path_of(np.full(N, 0.2)), TIME_S).position_mm).all()
