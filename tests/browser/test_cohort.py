"""The cohort's page in a real browser, opened as a file: fits, can be read by all, and stays silent."""

import re

import numpy as np
import pytest

from needlecoach.reporting.cohort_page import render_cohort
from tests.reporting.invented_cohort import invented_cohort

axe = pytest.importorskip("axe_playwright_python.sync_playwright")

SCHEMES_AND_WIDTHS = (("light", 1440), ("dark", 390), ("dark", 1440), ("light", 820))


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    """The page of the invented cohort; one learner and one target have long, hostile names."""
    codes = ["<script>document.title='taken'</script>" + "W" * 60, *(f"L{n:02d}" for n in range(2, 13))]
    names = ("A1", "a target with a long name, " * 4, "B1", "B2", "C1", "C2")
    path = tmp_path_factory.mktemp("cohort") / "cohort.html"
    path.write_text(render_cohort(invented_cohort(codes=codes, names=names)), encoding="utf-8")
    return path


@pytest.fixture
def cohort(page, file):
    """The page, opened; every request but that of the file itself is a fault."""
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(file.as_uri())
    page.faults.clear()  # the file itself is no address of this machine's server
    yield page
    assert asked == [file.as_uri()]


@pytest.mark.parametrize(("scheme", "width"), SCHEMES_AND_WIDTHS)
def test_it_fits_and_axe_finds_nothing(cohort, scheme, width):
    cohort.set_viewport_size({"width": width, "height": 900})
    cohort.emulate_media(color_scheme=scheme)
    assert cohort.evaluate("document.documentElement.scrollWidth") <= width
    found = axe.Axe().run(cohort).response["violations"]
    assert [(one["id"], [node["html"][:120] for node in one["nodes"]]) for one in found] == []


def test_points_and_axes_are_on_the_screen(cohort):
    panel = cohort.locator("svg[aria-label^='Distance from the middle, L02']")
    box, dots = panel.bounding_box(), panel.locator(".dots").bounding_box()
    assert box["width"] > 150 and dots["width"] > 0.5 * box["width"]
    # The frame stands once in the page and is drawn here all the same.
    frame = panel.locator("use").bounding_box()
    assert frame["width"] > 0.8 * box["width"] and frame["height"] > 0.7 * box["height"]
    assert box["x"] - 3 <= frame["x"] and frame["x"] + frame["width"] <= box["x"] + box["width"] + 3


def test_the_pointer_on_a_dot_finds_its_name(cohort):
    """A stroke without length, drawn as a disc by its cap, is found where it is seen."""
    panel = cohort.locator("svg[aria-label='Distance from the middle, L02']")
    panel.scroll_into_view_if_needed()
    dot = panel.locator(".dots path").first
    found = dot.evaluate(
        """one => {
          const at = one.getPointAtLength(0).matrixTransform(one.getScreenCTM());
          return document.elementFromPoint(at.x, at.y).querySelector("title").textContent;
        }"""
    )
    assert re.fullmatch(r"L02-\d+\.mp4, attempt 1, 2026-09-07: [\d.]+\u00a0mm", found)


def test_a_smooth_is_where_the_browser_reads_its_path(cohort):
    """The browser's own reading of the compact path ends where the words beside it say that it ends."""
    figure = cohort.locator("figure", has=cohort.locator("svg[aria-label='Distance from the middle, L03']"))
    _, y = figure.locator(".mid").evaluate(
        "path => { const end = path.getPointAtLength(path.getTotalLength()); return [end.x, end.y]; }"
    )
    frame = cohort.locator("#frame-1")
    words = frame.locator("text").all_text_contents()[:3]
    rows = np.array(
        [float(one) for one in re.findall(r"M\d+ (\d+)H", frame.locator("path").get_attribute("d"))]
    )
    value = np.interp(-y, -rows, [float(one) for one in words])
    said = float(re.match(r"now about ([\d.]+)", figure.locator("figcaption").text_content())[1])
    assert value == pytest.approx(said, abs=0.15)


def test_hostile_names_are_only_names(cohort):
    assert cohort.title() == "Needle practice of 12 learners: cohort"
    assert cohort.locator("h3", has_text="<script>document.title").count() == 2


def test_keys_reach_links_and_tables(cohort):
    cohort.keyboard.press("Tab")
    assert cohort.evaluate("document.activeElement.getAttribute('href')") == "#next"
    cohort.set_viewport_size({"width": 390, "height": 900})
    region = cohort.get_by_role("region", name="Table of all numbers")
    region.focus()
    cohort.keyboard.press("ArrowRight")
    cohort.wait_for_function("document.querySelector('.scroll:has(.numbers)').scrollLeft > 0")


def test_it_can_be_printed(cohort):
    cohort.emulate_media(media="print", color_scheme="dark")
    cohort.set_viewport_size({"width": 700, "height": 1000})
    assert cohort.evaluate("document.documentElement.scrollWidth") <= 700
    assert cohort.evaluate("getComputedStyle(document.body).color") == "rgb(29, 39, 51)"
    assert cohort.locator("section[aria-labelledby=numbers] td").last.is_visible()


def test_a_large_cohort_is_soon_on_the_screen(page, tmp_path):
    path = tmp_path / "large.html"
    path.write_text(render_cohort(invented_cohort(300, 67)), encoding="utf-8")
    page.goto(path.as_uri())
    page.faults.clear()
    assert page.locator("h3[id^=learner-]").count() == 300
    page.locator("#learner-300").scroll_into_view_if_needed()
    assert page.locator("svg[aria-label='Success, L300']").bounding_box()["width"] > 100
    assert page.evaluate("document.documentElement.scrollWidth") <= 1280
