"""Marking in a real browser: what hands do on the page is what lies in the file beside the clip."""

import re

import numpy as np
import pytest

from needlecoach.model import Medium

# The sample clip's own truth, in px of the frame, and its ruler: ticks of 5 mm, 40 mm over 338.98 px.
CENTRE, RADIUS = (364.4, 246.9), 33.9
MM_PER_PX = 40 / 338.98


def assert_the_true_circle(target, within_px=1.0):
    assert np.abs(np.subtract(target.centre_px, CENTRE)).max() < within_px
    radii = np.hypot(*(target.outline_px - target.centre_px).T)
    assert np.abs(radii - RADIUS).max() < within_px


def test_a_clip_is_marked_from_scratch_by_mouse(marking):
    page = marking.page
    marking.says("#picture-words", "found by the tool")
    page.click("text=Next: scale")
    assert "ticks" in marking.text("ticks-found")
    page.click('[data-tick="5"]')
    # 5 mm over the ticks' spacing is the scale of the drawn ruler, and the page says how sure it is.
    said = re.match(r"([\d.]+) mm per px \(± ([\d.]+) %\)", marking.text("scale-words"))
    assert float(said[1]) == pytest.approx(MM_PER_PX, rel=0.003)
    assert float(said[2]) < 0.5
    page.click("text=Next: target")
    marking.ellipse()
    assert "8.0 mm in mean diameter" in marking.text("target-words")
    page.click("text=Next: details")
    page.fill("#learner", "L07")
    page.fill("#needle_gauge", "21")
    page.click("text=Next: score")
    saved = marking.saved()
    assert (saved["learner"], saved["needle_gauge"], saved["scale"]) == ("L07", 21, {"tick_mm": 5.0})
    marks = marking.marks()
    assert_the_true_circle(marks.target, within_px=0.4)
    assert marks.target.frame == 0
    assert marking.text("said-score") == "ready"


def tab_to(page, wanted, most=60):
    """Press Tab until an element has the focus."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate("wanted => document.activeElement.matches(wanted)", wanted):
            return
    raise AssertionError(f"{wanted} can't be reached by Tab")


def walk(page, start, end):
    """Arrow keys from one whole px to another: tens with Shift, then ones."""
    for axis, (less, more) in enumerate((("ArrowLeft", "ArrowRight"), ("ArrowUp", "ArrowDown"))):
        tens, ones = divmod(abs(end[axis] - start[axis]), 10)
        key = more if end[axis] > start[axis] else less
        for _ in range(tens):
            page.keyboard.press(f"Shift+{key}")
        for _ in range(ones):
            page.keyboard.press(key)
    return end


def test_a_clip_is_marked_from_scratch_by_keys_alone(marking):
    page = marking.page
    marking.says("#picture-words", "found by the tool")
    page.keyboard.press("2")
    tab_to(page, "#tick-mm")
    page.keyboard.type("5")
    tab_to(page, '[data-next="target"]')
    # It opens the target with the cursor on the picture, ready for the first point.
    page.keyboard.press("Enter")
    page.keyboard.press("ArrowLeft")
    shown = re.findall(r"[\d.]+", page.inner_text(".stage-place"))
    place = (round(float(shown[0])), round(float(shown[1])))
    for point in ((330, 247), (398, 247), (364, 281)):
        place = walk(page, place, point)
        page.keyboard.press("Enter")
    tab_to(page, '[data-handle="target middle"]')
    for key in ("Alt+ArrowRight", "Alt+ArrowRight"):
        page.keyboard.press(key)
    tab_to(page, "#head-details")
    page.keyboard.press("Enter")
    tab_to(page, "#learner")
    page.keyboard.type("L07")
    saved = marking.saved()
    assert saved["target"]["ellipse"]["centre_px"] == [364.5, 247.0]
    assert saved["target"]["ellipse"]["semi_axes_px"] == [34.0, 34.0]
    assert (saved["learner"], saved["scale"]) == ("L07", {"tick_mm": 5.0})


@pytest.mark.parametrize("way", ["its first corner", "Enter", "a double click"])
def test_a_polygon_is_closed_on_any_frame_and_mended(marking, way):
    page = marking.page
    for _ in range(2):
        page.keyboard.press("Shift+ArrowRight")
    marking.says(".stage-said span:first-child", "^Frame 20 of")
    marking.step("target")
    page.keyboard.press("p")
    corners = [(330, 220), (400, 220), (400, 280), (330, 280)]
    for corner in corners[:3]:
        marking.click(*corner)
    if way == "a double click":
        page.mouse.dblclick(*marking.at(*corners[3]))
    else:
        marking.click(*corners[3])
    if way == "its first corner":
        marking.click(*corners[0])
    if way == "Enter":
        page.keyboard.press("Enter")
    saved = marking.saved()["target"]
    assert saved["frame"] == 20
    outline = saved["polygon_px"]
    assert np.abs(np.subtract(outline, corners)).max() < 1
    if way != "Enter":
        return
    # Dragged by its handle, the corner follows the hand; the others stay.
    page.mouse.move(*marking.at(*corners[2]))
    page.mouse.down()
    page.mouse.move(*marking.at(410, 290), steps=4)
    page.mouse.up()
    marking.says("#saved", "^(not saved yet|saving)")
    moved = marking.saved()["target"]["polygon_px"]
    assert np.abs(np.subtract(moved[2], (410, 290))).max() < 1.5
    assert [moved[0], moved[1], moved[3]] == [outline[0], outline[1], outline[3]]


def test_an_outline_that_is_not_finished_is_not_sent(marking):
    marking.step("target")
    marking.click(330, 247)
    marking.click(398, 247)
    marking.step("details")
    marking.page.fill("#learner", "L07")
    assert "target" not in marking.saved()


def test_points_and_marks_are_undone_and_done_again(marking):
    page = marking.page
    marking.step("target")
    marking.click(100, 100)
    page.keyboard.press("Control+z")
    marking.ellipse()
    assert_the_true_circle(marking.marks().target)
    page.keyboard.press("Control+z")
    marking.says("#said-target", "to be marked")
    page.wait_for_timeout(700)
    assert "target" not in marking.saved()
    page.click("#redo")
    page.wait_for_timeout(700)
    assert_the_true_circle(marking.marks().target)


def test_a_second_marking_gives_the_uncertainty_that_scoring_takes(marking):
    page = marking.page
    marking.step("target")
    marking.ellipse()
    assert "counts as sure to 1 px" in marking.text("again-words")
    page.click("#target-again")
    # The first one can't be seen: neither its handles nor its colour (a light violet, which no echo has).
    assert page.locator(".handle").count() == 0
    page.wait_for_timeout(100)
    violet = """() => {
        const canvas = document.querySelector(".stage-canvas");
        const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
        let n = 0;
        for (let i = 0; i < data.length; i += 4)
            n += data[i + 2] > data[i + 1] + 30 && data[i] > data[i + 1] + 10;
        return n;
    }"""
    assert page.evaluate(violet) == 0
    marking.ellipse(radius=RADIUS + 3)
    said = re.search(r"sure to ± ([\d.]+) px", marking.text("again-words"))
    assert page.evaluate(violet) > 100
    sd_px = marking.marks().target.marking_sd_px
    # All radii 3 px larger: 3 / sqrt(2), by hand; a click is placed to about half a px.
    assert sd_px == pytest.approx(3 / 2**0.5, abs=0.5)
    assert float(said[1]) == pytest.approx(sd_px, rel=0.03)


def test_two_points_give_the_scale_and_say_how_sure_they_are(marking):
    page = marking.page
    marking.step("scale")
    page.check('input[value="points"]')
    marking.click(498, 52)
    marking.click(498, 391)
    page.keyboard.type("40")
    # Each point is marked to 1 px, 339 px apart: sqrt(2) / 339.
    assert "0.118 mm per px (± 0.42 %)" in marking.text("scale-words")
    saved = marking.saved()["scale"]
    assert saved["mm"] == 40.0
    assert np.abs(np.subtract(saved["points_px"], [[498, 52], [498, 391]])).max() < 1


def test_the_target_is_shown_followed(marking):
    page = marking.page
    marking.says("#picture-words", "found by the tool")
    marking.step("scale")
    page.click('[data-tick="5"]')
    marking.step("target")
    marking.ellipse()
    page.click("#target-follow")
    marking.says("#follow-words", "^Followed")


def test_frames_are_stepped_by_keys_buttons_and_the_scrubber(marked):
    marking, page = marked, marked.page
    said = ".stage-said span:first-child"
    for key, frame in (
        ("ArrowRight", 1), ("Shift+ArrowRight", 11), ("ArrowLeft", 10), (".", 11), ("End", 167), ("Home", 0)
    ):  # fmt: skip
        page.keyboard.press(key)
        marking.says(said, f"^Frame {frame} of")
    page.click('button[aria-label^="10 frames on"]')
    marking.says(said, "^Frame 10 of")
    page.get_by_label("Frame", exact=True).fill("42")
    marking.says(said, r"^Frame 42 of 167 · 2\.1\d s")
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press(" ")
    marking.says(said, r"^Frame (4[5-9]|[5-9]\d)")
    page.keyboard.press(" ")
    assert page.inner_text(".stage-play") == "Play"
    assert marking.text("said-target").startswith("8.0 mm")


def test_zoom_keeps_the_place_under_the_pointer(marking):
    page = marking.page
    marking.step("target")
    page.mouse.move(*marking.at(*CENTRE))
    for _ in range(4):
        page.mouse.wheel(0, -200)
    marking.says(".stage-zoom .number", r"^[3-9]\d\d %$")
    page.mouse.click(*marking.at(*CENTRE))
    place = re.findall(r"[\d.]+", page.inner_text(".stage-place"))
    assert float(place[0]) == pytest.approx(CENTRE[0], abs=0.6)
    assert float(place[1]) == pytest.approx(CENTRE[1], abs=0.6)
    assert page.is_visible(".stage-lens")


def test_the_medium_is_saved_once_it_is_whole(marking):
    page = marking.page
    marking.step("details")
    assert page.is_hidden("#temperature_c")
    page.select_option("#medium", "water")
    assert "as the scanner shows" in marking.text("temperature_c-fault")
    page.fill("#temperature_c", "120")
    assert "0 to 95" in marking.text("temperature_c-fault")
    page.wait_for_timeout(700)
    assert not marking.file.exists()
    page.fill("#temperature_c", "21,5")
    page.wait_for_timeout(700)
    assert marking.marks().medium == Medium("water", temperature_c=21.5)
    page.select_option("#medium", "custom")
    page.fill("#speed_m_s", "1505")
    page.wait_for_timeout(700)
    assert marking.marks().medium == Medium("custom", speed_m_s=1505.0)
    page.reload()
    page.wait_for_selector("body[data-ready]")
    assert page.input_value("#speed_m_s") == "1505" and page.input_value("#medium") == "custom"
    marking.step("details")
    page.select_option("#medium", "")
    page.wait_for_timeout(700)
    assert "medium" not in marking.saved()
