"""Marks: files and option strings become checked values, or one line that says what to mend."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from needlecoach.errors import MarksError, OutputError
from needlecoach.marks import (
    MarkOptions,
    MarksFile,
    check_marks,
    marks_beside,
    marks_path,
    merge_marks,
    parse_learner,
    parse_region,
    parse_scale,
    parse_screen,
    parse_target,
    read_marks,
    write_marks,
)
from needlecoach.model import Clip, Marks, Medium, Region, Scale, Target

WHOLE = {
    "schema": 1,
    "learner": "L01",
    "task": "aspirate",
    "needle_gauge": 21,
    "target": {"ellipse": {"centre_px": [300, 250.5], "semi_axes_px": [40, 20], "tilt_deg": 10}, "frame": 3},
    "scale": {"points_px": [[530, 44], [530, 444]], "mm": 40},
    "region_px": [121, 44, 399, 415],
    "notes": "first try",
}
CLIP = Clip(path=Path("L01.mp4"), kind="video", width_px=640, height_px=480, n_frames=100, nominal_fps=25.0)


def written(folder: Path, content: object) -> Path:
    path = folder / "L01.marks.json"
    path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return path


def with_change(*keys: str, value: object) -> dict[str, object]:
    """Copy of WHOLE with one value, reached by `keys`, set to another."""
    changed = json.loads(json.dumps(WHOLE))
    place = changed
    for key in keys[:-1]:
        place = place[key]
    place[keys[-1]] = value
    return changed


def test_whole_file(tmp_path: Path) -> None:
    marks = read_marks(written(tmp_path, WHOLE))
    assert (marks.learner, marks.task, marks.needle_gauge, marks.notes) == (
        "L01",
        "aspirate",
        21,
        "first try",
    )
    assert marks.region_box_px == (121, 44, 399, 415)
    assert marks.target is not None and marks.scale is not None
    assert marks.target.centre_px == (300, 250.5)
    assert marks.target.frame == 3
    assert np.hypot(*(marks.target.outline_px - [300, 250.5]).T).max() == pytest.approx(40)
    assert marks.scale.x_mm_per_px == marks.scale.y_mm_per_px == pytest.approx(0.1)
    assert marks.scale.source == "two marked points, 40 mm apart"


def test_smallest_file_says_nothing(tmp_path: Path) -> None:
    assert read_marks(written(tmp_path, {"schema": 1})) == Marks()


def test_what_is_told_of_needle_phantom_and_day(tmp_path: Path) -> None:
    # All invented, in the sizes that such needles have.
    told = {"needle_length_mm": 100, "throw_mm": 22, "notch_mm": 19.5, "phantom": "G3", "date": "2026-11-26"}
    target = {**WHOLE["target"], "name": "fluid A", "kind": "fluid", "true_mm": 9.5}
    marks = read_marks(written(tmp_path, {**WHOLE, **told, "target": target}))
    assert (marks.needle_length_mm, marks.throw_mm, marks.notch_mm) == (100, 22, 19.5)
    assert (marks.phantom, marks.date) == ("G3", "2026-11-26")
    assert (marks.target_name, marks.target_kind, marks.target_true_mm) == ("fluid A", "fluid", 9.5)
    # A true size is a check; it makes no scale unless that is said.
    assert marks.target_mm is None


def test_a_target_marked_again_gives_the_uncertainty_of_marking(tmp_path: Path) -> None:
    first = {"polygon_px": [[100, 100], [200, 100], [200, 200], [100, 200]]}
    # 4 px farther out on all sides: along a ray that meets a side at an angle a, 4 / cos(a).
    again = {"polygon_px": [[96, 96], [204, 96], [204, 204], [96, 204]]}
    # Mean of 1/cos^2 over 45 degrees is 4/pi, by hand: its integral is tan.
    expected = 4 * (4 / np.pi) ** 0.5 / 2**0.5
    marks = read_marks(written(tmp_path, {"schema": 1, "target": {**first, "again": again}}))
    assert marks.target.marking_sd_px == pytest.approx(expected, rel=0.01)
    # The outline scored is the first one.
    assert marks.target.outline_px.tolist() == first["polygon_px"]
    assert read_marks(written(tmp_path, {"schema": 1, "target": first})).target.marking_sd_px == 1.0


def test_a_file_with_every_key_reads_back_as_it_was_written(tmp_path: Path) -> None:
    again = {"polygon_px": [[340, 250], [300, 271], [260, 250], [300, 229]]}
    whole = {
        **WHOLE,
        "target": {**WHOLE["target"], "name": "fluid A", "true_mm": 9.5, "again": again},
        "needle_length_mm": 100.0,
        "throw_mm": 22.0,
        "notch_mm": 19.5,
        "phantom": "G3",
        "block": "G3",
        "date": "2026-11-26",
        "invented": True,
    }
    path = tmp_path / "L01.marks.json"
    write_marks(path, MarksFile.model_validate_json(json.dumps(whole)))
    assert json.loads(path.read_text()) == whole
    assert read_marks(path).invented is True


def test_a_user_s_marks_say_nothing_of_being_invented(tmp_path: Path) -> None:
    path = tmp_path / "L01.marks.json"
    write_marks(path, MarksFile.model_validate_json(json.dumps(WHOLE)))
    assert "invented" not in path.read_text() and read_marks(path).invented is False
    with pytest.raises(MarksError, match=r"invented.*valid boolean"):
        read_marks(written(tmp_path, {**WHOLE, "invented": "yes"}))


def test_ways_to_a_scale_that_need_the_picture(tmp_path: Path) -> None:
    marks = read_marks(written(tmp_path, {"schema": 1, "scale": {"tick_mm": 5, "target_mm": 9.5}}))
    assert (marks.scale, marks.tick_mm, marks.target_mm) == (None, 5, 9.5)

    both = read_marks(written(tmp_path, with_change("scale", "tick_mm", value=5)))
    assert both.scale == read_marks(written(tmp_path, WHOLE)).scale
    assert both.tick_mm == 5


@pytest.mark.parametrize(
    ("entry", "medium"),
    [
        ({"kind": "water", "temperature_c": 20}, Medium("water", temperature_c=20)),
        ({"kind": "gel"}, Medium("gel")),
        ({"speed_m_s": 1505.5}, Medium("custom", speed_m_s=1505.5)),
    ],
)
def test_the_medium_is_read(tmp_path: Path, entry: dict, medium: Medium) -> None:
    assert read_marks(written(tmp_path, {"schema": 1, "medium": entry})).medium == medium


def test_polygon_and_two_mm_per_px(tmp_path: Path) -> None:
    square = [[10, 10], [30, 10], [30, 30], [10, 30]]
    content = {"schema": 1, "target": {"polygon_px": square}, "scale": {"mm_per_px": [0.1, 0.2]}}
    marks = read_marks(written(tmp_path, content))
    assert marks.target is not None and marks.scale is not None
    assert marks.target.outline_px.tolist() == square
    assert marks.target.centre_px == pytest.approx((20, 20))
    assert (marks.scale.x_mm_per_px, marks.scale.y_mm_per_px) == (0.1, 0.2)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("", "not valid JSON"),
        ("{", "not valid JSON"),
        ("[]", "object"),
        ({}, 'key "schema" is missing'),
        (with_change("schema", value=2), "this version reads schema 1"),
        (with_change("lerner", value="L01"), 'unknown key "lerner"'),
        (with_change("target", "ellipse", "radius", value=3), 'unknown key "target.ellipse.radius"'),
        (with_change("target", "ellipse", "centre_px", value=[1, 2, 3]), "target.ellipse.centre_px"),
        (with_change("target", "ellipse", "semi_axes_px", value=[0, 3]), "radii above 0"),
        (
            with_change("target", "polygon_px", value=[[1, 2], [9, 4], [5, 9]]),
            'one of "ellipse" and "polygon_px"',
        ),
        (with_change("target", value={"polygon_px": [[1, 1], [2, 2], [3, 3]]}), "no area"),
        (with_change("target", value={"polygon_px": [[1, 1], [2, 2]]}), "three points"),
        (with_change("target", "frame", value=-1), "target.frame"),
        (with_change("needle_gauge", value="21"), "needle_gauge"),
        (with_change("needle_gauge", value=True), "needle_gauge"),
        (with_change("learner", value=7), "learner"),
        (with_change("task", value="biopsy"), "task"),
        (with_change("scale", "mm", value=0), "above 0 mm"),
        (with_change("scale", "mm", value=-4), "above 0 mm"),
        (with_change("scale", value={"mm_per_px": 0}), "between 0.001 and 5"),
        (with_change("scale", value={"mm": 40}), "points_px"),
        (with_change("scale", "points_px", value=[[5, 5], [5, 5]]), "px apart"),
        (json.dumps(WHOLE).replace("444", "NaN"), "finite"),
        (json.dumps(WHOLE).replace("250.5", "1e999"), "target.ellipse.centre_px"),
        (with_change("scale", value={}), '"tick_mm" or "target_mm"'),
        (with_change("scale", value={"tick_mm": 0}), "from 0.1 to 50 mm, got 0"),
        (with_change("scale", value={"tick_mm": -5}), "got -5"),
        (with_change("scale", value={"tick_mm": "5"}), "scale.tick_mm"),
        (with_change("scale", value={"target_mm": 1e9}), "from 0.5 to 300 mm"),
        (with_change("scale", "mm_per_px", value=0.1), 'either "points_px" with "mm", or "mm_per_px"'),
        (json.dumps({"schema": 1, "scale": {"tick_mm": float("nan")}}), "finite"),
        (with_change("medium", value={}), "custom needs its speed"),
        (with_change("medium", value={"kind": "oil"}), "medium.kind"),
        (with_change("medium", value={"kind": "water"}), "needs its temperature"),
        (with_change("medium", value={"kind": "water", "temperature_c": 300}), "from 0 to 95"),
        (with_change("medium", value={"kind": "gel", "speed_m_s": 1500}), "its own speed"),
        (with_change("medium", value={"speed_m_s": 1.5}), "from 900 to 2500 m/s, got 1.5"),
        (with_change("needle_length_mm", value=3), "from 10 to 500 mm, got 3"),
        (with_change("needle_length_mm", value="90"), "needle_length_mm"),
        (with_change("throw_mm", value=0), 'Key "throw_mm" must be from 2 to 60 mm, got 0'),
        (with_change("notch_mm", value=-19), 'Key "notch_mm" must be from 2 to 60 mm, got -19'),
        ({**WHOLE, "throw_mm": 15, "notch_mm": 19}, "notch_mm) of 19 mm is longer than the throw"),
        (with_change("phantom", value="gel of A. B."), "called by a code"),
        (with_change("phantom", value="=1+1"), "called by a code"),
        (with_change("block", value="../G3"), 'Key "block": A block is called by a code'),
        (with_change("date", value="2026-02-30"), 'YYYY-MM-DD, such as 2026-11-26, got "2026-02-30"'),
        (with_change("date", value="20261126"), "YYYY-MM-DD"),
        (with_change("date", value="26.11.2026"), "YYYY-MM-DD"),
        (with_change("target", "true_mm", value=0.1), 'Key "target.true_mm" must be from 0.5 to 300 mm'),
        (with_change("target", "name", value="a\nb"), 'Key "target.name" must be one line'),
        (with_change("target", "name", value="x" * 61), "target.name"),
        (with_change("target", "again", value={}), 'one of "ellipse" and "polygon_px"'),
        (with_change("target", "again", value={"polygon_px": [[1, 1], [2, 2]]}), "three points"),
        (with_change("target", "again", value={"ellipse": {"centre_px": [1, 1]}}), "semi_axes_px"),
        (
            with_change("target", "again", value={"polygon_px": [[0, 0], [9, 0], [9, 9]]}),
            "does not lie over the first one",
        ),
        (with_change("region_px", value=[0, 0, 4, 4]), "at least 8 x 8"),
        (with_change("region_px", value=[-1, 0, 400, 400]), "within the frame"),
    ],
)
def test_broken_file_is_one_line_with_the_file(tmp_path: Path, content: object, said: str) -> None:
    with pytest.raises(MarksError) as caught:
        read_marks(written(tmp_path, content))
    assert said in str(caught.value)
    assert "L01.marks.json" in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


def test_unreadable_files(tmp_path: Path) -> None:
    with pytest.raises(MarksError, match="can't be read"):
        read_marks(tmp_path / "absent.marks.json")
    (tmp_path / "latin.marks.json").write_bytes(b'{"schema": 1, "notes": "\xe9"}')
    with pytest.raises(MarksError, match="UTF-8"):
        read_marks(tmp_path / "latin.marks.json")


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    (tmp_path / "L01.marks.json").write_bytes(b'\xef\xbb\xbf{"schema": 1}')
    assert read_marks(tmp_path / "L01.marks.json") == Marks()


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)


@settings(derandomize=True)
@given(st.sampled_from([*WHOLE]), _JSON)
def test_any_json_gives_marks_or_a_marks_error(
    tmp_path_factory: pytest.TempPathFactory, key: str, value: object
) -> None:
    path = written(tmp_path_factory.mktemp("fuzz"), {**WHOLE, key: value})
    try:
        assert isinstance(read_marks(path), Marks)
    except MarksError as problem:
        assert len(str(problem).splitlines()) == 1


_COORDINATES = st.lists(st.floats() | st.integers(), min_size=2, max_size=2)


@settings(derandomize=True)
@given(_COORDINATES, _COORDINATES, st.floats() | st.integers(), st.lists(_COORDINATES, max_size=5))
def test_any_numbers_give_marks_or_a_marks_error(
    tmp_path_factory: pytest.TempPathFactory, first: list, second: list, mm: float, corners: list
) -> None:
    content = {"schema": 1, "scale": {"points_px": [first, second], "mm": mm}}
    oval = {"ellipse": {"centre_px": first, "semi_axes_px": second, "tilt_deg": mm}}
    for target in (oval, {"polygon_px": corners}):
        path = written(tmp_path_factory.mktemp("fuzz"), {**content, "target": target})
        try:
            assert isinstance(read_marks(path), Marks)
        except MarksError as problem:
            assert len(str(problem).splitlines()) == 1


@settings(derandomize=True)
@given(st.binary(max_size=40))
def test_any_bytes_give_marks_or_a_marks_error(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.mktemp("fuzz") / "L01.marks.json"
    path.write_bytes(data)
    with pytest.raises(MarksError):
        read_marks(path)


def test_marks_lie_beside_the_clip(tmp_path: Path) -> None:
    (tmp_path / "run.v2").mkdir()
    assert marks_path(tmp_path / "L01 a.mp4") == tmp_path / "L01 a.marks.json"
    assert marks_path(tmp_path / "run.v2") == tmp_path / "run.v2.marks.json"


def test_a_written_file_reads_back(tmp_path: Path) -> None:
    path = tmp_path / "L01.marks.json"
    write_marks(path, MarksFile.model_validate_json(json.dumps(WHOLE)))
    assert json.loads(path.read_text())["schema"] == 1
    assert read_marks(path).region_box_px == (121, 44, 399, 415)
    assert [file.name for file in tmp_path.iterdir()] == ["L01.marks.json"]


def test_a_file_that_can_t_be_written_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "L01.marks.json").mkdir()
    with pytest.raises(OutputError, match="can't be written"):
        write_marks(tmp_path / "L01.marks.json", MarksFile.model_validate_json('{"schema": 1}'))
    assert [file.name for file in tmp_path.iterdir()] == ["L01.marks.json"]


def test_sizes_of_a_core_needle_belong_to_its_task() -> None:
    with pytest.raises(
        MarksError, match=r"^--throw-mm and --notch-mm belong to --task core; give that too\.$"
    ):
        merge_marks(Marks(), MarkOptions(throw_mm=22.0, notch_mm=18.0))
    with pytest.raises(MarksError, match=r"^--dead-space-mm belongs to"):
        merge_marks(Marks(), MarkOptions(task="aspirate", dead_space_mm=5.0))
    # The file may tell the task, or the sizes alone: those are not refused, but told beside the result.
    assert merge_marks(Marks(task="core"), MarkOptions(throw_mm=22.0)).throw_mm == 22
    assert merge_marks(Marks(throw_mm=22.0), MarkOptions(learner="L02")).throw_mm == 22


def test_options_override_the_file(tmp_path: Path) -> None:
    marks = read_marks(written(tmp_path, WHOLE))
    merged = merge_marks(marks, MarkOptions(scale=Scale.from_mm_per_px(0.2), learner="L02"))
    assert merged.scale == Scale(0.2, 0.2, "stated mm per px", 0.0)
    assert merged.learner == "L02"
    assert merged.target is marks.target
    assert merged.needle_gauge == 21


def test_option_strings() -> None:
    target = parse_target("300, 250.5,40,20,90", frame=7)
    assert (target.centre_px, target.frame) == ((300, 250.5), 7)
    # Turned by 90 degrees, the first semi-axis points down.
    assert np.abs(target.outline_px - [300, 250.5]).max(axis=0) == pytest.approx([20, 40])
    assert parse_scale("0,0,300,400=50mm").x_mm_per_px == pytest.approx(0.1)
    assert parse_scale("0,0,300,400 = 50 mm").x_mm_per_px == pytest.approx(0.1)
    assert parse_region("1,2,30,40") == (1, 2, 30, 40)


@pytest.mark.parametrize(
    "text", ["", "1,2,3", "1,2,3,4,5,6", "1,2,a,4", "1,2,nan,4", "1,2,inf,4", "1,2,3,-4", "1_0,2,3,4"]
)
def test_broken_target_options(text: str) -> None:
    with pytest.raises(MarksError):
        parse_target(text)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "1,2,3,4",
        "1,2,3,4=40",
        "1,2,3,4=40cm",
        "1,2,1,2=40mm",
        "0,0,0,9=0mm",
        "0,0,0,9=-1mm",
        "0,0,0,9=nanmm",
        "0,0=4mm",
    ],
)
def test_broken_scale_options(text: str) -> None:
    with pytest.raises(MarksError):
        parse_scale(text)


@pytest.mark.parametrize("text", ["", "1,2,3", "1.5,2,30,40", "0,0,5,5", "-1,0,40,40", "0,0,nan,40"])
def test_broken_region_options(text: str) -> None:
    with pytest.raises(MarksError):
        parse_region(text)


# What options are made of, and what slips in by hand or by paste.
OPTION_TEXT = st.one_of(
    st.text(max_size=40),
    st.text("0123456789.,-+eE=m naNinf/;\u0663\u00b2\uff11 ", max_size=40),
    st.lists(st.one_of(st.floats(), st.integers()), max_size=6).map(lambda some: ",".join(map(str, some))),
    st.lists(st.floats(), min_size=5, max_size=5).map(lambda n: f"{n[0]},{n[1]},{n[2]},{n[3]}={n[4]}mm"),
)


@settings(max_examples=300, derandomize=True)
@given(text=OPTION_TEXT)
def test_any_option_gives_a_sound_value_or_one_line(text: str) -> None:
    for parse, kind in (
        (parse_target, Target),
        (parse_scale, Scale),
        (parse_region, tuple),
        (parse_learner, str),
    ):
        try:
            assert isinstance(parse(text), kind)
        except MarksError as problem:
            assert len(str(problem).splitlines()) == 1


@pytest.mark.parametrize("code", ["L01", "7", "p-012", "S3.b", "Gruppe2_07", "Ä01", "ABCDEFGHIJKLMN01"])
def test_codes_of_learners(code: str) -> None:
    assert parse_learner(code) == code


@pytest.mark.parametrize(
    "name",
    ["Invented", "Invented Name", "Name, I.", "Learner 01", "=1+1", "-x1", "L01\n", "", "ABCDEFGHIJKLMNO01"],
)
def test_names_of_learners_are_refused_and_not_repeated(tmp_path: Path, name: str) -> None:
    with pytest.raises(MarksError, match="called by a code") as refused:
        parse_learner(name)
    assert not name or name not in str(refused.value)
    assert len(str(refused.value).splitlines()) == 1
    if name:
        with pytest.raises(MarksError, match=r"L01\.marks\.json: A learner"):
            read_marks(written(tmp_path, with_change("learner", value=name)))


def test_marks_beside_a_clip_with_options_over_them(tmp_path: Path) -> None:
    assert marks_beside(tmp_path / "L01.mp4", MarkOptions()) == Marks()
    written(tmp_path, WHOLE)
    both = marks_beside(tmp_path / "L01.mp4", MarkOptions(learner="L02"))
    assert (both.learner, both.needle_gauge) == ("L02", 21)


def test_scale_uncertainty_by_hand() -> None:
    # Two points, 1 px sd each, 400 px apart: sqrt(1 + 1) / 400.
    assert Scale.from_points((0, 0), (0, 400), mm=40).sd_share == pytest.approx(2**0.5 / 400)


@pytest.mark.parametrize("value", [0.0, -0.1, float("nan"), float("inf")])
def test_impossible_mm_per_px(value: float) -> None:
    with pytest.raises(MarksError, match="mm per px"):
        Scale.from_mm_per_px(value)


def test_scale_points_must_be_finite() -> None:
    with pytest.raises(MarksError, match="finite"):
        Scale.from_points((float("nan"), 0), (0, 400), mm=40)


def target_at(x_px: float, y_px: float, *, frame: int = 0) -> Marks:
    return Marks(target=Target.from_ellipse((x_px, y_px), (5, 5), frame=frame))


def test_marks_that_fit_the_clip() -> None:
    region = Region(kind="rectangle", box_px=(100, 50, 300, 300))
    check_marks(target_at(639, 479, frame=99), CLIP)
    check_marks(target_at(120, 60), CLIP, region=region)
    check_marks(Marks(region_box_px=(0, 0, 640, 480)), CLIP)


@pytest.mark.parametrize(
    ("marks", "said"),
    [
        (target_at(640, 10), "outside the frame"),
        (target_at(10, -3), "outside the frame"),
        (target_at(120, 60, frame=100), "--target-frame"),
        (target_at(99, 60), "outside the ultrasound picture"),
        (Marks(region_box_px=(600, 0, 41, 100)), "within the frame"),
    ],
)
def test_marks_that_do_not_fit_the_clip(marks: Marks, said: str) -> None:
    region = Region(kind="rectangle", box_px=(100, 50, 300, 300))
    with pytest.raises(MarksError, match=said):
        check_marks(marks, CLIP, region=region)


# ------------------------------------------------------------------------------------- a camera's screen


def test_a_filmed_screen_is_auto_or_four_corners_in_any_order() -> None:
    assert parse_screen(" Auto ") == "auto"
    corners = parse_screen("220,56 1096,664 1076,34 234,680")
    assert corners == ((220, 56), (1076, 34), (1096, 664), (234, 680))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "find",
        "1,2 3,4",
        "0,0 100,0 100,100 nan,100",
        "0,0 100,0 100,100 0,100 50,50",
        "0,0 100,0 200,0 300,0",
        "0,0 300,0 300,200 150,60",
        "0,0 300,0 300,0 0,200",
        "0,0 30,0 30,30 0,30",
        "0,0 1e9,0 1e9,1e9 0,1e9",
    ],
)
def test_what_is_no_filmed_screen(text: str) -> None:
    with pytest.raises(MarksError) as problem:
        parse_screen(text)
    assert "\n" not in str(problem.value) and "screen" in str(problem.value)


@pytest.mark.parametrize("value", ['"auto"', "[[0, 0], [300, 0], [300, 200], [0, 200]]"])
def test_the_file_may_hold_the_filmed_screen(tmp_path: Path, value: str) -> None:
    file = tmp_path / "L01.marks.json"
    file.write_text('{"schema": 1, "screen_px": ' + value + "}", encoding="utf-8")
    read = read_marks(file).screen
    assert read == ("auto" if value == '"auto"' else ((0, 0), (300, 0), (300, 200), (0, 200)))


@pytest.mark.parametrize(
    "value", ['"find"', "[[0, 0], [300, 0], [300, 200]]", "[[0, 0], [1, 0], [1, 1], [0, 1]]"]
)
def test_a_wrong_filmed_screen_in_the_file(tmp_path: Path, value: str) -> None:
    file = tmp_path / "L01.marks.json"
    file.write_text('{"schema": 1, "screen_px": ' + value + "}", encoding="utf-8")
    with pytest.raises(MarksError, match=r"L01\.marks\.json"):
        read_marks(file)


def test_a_corner_far_outside_the_frame() -> None:
    clip = Clip(Path("L01.mp4"), "video", 640, 480, 10, 25.0)
    check_marks(Marks(screen=((-20, 0), (640, 0), (640, 480), (0, 480))), clip)
    with pytest.raises(MarksError, match="far outside the frame of 640 x 480 px"):
        check_marks(Marks(screen=((-300, 0), (640, 0), (640, 480), (0, 480))), clip)


@pytest.mark.parametrize(
    "value", ['"find"', "[[0, 0], [300, 0]]", '[[0, 0], [300, 0], [300, 200], [0, "a"]]']
)
def test_what_a_filmed_screen_may_be_is_told(tmp_path: Path, value: str) -> None:
    file = tmp_path / "L01.marks.json"
    file.write_text('{"schema": 1, "screen_px": ' + value + "}", encoding="utf-8")
    with pytest.raises(MarksError, match='key "screen_px": expected is "auto", or four corners'):
        read_marks(file)
