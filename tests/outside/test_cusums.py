"""CUSUMs against published steps and lines, and against chances summed exactly."""

from collections import defaultdict
from math import log

import numpy as np
import pytest

from needlecoach.cohort.cusum import boundaries_of, two_boundary
from needlecoach.cohort.lc_cusum import calibrate, calibration_of, weights_of
from needlecoach.cohort.risk_adjusted import risk_adjusted
from needlecoach.cohort.risk_adjusted import weights_of as risk_weights
from needlecoach.cohort.values import Rates


@pytest.mark.parametrize(
    ("rates", "s", "h0", "h1"),
    [
        ((0.05, 0.10, 0.1, 0.1), 0.07236, 2.94055, 2.94055),
        ((0.10, 0.20, 0.1, 0.1), 0.14524, 2.70951, 2.70951),
        ((0.10, 0.25, 0.1, 0.1), 0.16596, 2.0, 2.0),
        ((0.20, 0.40, 0.1, 0.1), 0.29330, 2.24017, 2.24017),
        ((0.10, 0.20, 0.05, 0.20), 0.14524, 1.92143, 3.41902),
    ],
)
def test_steps_and_lines_are_those_of_kestin(rates, s, h0, h1):
    """Kestin, Br J Anaesth 1995;75:805, and de Oliveira Filho, Anesth Analg 2002 (formulas from memory).

    Values by calculation from them; 2 is exact.
    """
    found = boundaries_of(Rates(*rates))
    assert (round(found.s, 5), round(found.h0, 5), round(found.h1, 5)) == (s, h0, h1)
    cusum = two_boundary(np.zeros(1), Rates(*rates), "stop")
    assert (cusum.up, cusum.down) == (found.h1, -found.h0)


@pytest.mark.parametrize(("failing", "wrong"), [(0.1, "unacceptable"), (0.3, "acceptable")])
def test_errors_keep_to_walds_bounds(failing, wrong):
    """Wald, Ann Math Stat 1945;16:117: true errors are at most alpha / (1 - beta) and beta / (1 - alpha).

    Of 2000 simulated learners; three standard errors are allowed on top.
    """
    alpha, beta = 0.1, 0.2
    rng, rates = np.random.default_rng(8), Rates(0.1, 0.3, alpha, beta)
    bound = alpha / (1 - beta) if wrong == "unacceptable" else beta / (1 - alpha)
    runs = [two_boundary((rng.random(200) >= failing) * 1.0, rates, "stop") for _ in range(2000)]
    sides = [run.signals[0].side for run in runs if run.signals]
    assert len(sides) > 1980
    assert sides.count(wrong) / 2000 < bound + 3 * np.sqrt(bound * (1 - bound) / 2000)


def test_steps_are_those_of_biau():
    """Biau et al., Br J Surg 2008;95:925, for rates of 10 and 25 %, by calculation."""
    weights = weights_of(Rates(0.10, 0.25))
    assert (round(weights.success, 5), round(weights.failure, 5)) == (0.18232, -0.91629)


def exactly_declared(limit: float, rates: Rates, failing: float, length: int) -> float:
    """Chance of reaching the limit within so many trials: those of all sums, trial by trial."""
    up = log((1 - rates.acceptable) / (1 - rates.unacceptable))
    down = log(rates.acceptable / rates.unacceptable)
    chances, declared = {0.0: 1.0}, 0.0
    for _ in range(length):
        after: dict[float, float] = defaultdict(float)
        for total, chance in chances.items():
            after[round(max(0.0, total + up), 9)] += chance * (1 - failing)
            after[round(max(0.0, total + down), 9)] += chance * failing
        declared += sum(chance for total, chance in after.items() if total >= limit - 1e-7)
        chances = {total: chance for total, chance in after.items() if total < limit - 1e-7}
    return declared


def test_a_limit_of_125_declares_89_percent_of_inadequate_learners_competent():
    """Rates of 10 and 25 %, 50 trials: 0.89 by exact chances; simulated to 0.8 % (3 standard errors)."""
    rates = Rates(0.10, 0.25)
    exact = exactly_declared(1.25, rates, 0.25, 50)
    assert round(exact, 2) == 0.89
    assert calibration_of(1.25, rates, 50).false_competence == pytest.approx(exact, abs=0.008)


@pytest.mark.parametrize(
    ("rates", "length", "share"),
    [((0.10, 0.25), 50, 0.05), ((0.20, 0.40), 50, 0.05), ((0.05, 0.30), 20, 0.10), ((0.20, 0.40), 120, 0.01)],
)
def test_calibrated_limits_keep_to_the_share_by_exact_chances(rates, length, share):
    """To three standard errors of 20,000 runs; both shares printed beside a signal are the true ones."""
    found = calibrate(Rates(*rates), length, share)
    false = exactly_declared(found.limit, Rates(*rates), rates[1], length)
    true = exactly_declared(found.limit, Rates(*rates), rates[0], length)
    assert false < share + 3 * np.sqrt(share * (1 - share) / 20_000)
    assert found.false_competence == pytest.approx(false, abs=0.008)
    assert found.true_competence == pytest.approx(true, abs=0.011)


@pytest.mark.parametrize(
    ("chance", "failure", "success"), [(0.05, 0.644357, -0.048790), (0.20, 0.510826, -0.182322)]
)
def test_steps_are_those_of_steiner(chance, failure, success):
    """Steiner et al., Biostatistics 2000;1:441, odds ratio 2, by calculation."""
    failed, succeeded = risk_weights(np.array([chance]), 2.0)
    assert (round(failed[0], 6), round(succeeded[0], 6)) == (failure, success)


def test_false_alarms_of_equal_targets_by_exact_chances():
    """With one chance for all trials the sum is that of an LC-CUSUM with failures and successes exchanged."""
    chance, worse = 0.2, 2 * 0.2 / (1 + 0.2)
    found = risk_adjusted(np.ones(40), np.full(40, chance), runs=20_000)
    mirrored = Rates(1 - worse, 1 - chance)
    exact = exactly_declared(found.limit, mirrored, 1 - chance, 40)
    assert exact < 0.1 + 0.007
    assert found.false_alarm == pytest.approx(exact, abs=0.007)
