"""Page data: the invented card of conftest.py, whose places along the shaft can be told by hand."""

import base64
import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

from needlecoach.model import Correction, Figure, FilmedScreen, Marks, Pass, Strip
from needlecoach.reporting.pagedata import page_data, strip_png, summary_views
from tests.reporting.conftest import CENTRE, DEEPEST, ENTRY, FIRST, LAST, MM_PER_PX, N

STEP_MM, SAMPLES = 0.25, 180
WAY = (DEEPEST - ENTRY) / np.hypot(*(DEEPEST - ENTRY))
# The tip's way from the entry to its deepest place: 136 px across and 68 px down at 0.2 mm.
DEEPEST_MM = float(np.hypot(136, 68) * MM_PER_PX)


@pytest.fixture
def strip() -> Strip:
    """A strip along the needle's own line whose grey is the sample's number, brighter from frame to frame."""
    grey = (np.arange(SAMPLES)[None, :] + np.arange(N)[:, None]).astype(np.uint8)
    end = ENTRY + WAY * (SAMPLES - 1) * STEP_MM / MM_PER_PX
    return Strip(grey, STEP_MM, start_px=np.tile(ENTRY, (N, 1)), end_px=np.tile(end, (N, 1)))


@pytest.fixture
def shown(card, strip):
    return replace(card, strip=strip)


def test_it_can_be_written_as_json_and_knows_no_nan(shown):
    data = json.loads(json.dumps(page_data(shown), allow_nan=False))
    assert data["schema"] == 2 and data["clip"]["n_frames"] == N
    assert all(len(values) == N for values in data["frames"].values())
    assert data["frames"]["tip_px"][0] is None and data["frames"]["along_mm"][0] is None


@pytest.mark.parametrize("with_strip", [True, False], ids=["strip", "no strip"])
def test_the_tip_lies_on_the_strip_where_it_is(card, shown, with_strip):
    frames = page_data(shown if with_strip else card)["frames"]
    assert frames["along_mm"][37] == pytest.approx(DEEPEST_MM, abs=0.006)
    # At the entry itself there is no line yet, unless the strip tells it.
    assert frames["along_mm"][FIRST] == (pytest.approx(0, abs=0.006) if with_strip else None)


def test_the_band_is_where_the_shafts_line_cuts_the_ellipse(shown):
    # By hand: (x - 180)^2 / 40^2 + (y - 130)^2 / 25^2 = 1 along the line from (40, 60) with direction WAY.
    relative = ENTRY - np.array(CENTRE)
    a = (WAY[0] / 40) ** 2 + (WAY[1] / 25) ** 2
    b = 2 * (relative[0] * WAY[0] / 40**2 + relative[1] * WAY[1] / 25**2)
    c = (relative[0] / 40) ** 2 + (relative[1] / 25) ** 2 - 1
    near, far = np.sort(np.roots([a, b, c])) * MM_PER_PX
    assert page_data(shown)["frames"]["band_mm"][20] == pytest.approx([near, far], abs=0.06)


def test_the_plan_starts_at_the_targets_centre_and_else_where_the_tip_came_in(shown):
    around = page_data(shown)["frames"]["tip_mm"][37]
    assert around == pytest.approx((DEEPEST - np.array(CENTRE)) * MM_PER_PX, abs=0.006)
    bare = page_data(replace(shown, marks=Marks()))
    assert bare["target"] is None and bare["frames"]["tip_mm"][FIRST] == [0, 0]


def test_true_places_make_the_plan(shown):
    """Twice as deep by the speed of sound: the plan shows that, the strip what the screen showed."""
    track = replace(shown.track, tip_px=shown.track.tip_px * (1, 2), target_px=shown.track.target_px * (1, 2))
    target = replace(shown.marks.target, outline_px=shown.marks.target.outline_px * (1, 2))
    target = replace(target, centre_px=(CENTRE[0], 2 * CENTRE[1]))
    true, plain = page_data(replace(shown, true_track=track, true_target=target)), page_data(shown)
    assert true["frames"]["tip_mm"][37][1] == pytest.approx(2 * plain["frames"]["tip_mm"][37][1], abs=0.02)
    height = [np.ptp(np.array(one["target"]["outline_mm"])[:, 1]) for one in (true, plain)]
    assert height[0] == pytest.approx(2 * height[1], abs=0.05)
    assert true["frames"]["along_mm"] == plain["frames"]["along_mm"]


def test_new_depth_without_sight_is_hatched_and_a_way_back_is_not(shown):
    (attempt,) = page_data(shown)["attempts"]
    (blind,) = attempt["blind"]
    # Hidden in frames 20 to 24 on the way in, which moves by 1/27 of the depth each frame.
    assert (blind["first"], blind["last"]) == (20, 24)
    assert blind["to_mm"] - blind["from_mm"] == pytest.approx(DEEPEST_MM * 5 / 27, abs=0.02)
    back = shown.track.tip_visible.copy()
    back[20:25], back[50:55] = True, False
    seen_in = replace(shown, track=replace(shown.track, tip_visible=back))
    assert page_data(seen_in)["attempts"][0]["blind"] == []
    # A fiftieth of the way gains 0.1 mm out of sight, which is tremor.
    tremor = replace(shown.track, tip_px=ENTRY + (shown.track.tip_px - ENTRY) / 50)
    assert page_data(replace(shown, track=tremor))["attempts"][0]["blind"] == []


def test_losses_are_those_of_over_three_tenths_of_a_second(shown):
    assert page_data(shown)["attempts"][0]["losses"] == []
    visible = shown.track.tip_visible.copy()
    visible[20:30] = False
    longer = replace(shown, track=replace(shown.track, tip_visible=visible))
    assert page_data(longer)["attempts"][0]["losses"] == [[20, 29]]


def test_the_strips_picture_has_a_column_per_frame_and_the_entry_at_the_top(strip):
    picture = cv2.imdecode(np.frombuffer(strip_png(strip), np.uint8), cv2.IMREAD_GRAYSCALE)
    np.testing.assert_array_equal(picture, strip.grey.T)


def test_a_summary_keeps_the_attempt_and_a_little_around_it(shown):
    (view,) = summary_views(shown)
    # 0.6 s are 15 frames, of which 10 lie before the attempt.
    assert view["first"] == 0 and len(view["frames"]["time_s"]) == N
    late = replace(shown.attempts[0], first_frame=30, last_frame=40, passes=(Pass(30, 40, 37),))
    (view,) = summary_views(replace(shown, attempts=(late,)))
    assert view["first"] == 15 and len(view["frames"]["time_s"]) == 41
    head, code = view["strip"]["image"].split(",")
    picture = cv2.imdecode(np.frombuffer(base64.b64decode(code), np.uint8), cv2.IMREAD_GRAYSCALE)
    rows = int((DEEPEST_MM + 10) / STEP_MM) + 1
    assert head == "data:image/png;base64"
    np.testing.assert_array_equal(picture, shown.strip.grey[15:56, :rows].T)
    assert (view["strip"]["samples"], view["strip"]["first"]) == (rows, 15)


def corrected(card, **changes):
    """The card as put right, with what it was before."""
    figure = replace(card.attempts[0].figures["closest_centre_mm"], value=2.0)
    figures = {**card.attempts[0].figures, "closest_centre_mm": figure, **changes}
    attempt = replace(card.attempts[0], figures=figures)
    said = (Correction("tip", 30, (150.0, 110.0), by="T01", at="2026-11-26T10:00:00Z"),)
    return replace(card, attempts=(attempt,), corrections=said, raw=card)


def test_a_corrected_figure_says_what_it_was(shown):
    data = page_data(corrected(shown, mean_recovery_s=Figure("mean_recovery_s", 0.4, unit="s")))
    figures = {one["name"]: one for one in data["attempts"][0]["figures"]}
    assert [name for name, one in figures.items() if one["corrected"]] == [
        "closest_centre_mm",
        "mean_recovery_s",
    ]
    assert figures["closest_centre_mm"]["was"] == "0.9\u00a0±\u00a00.3\u00a0mm"
    assert figures["mean_recovery_s"]["was"] == "not known"
    assert data["corrections"][0]["tip_px"] == [150.0, 110.0] and data["corrections"][0]["by"] == "T01"


def test_the_raw_result_lies_beside_the_corrected_one(shown):
    data = page_data(corrected(shown))
    raw = {one["name"]: one["text"] for one in data["raw"]["attempts"][0]["figures"]}
    assert raw["closest_centre_mm"] == "0.9\u00a0±\u00a00.3\u00a0mm"
    assert data["raw"]["frames"]["along_mm"] == data["frames"]["along_mm"]
    assert page_data(shown)["raw"] is None


def test_a_split_attempt_is_held_against_the_one_that_it_came_from(shown):
    first = replace(shown.attempts[0], last_frame=36)
    second = replace(shown.attempts[0], number=2, first_frame=37)
    away = replace(shown.attempts[0], number=3, first_frame=LAST + 1, last_frame=LAST + 5, passes=())
    data = page_data(replace(shown, attempts=(first, second, away), raw=shown))
    was = [{one["was"] for one in attempt["figures"]} for attempt in data["attempts"]]
    assert "no such attempt" not in was[0] | was[1] and was[2] == {"no such attempt"}


def test_a_filmed_screens_px_are_those_of_the_cameras_frames(shown):
    """A camera that shows everything twice as large, 10 px to the right."""
    view = np.array([[2.0, 0, 10], [0, 2, 0], [0, 0, 1]])
    given = replace(
        shown.marks,
        target=replace(shown.marks.target, outline_px=shown.marks.target.outline_px * 2 + (10, 0)),
    )
    given = replace(given, target=replace(given.target, centre_px=(2 * CENTRE[0] + 10, 2 * CENTRE[1])))
    ones, zeros = np.ones(N), np.zeros(N)
    screen = FilmedScreen(
        (700, 500), (320, 240), np.zeros((4, 2)), np.tile(view, (N, 1, 1)), ones, zeros, ones > 0, given
    )
    data = page_data(replace(shown, screen=screen))
    assert data["frames"]["tip_px"][37] == pytest.approx(DEEPEST * 2 + (10, 0), abs=0.006)
    assert data["outline_px"][0] == [90.0, 40.0]
    assert data["target"]["centre_px"] == [370.0, 260.0] and data["clip"]["width_px"] == 700


def test_a_clip_without_a_needle_or_without_a_picture_has_data_too(needleless_card, unscorable_card):
    for one in (needleless_card, unscorable_card):
        data = json.loads(json.dumps(page_data(one), allow_nan=False))
        assert data["attempts"] == [] and data["strip"] is None
    assert page_data(unscorable_card)["unscorable"].startswith("no ultrasound picture")


def test_a_verdict_that_corrections_changed_says_what_it_was(shown):
    same = page_data(replace(shown, raw=shown))["attempts"][0]
    assert (same["outcome_was"], same["headline_was"]) == ("", "")
    missed = replace(shown.attempts[0], outcome="miss")
    now = page_data(replace(shown, attempts=(missed,), raw=shown))["attempts"][0]
    assert (now["outcome"], now["outcome_was"]) == ("miss", "hit")
    assert now["headline_was"] == page_data(shown)["attempts"][0]["headline"] != now["headline"]
    away = replace(shown.attempts[0], first_frame=LAST + 1, last_frame=LAST + 5, passes=())
    new = page_data(replace(shown, attempts=(away,), raw=shown))["attempts"][0]
    assert (new["outcome_was"], new["headline_was"]) == ("", "no such attempt")


def test_a_figure_of_a_joined_attempt_says_with_which_one_it_is_compared(shown):
    short = replace(shown.attempts[0], last_frame=20)
    long = replace(shown.attempts[0], number=2, first_frame=21)
    data = page_data(replace(shown, raw=replace(shown, attempts=(short, long))))
    figures = {one["name"]: one for one in data["attempts"][0]["figures"]}
    assert figures["time_to_target_s"]["was"] == "0.8\u00a0s in attempt 2"
    assert not figures["time_to_target_s"]["corrected"]
