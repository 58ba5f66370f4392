"""The columns of attempts.csv: the single source for names, units, titles and meanings of the figures."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from needlecoach.model import Figure

Evidence = Literal["plain reading", "published", "common practice", "ours, untested"]

EVIDENCE_MEANING: MappingProxyType[Evidence, str] = MappingProxyType(
    {
        "plain reading": "time, count or geometry as it is read off; no judgement in it",
        "published": "a published definition is followed; what was shown with it stands beside the grade",
        "common practice": "usual in studies and courses of this trade, in differing definitions",
        "ours, untested": "our own definition; not yet tested against learning or outcome",
    }
)


@dataclass(frozen=True)
class Column:
    """One column of attempts.csv; `unit` is empty for counts, words and pure numbers.

    `shown` is a short clause: what was found with a published measure, and in whom; empty for others.
    `core_meaning` replaces `meaning` for a core sample; empty where it is the same.
    """

    name: str
    unit: str
    title: str
    meaning: str
    evidence: Evidence
    shown: str = ""
    core_meaning: str = ""

    def figure(
        self, value: float | int | str | bool | None, sd: float | None = None, *, core: bool = False
    ) -> Figure:
        """Dress a value of this column, of a core sample if so said; None means unknown."""
        return Figure(
            self.name,
            value,
            sd if value is not None else None,
            self.unit,
            self.title,
            (self.core_meaning if core else "") or self.meaning,
            self.graded,
        )

    @property
    def graded(self) -> str:
        """The grade of evidence, with what was shown where that is known."""
        return f"{self.evidence}: {self.shown}" if self.shown else self.evidence


# What was shown with published measures; each source is named where the measure is taken.
SHOWN: MappingProxyType[str, str] = MappingProxyType(
    {
        "smoothness_sparc": "grows worse with stops and corrections of arm movements, whatever their size "
        "and duration; not yet shown for needles",
        "smoothness_ldlj": "grows worse with stops and corrections of arm movements, but with noise too; not "
        "yet shown for needles",
        "index_of_difficulty": "the time to point at a target grows in proportion to it; not yet shown for "
        "needles",
    }
)

# What these mean for a core needle, which samples behind its tip.
CORE_MEANINGS: MappingProxyType[str, str] = MappingProxyType(
    {
        "outcome": "Hit: the notch, which takes the sample, was inside the target, beyond its own "
        "uncertainty, for at least 0.2 s; borderline: within uncertainty.",
        "time_to_target_s": "From the first entry to the moment the first hit of the notch begins; blank "
        "without a hit.",
        "dwell_in_target_s": "Total time with any of the notch inside the outline.",
        "closest_edge_mm": "Tip to the target's outline at closest approach; negative inside. The needle "
        "samples from behind its tip: a tip inside is no hit.",
        "overshoot_mm": "How far the tip went past the target's far wall along the shaft; 0 when it stayed "
        "this side of it, blank when it never reached the near wall on a line through the target. It may "
        "have to go past it for the notch to lie inside.",
    }
)
# A spring is no hand: said beside the meaning of what leaves its throw out.
_LEFT_OUT, _UP_TO = "A throw that was seen is left out.", "Measured up to a throw that was seen."
THROW_MEANINGS: MappingProxyType[str, str] = MappingProxyType(
    {
        "path_mm": _LEFT_OUT,
        "path_efficiency": _UP_TO,
        "mean_advance_mm_s": _LEFT_OUT,
        "peak_advance_mm_s": _LEFT_OUT,
        "smoothness_sparc": _UP_TO,
        "smoothness_ldlj": _UP_TO,
    }
)


def _core_meaning(name: str, meaning: str) -> str:
    return f"{meaning} {THROW_MEANINGS[name]}" if name in THROW_MEANINGS else CORE_MEANINGS.get(name, "")


def _table(*rows: tuple[str, str, str, str, Evidence]) -> MappingProxyType[str, Column]:
    return MappingProxyType(
        {row[0]: Column(*row, SHOWN.get(row[0], ""), _core_meaning(row[0], row[3])) for row in rows}
    )


COLUMNS: MappingProxyType[str, Column] = _table(
    ("attempt", "", "Attempt", "Number of the attempt within the clip, from 1.", "plain reading"),
    ("start_s", "s", "Start", "Time of the first frame with the needle in the picture.", "plain reading"),
    ("end_s", "s", "End", "Time of the last frame with the needle in the picture.", "plain reading"),
    (
        "duration_s",
        "s",
        "Duration",
        "Time from the needle's first entry until it has left.",
        "common practice",
    ),
    ("cut_off", "", "Cut off", "The clip ends while the needle is still in.", "plain reading"),
    (
        "outcome",
        "",
        "Outcome",
        "Hit: the tip was inside the target, beyond its own uncertainty, for at least 0.2 s; borderline: "
        "within uncertainty.",
        "ours, untested",
    ),
    (
        "passes",
        "",
        "Passes",
        "Pushes forward of at least 3 mm, each from where the needle comes in or after it was drawn back by "
        "at least 5 mm (unless set otherwise).",
        "common practice",
    ),
    ("strokes", "", "Strokes", "Movements to and fro of 1.5 to under 5 mm.", "ours, untested"),
    (
        "redirections",
        "",
        "Redirections",
        "Passes whose middle (median) angle on the way in differs by more than 3° from that of the "
        "pass before.",
        "common practice",
    ),
    (
        "time_to_target_s",
        "s",
        "Time to target",
        "From the first entry to the moment the first hit begins; blank without a hit.",
        "common practice",
    ),
    (
        "dwell_in_target_s",
        "s",
        "Time in target",
        "Total time with the tip inside the outline.",
        "plain reading",
    ),
    (
        "closest_edge_mm",
        "mm",
        "Closest to outline",
        "Tip to the target's outline at closest approach; negative inside.",
        "plain reading",
    ),
    (
        "closest_centre_mm",
        "mm",
        "Closest to centre",
        "Tip to the target's centre at the same moment.",
        "plain reading",
    ),
    (
        "offset_along_mm",
        "mm",
        "Offset along",
        "The miss from the centre at closest approach, along the shaft; positive is beyond the centre.",
        "plain reading",
    ),
    (
        "offset_across_mm",
        "mm",
        "Offset across",
        "The miss from the centre at closest approach, across the shaft; positive is deeper.",
        "plain reading",
    ),
    (
        "overshoot_mm",
        "mm",
        "Overshoot",
        "How far the tip went past the target's far wall along the shaft; 0 when it stayed this side of it, "
        "blank when it never reached the near wall on a line through the target.",
        "ours, untested",
    ),
    (
        "tip_visibility_share",
        "",
        "Tip in sight",
        "Time with the tip visible as a share of the time with the needle in; no published norm was found.",
        "common practice",
    ),
    (
        "tip_visibility_advancing",
        "",
        "Tip in sight, advancing",
        "The same share while the tip moves forward; no published norm was found.",
        "common practice",
    ),
    (
        "blind_advance_mm",
        "mm",
        "Blind advance",
        "How much deeper the tip went within a pass while it could not be seen, trembling left out.",
        "ours, untested",
    ),
    (
        "longest_blind_mm",
        "mm",
        "Longest blind advance",
        "The longest single run of new depth gained without seeing the tip.",
        "ours, untested",
    ),
    (
        "plane_losses",
        "",
        "Tip lost",
        "Times the tip, once seen, was out of sight for over 0.3 s.",
        "ours, untested",
    ),
    (
        "mean_recovery_s",
        "s",
        "Time to find it again",
        "Mean time from losing the tip to seeing it again; blank when it was never lost and found.",
        "ours, untested",
    ),
    (
        "angle_deg",
        "deg",
        "Angle",
        "Middle (median) angle of the shaft: 0° along the skin, 90° straight down.",
        "plain reading",
    ),
    (
        "angle_iqr_deg",
        "deg",
        "Angle spread",
        "How far that angle spread: the middle half of it lay within this range.",
        "plain reading",
    ),
    (
        "path_mm",
        "mm",
        "Tip travel",
        "Distance travelled by the tip in the picture's plane, its flicker left out.",
        "common practice",
    ),
    (
        "path_efficiency",
        "",
        "Path efficiency",
        "Straight distance from entry to closest approach as a share of the travel up to there.",
        "common practice",
    ),
    (
        "mean_advance_mm_s",
        "mm/s",
        "Mean speed forward",
        "Mean speed of the tip, low-passed at 1.3 Hz, while it moves forward at over 1 mm/s; "
        "no uncertainty is stated.",
        "plain reading",
    ),
    (
        "peak_advance_mm_s",
        "mm/s",
        "Peak speed forward",
        "Highest forward speed of the tip, low-passed at 1.3 Hz; no uncertainty is stated.",
        "plain reading",
    ),
    (
        "smoothness_sparc",
        "",
        "Smoothness by SPARC",
        "How evenly the tip sped up and slowed down, by the length of the curve of its speed's spectrum "
        "(spectral arc length, SPARC), low-passed at 3 Hz; 0 is smoothest; blank under 15 frames a second.",
        "published",
    ),
    (
        "smoothness_ldlj",
        "",
        "Smoothness by LDLJ",
        "How evenly the tip sped up and slowed down, by how abruptly it did (log dimensionless jerk, LDLJ), "
        "low-passed at 3 Hz; nearer to 0 is smoother; blank under 15 frames a second.",
        "published",
    ),
    (
        "index_of_difficulty",
        "bits",
        "Difficulty",
        "How hard the target is to reach (Fitts): log2(its depth along the path / its width across it + 1).",
        "published",
    ),
    (
        "trail_end_edge_mm",
        "mm",
        "Trail end to outline",
        "Where bright bubbles left behind stop, to the outline, negative inside: a second look at how deep "
        "the needle went. Bubbles are patchy and don't show in fluid, so the trail can end short of the tip.",
        "ours, untested",
    ),
    (
        "notch_start_mm",
        "mm",
        "Notch from entry",
        "Near end of a core needle's notch when it sampled, along a straight shaft from its entry: after a "
        "firing that was seen, else when most of the notch lay inside. Dead space and notch as given.",
        "plain reading",
    ),
    ("notch_length_mm", "mm", "Notch length", "Length of the notch, as given.", "plain reading"),
    (
        "notch_in_target_mm",
        "mm",
        "Notch in target",
        "Length of the notch inside the outline when it sampled; decides the outcome.",
        "ours, untested",
    ),
    (
        "notch_in_target_before_mm",
        "mm",
        "Notch in target, before firing",
        "The same as the needle stood before it was fired; without a firing seen, the most for 0.2 s.",
        "ours, untested",
    ),
    (
        "notch_in_target_fired_mm",
        "mm",
        "Notch in target, fired",
        "The same after firing: as seen, or, without a firing seen, what firing from where the tip was would "
        "give, by calculation; blank while the throw is not known.",
        "ours, untested",
    ),
    (
        "throw_mm",
        "mm",
        "Throw",
        "How far firing throws the point forward: as seen, or as given (without uncertainty).",
        "plain reading",
    ),
    (
        "fired_tip_beyond_far_wall_mm",
        "mm",
        "Fired tip past far wall",
        "How far the fired tip lies past the target's far wall along the shaft, negative short of it; by "
        "calculation when no firing was seen.",
        "ours, untested",
    ),
    (
        "fired_tip_to_edge_mm",
        "mm",
        "Fired tip to picture's edge",
        "From the fired tip to the picture's edge ahead of it along the shaft, negative beyond the picture; "
        "by calculation when no firing was seen.",
        "ours, untested",
    ),
    (
        "best_fire_depth_mm",
        "mm",
        "Best depth to fire from",
        "The tip's place along this shaft, from its entry, from which firing puts most of the notch inside; "
        "the middle where several are as good.",
        "ours, untested",
    ),
    (
        "fired_s",
        "s",
        "Fired",
        "Time of the firing in the recording; blank when none was seen.",
        "ours, untested",
    ),
    ("scale_source", "", "Scale from", "Where the millimetres come from.", "plain reading"),
    (
        "scale_sd_share",
        "",
        "Scale uncertainty",
        "How far off the scale may be, as a share of it (one standard uncertainty).",
        "plain reading",
    ),
    (
        "confidence",
        "",
        "Confidence",
        "0 to 1, how far the figures can be trusted: tip error, share of time followed, target followed.",
        "ours, untested",
    ),
)
