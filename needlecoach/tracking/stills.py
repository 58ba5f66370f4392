"""A few still pictures of a needle, too far apart to see it move: judged by its looks."""

from __future__ import annotations

from collections.abc import Sequence

from needlecoach.finding.standing import find_standings, pool_standing
from needlecoach.model import FloatArray, GreyImage
from needlecoach.tracking.drift import moved
from needlecoach.tracking.plane import Plane, slope_deg
from needlecoach.tracking.windows import NeedleRows

# More pictures than this are a recording, in which a needle must be seen to move.
MOST_STILLS = 24
# Error of a tip told from one picture, by its looks (compared with tips marked by eye).
STILL_SD_MM = 1.5


def needle_in_stills(pictures: Sequence[GreyImage], drift: FloatArray, plane: Plane) -> NeedleRows:
    """Find the needle in a few pictures by its looks, and by its end having moved along it between them.

    Parameters
    ----------
    pictures : n working pictures, steadied
    drift : (n, 3), what steadying took out of each

    Returns
    -------
    NeedleRows
        Without a needle where the pictures leave a doubt: looks alone do not tell a straw from a needle.
    """
    rows = NeedleRows.none(len(pictures))
    if len(pictures) > MOST_STILLS:
        return rows
    looks = [
        find_standings(picture, mask=plane.mask, depth_share=plane.depth_share, step_mm=plane.step_mm)
        for picture in pictures
    ]
    pooled = pool_standing(looks)
    for i, needle in enumerate(pooled):
        if needle is None or needle.terms["motion"] <= 0:
            continue
        rows.needle_present[i] = rows.tip_visible[i] = True
        entry, tip = moved([needle.entry_px, needle.tip_px], drift[i])
        rows.entry_px[i], rows.tip_px[i] = plane.to_frame_px([entry, tip])
        rows.angle_deg[i] = slope_deg(tip - entry)
        rows.tip_sd_mm[i], rows.shaft_visible_share[i] = STILL_SD_MM, 1.0
    return rows
