"""How long a layer takes to set: an estimate by conduction.

Assumed: heat leaves through the top and through the bottom only (sides would make it quicker); gel conducts
and stores heat as water at rest, sets without heat of its own, and does not flow; the layers below have
cooled to the fridge's temperature; the fridge stays at it. A layer counts as set once its warmest place is at
`SET_C`. Air in a fridge takes 10 W/(m² K) from the top, 5 where it stands still, 15 where a fan blows; a
container's floor gives off as much on a grid, half of it likely, nothing on a thick board.
"""

from __future__ import annotations

import numpy as np

from needlecoach.model import FloatArray
from needlecoach.model.plan import Hours, Plan

# Water near 15 °C, handbook values from memory: conductivity W/(m K), heat stored J/(m³ K).
CONDUCTIVITY, STORED = 0.59, 4.19e6
# At or below this even a weak gel has set; common practice, no source (firm gels set from about 25 °C).
SET_C = 15.0
# Films of air at top and bottom, W/(m² K): natural convection and radiation together (from memory), for the
# shortest, the likely and the longest time.
FILMS = ((15.0, 15.0), (10.0, 5.0), (5.0, 0.0))
# Strength is measured after 16 to 18 h at 10 °C (GMIA; ISO 9665): before that a gel is still growing firmer.
RIPE_H = 16.0
_CELLS, _LONGEST_H = 60, 200.0


def setting_hours(plan: Plan, layer: int) -> Hours:
    """Time from pouring a layer until it has set, as `cooling_h`; infinite when the fridge is too warm."""
    below = sum(one.thickness_mm for one in plan.layers[:layer])
    thick = plan.layers[layer].thickness_mm
    quick, likely, slow = (
        cooling_h(thick, below, plan.pour_c, plan.fridge_c, SET_C, films_w_m2_k=films) for films in FILMS
    )
    return Hours(quick, likely, slow)


def cooling_h(
    thick_mm: float,
    below_mm: float,
    start_c: float,
    air_c: float,
    until_c: float,
    *,
    films_w_m2_k: tuple[float, float],
) -> float:
    """Hours until the warmest place of a slab of gel has cooled to a temperature; infinite if it never does.

    Parameters
    ----------
    thick_mm, below_mm : of the slab poured at `start_c`, and of the gel at `air_c` below it (0 for none)
    films_w_m2_k : heat that air takes from top and bottom, W/(m² K); 0 lets none out

    Notes
    -----
    Fourier's equation in one dimension, in cells of like height; time is solved exactly, by the eigenvectors
    of the cells' exchange.
    """
    if until_c >= start_c:
        return 0.0
    if until_c <= air_c:
        return float("inf")
    pile = _Pile(thick_mm, below_mm, films_w_m2_k)
    bound = (until_c - air_c) / (start_c - air_c)
    low, high = 0.0, _LONGEST_H
    if pile.warmest_share(high) > bound:
        return float("inf")
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if pile.warmest_share(middle) > bound else (low, middle)
    return (low + high) / 2


class _Pile:
    """The slab on what it lies on, cut into cells: cell by cell what is left of the first excess over
    the air."""

    def __init__(self, thick_mm: float, below_mm: float, films_w_m2_k: tuple[float, float]) -> None:
        high_m = (thick_mm + below_mm) / 1000 / _CELLS
        centres = (np.arange(_CELLS) + 0.5) * high_m * 1000
        started = (centres < thick_mm).astype(float)
        between = CONDUCTIVITY / high_m
        exchange = np.zeros((_CELLS, _CELLS))
        for cell in range(_CELLS - 1):
            exchange[cell : cell + 2, cell : cell + 2] += between * np.array([[1.0, -1.0], [-1.0, 1.0]])
        for cell, film in ((0, films_w_m2_k[0]), (-1, films_w_m2_k[1])):
            # Through the surface: the film, and half a cell of gel behind it.
            exchange[cell, cell] += film / (1 + film * high_m / 2 / CONDUCTIVITY)
        rates, self._ways = np.linalg.eigh(exchange / (STORED * high_m))
        self._rates_h: FloatArray = rates * 3600
        self._parts = self._ways.T @ started

    def warmest_share(self, hours: float) -> float:
        """Of the slab's excess when poured, what is left at the warmest place."""
        return float((self._ways @ (np.exp(-self._rates_h * hours) * self._parts)).max())
