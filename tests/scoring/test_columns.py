"""The table of columns against the list of attempts.csv, and against what is measured."""

import re

import numpy as np
import pytest

from needlecoach.model import Core
from needlecoach.scoring import COLUMNS, EVIDENCE_MEANING
from needlecoach.scoring import approach as approach_module
from needlecoach.scoring import biopsy as biopsy_module
from needlecoach.scoring import metrics as metrics_module
from needlecoach.scoring.columns import THROW_MEANINGS
from needlecoach.scoring.facts import FACTS
from needlecoach.scoring.kinematics import MIN_RATE_HZ, SMOOTHNESS_CUTOFF_HZ, SPEED_SIGMA_S

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


def test_what_is_meant_for_core_needles_is_said_of_them_alone(drawing):
    asked = {"aspirate": None, "core": Core(2.0, 6.0, 10.0)}
    said = {}
    for task, core in asked.items():
        (attempt,) = drawing().score(core=core).attempts
        said[task] = {name: figure.meaning for name, figure in attempt.figures.items()}
    differ = {name for name, words in said["core"].items() if words != said["aspirate"][name]}
    by_notch = {"outcome", "time_to_target_s", "dwell_in_target_s", "closest_edge_mm", "overshoot_mm"}
    assert differ == by_notch | THROW_MEANINGS.keys()
    assert {name for name, one in COLUMNS.items() if one.core_meaning} == differ
    assert not any(re.search("notch|core|throw", said["aspirate"][name]) for name in differ)
    for name in differ:
        assert said["core"][name].endswith(".")


def function_of(name):
    if name == "outcome":
        return approach_module.judge
    measures = (getattr(module, name, None) for module in (metrics_module, approach_module, biopsy_module))
    return FACTS.get(name) or next(measure for measure in measures if measure is not None)


@pytest.mark.parametrize("name", PROMISED)
def test_every_column_is_one_function_that_states_the_same_unit_and_evidence(name):
    column, said = COLUMNS[name], " ".join(function_of(name).__doc__.split())
    assert f"Unit: {column.unit or 'none'}. Evidence: {column.evidence}. Source: " in said


@pytest.mark.parametrize("name", PROMISED)
def test_what_was_shown_is_said_of_published_measures_alone(name):
    column = COLUMNS[name]
    assert bool(column.shown) == (column.evidence == "published")
    figure = column.figure(1)
    assert figure.evidence.startswith(column.evidence) and column.shown in figure.evidence


def test_smoothing_is_stated_where_it_matters():
    for name in ("smoothness_sparc", "smoothness_ldlj"):
        assert f"low-passed at {SMOOTHNESS_CUTOFF_HZ:g} Hz" in COLUMNS[name].meaning
        assert f"under {MIN_RATE_HZ:g} frames a second" in COLUMNS[name].meaning
    # A Gaussian of standard deviation s passes half the power at sqrt(ln 2) / (2 pi s).
    cutoff_hz = np.sqrt(np.log(2)) / (2 * np.pi * SPEED_SIGMA_S)
    for name in ("mean_advance_mm_s", "peak_advance_mm_s"):
        assert f"low-passed at {cutoff_hz:.1f} Hz" in COLUMNS[name].meaning


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
