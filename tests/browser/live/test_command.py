"""The command itself: a sample clip is played to it over HTTP, a browser reads the page, Ctrl-C ends it."""

import re
import signal

import pytest

from needlecoach.clips import open_clip
from needlecoach.marks import read_marks
from tests.browser.conftest import Served
from tests.streams import MjpegServer

playwright = pytest.importorskip("playwright.sync_api")
NAME = "clean_hit"


def test_a_needle_is_followed_from_stream_to_score_and_ctrl_c_keeps_what_was_recorded(sample, page):
    clip = sample(NAME)
    marks = clip.with_name(f"{NAME}.marks.json")
    with MjpegServer(clip) as server:
        served = Served(
            ["live", server.address, "--setup", marks, "--learner", "L07", "--no-replay"], cwd=clip.parent
        )
        page.goto(served.url)
        playwright.expect(page.locator("#state-words")).to_have_text("Needle in", timeout=30_000)
        playwright.expect(page.locator("#distance-mm")).to_have_text(re.compile(r"\d"), timeout=10_000)
        playwright.expect(page.locator("#latency")).to_have_text(re.compile(r"\d+ ms"), timeout=10_000)
        playwright.expect(page.locator("#card")).to_contain_text("Live result", timeout=40_000)
        page.goto("about:blank")
        served.process.send_signal(signal.SIGINT)
        said = served.end()
    assert served.process.returncode == 0
    assert re.search(r"From the camera to the page: \d+ ms \(median\), 95 % within \d+ ms", said)
    assert "Traceback" not in said
    recordings = sorted((clip.parent / "reports" / "recordings").glob("L07-*.mkv"))
    assert recordings
    for one in recordings:
        with open_clip(one) as reader:
            assert sum(1 for _ in reader) > 10
        # Ctrl-C waits for what is being scored.
        assert (clip.parent / "reports" / one.stem / "attempts.csv").is_file()
        assert read_marks(one.with_name(f"{one.stem}.marks.json")).learner == "L07"
