"""The server under a real browser: pages load clean, frames come exactly, and faults are told in words."""

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


WORDS_OF = """async () => {
    window.api ??= await import("./api.js".replace("./", document.baseURI.replace(/[^/]*$/, "static/")));
    try { return (await window.api.get("clip")).file; }
    catch (problem) { return `${problem.status}: ${problem.message}`; }
}"""


def test_a_server_that_is_gone_is_told_in_words_and_then_what_it_refuses(serve, sample, page):
    served = serve("mark", sample())
    page.goto(served.url)
    assert page.evaluate(WORDS_OF) == "clean_hit.mp4"
    refused = page.evaluate("async () => api.get('frames/9999').catch((problem) => problem.message)")
    assert "no frame 9999" in refused
    page.wait_for_load_state("networkidle")  # what is being asked for as the server ends fails as well
    served.end()
    words = page.evaluate(WORDS_OF)
    assert words.startswith("0: needlecoach no longer answers") and "saved is saved" in words
    # The browser itself reports all of these on its console.
    page.faults = [fault for fault in page.faults if not re.search("422|503|ERR_CONNECTION", fault)]
