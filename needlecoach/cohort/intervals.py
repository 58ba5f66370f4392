"""95 % intervals of a share of successes, for few trials as well as many."""

from __future__ import annotations

from math import sqrt

from scipy.special import betaincinv, ndtri

from needlecoach.cohort.values import Share

TAIL = 0.025
Z = float(ndtri(1 - TAIL))


def wilson(successes: int, trials: int) -> Share:
    """Wilson's score interval: all shares that a test at 5 % would not refuse.

    Returns
    -------
    Share
        0 to 1 without trials. The lower end is exactly 0 without successes, the upper one exactly 1 without
        failures.

    Notes
    -----
    Source: Wilson, J Am Stat Assoc 1927;22:209; method 3 of Newcombe, Stat Med 1998;17:857.
    """
    if trials == 0:
        return Share(0, 0, 0.0, 1.0, "Wilson")
    share, weight = successes / trials, Z**2 / trials
    middle = (share + weight / 2) / (1 + weight)
    half = Z * sqrt(share * (1 - share) / trials + weight / (4 * trials)) / (1 + weight)
    low = 0.0 if successes == 0 else middle - half
    high = 1.0 if successes == trials else middle + half
    return Share(int(successes), int(trials), low, high, "Wilson")


def jeffreys(successes: int, trials: int) -> Share:
    """Jeffreys' interval: equal tails of a beta distribution with half a success and half a failure added.

    Returns
    -------
    Share
        0 to 1 without trials. The lower end is 0 without successes, the upper one 1 without failures: else
        shares next to 0 and 1 would almost never be covered.

    Notes
    -----
    Source: Brown, Cai and DasGupta, Stat Sci 2001;16:101, with their ends.
    """
    if trials == 0:
        return Share(0, 0, 0.0, 1.0, "Jeffreys")
    a, b = successes + 0.5, trials - successes + 0.5
    low = 0.0 if successes == 0 else float(betaincinv(a, b, TAIL))
    high = 1.0 if successes == trials else float(betaincinv(a, b, 1 - TAIL))
    return Share(int(successes), int(trials), low, high, "Jeffreys")
