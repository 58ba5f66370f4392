"""How stiff a gel is expected to be."""

from __future__ import annotations

import numpy as np

from needlecoach.block.materials import WATER_20_G_ML
from needlecoach.model.plan import Stiffness

# Nguyen et al., Ultrasound Med Biol 2014;40:168: shear modulus by per cent of gelatin by mass.
TABLE_PERCENT = (3.0, 4.0, 5.0, 6.0, 7.0)
TABLE_KPA = (2.01, 3.10, 4.18, 8.05, 10.24)
SOURCE = "Nguyen et al., Ultrasound Med Biol 2014;40:168, 3 to 7 %; beyond by the square of concentration"
# Gelatins of 150 to 250 Bloom differ by about as much; from memory, no source.
BLOOM_SHARE = 0.25
# The power of concentration beyond the table: 2, give or take this (from memory: 1.5 to 2.5 are published).
_POWER, _POWER_SD = 2.0, 0.3


def percent_by_mass(gelatin_g_l: float, fibre_g_l: float = 0.0) -> float:
    """Gelatin in per cent of the gel's mass, from g per litre of water."""
    return 100 * gelatin_g_l / (1000 * WATER_20_G_ML + gelatin_g_l + fibre_g_l)


def stiffness_of(percent: float) -> Stiffness:
    """Shear modulus of plain gel of so many per cent: the table's, between its lines by powers.

    The uncertainty: how far the table itself lies off a square law, and what gelatins differ by; beyond the
    table also by how little the power is known. What fibre, days and warmth do to it is not in it.
    """
    inside = float(np.clip(percent, TABLE_PERCENT[0], TABLE_PERCENT[-1]))
    table = float(np.exp(np.interp(np.log(inside), np.log(TABLE_PERCENT), np.log(TABLE_KPA))))
    beyond = float(np.log(percent / inside))
    shear = table * float(np.exp(_POWER * beyond))
    return Stiffness(
        shear, float(np.sqrt(_scatter_share() ** 2 + BLOOM_SHARE**2 + (_POWER_SD * beyond) ** 2))
    )


def _scatter_share() -> float:
    """Standard deviation of the table about a square law, as a share."""
    off = np.log(TABLE_KPA) - _POWER * np.log(TABLE_PERCENT)
    return float(np.std(off, ddof=1))
