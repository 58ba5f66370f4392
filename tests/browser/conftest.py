"""A real server on a copied sample clip, and a page of Debian's Chromium that fails a test on any fault."""

import contextlib
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.browser.reviewing import CLIP, WAIT_MS, clear, ready

CHROMIUM = Path("/usr/bin/chromium")
CLIPS = Path(__file__).parents[2] / "sample_clips"
_START_S = 30

try:
    from playwright.sync_api import sync_playwright
except ImportError:  # pragma: no cover - the test extra brings it
    sync_playwright = None


def pytest_collection_modifyitems(items):
    """Skip what needs a browser, with the reason, where there is none."""
    why = None
    if sync_playwright is None:
        why = "playwright is not installed: pip install -e '.[test]'"
    elif not CHROMIUM.exists():
        why = f"no Chromium at {CHROMIUM}: apt-get install chromium"
    here = Path(__file__).parent
    for item in items:
        if here not in item.path.parents:
            continue
        if why is not None:
            item.add_marker(pytest.mark.skip(reason=why))
        # Chromium itself crashes about once in 200 closings of a page that asks first; a fault of ours
        # fails twice, and in other words.
        item.add_marker(pytest.mark.flaky(reruns=1, only_rerun=["TargetClosedError"]))


class Served:
    """A running command with the address that it printed."""

    def __init__(self, args, cwd):
        self.cwd = cwd
        self.process = subprocess.Popen(
            [sys.executable, "-m", "needlecoach", *map(str, args), "--no-browser"],
            cwd=cwd,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        self.said, self.url = [], ""
        until = time.monotonic() + _START_S
        for line in self.process.stdout:
            self.said.append(line)
            found = re.search(r"http://127\.0\.0\.1:\d+/\S+", line)
            if found:
                self.url = found[0]
                return
            assert time.monotonic() < until, self.said
        raise AssertionError(f"the command ended: {self.said}")

    @property
    def base(self):
        """Address of the server with its key, without the page's name."""
        return self.url.rsplit("/", 1)[0]

    def end(self):
        """Press Ctrl-C and wait; return what the command printed."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        rest, _ = self.process.communicate(timeout=30)
        return "".join(self.said) + rest


@pytest.fixture(scope="session")
def sample(tmp_path_factory):
    """Copy a sample clip into a folder of its own: `sample(name, marks=False)` -> path of the clip."""

    def copy(name="clean_hit", *, marks=True):
        folder = tmp_path_factory.mktemp(name)
        shutil.copy(CLIPS / f"{name}.mp4", folder)
        if marks:
            shutil.copy(CLIPS / f"{name}.marks.json", folder)
        return folder / f"{name}.mp4"

    return copy


@pytest.fixture(scope="session")
def serve():
    """Start a command that serves a page: `serve("mark", clip, ...)` -> Served; ended after the tests."""
    with contextlib.ExitStack() as stack:

        def start(command, path, *more):
            served = Served([command, path, *more], cwd=Path(path).parent)
            stack.callback(served.end)
            return served

        yield start


@pytest.fixture(scope="session")
def _playwright():
    with sync_playwright() as playwright:
        yield playwright


@pytest.fixture(scope="session")
def _browsers():
    """Of this session, the newest last."""
    return []


@pytest.fixture
def chromium(_playwright, _browsers):
    """Debian's browser: the same one for all tests, or a new one where that one has crashed."""
    if not _browsers or not _browsers[-1].is_connected():
        _browsers.append(_playwright.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"]))
    return _browsers[-1]


@pytest.fixture
def context_options():
    """Of the browser's window; a test or module overrides it, for touch or a dark look."""
    return {"viewport": {"width": 1280, "height": 800}}


@pytest.fixture
def page(chromium, context_options):
    """A page in a window of its own. Errors on its console and requests that leave 127.0.0.1 fail the test.

    A test that provokes an error empties `page.faults` once it has looked at it.
    """
    context = chromium.new_context(**context_options)
    page = context.new_page()
    page.faults = []
    page.on("console", lambda it: page.faults.append(f"console: {it.text}") if it.type == "error" else None)
    page.on("pageerror", lambda problem: page.faults.append(f"script: {problem}"))

    def watch(request):
        if not request.url.startswith(("http://127.0.0.1:", "blob:", "data:", "about:", "chrome-error:")):
            page.faults.append(f"left this machine: {request.url}")

    context.on("request", watch)
    yield page
    context.close()
    assert page.faults == []


@pytest.fixture(scope="session")
def reports(sample):
    """The clip's folder with its results, scored once."""
    clip = sample(CLIP)
    command = [sys.executable, "-m", "needlecoach", "score", clip.name, "--out", "reports", "--no-replay"]
    subprocess.run([*command, "--quiet"], cwd=clip.parent, check=True)
    return clip.parent / "reports"


@pytest.fixture(scope="session")
def served(reports, serve):
    return serve("review", reports / CLIP)


@pytest.fixture
def review(page, served):
    """The page, opened on a result without corrections."""
    page.set_default_timeout(WAIT_MS)
    page.goto(served.url)
    ready(page)
    clear(page)
    return page
