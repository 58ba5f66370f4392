"""The texture of a block over several pictures, and whether what they show is gel at all."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from needlecoach.blockcheck.depth import expected_db
from needlecoach.blockcheck.speckle import RAYLEIGH_SNR, Cells
from needlecoach.errors import UnscorableError
from needlecoach.model import BoolArray, FloatArray, Texture

# Gel of one pour: at each depth half to twice the usual intensity, and no block far below the Rayleigh ratio.
# Ours, not from a source: a step between two pours is taken in by the course over depth.
EVEN_DB, LEAST_EVEN_SNR = 3.0, 1.3
# Less than half of it even: whatever it is, it is not mostly gel.
LEAST_EVEN_SHARE = 0.5
FEWEST_BLOCKS = 12
# How the ratio comes out if the scanner's range is another one; and where the search for the full one ends.
RANGE_STEP_DB, RANGES_DB = 10.0, (20.0, 120.0)


def even_blocks(cells: Cells) -> BoolArray:
    """Tell which blocks of a picture are gel of one brightness at their depth and of speckle, shape (n,)."""
    if not len(cells.snr):
        return np.zeros(0, dtype=bool)
    rest = cells.level_db - expected_db(cells.depth_mm, cells.level_db)
    return np.asarray((np.abs(rest) <= EVEN_DB) & (cells.snr >= LEAST_EVEN_SNR))


def even_share(cells: Cells) -> float:
    """Share of all blocks of gel that are even; a block that is black or white in part counts as not even."""
    n = len(cells.snr) + cells.n_lost
    return float(even_blocks(cells).sum() / n) if n else 0.0


def check_is_gel(pictures: Sequence[Cells], what: str) -> None:
    """Refuse pictures that are mostly no gel, as UnscorableError that tells what they show.

    The median picture decides, so that a sweep may begin in air.
    """
    shares = [even_share(cells) for cells in pictures]
    share = float(np.median(shares))
    snr = np.concatenate([cells.snr for cells in pictures])
    black = sum(cells.n_lost for cells in pictures) / max(
        sum(len(cells.snr) + cells.n_lost for cells in pictures), 1
    )
    if share >= LEAST_EVEN_SHARE and len(snr) >= FEWEST_BLOCKS:
        return
    if black > LEAST_EVEN_SHARE:
        why = f"{black:.0%} of it is black or white, where no texture can be read"
    else:
        why = (
            f"only {share:.0%} of it has the even speckle of gel (one brightness at each depth, to 3 dB); "
            "the rest is patches and lines, as tissue, a bowl without gel or a badly placed region show"
        )
    raise UnscorableError(
        f"{what}: this is no picture of a gel block that could be checked: {why}. Give pictures that show "
        "gel over most of their width, or the picture's place with --region."
    )


def texture(pictures: Sequence[Cells], dynamic_range_db: float) -> Texture:
    """Texture of the gel over all pictures.

    The interval takes the blocks of one picture for all there are: the next picture may show the same gel.
    """
    snr = np.concatenate([cells.snr for cells in pictures])
    one = int(np.median([len(cells.snr) for cells in pictures]))
    low, high = median_bounds(snr, max(one, 1))
    by_range = tuple(
        (range_db, snr_at(pictures, range_db / dynamic_range_db))
        for range_db in (dynamic_range_db - RANGE_STEP_DB, dynamic_range_db + RANGE_STEP_DB)
    )
    return Texture(
        snr=float(np.median(snr)),
        snr_low=low,
        snr_high=high,
        snr_spread=(float(np.quantile(snr, 0.1)), float(np.quantile(snr, 0.9))),
        n_blocks=len(snr),
        dynamic_range_db=dynamic_range_db,
        snr_by_range=by_range,
        full_range_db=full_range_db(pictures, dynamic_range_db),
        even_share=float(np.median([even_share(cells) for cells in pictures])),
    )


def median_bounds(values: FloatArray, n: int) -> tuple[float, float]:
    """Bounds of a median with 95 % confidence, from n independent values with this distribution.

    Normal approximation to the binomial law of ranks (free of a distribution).
    """
    half = 0.98 / np.sqrt(n)  # 1.96 * sqrt(n) / 2, as a share of n
    low, high = np.quantile(values, [max(0.5 - half, 0), min(0.5 + half, 1)])
    return float(low), float(high)


def snr_at(pictures: Sequence[Cells], share: float) -> float:
    """Median ratio if the scanner's dynamic range were so many times the one stated."""
    return float(np.median(np.concatenate([cells.snr_at(share) for cells in pictures])))


def full_range_db(pictures: Sequence[Cells], stated_db: float) -> float:
    """Dynamic range at which the texture is that of fully developed speckle, by halving; dB.

    The ratio falls as the range rises, since the same greys then stand for larger steps.
    """
    low, high = RANGES_DB
    middle = pictures[len(pictures) // 2 :][:1]  # of a sweep its middle says enough
    for _ in range(10):
        range_db = (low + high) / 2
        if snr_at(middle, range_db / stated_db) > RAYLEIGH_SNR:
            low = range_db
        else:
            high = range_db
    return (low + high) / 2
