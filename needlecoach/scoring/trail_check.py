"""The trail left behind held against the track: two looks at how deep the needle went."""

from __future__ import annotations

import numpy as np

from needlecoach.scoring.kinematics import weighted_quantile
from needlecoach.scoring.motion import Motion

# They disagree when they differ by over this many of the difference's own standard uncertainty.
DISAGREE_SD = 2.0
# The tip has come as deep as it went when it is this near to that.
REACHED_MM = 0.5


def trail_note(motion: Motion, until_frame: int) -> str:
    """Say where the trail left behind disagrees with the track by more than both are uncertain.

    Parameters
    ----------
    motion : Motion
    until_frame : int
        First frame of the next attempt, or the number of frames.

    Returns
    -------
    str
        One or two sentences without the attempt's number; empty when they agree or no trail was made out.
    """
    track = motion.scene.track
    rows = slice(motion.span.last_frame + 1, until_frame)
    weights = track.frame_durations_s[rows]
    beyond = weighted_quantile(track.trail_beyond_mm[rows], weights, 0.5)
    sd = weighted_quantile(track.trail_beyond_sd_mm[rows], weights, 0.5)
    if beyond is None or sd is None:
        return ""
    sd = float(np.hypot(sd, motion.scene.scale.sd_share * beyond))
    if abs(beyond) <= DISAGREE_SD * sd:
        return ""
    told, place = ("deeper", "too shallow") if beyond > 0 else ("less deep", "too deep")
    reached = motion.depth_mm > motion.depth_mm.max() - REACHED_MM
    at_s = float(motion.time_s[int(np.argmax(reached))])
    return (
        f"by the bubble trail left behind the needle went {abs(beyond):.0f} ± {sd:.0f} mm {told} than the "
        f"tip was followed, so the tip may be drawn {place}. Look at the picture round {at_s:.1f} s, where "
        "it was deepest."
    )
