"""A two-boundary CUSUM of failures: have results been shown acceptable, unacceptable, or neither yet?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import log

import numpy as np

from needlecoach.cohort.values import Crossing, Cusum, Rates, Side, Signal
from needlecoach.model import FloatArray

# A sum that reaches a line counts as crossing it, whichever way the last binary digit fell.
TOUCH = 1e-9


@dataclass(frozen=True)
class Boundaries:
    """`s` is taken off the sum with a success, 1 - s added with a failure; lines lie at -h0 and at h1."""

    s: float
    h0: float
    h1: float


def boundaries_of(rates: Rates) -> Boundaries:
    """Steps and lines of the sequential test between the two failure rates.

    Notes
    -----
    Source: Kestin, Br J Anaesth 1995;75:805; de Oliveira Filho, Anesth Analg 2002; after Wald's
    sequential probability ratio test, whose true errors are at most alpha / (1 - beta) and beta / (1 -
    alpha).
    """
    p = log(rates.unacceptable / rates.acceptable)
    q = log((1 - rates.acceptable) / (1 - rates.unacceptable))
    return Boundaries(
        s=q / (p + q),
        h0=log((1 - rates.alpha) / rates.beta) / (p + q),
        h1=log((1 - rates.beta) / rates.alpha) / (p + q),
    )


def two_boundary(success: FloatArray, rates: Rates, crossing: Crossing) -> Cusum:
    """The sum after each trial, its two lines, and where it reached them.

    Parameters
    ----------
    success : FloatArray
        (n,), 1 or 0 for each trial in order; n may be 0. No NaN.
    rates : Rates
        Failure rates and errors of the test.
    crossing : Crossing
        What happens at a line; reaching it counts.

        - "stop": the first line reached decides and is the only signal. The sum is drawn on for the eye.
        - "restart": the sum begins again from 0 with the trial after any signal, so that each signal is a
          test of its own, with the errors asked for. The value at a signal is the one that reached the line.
        - "go-on": the sum is never set back. A line is signalled each time it is reached from its inner side.
          Signals after the first have no stated error.

    Returns
    -------
    Cusum
        The sum falls with successes and rises with failures. At or under `down` the failure rate is taken to
        be acceptable rather than unacceptable, at or over `up` the reverse; in between nothing is decided.

    Notes
    -----
    Source: see `boundaries_of`.
    """
    bounds = boundaries_of(rates)
    steps = np.where(np.asarray(success, float) > 0, -bounds.s, 1 - bounds.s)
    value = restarted(steps, bounds) if crossing == "restart" else np.cumsum(steps)
    signals = tuple(_signals(value, bounds, anew=crossing == "go-on"))
    return Cusum(value, bounds.h1, -bounds.h0, signals[:1] if crossing == "stop" else signals)


def side_of(value: float, bounds: Boundaries) -> Side | None:
    """Which line a sum has reached, if any."""
    if value >= bounds.h1 - TOUCH:
        return "unacceptable"
    return "acceptable" if value <= -bounds.h0 + TOUCH else None


def restarted(steps: FloatArray, bounds: Boundaries) -> FloatArray:
    """The sum (n,) when it begins again from 0 after each line reached."""
    value, total = np.empty(len(steps)), 0.0
    for k, step in enumerate(steps):
        total += float(step)
        value[k] = total
        total = total if side_of(total, bounds) is None else 0.0
    return value


def _signals(value: FloatArray, bounds: Boundaries, *, anew: bool) -> Iterator[Signal]:
    """Each trial at or beyond a line; with `anew` only where the trial before was not beyond the same one."""
    before: Side | None = None
    for k, total in enumerate(value):
        side = side_of(float(total), bounds)
        if side is not None and not (anew and side == before):
            yield Signal(k + 1, side)
        before = side
