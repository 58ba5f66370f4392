"""Which scale holds when several are known: the user's, the file's, or that of the ruler on the screen."""

from __future__ import annotations

import numpy as np

from needlecoach.model import Scale

# Two scales agree when they differ by less than this share, or by less than so many standard uncertainties.
AGREE_SHARE, AGREE_SDS = 0.01, 2.0


def choose_scale(*candidates: Scale | None) -> tuple[Scale | None, tuple[str, ...]]:
    """Take the first scale that is known, and tell which later ones contradict it.

    Parameters
    ----------
    candidates : in order of trust: what the user marked, what the file says, what the ruler shows; None where
        nothing is known

    Returns
    -------
    Scale or None
        None when nothing at all is known.
    tuple of str
        A sentence for the reader per contradiction.
    """
    known = [scale for scale in candidates if scale is not None]
    if not known:
        return None, ()
    chosen, *others = known
    return chosen, tuple(_contradiction(chosen, other) for other in others if not agree(chosen, other))


def agree(one: Scale, other: Scale) -> bool:
    """Tell whether two scales are the same within their uncertainties along both axes."""
    allowed = max(AGREE_SHARE, AGREE_SDS * float(np.hypot(one.sd_share, other.sd_share)))
    return all(abs(a / b - 1) <= allowed for a, b in zip(_sides(one), _sides(other), strict=True))


def _sides(scale: Scale) -> tuple[float, float]:
    return scale.x_mm_per_px, scale.y_mm_per_px


def _contradiction(chosen: Scale, other: Scale) -> str:
    return (
        f"Two scales contradict each other: {_words(chosen)} was used, {_words(other)} was not. Check both; "
        "every distance depends on it."
    )


def _words(scale: Scale) -> str:
    x, y = _sides(scale)
    size = f"{x:.4g}" if x == y else f"{x:.4g} x {y:.4g}"
    return f"{size} mm per pixel ({scale.source})"
