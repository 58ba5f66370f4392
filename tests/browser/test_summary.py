"""The summary in a real browser, opened as a file: drawn, joined to its replay, silent, readable by all."""

from dataclasses import replace

import numpy as np
import pytest

from needlecoach.model import Correction, Strip
from needlecoach.reporting.results import write_results
from tests.reporting.conftest import ENTRY, N, core_card, taught_card, with_earlier, write_clip

axe = pytest.importorskip("axe_playwright_python.sync_playwright")

END_PX = np.array([219.0, 149.5])


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Results of the invented clip, with a hostile note, corrections and a strip of invented greys."""
    base = tmp_path_factory.mktemp("summary")
    write_clip(base / "straight_in.mp4")
    card = taught_card(base / "straight_in.mp4")
    grey = np.random.default_rng(5).integers(30, 90, (N, 180)).astype(np.uint8)
    strip = Strip(grey, 0.25, start_px=np.tile(ENTRY, (N, 1)), end_px=np.tile(END_PX, (N, 1)))
    figures = {
        **card.attempts[0].figures,
        "closest_centre_mm": replace(card.attempts[0].figures["closest_centre_mm"], value=2.0),
    }
    said = (Correction("tip", 30, (150.0, 110.0), by="T01", at="2026-11-26T10:00:00Z"),)
    marks = replace(card.marks, notes="</script><script>document.title = 'taken'</script>")
    right = replace(
        card,
        marks=marks,
        strip=strip,
        attempts=(replace(card.attempts[0], figures=figures),),
        corrections=said,
        raw=card,
    )
    return write_results(with_earlier(right), base / "reports", replay=True)


@pytest.fixture(scope="module")
def core_folder(tmp_path_factory):
    """Results of the invented core sample, fired, without a replay."""
    base = tmp_path_factory.mktemp("core")
    write_clip(base / "core.mp4")
    return write_results(core_card(base / "core.mp4", fired=True), base / "reports", replay=False)


@pytest.fixture
def summary(page, folder):
    """The page, opened; every request that is not the file itself is a fault."""
    page.on(
        "request",
        lambda request: (
            None
            if request.url.startswith(("file:", "data:", "blob:"))
            else page.faults.append(f"asked for: {request.url}")
        ),
    )
    page.faults.clear()
    page.goto((folder / "summary.html").as_uri())
    page.wait_for_selector("[role=slider]")
    page.faults[:] = [one for one in page.faults if "file:" not in one]
    return page


def test_strip_and_plan_are_drawn_in_words_and_form(summary):
    strip = summary.locator(".strip-sheet svg")
    words = strip.locator("text").all_text_contents()
    for word in ("target", "attempt 1", "pass 1", "seen", "inferred", "none", "mended", "mm along the shaft"):
        assert word in words
    assert strip.locator(".tip-seen:not(.rim)").count() == 2  # hidden once on the way
    assert strip.locator(".tip-inferred").count() == 1 and strip.locator(".tip-dot").count() >= 3
    assert strip.locator(".blind:not(.rim)").count() == 1 and strip.locator(".closest").count() == 1
    assert strip.locator(".band:not(.rim)").count() == 2
    assert summary.locator(".plan-sheet .plan-target").count() == 1


def test_the_recorded_greys_lie_below(summary):
    summary.wait_for_function("document.querySelector('.strip-sheet canvas').width > 0")
    summary.wait_for_timeout(100)
    shades = summary.evaluate(
        """() => { const one = document.querySelector('.strip-sheet canvas');
        const data = one.getContext('2d').getImageData(0, one.height / 3, one.width, 1).data;
        return new Set(data).size; }"""
    )
    assert shades > 20


def test_keys_and_clicks_move_the_replay(summary):
    slider = summary.get_by_role("slider", name="Attempt 1, moment in the clip")
    assert slider.get_attribute("aria-valuenow") == "37"  # the closest approach
    slider.focus()
    summary.keyboard.press("ArrowLeft")
    summary.keyboard.press("Shift+ArrowLeft")
    assert slider.get_attribute("aria-valuetext").startswith("1.04 s, frame 26: tip seen")
    assert summary.evaluate("document.querySelector('video').currentTime") == pytest.approx(1.04, abs=0.01)
    box = slider.bounding_box()
    summary.mouse.click(box["x"] + box["width"] / 2, box["y"] + 100)
    assert abs(int(slider.get_attribute("aria-valuenow")) - 37) < 6
    assert "frame 26" not in summary.locator(".strip-words").text_content()


def test_advice_moves_strip_and_replay_to_its_moment(summary):
    slider = summary.get_by_role("slider", name="Attempt 1, moment in the clip")
    summary.get_by_role("link", name="at 0.9 s").focus()
    summary.keyboard.press("Enter")
    assert slider.get_attribute("aria-valuenow") == "22"
    assert summary.evaluate("document.querySelector('video').currentTime") == pytest.approx(0.88, abs=0.01)
    assert summary.evaluate("document.activeElement.getAttribute('role')") == "slider"
    summary.keyboard.press("ArrowRight")
    assert slider.get_attribute("aria-valuenow") == "23"


def test_a_core_sample_is_drawn_before_and_after_its_firing(page, core_folder):
    page.goto((core_folder / "summary.html").as_uri())
    page.wait_for_selector("[role=slider]")
    page.faults[:] = [one for one in page.faults if "file:" not in one]
    assert page.locator(".plan-sheet .notch.hollow").count() == 1
    assert page.locator(".plan-sheet .notch.full").count() == 1
    assert page.locator(".strip-sheet .fired:not(.rim)").count() == 1
    assert "notch before firing" in page.locator(".plan-legend").text_content()
    slider = page.get_by_role("slider", name="Attempt 1, moment in the clip")
    assert slider.get_attribute("aria-valuenow") == "40"
    # Without a replay the strip goes to the moment all the same.
    page.get_by_role("link", name="at 0.9 s").click()
    assert slider.get_attribute("aria-valuenow") == "22"
    for scheme, width in (("light", 1280), ("dark", 390)):
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme)
        found = axe.Axe().run(page).response["violations"]
        assert [(one["id"], [node["html"][:120] for node in one["nodes"]]) for one in found] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_a_note_that_closes_the_script_is_only_a_note(summary):
    assert summary.title().startswith("straight_in.mp4")
    assert "</script><script>document.title" in summary.locator(".typed").text_content()


def test_a_figure_tells_its_meaning_on_demand_and_what_it_was(summary):
    figure = summary.locator(".keys details", has_text="Closest to centre")
    assert "corrected, was 0.9" in figure.text_content()
    meaning = figure.get_by_text("Tip to target centre.")
    assert not meaning.is_visible()
    figure.locator("summary").focus()
    summary.keyboard.press("Enter")
    assert meaning.is_visible() and "one standard uncertainty" in meaning.text_content()
    row = summary.locator("section[aria-labelledby=corrections] tbody tr").text_content()
    assert "x 150.0, y 110.0 px" in row and "T01" in row and "2026-11-26 10:00:00 UTC" in row


@pytest.mark.parametrize("width", [390, 1920])
def test_the_page_fits(summary, width):
    summary.set_viewport_size({"width": width, "height": 900})
    summary.wait_for_timeout(100)
    assert summary.evaluate("document.documentElement.scrollWidth") <= width
    assert summary.locator(".strip-sheet").bounding_box()["width"] > 0.85 * min(width - 60, 1000)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(summary, scheme):
    summary.emulate_media(color_scheme=scheme)
    for part in ("details.all", "details.glossary"):
        summary.locator(f"{part} > summary").click()
    found = axe.Axe().run(summary).response["violations"]
    assert [(one["id"], [node["html"][:120] for node in one["nodes"]]) for one in found] == []


def test_on_paper_the_drawings_fit_the_sheet(summary):
    summary.emulate_media(media="print")
    summary.set_viewport_size({"width": 700, "height": 900})
    summary.wait_for_timeout(100)
    assert summary.locator(".strip-sheet svg").bounding_box()["width"] <= 700
    assert summary.locator("details.all table").is_visible()


def test_without_scripts_the_page_says_so(chromium, folder):
    context = chromium.new_context(java_script_enabled=False)
    bare = context.new_page()
    bare.goto((folder / "summary.html").as_uri())
    assert bare.locator("noscript").is_visible()
    assert "are drawn by a script within this page" in bare.locator("noscript").text_content()
    assert bare.get_by_role("heading", name="Attempt 1: the tip reached the target").is_visible()
    context.close()
