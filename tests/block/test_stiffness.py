"""Stiffness against the published table."""

import numpy as np
import pytest

from needlecoach.block.stiffness import percent_by_mass, stiffness_of

# Nguyen et al., Ultrasound Med Biol 2014;40:168.
PUBLISHED = {3.0: 2.01, 4.0: 3.10, 5.0: 4.18, 6.0: 8.05, 7.0: 10.24}


@pytest.mark.parametrize("percent", PUBLISHED)
def test_the_published_table(percent):
    found = stiffness_of(percent)
    assert found.shear_kpa == pytest.approx(PUBLISHED[percent])
    assert found.young_kpa == pytest.approx(3 * PUBLISHED[percent])
    # Close to the square of concentration, as published: within two of the uncertainties stated.
    factor = np.exp(np.mean([np.log(kpa / part**2) for part, kpa in PUBLISHED.items()]))
    low, high = found.shear_kpa / (1 + found.sd_share) ** 2, found.shear_kpa * (1 + found.sd_share) ** 2
    assert low < factor * percent**2 < high


def test_between_and_beyond():
    assert PUBLISHED[5.0] < stiffness_of(5.5).shear_kpa < PUBLISHED[6.0]
    assert stiffness_of(14.0).shear_kpa == pytest.approx(4 * PUBLISHED[7.0])
    assert stiffness_of(1.5).shear_kpa == pytest.approx(PUBLISHED[3.0] / 4)
    assert stiffness_of(1.5).sd_share > stiffness_of(3.0).sd_share == stiffness_of(5.0).sd_share
    low, high = stiffness_of(5.0).likely_kpa
    assert low < PUBLISHED[5.0] < high


def test_per_cent_of_mass():
    assert percent_by_mass(998.21) == pytest.approx(50.0, abs=0.01)
    assert percent_by_mass(70.0) == pytest.approx(6.55, abs=0.01)
