"""The server under a real browser: pages load clean, frames come exactly."""

import re


def test_a_page_loads_without_a_fault(serve, sample, page):
    served = serve("mark", sample())
    page.goto(served.url)
    assert "needlecoach" in page.title()
    sizes = page.evaluate(
        """async () => {
            const image = new Image();
            image.src = "api/frames/20";
            await image.decode();
            return [image.naturalWidth, image.naturalHeight];
        }"""
    )
    assert sizes == [640, 480]


def test_a_server_that_is_gone_is_told_in_words(serve, sample, page):
    served = serve("mark", sample())
    page.goto(served.url)
    page.wait_for_selector("body[data-ready]")
    served.end()
    words = page.evaluate(
        """async () => {
            const api = await import("./static/api.js");
            return api.get("clip").then(() => "answered", (fault) => fault.message);
        }"""
    )
    assert words.startswith("needlecoach no longer answers")
    page.faults = [fault for fault in page.faults if not re.search("ERR_CONNECTION|Failed", fault)]
