"""From a camera on the network to the page: a sample clip is played, a browser reads what is said of it."""

import re
import time

import pytest

from needlecoach.clips.capture import open_source
from needlecoach.clips.recorder import Recorder
from needlecoach.live.session import Session
from needlecoach.live.setup import Setup
from needlecoach.marks import MarkOptions
from needlecoach.scored import Wish
from tests.live.stand_ins import CLIPS, TruthFollower
from tests.streams import MjpegServer, number_in

playwright = pytest.importorskip("playwright.sync_api")
NAME = "clean_hit"


class Knowing(TruthFollower):
    """A tracker that tells the truth: which picture of the clip it is stands in its corner."""

    def __init__(self, source):
        super().__init__(NAME)
        self._source = source

    def see(self, number, time_s, picture):
        captured = self._source.wait_newer(number - 1, 0.5, spare_s=10.0)
        row = super().see(number_in(captured.pixels), time_s, picture)
        object.__setattr__(row, "number", number)
        return row


@pytest.fixture
def live(watch, tmp_path):
    with (
        MjpegServer(CLIPS / f"{NAME}.mp4", numbered=True) as server,
        open_source(server.address) as source,
        Recorder() as recorder,
    ):
        source.subscribe(recorder.see)
        setup = Setup.of_file(CLIPS / f"{NAME}.marks.json", MarkOptions())
        session = Session(
            source,
            recorder,
            setup=setup,
            out=tmp_path,
            wish=Wish(replay=False),
            follower_of=lambda *_: Knowing(source),
        )
        session.start()
        yield watch(session).open()
        session.close(patience_s=0.0)


def test_a_page_follows_a_stream_to_its_score(live):
    page = live.page
    words = playwright.expect(page.locator("#state-words"))
    words.to_have_text("Needle in", timeout=30_000)
    page.wait_for_function("() => Number(document.getElementById('distance-mm').textContent) > 0")
    assert re.search(r"(inside|outside) its edge", live.text("distance-words"))
    playwright.expect(page.locator("#card")).to_contain_text("Live result", timeout=30_000)
    assert re.search("Hit.*The tip reached the target", live.text("card"), re.S)
    playwright.expect(page.locator("#card-body, #history").first).to_contain_text(
        re.compile("Checked with hindsight|checked"), timeout=60_000
    )
    times = live.server.desk.feed.latency.all()
    assert times["n"] > 20 and 0 < times["median_ms"] <= times["p95_ms"]


def test_a_page_closed_in_mid_attempt_and_opened_again_loses_nothing(live):
    page, address = live.page, live.server.address
    playwright.expect(page.locator("#state-words")).to_have_text("Needle in", timeout=30_000)
    page.goto("about:blank")
    until = time.monotonic() + 60
    while not live.practice.state.history and time.monotonic() < until:
        page.wait_for_timeout(50)
    [card] = live.practice.state.history[-1:]
    assert card.outcome == "hit" and live.server.desk.feed.n_pages == 0
    page.goto(address)
    playwright.expect(page.locator("#card")).to_contain_text("Hit", timeout=30_000)


def test_a_still_of_the_stream_is_marked_and_followed_by_anew(live):
    page = live.page
    playwright.expect(page.locator("#state-words")).to_have_text(
        re.compile("Ready|Needle in|Tip hidden"), timeout=30_000
    )
    page.click("#mark")
    page.wait_for_selector("body[data-ready=yes] #to-live:visible", timeout=30_000)
    page.click("#head-details")
    page.fill("#phantom", "gel-3")
    page.click("#to-live")
    page.wait_for_url("**/live")
    session, until = live.practice, time.monotonic() + 20
    while "setup" not in session.state.setup.file and time.monotonic() < until:
        time.sleep(0.1)
    assert "setup" in session.state.setup.file and session.state.setup.fault == ""
    playwright.expect(page.locator("#state-words")).to_have_text(
        re.compile("Ready|Needle in|Tip hidden"), timeout=30_000
    )
