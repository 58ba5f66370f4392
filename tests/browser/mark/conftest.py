"""The marking page as a person uses it, on one server for all tests of it."""

import json
import re

import pytest

from needlecoach.marks import marks_path, read_marks

playwright = pytest.importorskip("playwright.sync_api")

# The sample clip's own target, in px of the frame.
CENTRE, RADIUS = (364.4, 246.9), 33.9
# A page that took this name for markup would do as it says.
NAME = "<img src=x onerror=alert(1)>L01.mp4"


class Marking:
    """The page as a person uses it: places are px of the frame."""

    def __init__(self, page, served, clip):
        self.page, self.clip, self.file = page, clip, marks_path(clip)
        page.goto(served.url)
        page.wait_for_selector("body[data-ready]")

    def at(self, x, y):
        """Place on the screen of a point of the frame, while the whole picture is shown."""
        box = self.page.locator(".stage-canvas").bounding_box()
        scale = min(box["width"] / 640, box["height"] / 480)
        left = box["x"] + (box["width"] - 640 * scale) / 2
        top = box["y"] + (box["height"] - 480 * scale) / 2
        return left + (x + 0.5) * scale, top + (y + 0.5) * scale

    def click(self, x, y):
        self.page.mouse.click(*self.at(x, y))

    def step(self, name):
        if self.page.get_attribute(f"#head-{name}", "aria-expanded") == "false":
            self.page.click(f"#head-{name}")

    def ellipse(self, radius=RADIUS):
        """Three clicks at the sample's target; the page waits for them already."""
        x, y = CENTRE
        for point in ((x - radius, y), (x + radius, y), (x, y + radius)):
            self.click(*point)

    def says(self, name, words):
        """Wait until an element says something like `words`, a regular expression."""
        playwright.expect(self.page.locator(name)).to_have_text(re.compile(words), timeout=15_000)

    def saved(self):
        """What lies in the file, once the page says that all is saved."""
        self.says("#saved", "^saved")
        return json.loads(self.file.read_text(encoding="utf-8"))

    def marks(self):
        """The same, read as scoring reads it."""
        self.saved()
        return read_marks(self.file)

    def text(self, name):
        return self.page.inner_text(f"#{name}")


@pytest.fixture(scope="package")
def served(serve, sample):
    """One server for all tests here, its clip of a hostile name; each begins with the marks it wants."""
    clip = sample()
    marks = marks_path(clip).read_text(encoding="utf-8")
    clip = clip.rename(clip.with_name(NAME))
    return serve("mark", clip), clip, marks


@pytest.fixture
def marking(served, page):
    """A clip without marks."""
    server, clip, _ = served
    marks_path(clip).unlink(missing_ok=True)
    return Marking(page, server, clip)


@pytest.fixture
def marked(served, page):
    """A clip with the sample's marks."""
    server, clip, marks = served
    marks_path(clip).write_text(marks, encoding="utf-8")
    return Marking(page, server, clip)


@pytest.fixture
def open_marking(served):
    """Open the page once more: open_marking(page) -> Marking."""
    server, clip, _ = served
    return lambda page: Marking(page, server, clip)
