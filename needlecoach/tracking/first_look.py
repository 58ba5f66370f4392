"""What is known of a needle that has just come in, for the steps until the pictures were looked through."""

from __future__ import annotations

import numpy as np

from needlecoach.model import BoolArray, FloatArray, GreyImage
from needlecoach.tracking.entering import Entering
from needlecoach.tracking.follow import Onward
from needlecoach.tracking.kymograph import SAMPLE_MM, Sheet, moved_by, stand_out
from needlecoach.tracking.lately import Lately
from needlecoach.tracking.likelihood import motion_noise, odds_table, usual_tip_grey
from needlecoach.tracking.spot import find_spot, half_width_mm
from needlecoach.tracking.tip import Belief

# How well a tip is known by where the new line ends, and the chance that it is none.
PLACE_SD_MM, NO_NEEDLE = 0.75, 0.02


def first_look(
    entering: Entering,
    picture: GreyImage,
    mask: BoolArray,
    *,
    number: int,
    time_s: float,
    level: float,
    share: float,
) -> Lately:
    """Tell what a look would, from one picture and that of before.

    Parameters
    ----------
    picture, number, time_s : of the picture in which it was found, steadied
    level, share : the grey that pictures are brought to, and what each shows of the one before
    """
    axis, guess = entering.axis, np.array([entering.reach_mm])
    sheet = Sheet.along(axis, mask)
    grey, before = sheet.sample(picture, 0), sheet.sample(entering.past, 0)
    change = stand_out(grey[None], before[None])
    belief = _about(entering.reach_mm, len(grey))
    spot = find_spot(picture, axis, 0, entering.reach_mm)
    onward = Onward(
        odds_table(change, sheet.inside, guess),
        usual_tip_grey(grey[None], guess),
        motion_noise(moved_by(before[None], grey[None]), sheet.inside),
        belief,
        belief,
        [],
        entering.past,
    )
    return Lately(number, time_s, level, share, axis, before, onward, half_width_mm([spot]), 0.5, time_s)


def _about(reach_mm: float, n: int) -> Belief:
    """Belief in a tip near a place, likelier still on its way in than not."""
    off = (np.arange(n) * SAMPLE_MM - reach_mm) / PLACE_SD_MM
    place: FloatArray = np.exp(-0.5 * off**2)
    state = np.array([[0.25], [0.5], [0.25]]) * place / place.sum()
    return Belief((1 - NO_NEEDLE) * state, NO_NEEDLE)
