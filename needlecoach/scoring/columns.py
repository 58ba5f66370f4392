"""The columns of attempts.csv: the single source for names, units, titles and meanings of the figures."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from needlecoach.model import Figure

Evidence = Literal["plain", "published", "practice", "own"]

EVIDENCE_MEANING: MappingProxyType[Evidence, str] = MappingProxyType(
    {
        "plain": "a plain reading of time, count or geometry; no judgement in it",
        "published": "a published definition is followed",
        "practice": "measured in published studies of training, in differing definitions",
        "own": "our own definition; not yet tested against learning or outcome",
    }
)


@dataclass(frozen=True)
class Column:
    """One column of attempts.csv; `unit` is empty for counts, words and pure numbers."""

    name: str
    unit: str
    title: str
    meaning: str
    evidence: Evidence

    def figure(self, value: float | int | str | bool | None, sd: float | None = None) -> Figure:
        """Dress a value of this column; None means unknown."""
        return Figure(
            self.name, value, sd if value is not None else None, self.unit, self.title, self.meaning
        )


def _table(*rows: tuple[str, str, str, str, Evidence]) -> MappingProxyType[str, Column]:
    return MappingProxyType({row[0]: Column(*row) for row in rows})


COLUMNS: MappingProxyType[str, Column] = _table(
    ("attempt", "", "Attempt", "Number of the attempt within the clip, from 1.", "plain"),
    ("start_s", "s", "Start", "Time of the first frame with the needle in the picture.", "plain"),
    ("end_s", "s", "End", "Time of the last frame with the needle in the picture.", "plain"),
    ("duration_s", "s", "Duration", "Time from the needle's first entry until it has left.", "practice"),
    ("cut_off", "", "Cut off", "The clip ends while the needle is still in.", "plain"),
    (
        "outcome",
        "",
        "Outcome",
        "Hit: the tip (of a core needle its notch, which takes the sample) was inside the target, beyond its "
        "own uncertainty, for at least 0.2 s; borderline: within uncertainty.",
        "own",
    ),
    (
        "passes",
        "",
        "Passes",
        "Forward excursions of at least 3 mm, each from an entry or after a withdrawal of at least 5 mm "
        "(unless set otherwise).",
        "practice",
    ),
    ("strokes", "", "Strokes", "To-and-fro movements of 1.5 to under 5 mm.", "own"),
    (
        "redirections",
        "",
        "Redirections",
        "Passes whose median angle on the way in differs by more than 3 degrees from the pass before.",
        "practice",
    ),
    (
        "time_to_target_s",
        "s",
        "Time to target",
        "From the first entry to the moment the first hit begins, of a core needle that of its notch; blank "
        "without a hit.",
        "practice",
    ),
    (
        "dwell_in_target_s",
        "s",
        "Time in target",
        "Total time with the tip inside the outline; of a core needle, with any of its notch inside.",
        "plain",
    ),
    (
        "closest_edge_mm",
        "mm",
        "Closest to outline",
        "Tip to the target's outline at closest approach; negative inside. A core needle samples from behind "
        "its tip: a tip inside is no hit.",
        "plain",
    ),
    (
        "closest_centre_mm",
        "mm",
        "Closest to centre",
        "Tip to the target's centre at the same moment.",
        "plain",
    ),
    (
        "offset_along_mm",
        "mm",
        "Offset along",
        "The miss from the centre at closest approach, along the shaft; positive is beyond the centre.",
        "plain",
    ),
    (
        "offset_across_mm",
        "mm",
        "Offset across",
        "The miss from the centre at closest approach, across the shaft; positive is deeper.",
        "plain",
    ),
    (
        "overshoot_mm",
        "mm",
        "Overshoot",
        "How far the tip went past the target's far wall along the shaft; 0 when it stayed this side of it, "
        "blank when it never reached the near wall on a line through the target; a core needle's tip may "
        "have to go past it for its notch to lie inside.",
        "own",
    ),
    (
        "tip_visibility_share",
        "",
        "Tip in sight",
        "Time with the tip visible as a share of the time with the needle in; no published norm was found.",
        "practice",
    ),
    (
        "tip_visibility_advancing",
        "",
        "Tip in sight, advancing",
        "The same share while the tip moves forward; no published norm was found.",
        "practice",
    ),
    (
        "blind_advance_mm",
        "mm",
        "Blind advance",
        "New depth gained within a pass while the tip could not be seen, tremor removed.",
        "own",
    ),
    (
        "longest_blind_mm",
        "mm",
        "Longest blind advance",
        "The longest single run of new depth gained without seeing the tip.",
        "own",
    ),
    (
        "plane_losses",
        "",
        "Tip lost",
        "Times the tip, once seen, was out of sight for over 0.3 s.",
        "own",
    ),
    (
        "mean_recovery_s",
        "s",
        "Time to find it again",
        "Mean time from losing the tip to seeing it again; blank when it was never lost and found.",
        "own",
    ),
    ("angle_deg", "deg", "Angle", "Median angle between the shaft and the picture's horizontal.", "plain"),
    ("angle_iqr_deg", "deg", "Angle spread", "Interquartile range of that angle.", "plain"),
    (
        "path_mm",
        "mm",
        "Tip travel",
        "Distance travelled by the tip in the picture's plane, jitter left out; no uncertainty is stated.",
        "practice",
    ),
    (
        "path_efficiency",
        "",
        "Path efficiency",
        "Straight distance from entry to closest approach as a share of the travel up to there.",
        "practice",
    ),
    (
        "mean_advance_mm_s",
        "mm/s",
        "Mean speed forward",
        "Mean speed of the tip while it moves forward; no uncertainty is stated.",
        "plain",
    ),
    (
        "peak_advance_mm_s",
        "mm/s",
        "Peak speed forward",
        "Highest smoothed forward speed of the tip; no uncertainty is stated.",
        "plain",
    ),
    (
        "smoothness_sparc",
        "",
        "Smoothness (SPARC)",
        "Spectral arc length of tip speed, low-passed at 3 Hz; 0 is smoothest; blank under 15 frames/s.",
        "published",
    ),
    (
        "smoothness_ldlj",
        "",
        "Smoothness (LDLJ)",
        "Log dimensionless jerk of tip speed, low-passed at 3 Hz; nearer to 0 is smoother; "
        "blank under 15 frames/s.",
        "published",
    ),
    (
        "index_of_difficulty",
        "bits",
        "Difficulty",
        "log2(depth of the target along the path / its width across the path + 1).",
        "published",
    ),
    (
        "trail_end_edge_mm",
        "mm",
        "Trail end to outline",
        "Where bright bubbles left behind stop, to the outline, negative inside; bubbles are patchy, so the "
        "trail can end short of where the tip was: a rough second look only; no uncertainty is stated.",
        "own",
    ),
    (
        "notch_start_mm",
        "mm",
        "Notch from entry",
        "Near end of a core needle's notch when it sampled, along a straight shaft from its entry: after a "
        "firing that was seen, else when most of the notch lay inside. Dead space and notch as given.",
        "plain",
    ),
    ("notch_length_mm", "mm", "Notch length", "Length of the notch, as given.", "plain"),
    (
        "notch_in_target_mm",
        "mm",
        "Notch in target",
        "Length of the notch inside the outline when it sampled; decides the outcome.",
        "own",
    ),
    (
        "notch_in_target_before_mm",
        "mm",
        "Notch in target, before firing",
        "The same as the needle stood before it was fired; without a firing seen, the most for 0.2 s.",
        "own",
    ),
    (
        "notch_in_target_fired_mm",
        "mm",
        "Notch in target, fired",
        "The same after firing: as seen, or, without a firing seen, what firing from where the tip was would "
        "give, by calculation; blank while the throw is not known.",
        "own",
    ),
    (
        "throw_mm",
        "mm",
        "Throw",
        "How far firing throws the point forward: as seen, or as given (without uncertainty).",
        "plain",
    ),
    (
        "fired_tip_beyond_far_wall_mm",
        "mm",
        "Fired tip past far wall",
        "How far the fired tip lies past the target's far wall along the shaft, negative short of it; by "
        "calculation when no firing was seen.",
        "own",
    ),
    (
        "fired_tip_to_edge_mm",
        "mm",
        "Fired tip to picture's edge",
        "From the fired tip to the picture's edge ahead of it along the shaft, negative beyond the picture; "
        "by calculation when no firing was seen.",
        "own",
    ),
    (
        "best_fire_depth_mm",
        "mm",
        "Best depth to fire from",
        "The tip's place along this shaft, from its entry, from which firing puts most of the notch inside; "
        "the middle where several are as good.",
        "own",
    ),
    (
        "fired_s",
        "s",
        "Fired",
        "Time of the firing in the recording; blank when none was seen.",
        "own",
    ),
    ("scale_source", "", "Scale from", "Where the millimetres come from.", "plain"),
    ("scale_sd_share", "", "Scale uncertainty", "Relative standard uncertainty of the scale.", "plain"),
    (
        "confidence",
        "",
        "Confidence",
        "0 to 1, how far the figures can be trusted: tip error, share of time followed, target followed.",
        "own",
    ),
)
