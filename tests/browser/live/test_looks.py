"""The live page for every eye and hand: widths, names and contrast, fingers, in every state."""

from dataclasses import replace

import pytest

from needlecoach.live.state import SetupNow, VisitorNow, Warned
from needlecoach.live.words import state_word
from tests.browser.live.test_live import AWAY, INFERRED, LOST, SEEN, Changed
from tests.live.live_fakes import checked, fake_card

axe = pytest.importorskip("axe_playwright_python.sync_playwright")

CARD = checked(fake_card(2))
MANY = (CARD, *(replace(fake_card(1), outcome=one) for one in ("miss", "borderline", "unscorable")))
# What is shown, and the picture of the drawn session that goes with it.
STATES = {
    "marks needed": (AWAY, {"word": state_word("marks_needed"), "setup": SetupNow()}),
    "ready with cards": (AWAY, {"card": CARD, "history": MANY}),
    "needle in": (SEEN, {"card": CARD, "history": MANY}),
    "hidden": (INFERRED, {}),
    "lost": (LOST, {}),
    "no picture": (
        AWAY,
        {"word": state_word("no_picture"), "warnings": (Warned("disk", "Disk nearly full."),)},
    ),
    "visitor": (SEEN, {"visitor": VisitorNow("Owl", ""), "card": CARD, "history": MANY}),
    "sharps": (AWAY, {"visitor": VisitorNow("", "Put it away."), "word": state_word("sharps")}),
}


@pytest.fixture
def live(watch):
    return watch(Changed()).open()


def test_no_sideways_scrolling_at_any_width_in_any_state(live):
    for at, (name, (number, change)) in enumerate(STATES.items()):
        live.practice.change = change
        live.play(number + 1000 * 8 * 30 * (at + 1))  # the same place in a later round
        for width in (390, 820, 1440, 3840):
            live.page.set_viewport_size({"width": width, "height": 900})
            assert live.page.evaluate("document.documentElement.scrollWidth") <= width, (name, width)


def test_state_picture_and_strip_are_seen_at_once_on_a_laptop_and_a_big_screen(live):
    live.play(SEEN)
    for width, height in ((1366, 768), (1440, 900), (1920, 1080), (3840, 2160)):
        live.page.set_viewport_size({"width": width, "height": height})
        for name in ("state", "picture", "strip", "distance"):
            box = live.page.locator(f"#{name}").bounding_box()
            assert box["y"] + box["height"] <= height, (name, width)


def test_names_and_contrast(live):
    page = live.page

    def violations(**options):
        found = axe.Axe().run(page, options=options).response["violations"]
        return [(fault["id"], [node["html"] for node in fault["nodes"]]) for fault in found]

    for at, (name, (number, change)) in enumerate(STATES.items()):
        live.practice.change = change
        live.play(number + 1000 * 8 * 30 * (at + 1))
        page.emulate_media(color_scheme="light", reduced_motion="reduce")
        assert violations() == [], name
        page.emulate_media(color_scheme="dark", reduced_motion="reduce")
        assert violations(runOnly=["color-contrast"]) == [], name
    page.keyboard.press("?")
    assert violations() == []


class TestOnATablet:
    @pytest.fixture
    def context_options(self):
        return {"viewport": {"width": 820, "height": 1180}, "has_touch": True, "is_mobile": True}

    def test_everything_is_wide_enough_for_a_finger(self, live):
        for at, name in enumerate(("ready with cards", "visitor", "sharps")):
            number, change = STATES[name]
            live.practice.change = change
            live.play(number + 1000 * 8 * 30 * (at + 1))
            small = """() => [...document.querySelectorAll("button, input")]
                .filter((one) => one.checkVisibility())
                .map((one) => [one.id || one.textContent, one.getBoundingClientRect()])
                .filter(([, box]) => box.width < 43.9 || box.height < 43.9).map(([name]) => name)"""
            assert live.page.evaluate(small) == [], name
