"""The review page in a real browser: look, put right, find it again, take it back."""

import json
import re
import shutil

import pytest

from tests.browser.reviewing import (
    BLIND_FRAME,
    CLIP,
    done,
    drag_tip,
    figure,
    give_code,
    go_to,
    ready,
    value,
)

axe = pytest.importorskip("axe_playwright_python.sync_playwright")
expect = pytest.importorskip("playwright.sync_api").expect


def test_a_dragged_tip_changes_figures_that_are_found_again_and_taken_back(review):
    page = review
    former = value(page, "blind_advance_mm")
    give_code(page)
    go_to(page, BLIND_FRAME)
    assert "tip inferred" in page.locator("#now").text_content()
    drag_tip(page, 8, 5)
    done(page)
    assert re.search(r"Done: \d+ figures changed", page.locator("#state").text_content())
    assert value(page, "blind_advance_mm") != former
    words = figure(page, "blind_advance_mm").locator(".was").text_content()
    assert words == f"corrected, was {former}"
    assert "tip seen" in page.locator("#now").text_content()
    assert page.locator(".mended").count() == 1

    mended = value(page, "blind_advance_mm")
    page.reload()
    ready(page)
    assert value(page, "blind_advance_mm") == mended
    assert figure(page, "blind_advance_mm").locator(".was").text_content() == words
    assert "by T01" in page.locator("#corrections li").text_content()
    assert page.locator("#code").input_value() == "T01"

    page.get_by_label("Show the result without corrections").check()
    assert value(page, "blind_advance_mm") == former
    assert page.locator("#move-tip").is_disabled()
    page.get_by_label("Show the result without corrections").uncheck()

    page.get_by_role("button", name=f"Delete: Tip put in place, frame {BLIND_FRAME}").click()
    done(page)
    assert value(page, "blind_advance_mm") == former
    assert page.locator("#figures .was").count() == 0 and page.locator(".mended").count() == 0


def test_a_correction_waits_for_the_code_of_who_makes_it(review):
    page = review
    page.evaluate("localStorage.clear()")
    page.reload()
    ready(page)
    go_to(page, BLIND_FRAME)
    page.locator("#no-needle").click()
    assert "Give your code first" in page.locator("#code-fault").text_content()
    give_code(page, "Maria")
    assert "waits for your code" in page.locator("#corrections li").text_content()
    give_code(page, "T02")
    done(page)
    assert "by T02" in page.locator("#corrections li").text_content()


def test_all_of_it_by_keyboard_alone(review):
    page = review
    give_code(page)
    go_to(page, BLIND_FRAME)
    before = page.evaluate("document.getElementById('now').textContent")
    page.keyboard.press("m")
    assert page.locator("#move-tip").get_attribute("aria-pressed") == "true"
    page.keyboard.press("ArrowRight")
    for _ in range(4):
        page.keyboard.press("Shift+ArrowLeft")
    page.keyboard.press("Enter")
    done(page)
    assert page.evaluate("document.getElementById('now').textContent") != before
    assert "Tip put in place, frame 80" in page.locator("#corrections li").text_content()
    page.locator("body").press("Control+z")
    expect(page.locator("#corrections li")).to_have_count(0)
    done(page)
    # And the tip itself, taken hold of: nothing is kept until Enter.
    page.locator("[data-handle=tip]").focus()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Escape")
    assert page.locator("#corrections li").count() == 0


def test_attempts_are_split_and_joined(review):
    page = review
    give_code(page)
    go_to(page, BLIND_FRAME)
    page.get_by_text("Attempts and passes").click()
    page.get_by_role("button", name="New attempt from here").click()
    page.wait_for_selector("#attempts button:nth-child(2)")
    done(page)
    assert page.locator("#choice button").count() == 3
    assert page.get_by_role("button", name="Join attempts 1 and 2").is_enabled()
    page.locator("body").press("[")
    assert page.locator("#attempts button[aria-pressed=true]").text_content() == "Attempt 1"
    # Joining where a split was made takes the split back.
    page.locator("body").press("]")
    go_to(page, BLIND_FRAME)
    page.get_by_role("button", name="Join attempts 1 and 2").click()
    expect(page.locator("#corrections li")).to_have_count(0)
    done(page)
    assert page.locator("#attempts button").count() == 1


def test_of_two_pages_the_later_is_told_and_shows_what_is_there(review, served):
    give_code(review)
    other = review.context.new_page()
    other.goto(served.url)
    ready(other)
    former = value(review, "blind_advance_mm")
    go_to(review, BLIND_FRAME)
    drag_tip(review, 8, 5)
    done(review)
    theirs = value(review, "blind_advance_mm")
    assert theirs != former == value(other, "blind_advance_mm")
    other.locator("#no-needle").click()
    expect(other.locator("#state")).to_contain_text("Not saved")
    expect(figure(other, "blind_advance_mm").locator("strong")).to_have_text(theirs)
    assert "Tip put in place, frame 80" in other.locator("#corrections li").text_content()
    assert "your last change is not among them" in other.locator("#state").text_content()
    other.close()


def test_a_click_on_the_strip_shows_that_moment(review):
    page = review
    slider = page.get_by_role("slider", name="Moment in the clip")
    box = slider.bounding_box()
    for share in (0.3, 0.8):
        page.mouse.click(box["x"] + box["width"] * share, box["y"] + 120)
        frame = slider.get_attribute("aria-valuenow")
        expect(page.locator("#now")).to_contain_text(f"frame {frame}:")
        assert f"Frame {frame} of" in page.locator(".stage-said").text_content()


def picture(page):
    page.wait_for_timeout(120)
    return page.locator(".stage-canvas").screenshot()


def test_what_is_drawn_can_be_hidden(review):
    page = review
    go_to(page, 150)
    page.locator("h1").click()
    drawn = picture(page)
    for key in "stgb":
        page.keyboard.press(key)
        assert picture(page) != drawn, key
        page.keyboard.press(key)
        assert picture(page) == drawn, key


def test_the_page_fits(review):
    for width in (390, 1920):
        review.set_viewport_size({"width": width, "height": 900})
        review.wait_for_timeout(150)
        assert review.evaluate("document.documentElement.scrollWidth") <= width


def test_a_key_figure_tells_its_grade_of_evidence_unopened(review):
    passes = figure(review, "passes")
    expect(passes.locator("summary .grade")).to_have_text("Evidence: common practice")
    assert passes.get_attribute("open") is None and passes.locator("summary .grade").is_visible()
    assert review.locator("#figures details.more .grade").count() == 0


def test_axe_finds_nothing(review):
    review.locator("#figures details summary").first.click()
    review.get_by_text("Attempts and passes").click()
    for scheme in ("light", "dark"):
        review.emulate_media(color_scheme=scheme)
        review.wait_for_timeout(200)  # colours change over a moment
        found = axe.Axe().run(review).response["violations"]
        assert [(one["id"], [node["html"][:120] for node in one["nodes"]]) for one in found] == [], scheme


def test_a_hostile_name_is_shown_as_text(page, reports, serve, tmp_path):
    shutil.copytree(reports / CLIP, tmp_path / "reports" / CLIP)
    shutil.copy(reports.parent / f"{CLIP}.mp4", tmp_path)
    file = tmp_path / "reports" / CLIP / "page.json"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("Attempt 1:", "<img src=x onerror=document.title=1><script>a</script>:"))
    page.goto(serve("review", tmp_path / "reports" / CLIP).url)
    ready(page)
    assert "<img src=x" in page.locator("#figures .headline").text_content()
    assert page.locator("#figures img").count() == 0 and page.title().startswith("Review blind_advance")


def taught(data):
    """Page data with invented advice, criteria, earlier attempts and a core sample in every attempt."""
    n, attempts = len(data["frames"]["tip_px"]), data["attempts"]
    data["core"] = {"dead_space_mm": 3.0, "notch_mm": 8.0, "throw_mm": None}
    for name, share in (("notch_near_px", 0.8), ("notch_far_px", 0.4)):
        data["frames"][name] = [
            [e[0] + (t[0] - e[0]) * share, e[1] + (t[1] - e[1]) * share] if t and e else None
            for t, e in zip(data["frames"]["tip_px"], data["frames"]["entry_px"], strict=True)
        ]
    assert n == len(data["frames"]["notch_near_px"])
    for one in attempts:
        one["advice"] = [
            {"frame": BLIND_FRAME, "moment": "at 3.2 s", "happened": "H", "why": "W", "try_next": "T"}
        ]
        one["checks"] = [{"words": "passes at most 2", "result": "can't tell", "reason": "R"}]
        row = {"title": "Passes", "this": "1", "best": "1", "last": ["2", "1"]}
        one["earlier"] = {"words": "Two.", "last_words": "Last 2, oldest first", "rows": [row], "notes": []}
        box = {"form": "full", "words": "notch as held", "ends_mm": [[-3.0, -3.0], [-9.0, -9.0]]}
        one["core"] = {"frame": BLIND_FRAME, "fired_frame": BLIND_FRAME, "boxes": [box], "spots": []}
        one["core_words"] = ["A firing was seen."]
    return data


@pytest.fixture
def teaching(page, reports, serve, tmp_path):
    """The page on a result that holds all that a learner is told."""
    shutil.copytree(reports / CLIP, tmp_path / "reports" / CLIP)
    shutil.copy(reports.parent / f"{CLIP}.mp4", tmp_path)
    file = tmp_path / "reports" / CLIP / "page.json"
    file.write_text(json.dumps(taught(json.loads(file.read_text(encoding="utf-8")))))
    page.goto(serve("review", tmp_path / "reports" / CLIP).url)
    ready(page)
    return page


def test_what_a_learner_is_told_and_the_moment_it_means(teaching):
    page = teaching
    slider = page.get_by_role("slider", name="Moment in the clip")
    assert page.locator(".strip-sheet .fired:not(.rim)").count() == 1
    assert page.locator("#plan .notch.full").count() == 2  # on the plan and in its legend
    go_to(page, 150)
    page.get_by_role("button", name="at 3.2 s").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#now")).to_contain_text(f"frame {BLIND_FRAME}:")
    assert slider.get_attribute("aria-valuenow") == str(BLIND_FRAME)
    words = page.locator("#figures").text_content()
    assert (
        "Why it matters" in words
        and "can’t tell passes at most 2R" in words
        and "A firing was seen." in words
        and "Last 2, oldest first" in words
    )
    go_to(page, 150)
    drawn = picture(page)
    page.evaluate(
        """import('./static/review-state.js').then(({ page }) => {
        page.data.core = null;
        page.stage.redraw();
        })"""
    )
    assert picture(page) != drawn
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        page.get_by_text("own earlier attempts").click()
        page.wait_for_timeout(200)
        found = axe.Axe().run(page).response["violations"]
        assert [(one["id"], [node["html"][:120] for node in one["nodes"]]) for one in found] == [], scheme
    page.set_viewport_size({"width": 390, "height": 900})
    page.wait_for_timeout(150)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
