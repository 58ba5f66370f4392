"""The bench sheet: a plan to print, with a block drawn to scale, amounts, steps and cautions."""

from __future__ import annotations

import math
from datetime import timedelta

from needlecoach.model import ASSUMED_M_S
from needlecoach.model.plan import Amounts, Casting, Ending, Hours, PlannedTarget, Stiffness, Weighed
from needlecoach.reporting.charts.block_views import hatches, plan_view, ratio_of, side_view
from needlecoach.reporting.record import versions
from needlecoach.reporting.templating import template

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
_KINDS = {"fluid": ", fluid inside", "solid": ", solid", "": ""}
_CONTAINERS = {
    "box": "box",
    "round": "round container",
    "measured": "container of measured volume, drawn as a round one",
}
# A depth at which the sheet shows what the speed of sound does.
_SHOWN_AT_MM = 40.0


def render_bench_sheet(casting: Casting) -> str:
    """Return the bench sheet as HTML that needs no network and runs no script."""
    plan = casting.plan
    return template("bench_sheet.html.j2").render(
        policy=_POLICY,
        code=plan.code,
        cast_on="" if plan.cast_on is None else plan.cast_on.isoformat(),
        container=_container(casting),
        can_be_cast=casting.can_be_cast,
        stops=[fault.words for fault in casting.faults if fault.stops],
        minds=[fault.words for fault in casting.faults if not fault.stops],
        patterns=hatches(casting),
        above=plan_view(casting, f"Block {plan.code} from above, to scale; the table says what is where"),
        side=side_view(casting, f"Block {plan.code} from the front, to scale; the table says what is where"),
        ratio=ratio_of(casting),
        targets=[_target_row(casting, number) for number in range(len(plan.targets))],
        layers=[_layer_row(casting, number) for number in range(len(plan.layers))],
        total=_total_row(casting),
        margin=f"{100 * plan.margin_share:g} %",
        steps=[(step.title, step.words, _after(step.from_h)) for step in casting.steps],
        sound=_sound(casting),
        lasting=_lasting(casting),
        fridge=f"{plan.fridge_c:g} °C",
        pour=f"{plan.pour_c:g} °C",
        densities=_densities(casting),
        notes=plan.notes,
        versions={name: number for name, number in versions().items() if name in {"needlecoach", "python"}},
    )


def _container(casting: Casting) -> str:
    plan = casting.plan
    it = plan.container
    sides = (
        f"{it.length_mm:.0f} x {it.width_mm:.0f} mm" if it.kind == "box" else f"{it.length_mm:.0f} mm across"
    )
    cast_ml = it.area_mm2 * it.height_mm / 1000
    return (
        f"{_CONTAINERS[it.kind]}, {sides}, filled {it.height_mm:g} mm high: {cast_ml:.0f} ml; it "
        f"holds {plan.room_ml:.0f} ml"
    )


def _target_row(casting: Casting, number: int) -> dict[str, str]:
    target, ending = casting.plan.targets[number], casting.endings[number]
    width, length, height = target.size_mm
    size = f"{width:g}" if target.shape == "ball" else f"{width:g} x {length:g} x {height:g}"
    approach = target.approach
    return {
        "number": str(number + 1),
        "name": target.name,
        "what": f"{target.material.name}{_KINDS[target.kind]}",
        "size": f"{target.shape}, {size} mm",
        "place": _place(target),
        "wanted": f"{target.depth_mm:g} mm",
        "ends": _ends(casting, target, ending),
        "approach": f"from {approach.side}, {approach.angle_deg:g}°",
        "gas": "holds gas" if target.material.gas else "",
    }


def _place(target: PlannedTarget) -> str:
    x, y = target.place_mm
    if not x and not y:
        return "middle"
    across = f"{abs(x):g} mm {'right' if x > 0 else 'left'}" if x else ""
    along = f"{abs(y):g} mm {'front' if y > 0 else 'back'}" if y else ""
    return ", ".join(filter(None, (across, along)))


def _ends(casting: Casting, target: PlannedTarget, ending: Ending) -> str:
    layer = casting.plan.layers[target.layer].name
    if ending.moves == "sinks or floats":
        return f"sinks or floats in {layer}: {ending.range_mm[0]:.0f} to {ending.range_mm[1]:.0f} mm"
    return f"{ending.moves} in {layer}: {ending.depth_mm:.0f} mm"


def _layer_row(casting: Casting, number: int) -> dict[str, str]:
    layer, made = casting.plan.layers[number], casting.amounts[number]
    top, bottom = casting.plan.span_mm(number)
    looks = "opaque" if layer.opaque else "clear"
    return {
        "number": str(number + 1),
        "name": layer.name,
        "span": f"{top:g} to {bottom:g} mm below the surface, {looks}",
        "strength": f"{layer.gelatin_g_l:g} g gelatin, {layer.fibre_g_l:g} g fibre per litre of water",
        **_weighed_words(casting.weighed[number]),
        "made": _made(made),
        "hours": _hours(casting.hours[number]),
        "stiffness": _stiffness(casting.stiffness[number]),
        "density": f"{made.density_kg_m3:.0f} kg/m³" if made.made_ml else "–",
    }


def _weighed_words(weighed: Weighed) -> dict[str, str]:
    spoons = f" (about {weighed.tablespoons:g} tbsp)" if weighed.fibre_g else ""
    return {
        "water": f"{weighed.water_ml:.0f} ml",
        "gelatin": f"{weighed.gelatin_g:.1f} g",
        "fibre": f"{weighed.fibre_g:.1f} g{spoons}",
        "colour": f"{weighed.colour_ml:.1f} ml",
    }


def _made(made: Amounts) -> str:
    round_things = f"; things take up {made.displaced_ml:.1f} ml" if made.displaced_ml >= 0.05 else ""
    return f"{made.need_ml:.0f} + {made.margin_ml:.0f} ml{round_things}"


def _total_row(casting: Casting) -> dict[str, str]:
    need, margin = (sum(getattr(one, key) for one in casting.amounts) for key in ("need_ml", "margin_ml"))
    return {**_weighed_words(casting.weighed_in_all), "made": f"{need:.0f} + {margin:.0f} ml"}


def _hours(hours: Hours) -> str:
    if not math.isfinite(hours.slow_h):
        return "does not set so warm"
    return f"about {_clock(hours.likely_h)} ({_clock(hours.quick_h)} to {_clock(hours.slow_h)})"


def _clock(hours: float) -> str:
    """An estimate needs no minutes: to a half hour, to an hour from five on."""
    rounded = round(hours) if hours >= 5 else max(round(2 * hours) / 2, 0.5)
    return f"{rounded:g} h"


def _after(hours: float) -> str:
    return "at the start" if hours == 0 else f"about {_clock(hours)} after the start"


def _stiffness(found: Stiffness) -> str:
    low, high = found.likely_kpa
    return f"{found.shear_kpa:.1f} kPa ({low:.1f} to {high:.1f}); Young’s about {found.young_kpa:.0f} kPa"


def _sound(casting: Casting) -> str:
    sound = casting.sound
    return (
        f"{sound.speed_m_s:.0f} ± {sound.sd_m_s:.0f} m/s at {casting.plan.scan_c:g} °C ({sound.source}), "
        "taken "
        f"for all layers. A scanner that assumes {ASSUMED_M_S:g} m/s shows what is {_SHOWN_AT_MM:g} mm "
        "deep at "
        f"{_SHOWN_AT_MM / sound.stretch:.1f} mm."
    )


def _lasting(casting: Casting) -> str:
    lasting, day = casting.lasting, casting.plan.cast_on
    words = f"{_days(lasting.warm_days)} at room temperature, {_days(lasting.cold_days)} in the fridge"
    if day is not None:
        last = day + timedelta(days=lasting.cold_days)
        words += f" (until {last.isoformat()} if kept cold throughout)"
    return f"About {words}; {lasting.source}. Mould, smell or slime end it at once."


def _days(days: int) -> str:
    return "1 day" if days == 1 else f"{days} days"


def _densities(casting: Casting) -> list[str]:
    found: dict[str, str] = {}
    for target in casting.plan.targets:
        one = target.material
        span = (
            f"{one.low_kg_m3:g}"
            if one.low_kg_m3 == one.high_kg_m3
            else f"{one.low_kg_m3:g} to {one.high_kg_m3:g}"
        )
        found[one.name] = f"{one.name}: {span} kg/m³ ({one.source})"
    return list(found.values())
