"""Times to the page, against NumPy's percentiles by the nearest rank (Hyndman and Fan's first kind)."""

import numpy as np
import pytest

from needlecoach.review.latency import LATELY, Latency


def filled(times_ms):
    latency = Latency()
    for one in times_ms:
        latency.add(one / 1000)
    return latency


@pytest.mark.parametrize("n", [1, 2, 19, 20, 21, LATELY, 1000])
def test_median_and_95th_percentile_are_numpys(n):
    times_ms = np.random.default_rng(n).integers(1, 400, n)
    latency = filled(times_ms)
    for of, told in ((times_ms[-LATELY:], latency.lately()), (times_ms, latency.all())):
        wanted = np.percentile(of, [50, 95], method="inverted_cdf")
        assert [told["median_ms"], told["p95_ms"]] == wanted.tolist()
        assert told["n"] == len(of)


def test_before_the_first_nothing_is_said():
    assert Latency().lately() == Latency().all() == {"n": 0, "median_ms": None, "p95_ms": None}


def test_parts_of_a_ms_are_rounded_up_and_hours_take_no_room():
    latency = filled([10.2, 9_000_000])
    assert latency.lately() == {"n": 2, "median_ms": 11, "p95_ms": 5000}
    before = len(latency._counts)
    for _ in range(5000):
        latency.add(0.03)
    assert len(latency._counts) == before and latency.lately()["n"] == LATELY
