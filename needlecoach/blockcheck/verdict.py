"""The verdict on a block, fine, usable with care or cast again, with what speaks for it."""

from __future__ import annotations

from collections.abc import Sequence

from needlecoach.blockcheck.speckle import RAYLEIGH_SNR
from needlecoach.model import (
    BlockVerdict,
    DepthFall,
    GasPocket,
    LayerLine,
    Reason,
    TargetPaths,
    Texture,
    Weight,
)

# All bounds of this file are ours: sensible, and from no source.
# A quarter of a picture in shadow leaves too little to practise in; under a twentieth is a nuisance.
MUCH_SHADOW, SOME_SHADOW = 0.25, 0.05
# A stated dynamic range 10 dB off moves the ratio by about 15 %: nearer to Rayleigh's says nothing.
COARSE_SNR, SMOOTH_SNR = 1.55, 2.3
UNEVEN_SHARE = 0.75
# So much darker (or brighter) from top to bottom, a target's contrast changes with its depth.
STEEP_DB = 12.0
# A line as bright as this is taken for a needle held flat.
BRIGHT_LINE_DB = 10.0

_ORDER: dict[Weight, int] = {"again": 0, "care": 1, "fine": 2}
_VERDICTS: dict[Weight, BlockVerdict] = {"again": "cast again", "care": "usable with care", "fine": "fine"}


def verdict_of(reasons: Sequence[Reason]) -> BlockVerdict:
    """The verdict of the gravest reason; fine without any."""
    weights: list[Weight] = [reason.weight for reason in reasons]
    gravest: Weight = min(weights, key=lambda weight: _ORDER[weight], default="fine")
    return _VERDICTS[gravest]


def reasons_for(
    *,
    gas: Sequence[GasPocket],
    shadow_share: float,
    texture: Texture,
    depth: DepthFall,
    lines: Sequence[tuple[LayerLine, int]],
    targets: Sequence[TargetPaths],
    n_pictures: int,
) -> tuple[Reason, ...]:
    """What was found, each with its weight, the gravest first."""
    found = [
        *(_of_target(target) for target in targets),
        _of_gas(gas, shadow_share),
        _of_texture(texture),
        _of_evenness(texture),
        _of_depth(depth, targets),
        _of_lines(lines, n_pictures),
    ]
    return tuple(sorted(found, key=lambda reason: _ORDER[reason.weight]))


def _of_target(target: TargetPaths) -> Reason:
    title = f"Ways to {target.name}"
    clear = target.clear
    if not clear:
        names = sorted({path.blocked_by for path in target.paths})
        return Reason(
            "again",
            title,
            f"None of the {len(target.paths)} ways at 20° to 60° is clear: {'; '.join(names)}.",
            "Try the block from another side or turn the probe; if nothing is clear there either, cast it "
            "again.",
        )
    best = clear[0]
    words = (
        f"{len(clear)} of {len(target.paths)} ways are clear; the best comes from the {best.side} at "
        f"{best.angle_deg:g}°, {best.length_mm:.0f} mm long in the picture."
    )
    slide = (
        f"Slide the probe about {best.slide_mm:.0f} mm so that the needle can go in beside it."
        if best.slide_mm
        else ""
    )
    if len(clear) >= len(target.paths) / 4:
        return Reason("fine", title, words, slide)
    few = "Few ways are left: write on the block from where it is to be pricked."
    return Reason("care", title, words, f"{few} {slide}".strip())


def _of_gas(gas: Sequence[GasPocket], share: float) -> Reason:
    if not gas:
        return Reason("fine", "Gas", "No bright spot with a shadow below it was found.")
    n = len(gas)
    words = (
        f"{n} {'pocket' if n == 1 else 'pockets'} of gas (or something as hard), the widest "
        f"{gas[0].width_mm:.1f} mm at {gas[0].depth_mm:.0f} mm depth; gas and shadows cover {share:.0%} of "
        "the worst picture."
    )
    if share > MUCH_SHADOW:
        return Reason(
            "again",
            "Gas",
            words,
            "Pour slowly down the side, let the liquid stand and skim it, soak what floats, then cast again.",
        )
    weight: Weight = "care" if share > SOME_SHADOW or n > 2 else "fine"
    advice = "Choose a way that keeps out of it: below gas a needle can't be seen."
    return Reason(weight, "Gas", words, advice)


def _of_texture(texture: Texture) -> Reason:
    words = (
        f"Mean to spread of the echoes is {texture.snr:.2f} ({texture.snr_low:.2f} to "
        f"{texture.snr_high:.2f}); fully developed speckle has {RAYLEIGH_SNR:.2f}. "
    )
    if texture.snr_high < COARSE_SNR:
        return Reason(
            "care",
            "Texture",
            words + "That is coarser than speckle: clumps, or too few scatterers.",
            "Stir the fibre in while the gel is warm and thickens, sieve out lumps, or add a little more.",
        )
    if texture.snr_low > SMOOTH_SNR:
        looks = (texture.snr / RAYLEIGH_SNR) ** 2
        return Reason(
            "fine",
            "Texture",
            words
            + f"That is smoother: as the mean of about {looks:.1f} looks, by the scanner's compounding or "
            "averaging.",
        )
    return Reason("fine", "Texture", words + "That is how flesh-like gel should look.")


def _of_evenness(texture: Texture) -> Reason:
    words = f"{texture.even_share:.0%} of the gel has one texture and brightness at its depth."
    if round(texture.even_share, 2) >= UNEVEN_SHARE:
        return Reason("fine", "Evenness", words)
    return Reason(
        "care",
        "Evenness",
        words,
        "Patches can be taken for targets: mark only what you have cast, and stir longer next time.",
    )


def _of_depth(depth: DepthFall, targets: Sequence[TargetPaths]) -> Reason:
    way = "falls" if depth.db_per_cm < 0 else "rises"
    words = (
        f"Brightness {way} by {abs(depth.db_per_cm):.1f} dB per cm (95 %: {depth.low_db_per_cm:.1f} to "
        f"{depth.high_db_per_cm:.1f}), {abs(depth.total_db):.0f} dB over what was measured."
    )
    deepest = max((target.depth_mm for target in targets), default=0.0)
    if depth.lost_mm is not None:
        words += f" Below {depth.lost_mm:.0f} mm the gel is black."
        if deepest > depth.lost_mm:
            return Reason(
                "again",
                "Depth",
                words + f" A target lies at {deepest:.0f} mm.",
                "Raise gain and depth gain, or lower the frequency; if that does not help, cast again with "
                "less fibre or the target higher.",
            )
    if abs(depth.total_db) > STEEP_DB or depth.lost_mm is not None:
        return Reason(
            "care",
            "Depth",
            words,
            "Set the gain over depth first; what then remains comes of the gel: less fibre attenuates less.",
        )
    return Reason("fine", "Depth", words)


def _of_lines(lines: Sequence[tuple[LayerLine, int]], n_pictures: int) -> Reason:
    if not lines:
        return Reason("fine", "Layer lines", "No level line runs across the picture.")
    each = ", ".join(
        f"{line.depth_mm:.0f} mm ({line.above_db:.0f} dB{_seen(count, n_pictures)})" for line, count in lines
    )
    words = f"Level {'line' if len(lines) == 1 else 'lines'} right across at {each}."
    if max(line.above_db for line, _ in lines) < BRIGHT_LINE_DB:
        return Reason("fine", "Layer lines", words)
    return Reason(
        "care",
        "Layer lines",
        words,
        "A bright level line is easily taken for a needle held flat, and may be the container's bottom. Pour "
        "the next layer while the one below is set but still tacky and wet it first.",
    )


def _seen(count: int, n_pictures: int) -> str:
    return "" if n_pictures == 1 else f", on {count} of {n_pictures} pictures"
