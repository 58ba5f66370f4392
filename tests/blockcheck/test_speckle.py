import numpy as np
import pytest

from needlecoach.blockcheck.speckle import RAYLEIGH_SNR, speckle_cells, speckle_size_px
from needlecoach.blockcheck.texture import even_share, full_range_db, texture


def test_the_rayleigh_ratio_is_that_of_numbers_drawn_by_numpy():
    # Outside: numpy's own Rayleigh law; its ratio is sqrt(pi / (4 - pi)).
    drawn = np.random.default_rng(1).rayleigh(size=2_000_000)
    assert pytest.approx(1.913, abs=5e-4) == RAYLEIGH_SNR
    assert drawn.mean() / drawn.std() == pytest.approx(RAYLEIGH_SNR, rel=2e-3)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("looks", [1, 2, 4])
def test_speckle_of_known_order_comes_out(gel, seed, looks):
    # The mean of N independent Rayleigh amplitudes has the ratio times sqrt(N), exactly.
    found = texture([speckle_cells(gel(seed, looks).view())], 60.0)
    assert found.snr == pytest.approx(RAYLEIGH_SNR * np.sqrt(looks), rel=0.05)


@pytest.mark.parametrize("grain_px", [(3.0, 1.6), (6.0, 2.0), (9.0, 3.0)])
def test_the_ratio_does_not_hang_on_the_size_of_the_speckle(gel, grain_px):
    assert np.median(speckle_cells(gel(grain_px=grain_px).view()).snr) == pytest.approx(
        RAYLEIGH_SNR, rel=0.06
    )


@pytest.mark.parametrize("range_db", [50.0, 60.0, 75.0])
def test_the_ratio_does_not_hang_on_the_dynamic_range_when_it_is_stated(gel, range_db):
    view = gel().view(range_db, **{})
    pixels = gel().pixels(range_db)
    cells = speckle_cells(type(view).of(pixels, view.region, view.scale, range_db))
    assert np.median(cells.snr) == pytest.approx(RAYLEIGH_SNR, rel=0.05)
    assert full_range_db([cells], range_db) == pytest.approx(range_db, rel=0.06)


def test_the_ratio_falls_when_the_range_is_stated_too_high(gel):
    cells = speckle_cells(gel().view())
    found = texture([cells], 60.0)
    (low_db, low), (high_db, high) = found.snr_by_range
    assert (low_db, high_db) == (50.0, 70.0)
    assert low > found.snr > high


@pytest.mark.parametrize(
    "spoil",
    [
        lambda one: one.fall(5.0),
        lambda one: one.line(12).line(25, tilt_deg=3),
        lambda one: one.gas(10, 12, 3).gas(30, 20, 2),
        lambda one: one.fluid(22, 20, 5),
        lambda one: one.streak(35),
    ],
    ids=["fall", "lines", "gas", "fluid", "needle"],
)
def test_structure_hardly_moves_the_ratio(gel, spoil):
    assert np.median(speckle_cells(spoil(gel()).view()).snr) == pytest.approx(RAYLEIGH_SNR, rel=0.06)


def test_few_scatterers_lower_the_ratio(gel):
    one = gel()
    rng = np.random.default_rng(3)
    one.amplitude *= np.where(rng.random((40, 40)) < 0.2, 4.0, 0.7).repeat(10, 0).repeat(10, 1)
    assert np.median(speckle_cells(one.view()).snr) < 1.6


def test_the_size_of_a_speckle_grows_with_the_grain(gel):
    sizes = []
    for grain in [(3.0, 1.6), (6.0, 3.2)]:
        view = gel(grain_px=grain).view()
        sizes.append(speckle_size_px(view.level_db, view.inside))
    assert sizes[1][0] / sizes[0][0] == pytest.approx(2, rel=0.2)
    assert sizes[1][1] / sizes[0][1] == pytest.approx(2, rel=0.2)
    assert sizes[0][0] > sizes[0][1]


def test_gel_is_even_and_patches_are_not(gel):
    assert even_share(speckle_cells(gel().view())) > 0.95
    one = gel()
    x, y = one.places_mm
    one.amplitude *= 10 ** (6 * np.sin(x / 1.5) * np.cos(y / 2) / 20 * 2)
    assert even_share(speckle_cells(one.view())) < 0.5


@pytest.mark.parametrize("black_share", [0.01, 0.025])
def test_speckle_whose_darkest_part_is_black_is_still_read(gel, black_share):
    # Rayleigh law: a share p of the amplitudes lies below sqrt(-ln(1 - p)) times their root mean square.
    below_db = -10 * np.log10(-np.log(1 - black_share))
    view = gel().view(60.0, white_db=60.0 - below_db)
    assert np.mean(view.greys == 0) == pytest.approx(black_share, rel=0.25)
    cells = speckle_cells(view)
    assert len(cells.snr) > 3 * cells.n_lost
    assert np.median(cells.snr) == pytest.approx(RAYLEIGH_SNR, rel=0.07)
