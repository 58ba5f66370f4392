"""The marking page in a real browser: what hands do there is what lies in the file beside the clip."""

import json
import re

import numpy as np
import pytest

from needlecoach.marks import marks_path, read_marks

axe = pytest.importorskip("axe_playwright_python.sync_playwright")
playwright = pytest.importorskip("playwright.sync_api")

# The sample clip's own truth, in px of the frame, and its ruler: ticks of 5 mm, 40 mm over 338.98 px.
CENTRE, RADIUS = (364.4, 246.9), 33.9
MM_PER_PX = 40 / 338.98
STEPS = ("picture", "scale", "target", "details", "score")
# Nobody means harm by this name; a page that took it for markup would do as it says.
EVIL = '<img src=x onerror="document.title=1"><script>document.title=2</script>=1+1'

NAME = "<img src=x onerror=alert(1)>L01.mp4"


class Marking:
    """The page as a person uses it: places are px of the frame."""

    def __init__(self, page, served, clip):
        self.page, self.file = page, marks_path(clip)
        page.goto(served.url)
        page.wait_for_selector("body[data-ready]")

    def at(self, x, y):
        """Place on the screen of a point of the frame, while the whole picture is shown."""
        box = self.page.locator(".stage-canvas").bounding_box()
        scale = min(box["width"] / 640, box["height"] / 480)
        left = box["x"] + (box["width"] - 640 * scale) / 2
        top = box["y"] + (box["height"] - 480 * scale) / 2
        return left + (x + 0.5) * scale, top + (y + 0.5) * scale

    def click(self, x, y):
        self.page.mouse.click(*self.at(x, y))

    def step(self, name):
        if self.page.get_attribute(f"#head-{name}", "aria-expanded") == "false":
            self.page.click(f"#head-{name}")

    def ellipse(self, centre=CENTRE, radius=RADIUS):
        """Three clicks; the page waits for them already."""
        x, y = centre
        for point in ((x - radius, y), (x + radius, y), (x, y + radius)):
            self.click(*point)

    def says(self, name, words):
        """Wait until an element says something like `words`, a regular expression."""
        playwright.expect(self.page.locator(name)).to_have_text(re.compile(words), timeout=15_000)

    def saved(self):
        """What lies in the file, once the page says that all is saved."""
        self.says("#saved", "^saved")
        return json.loads(self.file.read_text(encoding="utf-8"))

    def text(self, name):
        return self.page.inner_text(f"#{name}")


@pytest.fixture(scope="module")
def served(serve, sample):
    """One server for all tests here, its clip of a hostile name; each begins with the marks it wants."""
    clip = sample()
    marks = marks_path(clip).read_text(encoding="utf-8")
    clip = clip.rename(clip.with_name(NAME))
    return serve("mark", clip), clip, marks


@pytest.fixture
def marking(served, page):
    """A clip without marks."""
    server, clip, _ = served
    marks_path(clip).unlink(missing_ok=True)
    return Marking(page, server, clip)


@pytest.fixture
def marked(served, page):
    """A clip with the sample's marks."""
    server, clip, marks = served
    marks_path(clip).write_text(marks, encoding="utf-8")
    return Marking(page, server, clip)


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
    marks = read_marks(marking.file)
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
    assert_the_true_circle(read_marks_when_saved(marking).target)
    page.keyboard.press("Control+z")
    marking.says("#said-target", "to be marked")
    page.wait_for_timeout(700)
    assert "target" not in marking.saved()
    page.click("#redo")
    page.wait_for_timeout(700)
    assert_the_true_circle(read_marks_when_saved(marking).target)


def read_marks_when_saved(marking):
    marking.saved()
    return read_marks(marking.file)


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
    sd_px = read_marks_when_saved(marking).target.marking_sd_px
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


def test_what_a_user_types_is_text_or_refused(marking):
    page = marking.page
    marking.step("target")
    marking.ellipse()
    marking.step("details")
    page.fill("#learner", EVIL)
    assert "no name" in marking.text("learner-fault")
    page.fill("#phantom", "<b>")
    page.fill("#target_name", EVIL[:60])
    page.fill("#notes", EVIL)
    saved = marking.saved()
    assert (saved["notes"], saved["target"]["name"]) == (EVIL, EVIL[:60])
    assert "learner" not in saved and "phantom" not in saved
    page.reload()
    page.wait_for_selector("body[data-ready]")
    marking.step("details")
    assert page.input_value("#notes") == EVIL
    assert page.inner_text("h1") == NAME
    assert page.title() == f"Mark {NAME} - needlecoach" and page.locator("img").count() == 0


@pytest.mark.parametrize(
    ("field", "text", "said"),
    [
        ("needle_gauge", "21.5", "whole number"),
        ("needle_length_mm", "4", "from 10 to 500 mm"),
        ("true_mm", "many", "Give a number from 0.5 to 300 mm"),
    ],
)
def test_a_value_that_can_t_be_is_told_at_its_field(marked, field, text, said):
    marking, page = marked, marked.page
    marking.step("details")
    page.fill(f"#{field}", text)
    assert said in marking.text(f"{field}-fault")
    assert page.get_attribute(f"#{field}", "aria-invalid") == "true"
    assert marking.text("saved") == ""


def test_a_core_needle_s_notch_and_a_target_of_another_size_are_told(marked):
    marking, page = marked, marked.page
    page.route(
        "**/api/marks", lambda route: route.abort() if route.request.method == "PUT" else route.fallback()
    )
    marking.step("details")
    assert page.is_hidden("#throw_mm")
    page.select_option("#task", "core")
    page.fill("#throw_mm", "15")
    page.fill("#notch_mm", "19")
    assert "can’t be longer than the throw" in marking.text("notch_mm-fault")
    # 8.0 mm as marked: over 10 % less than 9.5.
    page.fill("#true_mm", "9.5")
    assert "8.0 mm across, 16 % less than its true 9.5 mm" in marking.text("size-words")
    page.fill("#true_mm", "8,5")
    assert marking.text("size-words") == ""
    marking.says("#saved", "kept in this page")
    page.faults = [fault for fault in page.faults if "ERR_FAILED" not in fault]


def test_marks_that_can_t_be_saved_are_told_and_can_be_taken_out_of_the_page(marking):
    page = marking.page
    page.route("**/api/marks", lambda route: route.abort())
    marking.step("details")
    page.fill("#learner", "L07")
    marking.says("#problem-words", "Can’t be saved: needlecoach no longer answers")
    with page.expect_download() as kept:
        page.click("#keep")
    assert kept.value.suggested_filename.endswith("L01.marks.json")
    assert json.loads(kept.value.path().read_text(encoding="utf-8"))["learner"] == "L07"
    # Once the server answers again, it is saved by itself.
    page.unroute("**/api/marks")
    assert marking.saved()["learner"] == "L07"
    assert page.is_hidden("#problem")
    page.faults = [fault for fault in page.faults if "ERR_FAILED" not in fault]


def test_a_file_of_marks_that_can_t_be_read_is_told_and_left_alone(served, page):
    server, clip, _ = served
    marks_path(clip).write_text('{"schema": 1, "lerner": 2}', encoding="utf-8")
    page.goto(server.url)
    page.wait_for_selector('body[data-ready="no"]')
    said = page.inner_text("#problem-words")
    assert 'unknown key "lerner"' in said and said.endswith("load this page again.")
    assert "lerner" in marks_path(clip).read_text(encoding="utf-8")
    page.faults = [fault for fault in page.faults if "422" not in fault]


def test_leaving_with_unsaved_marks_asks_first(marking):
    page = marking.page
    page.route("**/api/marks", lambda route: route.abort())
    marking.step("details")
    page.fill("#learner", "L07")
    with page.expect_event("dialog") as asked:
        page.close(run_before_unload=True)
    assert asked.value.type == "beforeunload"
    asked.value.dismiss()
    assert not marking.file.exists()
    page.faults = [fault for fault in page.faults if "ERR_FAILED" not in fault]


@pytest.mark.parametrize(("button", "learner"), [("take-theirs", "L02"), ("keep-mine", "L01")])
def test_two_pages_on_one_clip_lose_nothing(served, marking, button, learner):
    mine, page = marking, marking.page
    other = Marking(page.context.new_page(), *served[:2])
    for marking, code in ((other, "L02"), (mine, "L01")):
        marking.step("details")
        marking.page.fill("#learner", code)
        if marking is other:
            marking.saved()
    page.wait_for_selector("#conflict:visible")
    assert "other marks" in mine.text("conflict-words")
    assert json.loads(mine.file.read_text())["learner"] == "L02"
    page.click(f"#{button}")
    playwright.expect(page.locator("#learner")).to_have_value(learner)
    mine.says("#saved", r"^saved \d|taken")
    assert json.loads(mine.file.read_text())["learner"] == learner
    assert page.is_hidden("#conflict")
    # The browser itself notes the refusal that was asked for.
    page.faults = [fault for fault in page.faults if "409" not in fault]


def test_no_sideways_scrolling_at_any_width(marked):
    page = marked.page
    for name in STEPS:
        marked.step(name)
        for width in (390, 820, 1440, 1920):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate("document.documentElement.scrollWidth") <= width, (name, width)
    marked.step("scale")
    page.set_viewport_size({"width": 390, "height": 900})
    for way in ("ticks", "stated", "target"):
        page.check(f'input[value="{way}"]')
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, way
    page.click("#help-open")
    assert page.evaluate("document.getElementById('help').scrollWidth") <= 390


def test_names_and_contrast(marked):
    page = marked.page
    marked.says("#picture-words", "found by the tool")

    def violations(**options):
        found = axe.Axe().run(page, options=options).response["violations"]
        return [(fault["id"], [node["html"] for node in fault["nodes"]]) for fault in found]

    for name in (*STEPS, "help"):
        if name == "help":
            page.keyboard.press("Escape")
            page.click("#help-open")
        else:
            marked.step(name)
        if name == "details":
            page.fill("#needle_gauge", "x")
        page.emulate_media(color_scheme="light", reduced_motion="reduce")
        assert violations() == [], name
        page.emulate_media(color_scheme="dark", reduced_motion="reduce")
        assert violations(runOnly=["color-contrast"]) == [], name


class TestOnATablet:
    @pytest.fixture
    def context_options(self):
        return {"viewport": {"width": 820, "height": 1180}, "has_touch": True, "is_mobile": True}

    def test_a_target_is_marked_by_taps_and_everything_is_wide_enough_for_a_finger(self, marking):
        page = marking.page
        page.tap("#head-target")
        x, y = CENTRE
        for point in ((x - RADIUS, y), (x + RADIUS, y), (x, y + RADIUS)):
            page.touchscreen.tap(*marking.at(*point))
        assert_the_true_circle(read_marks_when_saved(marking).target)
        small = """() =>
            [...document.querySelectorAll("button, select, input:not([type=checkbox], [type=radio])")]
            .filter((one) => one.checkVisibility())
            .map((one) => [one.id || one.textContent, one.getBoundingClientRect()])
            .filter(([, box]) => box.width < 43.9 || box.height < 43.9)
            .map(([name, box]) => [name, box.width, box.height])"""
        for name in STEPS:
            if page.get_attribute(f"#head-{name}", "aria-expanded") == "false":
                page.tap(f"#head-{name}")
            assert page.evaluate(small) == [], name
