"""The review page as a person uses it."""

import re

try:
    from playwright import sync_api
except ImportError:  # pragma: no cover - the test extra brings it
    sync_api = None

CLIP = "blind_advance"
# Within the stretch of this clip in which the needle lies out of the picture's plane.
BLIND_FRAME = 80
WAIT_MS = 30_000


def ready(page):
    page.wait_for_selector("body[data-ready=yes]")


def clear(page):
    """Take all corrections back."""
    sync_api.expect(page.locator("#progress")).to_be_hidden(timeout=WAIT_MS)
    there = page.locator("#corrections button.delete")
    for _ in range(n := there.count()):
        there.first.click()
    if n:
        done(page)


def done(page):
    sync_api.expect(page.locator("#state")).to_have_text(re.compile("^Done"), timeout=WAIT_MS)


def go_to(page, frame):
    """Go to a frame by the strip, as a hand would come near it, and keys for the rest."""
    slider = page.get_by_role("slider", name="Moment in the clip")
    slider.focus()
    while (now := int(slider.get_attribute("aria-valuenow"))) != frame:
        keys = "Shift+ArrowRight" if frame - now >= 10 else "ArrowRight"
        if frame < now:
            keys = "Shift+ArrowLeft" if now - frame >= 10 else "ArrowLeft"
        page.keyboard.press(keys)
    sync_api.expect(page.locator("#now")).to_contain_text(f"frame {frame}:")


def figure(page, name):
    return page.locator(f"#figures details[data-name={name}]")


def value(page, name):
    return figure(page, name).locator("strong").text_content()


def give_code(page, code="T01"):
    page.locator("#code").fill(code)
    page.locator("#code").press("Enter")


def drag_tip(page, dx, dy):
    box = page.locator("[data-handle=tip]").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + dx / 2, y + dy / 2)
    page.mouse.move(x + dx, y + dy)
    page.mouse.up()
