"""Throughput: how much difficulty a learner masters in a second, for hits."""

from __future__ import annotations

import numpy as np
import pandas as pd

from needlecoach.cohort.values import Estimate

LEAST_HITS = 3


def throughput(attempts: pd.DataFrame) -> Estimate | None:
    """Mean of index of difficulty over time to target of one learner's hits.

    Parameters
    ----------
    attempts : one learner's, with the columns success (1 for a hit), index_of_difficulty (bits) and
        time_to_target_s

    Returns
    -------
    Estimate or None
        In bits/s, with the standard uncertainty of a mean; None with under 3 hits of which both are known.

    Notes
    -----
    ISO 9241-411; MacKenzie, Human-Computer Interaction 1992;7:91, with the target's own width, not the
    effective one: needles end where they do for other reasons than haste. Misses have no time to target, so a
    learner who hits little is judged by few attempts: read it beside the hit rate. Applied to needles by us,
    untested.
    """
    success, bits, time_s = (
        attempts[name].to_numpy(dtype=float)
        for name in ("success", "index_of_difficulty", "time_to_target_s")
    )
    known = (success == 1) & np.isfinite(bits) & np.isfinite(time_s) & (time_s > 0)
    rates = bits[known] / time_s[known]
    if rates.size < LEAST_HITS:
        return None
    return Estimate(float(rates.mean()), float(rates.std(ddof=1) / np.sqrt(rates.size)))
