"""The marking page for every eye and hand: widths, names and contrast, fingers."""

import numpy as np
import pytest

axe = pytest.importorskip("axe_playwright_python.sync_playwright")

STEPS = ("picture", "scale", "target", "details", "score")
# The sample clip's own target, in px of the frame.
CENTRE, RADIUS = (364.4, 246.9), 33.9


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
        assert np.abs(np.subtract(marking.marks().target.centre_px, CENTRE)).max() < 1
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
