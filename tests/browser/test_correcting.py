"""What must not be lost while a result is put right: one page for all that needs no other server."""

import json

import pytest

from needlecoach.corrections import CorrectionsFile, corrections_path
from tests.browser.reviewing import BLIND_FRAME, CLIP, done, drag_tip, give_code, go_to, ready, value

expect = pytest.importorskip("playwright.sync_api").expect
FORGET_CODE = "localStorage.clear(); document.getElementById('code').value = ''"


def saved(reports):
    """Kinds and frames in the file beside the clip."""
    file = corrections_path(reports.parent / f"{CLIP}.mp4")
    return [(one["kind"], one["frame"]) for one in json.loads(file.read_text())["corrections"]]


def kinds(page):
    """Words of the list, the latest first."""
    return page.locator("#corrections .goto").all_text_contents()


def test_what_is_made_before_the_code_is_kept_in_order_and_typing_makes_nothing_else(review, reports):
    page = review
    page.evaluate(FORGET_CODE)
    go_to(page, BLIND_FRAME)
    drag_tip(page, 8, 5)
    expect(page.locator("#code")).to_be_focused()
    page.keyboard.type("NH")
    assert kinds(page) == [f"Tip put in place, frame {BLIND_FRAME}"]
    # Wherever the focus has gone, what is typed goes into the field, and hides nothing.
    page.locator(".stage-canvas").focus()
    page.keyboard.type("T1")
    assert page.locator("#code").input_value() == "NHT1" and page.locator("#show-tip").is_checked()
    page.locator("#code").fill("")
    page.locator(".stage-canvas").focus()
    page.keyboard.press("ArrowRight")
    expect(page.locator("#now")).to_contain_text(f"frame {BLIND_FRAME + 1}:")
    page.locator("#tip-hidden").click()
    assert "2 corrections are kept" in page.locator("#code-fault").text_content()
    give_code(page, "NH1")
    done(page)
    assert saved(reports) == [("tip", BLIND_FRAME), ("tip hidden", BLIND_FRAME + 1)]
    assert page.locator("#corrections li", has_text="by NH1").count() == 2


def test_a_tip_that_gave_way_by_mistake_comes_back_and_a_deletion_too(review, reports):
    page = review
    give_code(page)
    go_to(page, BLIND_FRAME)
    drag_tip(page, 8, 5)
    placed = kinds(page)
    page.keyboard.press("n")
    assert kinds(page) == [f"No needle, frame {BLIND_FRAME}"]
    page.keyboard.press("Control+z")
    assert kinds(page) == placed
    done(page)
    assert saved(reports) == [("tip", BLIND_FRAME)]
    page.keyboard.press("Control+Shift+Z")
    assert kinds(page) == [f"No needle, frame {BLIND_FRAME}"]
    page.locator("#undo").click()
    page.locator("#corrections button.delete").click()
    assert kinds(page) == []
    page.locator("#undo").click()
    assert kinds(page) == placed
    done(page)
    assert saved(reports) == [("tip", BLIND_FRAME)]


def test_without_a_server_a_correction_stays_in_the_page_until_it_is_saved(review, reports):
    page = review
    give_code(page)
    go_to(page, BLIND_FRAME)
    page.route("**/api/corrections", lambda route: route.abort())
    page.locator("#no-needle").click()
    expect(page.locator("#state")).to_contain_text("Not saved, kept in this page")
    with page.expect_download() as kept:
        page.locator("#keep").click()
    assert kept.value.suggested_filename == f"{CLIP}.corrections.json"
    kept_file = CorrectionsFile.model_validate_json(kept.value.path().read_text())
    assert [one.kind for one in kept_file.to_corrections()] == ["no needle"]
    with page.expect_event("dialog") as asked:
        page.close(run_before_unload=True)
    assert asked.value.type == "beforeunload"
    asked.value.dismiss()
    page.unroute("**/api/corrections")
    page.locator("#again").click()
    done(page)
    assert saved(reports) == [("no needle", BLIND_FRAME)] and page.locator("#unsaved").is_hidden()
    # A tip moved by keys and not kept yet is asked for too.
    go_to(page, BLIND_FRAME + 1)
    page.locator("[data-handle=tip]").focus()
    page.keyboard.press("ArrowDown")
    with page.expect_event("dialog") as asked:
        page.close(run_before_unload=True)
    asked.value.dismiss()
    page.keyboard.press("Escape")
    page.faults = [fault for fault in page.faults if "ERR_FAILED" not in fault]


def changed_result(page, change):
    """Hand the page a result that `change` has altered."""

    def answer(route):
        data = route.fetch().json()
        change(data)
        route.fulfill(json=data)

    page.route("**/api/result", answer)


def answer_with(page, **more):
    """Hand the page what a server says of its corrections."""

    def answer(route):
        told = {"corrections": [], "version": "none", "ready": True, "share": 1.0, "error": "", **more}
        route.fulfill(json=told)

    page.route("**/api/corrections", answer)


def test_corrections_newer_than_the_folder_are_waited_for_and_told(page, served):
    mine = {"kind": "no needle", "frame": 5, "by": "T01", "at": "2026-11-26T10:00:00Z"}
    asked = []

    def result(data):
        asked.append(1)
        if len(asked) > 1:
            data["corrections"] = [mine]
            data["attempts"][0]["figures"][0]["text"] = "99.9 mm"

    changed_result(page, result)
    running = iter(["key"])

    def answer(route):
        route.fulfill(
            json={
                "corrections": [mine],
                "version": "new",
                "ready": True,
                "job": next(running, None),
                "folder": {"state": "behind", "why": "the disk is full."},
                "problem": "The still pictures are missing.",
            }
        )

    page.route("**/api/corrections", answer)
    page.route("**/api/jobs/key", lambda route: route.fulfill(json={"state": "done", "share": 1}))
    page.goto(served.url)
    ready(page)
    expect(page.locator("#state")).to_have_text("Saved corrections are in the figures now: 1 figure changed.")
    assert page.locator("strong", has_text="99.9 mm").count() == 1
    assert page.locator("#folder").text_content().endswith("behind what is shown here: the disk is full.")
    assert page.locator("#problem").text_content() == "The still pictures are missing."


def test_corrected_words_and_a_figure_made_unknown_stay_in_sight(page, served):
    def result(data):
        attempt = data["attempts"][0]
        attempt.update(outcome_was="hit", headline_was="Attempt 1: the tip ended inside.")
        key = next(one for one in attempt["figures"] if one["key"])
        key.update(name="made_unknown", text="–", corrected=True, was="2.5 s")

    changed_result(page, result)
    answer_with(page)
    page.goto(served.url)
    ready(page)
    assert page.locator(".headline .was").text_content() == "corrected, was hit"
    assert "the headline was: Attempt 1" in page.locator("#figures > .was").text_content()
    shown = page.locator("#figures > details[data-name=made_unknown]")
    assert shown.locator("strong").text_content() == "–"
    assert shown.locator(".was").text_content() == "corrected, was 2.5 s"


@pytest.mark.parametrize("cut", [("frames", "visible"), ("attempts",)], ids=".".join)
def test_a_result_that_lacks_something_is_called_spoilt(page, served, cut):
    def result(data):
        for name in cut[:-1]:
            data = data[name]
        del data[cut[-1]]

    changed_result(page, result)
    page.goto(served.url)
    page.wait_for_selector("body[data-ready=no]")
    assert page.locator("#problem").text_content() == "This result is spoilt; score the clip again."
    assert page.locator("#no-needle").is_disabled()


def test_corrections_that_can_t_be_read_leave_the_result_to_be_looked_at(page, served, reports):
    file = corrections_path(reports.parent / f"{CLIP}.mp4")
    before = file.read_bytes() if file.exists() else None
    file.write_text('{"schema": 1, "corections": []}', encoding="utf-8")
    try:
        page.goto(served.url)
        ready(page)
        expect(page.locator("#state")).to_contain_text('unknown key "corections"')
        assert value(page, "blind_advance_mm") and page.locator("#no-needle").is_disabled()
        page.keyboard.press("n")
        page.keyboard.press("m")
        assert page.locator("#corrections li").count() == 0 and page.locator("#undo").is_disabled()
        assert "corections" in file.read_text(encoding="utf-8")
    finally:
        file.unlink()
        if before is not None:
            file.write_bytes(before)
    page.faults = [fault for fault in page.faults if "422" not in fault]
