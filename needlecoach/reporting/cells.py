"""What stands in the cells of attempts.csv: its columns, and text that no spreadsheet may run."""

from __future__ import annotations

# What a spreadsheet takes for the start of a formula (common practice for CSV injection).
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")

# Header of attempts.csv, the same for every clip, with attempts or without; NAME_sd goes with each distance.
ATTEMPT_COLUMNS = (
    "attempt",
    "start_s",
    "end_s",
    "duration_s",
    "cut_off",
    "outcome",
    "passes",
    "strokes",
    "redirections",
    "time_to_target_s",
    "dwell_in_target_s",
    "closest_edge_mm",
    "closest_edge_mm_sd",
    "closest_centre_mm",
    "closest_centre_mm_sd",
    "offset_along_mm",
    "offset_along_mm_sd",
    "offset_across_mm",
    "offset_across_mm_sd",
    "overshoot_mm",
    "overshoot_mm_sd",
    "tip_visibility_share",
    "tip_visibility_advancing",
    "blind_advance_mm",
    "blind_advance_mm_sd",
    "longest_blind_mm",
    "longest_blind_mm_sd",
    "plane_losses",
    "mean_recovery_s",
    "angle_deg",
    "angle_iqr_deg",
    "path_mm",
    "path_mm_sd",
    "path_efficiency",
    "mean_advance_mm_s",
    "mean_advance_mm_s_sd",
    "peak_advance_mm_s",
    "peak_advance_mm_s_sd",
    "smoothness_sparc",
    "smoothness_ldlj",
    "index_of_difficulty",
    "trail_end_edge_mm",
    "trail_end_edge_mm_sd",
    "notch_start_mm",
    "notch_start_mm_sd",
    "notch_length_mm",
    "notch_in_target_mm",
    "notch_in_target_mm_sd",
    "notch_in_target_before_mm",
    "notch_in_target_before_mm_sd",
    "notch_in_target_fired_mm",
    "notch_in_target_fired_mm_sd",
    "throw_mm",
    "throw_mm_sd",
    "fired_tip_beyond_far_wall_mm",
    "fired_tip_beyond_far_wall_mm_sd",
    "fired_tip_to_edge_mm",
    "fired_tip_to_edge_mm_sd",
    "best_fire_depth_mm",
    "best_fire_depth_mm_sd",
    "fired_s",
    "scale_source",
    "scale_sd_share",
    "confidence",
)

# No figure of an attempt, whatever its unit, comes near it.
MOST = 1e9

# Last column of each table of attempts: names of the figures that corrections changed.
CORRECTED = "corrected"


def plain_text(text: str) -> str:
    """Return text that no spreadsheet runs as a formula: an apostrophe goes before a dangerous start."""
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def bare(cell: str) -> str:
    """Return text of a cell as it was before `plain_text`."""
    return cell[1:] if cell[:1] == "'" and cell[1:].startswith(FORMULA_STARTS) else cell


def figure(cell: str) -> float:
    """Return the figure in a cell; ValueError where it is none that a clip can give, such as 1e308 or nan."""
    value = float(cell)
    if not abs(value) < MOST:  # nan is not
        raise ValueError(f"no clip gives a figure of {value:g}")
    return value
