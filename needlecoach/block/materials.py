"""Densities of gel and of things to hide, at room temperature, each with where it is from.

Densities of food are from memory, as ranges that two of a kind may well span: there is no table at hand that
covers them, and one grape is not the next. What decides whether a thing sinks is a few kg/m³, so a thing that
matters is tried in a glass of the gel first (the bench sheet says so), or given its own `density_kg_m3`.
"""

from __future__ import annotations

import numpy as np

from needlecoach.errors import BlockError
from needlecoach.model import BlockKind
from needlecoach.model.plan import Material

# Water by temperature, °C and kg/m³: handbook values (CRC, from memory).
_WATER_C = (0, 5, 10, 15, 20, 25, 30, 35, 40, 50, 60)
_WATER_KG_M3 = (999.84, 999.97, 999.70, 999.10, 998.21, 997.05, 995.65, 994.03, 992.22, 988.04, 983.20)
# Volume that a gram takes up in water, ml: gelatin 0.69, as collagen (proteins 0.70 to 0.75); fibre as other
# polysaccharides 0.62 (both from memory). Food colour counts as water.
GELATIN_ML_G, FIBRE_ML_G = 0.69, 0.62
WATER_20_G_ML = _WATER_KG_M3[4] / 1000
# What the reckoned density of gel may be off by: weighing, gelatin with its own water (some 10 %), salts.
GEL_SD_KG_M3 = 2.0
# Psyllium husk: a level tablespoon of 15 ml is about 5 g (from memory).
TABLESPOON_G = 5.0
# Food colour that makes a layer opaque to the eye, ml per litre of water (common practice, no source).
COLOUR_ML_L = 5.0

_MEMORY = "from memory"
_GAS = "from memory; plant tissue without gas is denser than water, so what may float holds gas"


def _entry(
    name: str,
    low: float,
    high: float,
    kind: BlockKind,
    usual_mm: tuple[float, float],
    source: str = _MEMORY,
    *,
    gas: bool = False,
    spoils: bool = True,
) -> Material:
    return Material(name, low, high, gas, spoils, kind, usual_mm, source)


# By what a plan calls them ("made_of"). Usual sizes: of the smaller diameter, common practice, no source.
MATERIALS: dict[str, Material] = {
    "grape": _entry("grape", 1045, 1100, "solid", (14, 24), "must of 13 to 24 % sugar, from memory"),
    "olive": _entry("stuffed olive", 1010, 1060, "solid", (13, 20), "brine and oil, from memory"),
    "pea": _entry("pea", 1025, 1080, "solid", (6, 10)),
    "chickpea": _entry("cooked chickpea", 1050, 1120, "solid", (8, 12)),
    "potato": _entry("potato", 1055, 1105, "solid", (8, 40), "specific gravity of tubers, from memory"),
    "carrot": _entry("carrot", 1010, 1050, "solid", (8, 25)),
    "tofu": _entry("firm tofu", 1020, 1070, "solid", (8, 40)),
    "sausage": _entry("sausage", 990, 1080, "solid", (12, 30)),
    "chicken": _entry(
        "chicken breast", 1040, 1060, "solid", (8, 40), "muscle 1050, ICRU Report 44, from memory"
    ),
    "liver": _entry("liver", 1050, 1070, "solid", (8, 40), "1060, ICRU Report 44, from memory"),
    "fat": _entry("bacon fat", 920, 960, "solid", (8, 30), "adipose 950, ICRU Report 44, from memory"),
    "water": _entry(
        "pouch of water",
        985,
        999,
        "fluid",
        (10, 40),
        "water 998 in rubber of 920 to 950, from memory",
        spoils=False,
    ),
    "salt water": _entry(
        "pouch of water with 50 g salt per litre",
        1022,
        1036,
        "fluid",
        (10, 40),
        "5 % salt 1034, CRC handbook, from memory, in rubber",
        spoils=False,
    ),
    "tomato": _entry("cherry tomato", 960, 1025, "fluid", (18, 32), _GAS, gas=True),
    "blueberry": _entry("blueberry", 940, 1030, "solid", (9, 16), _GAS, gas=True),
    "strawberry": _entry("strawberry", 850, 980, "solid", (15, 35), _GAS, gas=True),
    "apple": _entry("apple", 750, 880, "solid", (8, 60), _GAS, gas=True),
    "mushroom": _entry("mushroom", 500, 850, "solid", (12, 40), _GAS, gas=True),
    "hollow olive": _entry("olive with a hole", 900, 1060, "solid", (13, 20), _GAS, gas=True),
    "gel ball": _entry(
        "ball of gel with 100 g gelatin per litre",
        1024,
        1032,
        "solid",
        (8, 40),
        "reckoned from water and gelatin, as the gel here",
        spoils=False,
    ),
    "marble": _entry("glass marble", 2400, 2600, "solid", (12, 25), spoils=False),
    "silicone": _entry("silicone", 1080, 1250, "solid", (4, 30), spoils=False),
}


def water_kg_m3(temperature_c: float) -> float:
    """Density of water at normal pressure, kg/m³, for 0 to 60 degrees Celsius (CRC handbook, from memory)."""
    return float(np.interp(temperature_c, _WATER_C, _WATER_KG_M3))


def gel_kg_m3(gelatin_g_l: float, fibre_g_l: float, temperature_c: float) -> float:
    """Density of liquid gel of so much gelatin and fibre per litre of water (at 20 °C), kg/m³.

    Volumes are added; with temperature gel changes as water does, its main part.
    """
    mass_g = 1000 * WATER_20_G_ML + gelatin_g_l + fibre_g_l
    volume_ml = 1000 + gelatin_g_l * GELATIN_ML_G + fibre_g_l * FIBRE_ML_G
    return mass_g / volume_ml * 1000 * water_kg_m3(temperature_c) / water_kg_m3(20.0)


def material(name: str) -> Material:
    """The material that a plan calls so; BlockError lists those there are."""
    if name not in MATERIALS:
        shown = "".join(letter if letter.isprintable() else "?" for letter in name[:40])
        raise BlockError(
            f'made_of "{shown}" is not known; take one of {", ".join(MATERIALS)}, or give "density_kg_m3".'
        )
    return MATERIALS[name]


def own_material(name: str, density_kg_m3: float, *, gas: bool, spoils: bool) -> Material:
    """A material of which the plan itself gives the density."""
    return Material(name, density_kg_m3, density_kg_m3, gas, spoils, "", (0.0, 0.0), "as given in the plan")
