"""The table of columns against the list of attempts.csv, and against what is measured."""

import pytest

from needlecoach.scoring import COLUMNS, EVIDENCE_MEANING
from needlecoach.scoring import approach as approach_module
from needlecoach.scoring import biopsy as biopsy_module
from needlecoach.scoring import metrics as metrics_module

# The columns promised to whoever reads attempts.csv, in their order.
# fmt: off
PROMISED = [
    "attempt", "start_s", "end_s", "duration_s", "cut_off", "outcome", "passes", "strokes",
    "redirections", "time_to_target_s", "dwell_in_target_s", "closest_edge_mm", "closest_centre_mm",
    "offset_along_mm", "offset_across_mm", "overshoot_mm", "tip_visibility_share",
    "tip_visibility_advancing", "blind_advance_mm", "longest_blind_mm", "plane_losses",
    "mean_recovery_s", "angle_deg", "angle_iqr_deg", "path_mm", "path_efficiency", "mean_advance_mm_s",
    "peak_advance_mm_s", "smoothness_sparc", "smoothness_ldlj", "index_of_difficulty",
    "trail_end_edge_mm", "notch_start_mm", "notch_length_mm", "notch_in_target_mm",
    "notch_in_target_before_mm", "notch_in_target_fired_mm", "throw_mm", "fired_tip_beyond_far_wall_mm",
    "fired_tip_to_edge_mm", "best_fire_depth_mm", "fired_s", "scale_source", "scale_sd_share", "confidence",
]
# fmt: on


def test_the_promised_columns_in_their_order():
    assert list(COLUMNS) == PROMISED


@pytest.mark.parametrize("name", PROMISED)
def test_every_column_explains_itself(name):
    column = COLUMNS[name]
    assert column.name == name
    assert column.title and column.meaning.endswith(".")
    assert column.evidence in EVIDENCE_MEANING
    suffixes = {"_mm_s": "mm/s", "_mm": "mm", "_deg": "deg", "_s": "s"}
    unit = next((unit for end, unit in suffixes.items() if name.endswith(end)), None)
    assert column.unit == (unit or ("bits" if name == "index_of_difficulty" else ""))


def test_every_attempt_has_every_column(drawing):
    (attempt,) = drawing().score().attempts
    assert list(attempt.figures) == PROMISED
    for name, figure in attempt.figures.items():
        assert (figure.name, figure.unit, figure.title) == (name, COLUMNS[name].unit, COLUMNS[name].title)


@pytest.mark.parametrize("name", PROMISED[6 : PROMISED.index("scale_source")])
def test_the_measuring_function_states_the_same_evidence_as_the_table(name):
    modules = metrics_module, approach_module, biopsy_module
    measures = [getattr(module, name) for module in modules if hasattr(module, name)]
    assert measures
    for measure in measures:
        assert f"Evidence: {COLUMNS[name].evidence}" in measure.__doc__


def test_the_missing_norm_is_said_once_and_only_for_sight():
    said = {name: column.meaning.lower().count("no published norm") for name, column in COLUMNS.items()}
    assert {name: n for name, n in said.items() if n} == {
        "tip_visibility_share": 1,
        "tip_visibility_advancing": 1,
    }
    assert not any("norm" in text for text in EVIDENCE_MEANING.values())


def test_a_blank_has_no_uncertainty():
    figure = COLUMNS["overshoot_mm"].figure(None, 0.3)
    assert figure.value is None and figure.sd is None
