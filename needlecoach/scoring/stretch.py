"""The one stretch of a profile that stands out from the rest of it, and how sure its ends are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecoach.model import FloatArray

# Samples nearer than this tell the same: a rough shaft glints over about so much of its length.
ALIKE_MM = 2.0


@dataclass(frozen=True)
class Stretch:
    """From `front_mm` to `back_mm`; `excess` is its mean over that of the rest, `gain` its share of variance.

    `front_sd_mm` and `back_sd_mm` are the uncertainties of the two ends, `length_sd_mm` that of their
    distance.
    """

    front_mm: float
    front_sd_mm: float
    back_mm: float
    back_sd_mm: float
    length_sd_mm: float
    excess: float
    gain: float

    @property
    def length_mm(self) -> float:
        """From end to end."""
        return self.back_mm - self.front_mm


def raised_stretch(
    values: FloatArray, step_mm: float, *, front_mm: tuple[float, float], length_mm: tuple[float, float]
) -> Stretch | None:
    """Find the stretch whose mean exceeds that of all else most clearly.

    Parameters
    ----------
    values : (n,) at 0, 1, 2... times `step_mm`, finite
    front_mm : least and most of where it begins
    length_mm : least and most of its length

    Returns
    -------
    Stretch or None
        None when no stretch that is allowed stands out.

    Notes
    -----
    Two levels fitted by least squares. Every pair of ends is weighed by how well it fits, given the noise
    that the best one leaves; their mean and standard deviation are returned.
    """
    n = len(values)
    sums = np.concatenate([[0.0], np.cumsum(values - values.mean())]) if n else np.zeros(1)
    first, end = np.triu_indices(n + 1, k=1)
    count, place, long = end - first, (first - 0.5) * step_mm, (end - first) * step_mm
    allowed = (count < n) & (place >= front_mm[0]) & (place <= front_mm[1])
    allowed &= (long >= length_mm[0]) & (long <= length_mm[1])
    first, end, count = first[allowed], end[allowed], count[allowed]
    above = np.maximum(sums[end] - sums[first], 0)
    explained = above**2 * n / (count * (n - count))
    if not len(first) or not explained.max() > 0:
        return None
    best, total = int(np.argmax(explained)), float(((values - values.mean()) ** 2).sum())
    noise = max((total - explained[best]) / n, 1e-9 * total) * max(ALIKE_MM / step_mm, 1.0)
    weight = np.exp((explained - explained[best]) / (2 * noise))
    weight /= weight.sum()
    fronts, backs = (np.asarray((at - 0.5) * step_mm, dtype=float) for at in (first, end))
    front, back = float(weight @ fronts), float(weight @ backs)

    def sd(ends: FloatArray) -> float:
        return float(np.sqrt(float(weight @ (ends - weight @ ends) ** 2) + step_mm**2 / 12))

    excess = float(above[best] * n / (count[best] * (n - count[best])))
    return Stretch(
        front, sd(fronts), back, sd(backs), sd(backs - fronts), excess, float(explained[best]) / total
    )
