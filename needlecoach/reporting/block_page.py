"""The page of a checked block: verdict, reasons, pictures and ways, in one file that opens anywhere."""

from __future__ import annotations

import math
from typing import Any

from needlecoach.model import BlockCheck, CheckedPicture, NeedlePath, Reason, TargetPaths, Texture
from needlecoach.reporting.charts.block_pictures import DRAWN_WAYS, depth_course, found_on, texture_on
from needlecoach.reporting.record import versions
from needlecoach.reporting.templating import template

# Pictures shown: those with targets, then those with most gas.
MOST_PICTURES = 4
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
_SENTENCES = {
    "fine": "Nothing was seen that spoils practice.",
    "usable with care": "It can be practised on; mind what is marked below.",
    "cast again": "What was seen spoils practice; cast it again.",
}
_WEIGHTS = {"fine": "fine", "care": "with care", "again": "cast again"}


def render_block_page(check: BlockCheck) -> str:
    """Return the page of a checked block as HTML that needs no network and runs no script."""
    shown = pictures_shown(check)
    return template("block_page.html.j2").render(
        policy=_POLICY,
        name=check.block_code or ", ".join(check.sources[:3]),
        verdict=check.verdict,
        sentence=_SENTENCES[check.verdict],
        reasons=[_reason(reason) for reason in check.reasons],
        counted=_counted(check),
        pictures=[_picture(one, check) for one in shown],
        texture_picture=_texture_picture(shown[0]),
        texture=_texture_rows(check.texture),
        course=depth_course(check.depth, "Brightness over depth; the sentence on depth says what it shows"),
        targets=[_target(target) for one in check.pictures for target in one.targets],
        gas=[_gas(number, check) for number in range(len(check.gas))],
        n_pictures=len(check.pictures),
        range_db=f"{check.texture.dynamic_range_db:g}",
        sound=_sound(check),
        notes=check.notes,
        drawn_ways=DRAWN_WAYS,
        sources=check.sources,
        scale=_scale(check),
        versions={
            key: value for key, value in versions().items() if key in {"needlecoach", "python", "numpy"}
        },
    )


def _reason(reason: Reason) -> dict[str, str]:
    return {
        "weight": reason.weight,
        "label": _WEIGHTS[reason.weight],
        "title": reason.title,
        "found": reason.found,
        "advice": reason.advice,
    }


def verdict_lines(check: BlockCheck) -> list[str]:
    """The verdict and its reasons as lines of text, for the terminal."""
    lines = [f"{check.verdict}: {_SENTENCES[check.verdict]}"]
    for reason in check.reasons:
        advice = f" {reason.advice}" if reason.advice else ""
        lines.append(f"{_WEIGHTS[reason.weight]:<10}  {reason.title}: {reason.found}{advice}")
    return lines


def pictures_shown(check: BlockCheck) -> list[CheckedPicture]:
    """The pictures that the page shows: those with targets first, then those with most gas."""
    order = sorted(check.pictures, key=lambda one: (not one.targets, -len(one.gas)))
    kept = {id(one) for one in order[:MOST_PICTURES]}
    return [one for one in order if id(one) in kept]


def _counted(check: BlockCheck) -> str:
    n = len(check.pictures)
    return f"Seen on {n} {'picture' if n == 1 else 'pictures'} of {', '.join(check.sources[:3])}" + (
        f" and {len(check.sources) - 3} more." if len(check.sources) > 3 else "."
    )


def _named(picture: CheckedPicture, check: BlockCheck) -> str:
    return f"{picture.source}, frame {picture.frame}" if len(check.pictures) > 1 else picture.source


def _picture(picture: CheckedPicture, check: BlockCheck) -> dict[str, Any]:
    name = _named(picture, check)
    found = [
        f"{len(picture.gas)} gas {'spot' if len(picture.gas) == 1 else 'spots'}",
        f"{len(picture.layer_lines)} level {'line' if len(picture.layer_lines) == 1 else 'lines'}",
        f"{picture.n_specks} bright {'speck' if picture.n_specks == 1 else 'specks'} without a shadow",
    ]
    return {
        "name": name,
        "found": ", ".join(found),
        "drawing": found_on(picture, f"{name}: {', '.join(found)}"),
    }


def _texture_picture(picture: CheckedPicture) -> Any:
    odd = sum(not one for one in picture.texture.even)
    return texture_on(
        picture, f"{len(picture.texture.even)} blocks of gel, {odd} of them crossed as not even"
    )


def _texture_rows(texture: Texture) -> list[tuple[str, str, str]]:
    by_range = "; ".join(f"{ratio:.2f} at {db:g} dB" for db, ratio in texture.snr_by_range)
    return [
        (
            "Mean to spread of amplitudes, median over blocks",
            f"{texture.snr:.2f}",
            f"95 %: {texture.snr_low:.2f} to {texture.snr_high:.2f}; {texture.n_blocks} blocks",
        ),
        ("Eight of ten blocks lie within", f"{texture.snr_spread[0]:.2f} to {texture.snr_spread[1]:.2f}", ""),
        ("With another dynamic range", by_range, f"{texture.dynamic_range_db:g} dB was stated"),
        (
            "Range at which it would be full speckle",
            f"{texture.full_range_db:.0f} dB",
            "a check on the range: if the scanner says another, the texture is coarser or smoother",
        ),
        ("Even gel", f"{texture.even_share:.0%}", "one brightness at each depth (3 dB), and speckle"),
    ]


def _target(target: TargetPaths) -> dict[str, Any]:
    return {
        "name": target.name[0].upper() + target.name[1:],
        "depth": f"{target.depth_mm:.0f} mm",
        "note": target.note,
        "ways": [_way(number, way) for number, way in enumerate(target.clear, start=1)],
        "blocked": _blocked(target),
        "n": len(target.paths),
    }


def _way(number: int, way: NeedlePath) -> dict[str, str]:
    room = "nothing near" if math.isinf(way.room_mm) else f"{way.room_mm:.1f} mm"
    slide = f"slide the probe {way.slide_mm:.0f} mm" if way.slide_mm else "beside the probe"
    return {
        "number": str(number),
        "way": f"from the {way.side}, {way.angle_deg:g}°",
        "length": f"{way.length_mm:.0f} mm",
        "room": room,
        "entry": slide,
    }


def _blocked(target: TargetPaths) -> str:
    ways = [way for way in target.paths if way.blocked_by]
    reasons = sorted({way.blocked_by for way in ways})
    each = [
        f"{reason}: "
        + ", ".join(f"{way.side} {way.angle_deg:g}°" for way in ways if way.blocked_by == reason)
        for reason in reasons
    ]
    return "; ".join(each)


def _gas(number: int, check: BlockCheck) -> dict[str, str]:
    pocket = check.gas[number]
    return {
        "number": str(number + 1),
        "width": f"{pocket.width_mm:.1f} mm",
        "depth": f"{pocket.depth_mm:.0f} mm",
        "above": f"{pocket.above_db:.0f} dB",
        "shadow": f"{pocket.shadow_db:.0f} dB",
        "seen": f"{pocket.n_pictures} of {len(check.pictures)}",
    }


def _sound(check: BlockCheck) -> str:
    if check.sound is None:
        return "Depths and angles are as the scanner shows them: the speed of sound was not given."
    return (
        f"Targets' depths and ways' angles are true ones, by {check.sound.speed_m_s:.0f} m/s "
        f"({check.sound.source}); other depths are as shown."
    )


def _scale(check: BlockCheck) -> str:
    scale = check.pictures[0].scale
    return f"{scale.mean_mm_per_px:.4g} mm per px ({scale.source})"
