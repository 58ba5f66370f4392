"""Movement signals: despiking, smoothing, turning points, travel, published measures of smoothness."""

from __future__ import annotations

import numpy as np

from needlecoach.model import BoolArray, FloatArray

# Positions: strong enough to remove an 8 Hz tremor (to 1 %), weak enough to keep 90 % of a 1.2 Hz stroke.
POSITION_SIGMA_S = 0.06
# Speeds are differences, so noise weighs more: 0.2 mm of tracking noise at 25 frames/s leaves 0.5 mm/s.
SPEED_SIGMA_S = 0.1
# Low-pass before the measures of smoothness: a Gaussian that halves the power at this frequency.
SMOOTHNESS_CUTOFF_HZ = 3.0
MIN_RATE_HZ = 15.0
# Differences of time stamps miss round numbers by rounding; half a microsecond is no time.
ROUNDING_S = 5e-7


def local_line(
    time_s: FloatArray,
    values: FloatArray,
    *,
    sigma_s: float,
    groups: FloatArray | None = None,
    trust: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Smooth a signal with a straight line fitted round every sample, weighted by a Gaussian in time.

    Parameters
    ----------
    time_s : (n,) rising times; the spacing may vary.
    values : (n,) or (n, k), finite.
    sigma_s : standard deviation of the Gaussian weight, seconds; never less than 0.75 of the median spacing.
    groups : (n,), optional
        Only samples of the same group are averaged with each other.
    trust : (n,), optional
        Weight of each sample, above 0; only ratios matter.

    Returns
    -------
    fit, slope
        Smoothed values and their change per second, each of the shape of `values`. A lone sample keeps its
        value and has slope 0. A straight movement comes back unchanged up to both ends, whatever the spacing.
    """
    n = len(time_s)
    if n < 2:
        return values.astype(float), np.zeros(values.shape)
    flat = values.reshape(n, -1).astype(float)
    sigma = max(sigma_s, 0.75 * float(np.median(np.diff(time_s))))
    reach = max(1, int(np.max(np.searchsorted(time_s, time_s + 4 * sigma) - np.arange(n))))
    weight, first, second = np.zeros(n), np.zeros(n), np.zeros(n)
    total, moment = np.zeros_like(flat), np.zeros_like(flat)
    for offset in range(-reach, reach + 1):
        here = slice(max(0, -offset), n - max(0, offset))
        there = slice(max(0, offset), n - max(0, -offset))
        lag = time_s[there] - time_s[here]
        w = np.exp(-0.5 * (lag / sigma) ** 2) * (np.abs(lag) <= 4 * sigma)
        if groups is not None:
            w = w * (groups[there] == groups[here])
        if trust is not None:
            w = w * trust[there]
        weight[here] += w
        first[here] += w * lag
        second[here] += w * lag**2
        total[here] += w[:, None] * flat[there]
        moment[here] += (w * lag)[:, None] * flat[there]
    spread = weight * second - first**2
    usable = spread > 1e-9 * weight**2 * sigma**2
    safe = np.where(usable, spread, 1.0)[:, None]
    slope = np.where(usable[:, None], (weight[:, None] * moment - first[:, None] * total) / safe, 0.0)
    fit = (total - slope * first[:, None]) / weight[:, None]
    return fit.reshape(values.shape), slope.reshape(values.shape)


def despike(points_mm: FloatArray, *, least_mm: float = 1.0) -> FloatArray:
    """Put single wild positions back to the median of the five frames around them (a Hampel filter).

    Parameters
    ----------
    points_mm : (n, 2), finite.
    least_mm : a position nearer than this to the local median is never touched.

    Notes
    -----
    A position counts as wild when it is further from the local median than three robust standard deviations
    of its neighbours. Steady movement, however fast, is its own local median and stays.
    """
    n = len(points_mm)
    if n < 3:
        return points_mm.copy()
    index = np.arange(n)[:, None] + np.arange(-2, 3)[None, :]
    window = np.where(((index < 0) | (index >= n))[..., None], np.nan, points_mm[np.clip(index, 0, n - 1)])
    middle = np.nanmedian(window, axis=1)
    away = np.hypot(*np.moveaxis(window - middle[:, None, :], -1, 0))
    limit = np.maximum(least_mm, 3 * 1.4826 * np.nanmedian(away, axis=1))
    return np.where((away[:, 2] > limit)[:, None], middle, points_mm)


def turning_points(signal: FloatArray, *, threshold: float) -> list[int]:
    """Samples where a signal turns round by at least `threshold`, with the first and the last extreme.

    Returns
    -------
    list of int
        Indices in rising order; between two neighbours the signal goes one way but for wiggles below the
        threshold. One index or none when it never moves that far.
    """
    if len(signal) == 0:
        return []
    low = high = 0
    turns: list[int] = []
    heading = 0
    for i, value in enumerate(signal):
        low = i if value < signal[low] else low
        high = i if value > signal[high] else high
        if heading >= 0 and signal[high] - value >= threshold:
            turns.append(high)
            heading, low = -1, i
        elif heading <= 0 and value - signal[low] >= threshold:
            turns.append(low)
            heading, high = 1, i
        if heading > 0:
            low = i
        elif heading < 0:
            high = i
    if heading:
        turns.append(high if heading > 0 else low)
    return turns


def travel_mm(points_mm: FloatArray, *, slack_mm: float = 0.25) -> FloatArray:
    """Distance travelled up to each sample, jitter left out.

    A follower is dragged behind the tip on a string of `slack_mm`; its travel counts. What stays within the
    slack of one place adds nothing; a change of direction loses at most twice the slack.

    Parameters
    ----------
    points_mm : (n, 2), finite.

    Returns
    -------
    (n,) float
        Rising from 0.
    """
    travelled = np.zeros(len(points_mm))
    if len(points_mm) == 0:
        return travelled
    follower = points_mm[0].astype(float)
    for i in range(1, len(points_mm)):
        pull = points_mm[i] - follower
        distance = float(np.hypot(pull[0], pull[1]))
        step = max(0.0, distance - slack_mm)
        if step > 0:
            follower = follower + pull * (step / distance)
        travelled[i] = travelled[i - 1] + step
    return travelled


def weighted_quantile(values: FloatArray, weights: FloatArray, quantile: float) -> float | None:
    """Quantile (0-1) of values that count by weight, None when no finite value has any weight."""
    good = np.isfinite(values) & (weights > 0)
    if not good.any():
        return None
    order = np.argsort(values[good], kind="stable")
    sorted_values, sorted_weights = values[good][order], weights[good][order]
    middle = np.cumsum(sorted_weights) - sorted_weights / 2
    return float(np.interp(quantile * sorted_weights.sum(), middle, sorted_values))


def true_runs(mask: BoolArray) -> list[tuple[int, int]]:
    """First and last index, both included, of every unbroken run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def spectral_arc_length(
    speed: FloatArray, rate_hz: float, *, padding: int = 4, cutoff_hz: float = 10.0, amplitude: float = 0.05
) -> float | None:
    """Spectral arc length (SPARC) of a speed profile: 0 is smoothest, more negative is jerkier.

    Parameters
    ----------
    speed : (n,) speeds, any unit, evenly spaced.
    rate_hz : samples per second.
    padding : zero-padding, as powers of two beyond the signal's own length.
    cutoff_hz, amplitude : highest frequency and lowest share of the largest component taken into account.

    Returns
    -------
    float or None
        None for fewer than four samples or no movement at all.

    Notes
    -----
    Method: Balasubramanian et al., IEEE Trans Biomed Eng 2012; J NeuroEng Rehabil 2015;12:112.
    """
    if len(speed) < 4 or not np.any(speed > 0):
        return None
    size = 2 ** (int(np.ceil(np.log2(len(speed)))) + padding)
    spectrum = np.abs(np.fft.rfft(speed, size))
    spectrum = spectrum / spectrum.max()
    frequency = np.arange(len(spectrum)) * rate_hz / size
    kept = np.flatnonzero((frequency <= cutoff_hz) & (spectrum >= amplitude))
    if len(kept) < 2:
        return None
    band = slice(int(kept[0]), int(kept[-1]) + 1)
    width = frequency[band][-1] - frequency[band][0]
    return -float(np.hypot(np.diff(frequency[band]) / width, np.diff(spectrum[band])).sum())


def log_dimensionless_jerk(speed: FloatArray, rate_hz: float) -> float | None:
    """Log dimensionless jerk (LDLJ) of a speed profile: nearer to 0 is smoother.

    Parameters
    ----------
    speed : (n,) speeds, any unit, evenly spaced.
    rate_hz : samples per second.

    Returns
    -------
    float or None
        -ln(T^3 / v_peak^2 * integral of (second derivative of speed)^2); None for fewer than five samples,
        for no movement, and for a speed without any curvature.

    Notes
    -----
    Method: Balasubramanian et al., J NeuroEng Rehabil 2015;12:112. Grows worse with every pause and with
    tracking noise; compare only attempts recorded in the same way.
    """
    if len(speed) < 5 or not np.any(speed > 0):
        return None
    jerk = np.gradient(np.gradient(speed, 1 / rate_hz), 1 / rate_hz)
    duration = (len(speed) - 1) / rate_hz
    dimensionless = duration**3 / float(speed.max()) ** 2 * float(np.trapezoid(jerk**2, dx=1 / rate_hz))
    return -float(np.log(dimensionless)) if dimensionless > 0 else None


def even_speed(time_s: FloatArray, points_mm: FloatArray) -> tuple[FloatArray, float] | None:
    """Tip speed on an even time grid, low-passed at `SMOOTHNESS_CUTOFF_HZ` (half power).

    Returns
    -------
    (speed_mm_s, rate_hz) or None
        None below `MIN_RATE_HZ`, where the measures of smoothness mean nothing, and for under eight frames.

    Notes
    -----
    Smoothing before judging smoothness: Singh et al., Front Robot AI 2021;8:625003.
    """
    if len(time_s) < 8:
        return None
    rate_hz = 1 / float(np.median(np.diff(time_s)))
    if rate_hz < MIN_RATE_HZ:
        return None
    # A Gaussian of standard deviation s passes half the power at sqrt(ln 2) / (2 pi s).
    sigma_s = float(np.sqrt(np.log(2))) / (2 * np.pi * SMOOTHNESS_CUTOFF_HZ)
    _, velocity = local_line(time_s, points_mm, sigma_s=sigma_s)
    grid = np.arange(time_s[0], time_s[-1], 1 / rate_hz)
    return np.interp(grid, time_s, np.hypot(velocity[:, 0], velocity[:, 1])), rate_hz
