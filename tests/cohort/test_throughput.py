"""Throughput of attempts made up so that it can be reckoned by hand."""

import numpy as np
import pandas as pd
import pytest

from needlecoach.cohort.throughput import throughput


def attempts(success, bits, time_s) -> pd.DataFrame:
    return pd.DataFrame({"success": success, "index_of_difficulty": bits, "time_to_target_s": time_s})


def test_mean_and_its_uncertainty_over_hits():
    # By hand: 4/8, 4/16, 3/4 -> .5, .25, .75: mean .5, SD .25, over the root of 3. The miss and what is not
    # known do not count.
    told = throughput(
        attempts([1, 1, 0, 1, 1, 1, np.nan], [4, 4, 9, 3, np.nan, 2, 2], [8, 16, 1, 4, 5, np.nan, 5])
    )
    assert told.value == pytest.approx(0.5)
    assert told.sd == pytest.approx(0.25 / np.sqrt(3))


@pytest.mark.parametrize(("success", "time_s"), [([1, 1, 0], [5, 5, 5]), ([1, 1, 1], [5, 5, 0]), ([], [])])
def test_none_under_three_hits(success, time_s):
    assert throughput(attempts(success, [2.0] * len(success), time_s)) is None


def test_bits_are_mackenzie_s():
    # MacKenzie 1992, ISO 9241-411: log2(D / W + 1) for D / W of 16, 8, 3 is 4.087463, 3.169925, 2 bits.
    bits = np.log2(np.array([16, 8, 3]) + 1)
    np.testing.assert_allclose(bits, [4.087463, 3.169925, 2], atol=5e-7)
    assert throughput(attempts([1, 1, 1], bits, [1, 1, 1])).value == pytest.approx(9.257388 / 3, abs=1e-6)
