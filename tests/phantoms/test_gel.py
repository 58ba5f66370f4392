"""Speckle against the Rayleigh law, and what objects in the gel do to it."""

import numpy as np
import pytest

from needlecoach.phantoms.beams import BeamGrid, PointSpread
from needlecoach.phantoms.gel import build_gel, random_echoes
from needlecoach.phantoms.scene import Display, Gas, Layer, Probe, Scene, TargetBody, Thing, Tube

PROBE = Probe(depth_mm=36, width_mm=36)
DISPLAY = Display(420, 400, 0.12, (205, 50))
GRID = BeamGrid(PROBE, DISPLAY)


def gel_envelope(*things: Thing, target: TargetBody | None = None) -> np.ndarray:
    scene = Scene(probe=PROBE, display=DISPLAY, things=things, target=target)
    gel = build_gel(scene, GRID, PointSpread(GRID), np.random.default_rng(5))
    return np.abs(gel.first + gel.fixed)


def rms(envelope: np.ndarray, x: tuple[float, float], z: tuple[float, float]) -> float:
    places_x, places_z = GRID.places_mm
    inside = (places_x > x[0]) & (places_x < x[1]) & (places_z > z[0]) & (places_z < z[1])
    return float(np.sqrt((envelope[inside] ** 2).mean()))


def test_speckle_is_fully_developed() -> None:
    spread = PointSpread(GRID)
    echoes = random_echoes(np.random.default_rng(1), GRID.shape)

    envelope = np.abs(spread.spread(echoes, GRID.depth_mm, energy=True))[20:-20, 20:-20]

    # Amplitude mean over deviation 1.913 (Burckhardt 1978, from memory), sqrt(pi / (4 - pi)) after Rayleigh.
    assert envelope.mean() / envelope.std() == pytest.approx(1.913, abs=0.05)
    # Median over root-mean-square of a Rayleigh amplitude: sqrt(ln 2), by calculation.
    assert np.median(envelope) / np.sqrt((envelope**2).mean()) == pytest.approx(np.sqrt(np.log(2)), abs=0.02)


def test_speckle_keeps_its_level_over_depth() -> None:
    spread = PointSpread(GRID)
    echoes = random_echoes(np.random.default_rng(2), GRID.shape)

    envelope = np.abs(spread.spread(echoes, GRID.depth_mm, energy=True))

    for first in (20, 110, 200):
        assert np.sqrt((envelope[first : first + 80, 20:-20] ** 2).mean()) == pytest.approx(1.0, abs=0.08)


def test_fluid_is_black_with_a_brighter_strip_below() -> None:
    target = TargetBody((0, 15), (4, 4))
    envelope, plain = gel_envelope(target=target), gel_envelope()

    assert rms(envelope, (-2, 2), (13, 17)) < 0.05 * rms(plain, (-2, 2), (13, 17))
    assert rms(envelope, (-2, 2), (22, 28)) > 1.25 * rms(plain, (-2, 2), (22, 28))


def test_walls_shine_where_the_beam_meets_them_squarely() -> None:
    envelope = gel_envelope(target=TargetBody((0, 15), (4, 4)))

    top = rms(envelope, (-0.8, 0.8), (10.7, 11.3))
    side = rms(envelope, (3.7, 4.3), (14.2, 15.8))
    assert top > 4 * side


def test_a_ring_shines_all_round() -> None:
    envelope = gel_envelope(target=TargetBody((0, 15), (4, 4), kind="ring"))

    assert rms(envelope, (3.8, 4.6), (14.2, 15.8)) > 2.5 * rms(envelope, (7, 12), (12, 18))


def test_gas_is_bright_and_hides_what_lies_below() -> None:
    envelope, plain = gel_envelope(Gas((5, 10), 3.0)), gel_envelope()

    assert rms(envelope, (4, 6), (9.5, 10.7)) > 8 * rms(plain, (4, 6), (9.5, 10.7))
    assert rms(envelope, (4.3, 5.7), (24, 34)) < 0.45 * rms(plain, (4.3, 5.7), (24, 34))
    assert rms(envelope, (-6, -2), (24, 34)) == pytest.approx(rms(plain, (-6, -2), (24, 34)), rel=0.25)


def test_a_tube_has_bright_walls_dark_inside_and_copies_below() -> None:
    envelope = gel_envelope(Tube((0, 15), 12, 0, 3.0))

    upper, lower = rms(envelope, (-4, 4), (13.3, 13.7)), rms(envelope, (-4, 4), (16.3, 16.7))
    copies = [rms(envelope, (-4, 4), (z - 0.2, z + 0.2)) for z in (17.85, 19.2)]
    inside = rms(envelope, (-4, 4), (14.7, 15.3))
    assert min(upper, lower) > copies[0] > copies[1] > inside


def test_a_layer_is_a_line_at_its_depth() -> None:
    rows = np.sqrt((gel_envelope(Layer(20.0, level_db=18)) ** 2).mean(axis=1))

    assert GRID.depth_mm[int(rows.argmax())] == pytest.approx(20.0, abs=0.4)
