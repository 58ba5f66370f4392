"""What the marking page sends and what it refuses, and that nothing is lost when it can't be sent."""

import json

import pytest

from needlecoach.marks import marks_path

playwright = pytest.importorskip("playwright.sync_api")

# Nobody means harm by this; a page that took it for markup would do as it says.
EVIL = '<img src=x onerror="document.title=1"><script>document.title=2</script>=1+1'


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
    page.select_option("#target_kind", "fluid")
    saved = marking.saved()
    assert (saved["notes"], saved["target"]["name"], saved["target"]["kind"]) == (EVIL, EVIL[:60], "fluid")
    assert "learner" not in saved and "phantom" not in saved
    page.reload()
    page.wait_for_selector("body[data-ready]")
    marking.step("details")
    assert page.input_value("#notes") == EVIL and page.input_value("#target_kind") == "fluid"
    assert page.inner_text("h1") == marking.clip.name
    assert page.title() == f"Mark {marking.clip.name} - needlecoach" and page.locator("img").count() == 0


def test_a_value_that_can_t_be_is_told_at_its_field(marked):
    marked.step("details")
    for field, text, said in (
        ("needle_gauge", "21.5", "whole number"),
        ("needle_length_mm", "4", "from 10 to 500 mm"),
        ("true_mm", "many", "Give a number from 0.5 to 300 mm"),
        ("phantom", "gel block", "A code of up to 16 letters"),
    ):
        marked.page.fill(f"#{field}", text)
        assert said in marked.text(f"{field}-fault")
        assert marked.page.get_attribute(f"#{field}", "aria-invalid") == "true"
    assert marked.text("saved") == ""


def test_a_core_needle_s_notch_and_a_target_of_another_size_are_told(marked):
    marking, page = marked, marked.page
    page.route(
        "**/api/marks", lambda route: route.abort() if route.request.method == "PUT" else route.fallback()
    )
    marking.step("details")
    assert page.is_hidden("#throw_mm")
    page.select_option("#task", "core")
    page.fill("#dead_space_mm", "21")
    assert "from 0 to 20 mm" in marking.text("dead_space_mm-fault")
    page.fill("#dead_space_mm", "0")
    assert marking.text("dead_space_mm-fault") == ""
    assert "wants the needle’s notch" in page.locator("#said-score").text_content()
    page.fill("#throw_mm", "15")
    page.fill("#notch_mm", "19")
    assert "can’t be longer than the throw" in marking.text("notch_mm-fault")
    assert "wants the details mended" in page.locator("#said-score").text_content()
    # Longer: the throw mends the notch's fault, and the notch is taken over; too short is told at the throw.
    page.fill("#throw_mm", "20")
    assert marking.text("notch_mm-fault") == marking.text("throw_mm-fault") == ""
    said = page.locator("#said-score").text_content()
    assert "mended" not in said and "wants the needle’s" not in said
    page.fill("#throw_mm", "10")
    assert "can’t be shorter than the notch" in marking.text("throw_mm-fault")
    assert marking.text("notch_mm-fault") == ""
    assert "wants the details mended" in page.locator("#said-score").text_content()
    page.select_option("#task", "aspirate")
    assert "mended" not in page.locator("#said-score").text_content()
    page.select_option("#task", "core")
    page.fill("#throw_mm", "10")
    page.fill("#notch_mm", "9")
    assert marking.text("throw_mm-fault") == "" and page.input_value("#throw_mm") == "10"
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
    page.unroute("**/api/marks")
    full = {"status": 507, "json": {"error": "Not saved: no space left."}}
    page.route("**/api/marks", lambda route: route.fulfill(**full))
    page.fill("#learner", "L08")
    marking.says("#problem-words", "Can’t be saved: no space left.")
    assert page.is_visible("#keep")
    page.fill("#learner", "L07")
    # Once the server answers again, it is saved by itself.
    page.unroute("**/api/marks")
    assert marking.saved()["learner"] == "L07"
    assert page.is_hidden("#problem")
    page.faults = [fault for fault in page.faults if "ERR_FAILED" not in fault and "507" not in fault]


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
def test_two_pages_on_one_clip_lose_nothing(open_marking, marking, button, learner):
    mine, page = marking, marking.page
    other = open_marking(page.context.new_page())
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
