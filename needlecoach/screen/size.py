"""The marked outline held against the true size of the thing by its block's file: a check on the scale.

A slice through a thing that bulges everywhere is never larger than the thing; a slice beside its middle is
smaller. So an outline too large is wrong, and one too small may be right.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from needlecoach.model import BlockTarget, FloatArray, Marks, Scale, SizeCheck, Target

# More than this, either way, is told.
TOLD_SHARE = 0.1
# A rounder outline has no axes of its own that a hand could mean.
_ROUND = 1.1


def check_size(marks: Marks, target: Target | None, scale: Scale) -> SizeCheck | None:
    """Hold a marked outline against the target's true size.

    Parameters
    ----------
    marks : with what the block's file told
    target : as it is, corrected for the speed of sound where the marks tell a medium
    scale : by which it is measured

    Returns
    -------
    SizeCheck or None
        None without a target, or where no file tells its size.
    """
    of_block = marks.of_block
    if target is None or of_block is None or of_block.target is None or marks.block is None:
        return None
    across_mm, high_mm = extents_mm(scale.to_mm(target.outline_px))
    least_mm, most_mm = across_range_mm(of_block.target)
    true_high_mm = of_block.target.size_mm[2]
    marking_mm = np.sqrt(2) * target.marking_sd_px * np.array([scale.x_mm_per_px, scale.y_mm_per_px])
    sds_mm = np.hypot(marking_mm, scale.sd_share * np.array([across_mm, high_mm]))
    return SizeCheck(
        block=marks.block,
        target=of_block.target.name,
        across_mm=across_mm,
        high_mm=high_mm,
        sd_mm=(float(sds_mm[0]), float(sds_mm[1])),
        true_across_mm=(least_mm, most_mm),
        true_high_mm=true_high_mm,
        largest_mm=largest_mm(of_block.target),
        across_share=_beyond(across_mm, least_mm, most_mm),
        high_share=_beyond(high_mm, true_high_mm, true_high_mm),
        by_target=scale.source.startswith("target "),
    )


def across_range_mm(target: BlockTarget) -> tuple[float, float]:
    """Least and most that an upright slice through the middle measures across, whichever way the probe lay.

    A rod or a box that is cut aslant shows up to the diagonal of its length and width.
    """
    width_mm, length_mm, _ = target.size_mm
    most = max(width_mm, length_mm)
    if target.shape in ("rod", "box"):
        most = float(np.hypot(width_mm, length_mm))
    return min(width_mm, length_mm), most


def largest_mm(target: BlockTarget) -> float:
    """The most that any slice measures in any direction."""
    across_mm, high_mm = across_range_mm(target)[1], target.size_mm[2]
    return float(np.hypot(across_mm, high_mm)) if target.shape in ("rod", "box") else max(across_mm, high_mm)


def extents_mm(outline_mm: FloatArray) -> tuple[float, float]:
    """Extents of an outline (n, 2) along its own axes, that nearer to the horizontal first.

    Its axes are those of its second moments of area; those of the picture where it is about round.
    """
    values, axes = np.linalg.eigh(_second_moments(outline_mm))
    if values[0] <= 0 or np.sqrt(values[1] / values[0]) < _ROUND:
        axes = np.eye(2)
    elif abs(axes[1, 0]) > abs(axes[0, 0]):  # the first is the nearer to the vertical
        axes = axes[:, ::-1]
    across, high = np.ptp(outline_mm @ axes, axis=0)
    return float(across), float(high)


def _second_moments(outline: FloatArray) -> FloatArray:
    """Second moments of area about the centre of a polygon (n, 2), over its area: (2, 2)."""
    a = outline - outline.mean(axis=0)
    b = np.roll(a, -1, axis=0)
    cross = a[:, 0] * b[:, 1] - b[:, 0] * a[:, 1]
    area = cross.sum() / 2
    if area == 0:
        return np.eye(2)
    centre = ((a + b) * cross[:, None]).sum(axis=0) / (6 * area)
    ab = a + b
    about = np.einsum("n,ni,nj->ij", cross, a, a) + np.einsum("n,ni,nj->ij", cross, b, b)
    about = (about + np.einsum("n,ni,nj->ij", cross, ab, ab)) / (24 * area)
    return np.asarray(about - np.outer(centre, centre), dtype=float)


def _beyond(value: float, least: float, most: float) -> float:
    """By which share a value lies above the most or (negative) below the least; 0 between."""
    return value / most - 1 if value > most else value / least - 1 if value < least else 0.0


def size_notes(check: SizeCheck | None) -> tuple[str, ...]:
    """Sentences on an outline that is over 10 % larger or smaller than the thing."""
    if check is None:
        return ()
    shares = {"across": check.across_share, "in height": check.high_share}
    odd = {where: share for where, share in shares.items() if abs(share) > TOLD_SHARE}
    if not odd:
        return ()
    told = " and ".join(
        f"{abs(share):.0%} {'more' if share > 0 else 'less'} {where}" for where, share in odd.items()
    )
    return (
        f"Target {check.target} was marked {check.across_mm:.1f} mm across and {check.high_mm:.1f} mm high; "
        f"in block {check.block} it is {_range(check.true_across_mm)} mm across and {check.true_high_mm:.3g} "
        f"mm high: {told}. {' '.join(_meanings(check))}",
    )


def _meanings(check: SizeCheck) -> Iterator[str]:
    """What an outline too large or too small can mean."""
    shares = (check.across_share, check.high_share)
    if max(shares) > TOLD_SHARE:
        surely = max(check.across_mm, check.high_mm) > (1 + TOLD_SHARE) * check.largest_mm
        slices = "No slice through it" if surely else "No slice through it, with the probe held upright,"
        yield f"{slices} is so large: check scale, outline and the block’s file."
    elif min(shares) < -TOLD_SHARE:
        yield (
            "A slice beside its middle is smaller than the thing itself, so this may be right; where the "
            "slice ran through the middle, check scale, outline and the block’s file."
        )
    if check.by_target:
        yield "The scale was taken from this very outline."


def _range(ends: tuple[float, float]) -> str:
    low, high = (f"{end:.3g}" for end in ends)
    return low if low == high else f"{low} to {high}"
