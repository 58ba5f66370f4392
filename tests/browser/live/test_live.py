"""The live page as a person at the bench sees it, on drawn sessions."""

import re
import time
from dataclasses import replace

import numpy as np
import pytest

from needlecoach.live.state import RecordingNow, SetupNow, SourceNow, VisitorNow, Warned
from needlecoach.live.words import state_word
from tests.live.live_fakes import IN_S, MM_PER_PX, checked, fake_card
from tests.practices import ByHand

playwright = pytest.importorskip("playwright.sync_api")
# Pictures of the drawn session in which its tip is seen, inferred, lost, and away.
SEEN, INFERRED, LOST, AWAY = 105, 125, 133, 10


def says(watched, name, words):
    playwright.expect(watched.page.locator(f"#{name}")).to_have_text(re.compile(words, re.S), timeout=5000)


class Changed(ByHand):
    """Its states are changed before they are shown."""

    change: dict = {}  # noqa: RUF012

    def play(self, number):
        shown = super().play(number)
        self.state = replace(shown.state, version=1000 + number, **self.change)
        shown = replace(shown, state=self.state)
        self.slot.put(shown)
        return shown


@pytest.mark.parametrize(
    ("number", "state", "sight", "mm"),
    [
        (AWAY, "Ready", "No needle", "–"),
        (SEEN, "Needle in", "Tip seen", "3.9"),
        (INFERRED, "Tip hidden", "Tip inferred", r"\d+"),
        (LOST, "Tip lost: hold still", "Tip lost", "–"),
    ],
)
def test_state_sight_and_distance_are_told_in_words(by_hand, number, state, sight, mm):
    by_hand.play(number)
    says(by_hand, "state-words", f"^{state}$")
    says(by_hand, "sight-words", f"^{sight}")
    assert re.fullmatch(mm, by_hand.text("distance-mm"))  # at once: later the picture counts as old
    if number == SEEN:  # centre_mm and edge_mm of the drawn row, sd 0.4 mm
        assert by_hand.text("distance-words") == "0.1 ± 0.4 mm inside its edge"
    if number == INFERRED:  # sd 1 mm: whole mm only
        assert re.fullmatch(r"\d+ ± 1 mm outside its edge", by_hand.text("distance-words"))


def drawn_at(watched, place, half=12):
    """Pixels of the page's picture round a place of the camera's, as (2 half + 1)² colours."""
    shown = watched.canvas()
    height, width = shown.shape[:2]
    # The drawn session's region is 100..540 by 40..440; the margin round it is 4 % of its right side's x.
    room = 0.04 * 540
    left, top = 100 - room, 40 - room
    scale = min(width / (440 + 2 * room), height / (400 + 2 * room))
    x, y = round((place[0] + 0.5 - left) * scale), round((place[1] + 0.5 - top) * scale)
    return shown[y - half : y + half + 1, x - half : x + half + 1]


def coloured(pixels, colour):
    return int((np.abs(pixels - np.array(colour)).max(axis=-1) < 40).sum())


def test_the_tip_is_drawn_where_it_is_each_sight_in_a_form_of_its_own(by_hand):
    """Colours are those of stage-pen.js: 6fd3e3 seen, ffaa64 not seen; forms: ring and dot, dashes, dots."""
    cyan, orange = (0x6F, 0xD3, 0xE3), (0xFF, 0xAA, 0x64)
    whole, middle = {}, {}
    for name, number, colour in (
        ("seen", SEEN, cyan),
        ("inferred", INFERRED, orange),
        ("lost", LOST, orange),
    ):
        by_hand.play(number)
        tip = by_hand.practice.state.row.tip_px
        whole[name] = coloured(drawn_at(by_hand, tip), colour)
        middle[name] = coloured(drawn_at(by_hand, tip, half=5), colour)
        assert coloured(drawn_at(by_hand, (250, 300)), colour) == 0
    rings = {name: whole[name] - middle[name] for name in whole}
    assert rings["seen"] > 1.3 * rings["inferred"] > 1.3 * 1.3 * rings["lost"] > 0
    # A dot, nothing, a question mark.
    assert middle["seen"] > 8 and middle["inferred"] == 0 and middle["lost"] > 3


def grown(watched):
    """How far to the right the strip has greys, as a share of its width; the drawn ones are 40 and 180."""
    upper = watched.canvas("strip")[20:40].mean(axis=(0, 2))
    return int(np.flatnonzero(upper > 30).max(initial=0)) / len(upper)


def test_the_strip_grows_to_the_right_and_begins_anew_with_the_next_needle(played):
    says(played, "state-words", "^Needle in$")
    played.page.wait_for_timeout(600)
    first = grown(played)
    played.page.wait_for_timeout(1000)
    second = grown(played)
    assert 0 < first < second < 0.6
    # A second is a twelfth of the strip at first.
    assert second - first == pytest.approx(1 / 12, abs=0.05)
    says(played, "state-words", "^Ready$")
    done = grown(played)
    assert done == pytest.approx(4 / 12, abs=0.06)
    playwright.expect(played.page.locator("#state-words")).to_have_text("Needle in", timeout=8000)
    played.page.wait_for_timeout(300)
    assert grown(played) < 0.12


def test_the_time_to_the_page_is_measured_and_shown(played):
    says(played, "latency", r"^Camera to this page: \d+ ms, 95 of 100 pictures within \d+ ms")
    played.page.wait_for_timeout(2000)
    times = played.server.desk.feed.latency.all()
    # How long it takes is for benchmarks to tell: the machine that tests does other things too.
    assert times["n"] > 5 and 0 < times["median_ms"] <= times["p95_ms"]


def test_an_attempt_ends_with_a_card_that_is_then_checked(watch):
    live = watch(Changed()).open()
    card = fake_card(3)
    live.practice.change = {"card": card, "history": (card, fake_card(2))}
    live.play(AWAY)
    says(live, "card", "Hit")
    says(live, "card", "Live result.*being checked with hindsight")
    says(live, "card", "Closest to the centre.*3.2 ± 0.5 mm")
    live.practice.change = {"card": checked(card), "history": (checked(card), fake_card(2))}
    live.play(AWAY + 1)
    says(live, "card", "Checked with hindsight")
    says(live, "card", "4.1 ± 0.6 mm by the recording, 2.0 ± 0.6 mm live")
    assert live.page.locator("#history li").count() == 2
    says(live, "history", "3.*Hit.*10:00.*checked")


def test_what_holds_is_told_in_words(watch):
    live = watch(Changed()).open()
    live.practice.change = {
        "word": state_word("no_picture"),
        "source": SourceNow("gone", "The camera is gone since 5 s", 5.0, None, None),
        "recording": RecordingNow("stopped", "The disk is nearly full: nothing is recorded"),
        "warnings": (Warned("lost", "12 pictures were not recorded"),),
        "setup": SetupNow(fault="setup.marks.json: the target lies outside the picture; mark it again."),
    }
    live.play(AWAY)
    says(live, "state-words", "^No picture$")
    says(live, "source", "gone since 5 s")
    says(live, "warnings", "12 pictures.*disk is nearly full")
    says(live, "setup-words", "mark it again")


def test_a_name_is_no_markup(watch):
    live = watch(Changed()).open()
    text = "<img src=x onerror=alert(1)>"
    card = replace(fake_card(1), outcome_text=text, name=text, learner=text, differences=(text,))
    live.practice.change = {"card": card, "history": (card,), "learner": text}
    live.play(AWAY)
    says(live, "card", re.escape(text))
    assert live.page.locator("img").count() == 0


class TestAVisitor:
    @pytest.fixture
    def live(self, watch):
        practice = Changed(visitor=True)
        practice.change = {"learner": None, "visitor": VisitorNow("", "")}
        live = watch(practice).open()
        live.play(AWAY)
        return live

    def test_a_nickname_is_kept_for_the_try_and_goes_with_it(self, live):
        live.page.fill("#nickname", "Blue Owl")
        live.page.keyboard.press("Enter")
        live.page.wait_for_function("() => document.getElementById('said') !== null")
        for _ in range(100):
            if live.practice.nick:
                break
            live.page.wait_for_timeout(20)
        assert live.practice.nick == "Blue Owl"
        live.page.evaluate("document.activeElement.blur()")
        live.practice.change = {
            "visitor": VisitorNow("Blue Owl", "Put the needle away."),
            "card": fake_card(1),
        }
        live.play(AWAY + 1)
        says(live, "card", "Blue Owl.*You hit it!.*3.2")
        assert not live.page.is_visible("#history-part") and not live.page.is_visible("dl.figures")
        live.practice.change = {"visitor": VisitorNow("", ""), "card": None, "history": ()}
        live.play(AWAY + 2)
        assert live.page.input_value("#nickname") == "" and not live.page.is_visible("#card")

    def test_between_tries_the_needle_comes_first(self, live):
        live.practice.change = {
            "visitor": VisitorNow("", "Put the needle away."),
            "word": state_word("sharps"),
        }
        live.play(AWAY + 1)
        says(live, "caution", "Put the needle away.*Touch the needle only while")
        assert not live.page.is_visible("#nickname")
        with live.page.expect_response("**/api/live/next"):
            live.page.click("#next")
        assert live.practice.called == ["next_visitor"]


def test_a_try_is_forgotten_only_when_asked_twice(watch):
    live = watch(Changed()).open()
    live.practice.change = {"card": fake_card(1), "history": (fake_card(1),)}
    live.play(AWAY)
    live.page.wait_for_selector("#forget:enabled")
    live.page.keyboard.press("f")
    live.page.click("text=Keep it")
    live.page.wait_for_timeout(100)
    assert live.practice.called == []
    live.page.keyboard.press("f")
    with live.page.expect_response("**/api/live/forget"):
        live.page.click("text=Forget it")
    assert live.practice.called == ["forget_try"]


def test_an_attempt_is_ended_by_its_key_while_there_is_one(by_hand):
    by_hand.play(AWAY)
    by_hand.page.keyboard.press("e")
    by_hand.play(SEEN)
    by_hand.page.wait_for_selector("#end:enabled")
    with by_hand.page.expect_response("**/api/live/end"):
        by_hand.page.keyboard.press("e")
    assert by_hand.practice.called == ["end_attempt"]


def test_the_picture_is_marked_and_the_way_leads_back(watch, sample):
    clip = sample("clean_hit", marks=False)
    live = watch(ByHand(folder=clip)).open()
    live.play(AWAY)
    live.page.keyboard.press("m")
    live.page.wait_for_selector("body[data-ready=yes] #to-live:visible")
    assert live.page.url.endswith("/setup/mark")
    assert not live.page.is_visible("#head-score") and not live.page.is_visible("#to-review")
    live.page.click("#head-details")
    live.page.fill("#learner", "L07")
    live.page.click("#to-live")  # what is not saved yet is saved first
    live.page.wait_for_url("**/live")
    live.page.wait_for_selector("body[data-ready=yes]")
    assert live.practice.called == ["still", f"take_setup {clip.name}"]


def test_a_server_that_ends_is_told(played):
    says(played, "latency", "Camera")
    played.server.end()
    says(played, "state-words", "^No connection$")
    playwright.expect(played.page.locator(".view")).to_have_class(re.compile("old"), timeout=5000)
    says(played, "sight-words", "^No picture$")  # not "No needle": nobody knows
    assert played.text("source") == "" and not played.page.is_visible("#recording")
    played.page.goto("about:blank")
    played.page.faults = [fault for fault in played.page.faults if "ERR_" not in fault and "503" not in fault]


def test_a_line_that_breaks_is_taken_up_again(watch):
    live, lines = watch(ByHand()), []
    live.page.route_web_socket("**/drawn", lambda line: lines.append((line, line.connect_to_server())))
    live.open().play(SEEN)
    lines[0][0].close()
    says(live, "state-words", "^No connection$")
    live.page.wait_for_function("() => document.getElementById('state').dataset.key !== 'gone'")
    live.play(SEEN + 1)
    assert len(lines) == 2


def shows(page):
    """What a page's canvas shows, as one number; it changes with every picture."""
    return page.evaluate("() => document.getElementById('picture').toDataURL()")


def test_two_pages_show_the_same_session_and_one_goes_and_comes_as_it_likes(played):
    first, feed = played.page, played.server.desk.feed
    for _ in range(2):  # the second time is a page opened again
        second = first.context.new_page()
        second.goto(played.server.address)
        second.wait_for_selector("body[data-ready=yes]")
        for page in (first, second):
            before = shows(page)
            page.wait_for_function(
                "(before) => document.getElementById('picture').toDataURL() !== before", arg=before
            )
        assert feed.n_pages == 2
        second.close()
        until = time.monotonic() + 5
        while feed.n_pages == 2 and time.monotonic() < until:
            first.wait_for_timeout(20)
        assert feed.n_pages == 1
    before = shows(first)
    first.wait_for_function(
        "(before) => document.getElementById('picture').toDataURL() !== before", arg=before
    )


def test_what_one_page_asks_for_the_other_shows(watch):
    live = watch(ByHand()).open()
    live.play(SEEN)
    second = live.page.context.new_page()
    second.goto(live.server.address)
    second.wait_for_selector("body[data-ready=yes]")
    live.page.click("#end")
    says(live, "said", "^The attempt is ended")  # once the server has answered
    assert live.practice.called == ["end_attempt"]
    live.practice.play(190)  # the attempt is over
    for page in (live.page, second):
        page.wait_for_selector("#card:visible")
    second.close()


def test_a_page_opened_in_mid_attempt_has_the_whole_strip(watch, page):
    practice = ByHand()
    for number in range(round(IN_S * 30) + 1, SEEN + 1):
        practice.play(number)
    live = watch(practice).open()
    live.page.wait_for_function("() => document.getElementById('no-picture').hidden")
    live.page.wait_for_timeout(700)
    assert grown(live) == pytest.approx((SEEN / 30 - IN_S) / 12, abs=0.02)


def test_a_line_through_a_circle_is_inside_where_geometry_says(by_hand):
    """Half of a chord at distance d from the centre of a circle: sqrt(r² - d²) (Pythagoras)."""
    found = by_hand.page.evaluate(
        """async () => {
            const place = document.baseURI.replace(/[^/]*$/, "static/live-geometry.js");
            const { crossingMm } = await import(place);
            const turn = (i) => (i * Math.PI) / 360, mm = [0.1, 0.1];
            const at = (i) => [300 + 50 * Math.cos(turn(i)), 50 * Math.sin(turn(i))];
            const circle = Array.from({ length: 720 }, (_, i) => at(i));
            const lines = [[[0, 30], [10, 30]], [[0, 60], [10, 60]], [[0, 0], [0, 0]]];
            return lines.map(([from, through]) => crossingMm(circle, from, through, mm));
        }"""
    )
    assert found[0] == pytest.approx([26.0, 34.0], abs=0.01)
    assert found[1:] == [None, None]
    assert MM_PER_PX == 0.1
