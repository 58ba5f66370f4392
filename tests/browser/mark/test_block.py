"""A block named on the marking page. The block is invented; its one target has the sample's true size."""

import pytest

from needlecoach.block.file import write_block
from needlecoach.model import Block, BlockContainer, BlockTarget, Medium

playwright = pytest.importorskip("playwright.sync_api")

BOX = BlockContainer("box", 180.0, 120.0, 60.0)
# Names that a page could take for markup.
RIGHT = BlockTarget("<b>plum", "fluid", "ball", (8.0, 8.0, 8.0), 25.0, (0.0, 0.0))
SMALL = BlockTarget("grape", "solid", "ball", (6.0, 6.0, 6.0), 25.0, (20.0, 0.0))
BLOCK = Block("G3", None, BOX, Medium("gel"), 22.0, (), (RIGHT, SMALL))


@pytest.fixture
def cast(served):
    _, clip, _ = served
    path = clip.with_name("G3.block.json")
    write_block(path, BLOCK)
    yield
    path.unlink()


def test_a_block_offers_its_targets_and_tells_of_another_size(cast, marked):
    page = marked.page
    marked.step("details")
    assert page.is_hidden("#block-target") and marked.text("block-words") == ""
    page.fill("#block", "G 3")
    assert "A code of up to 16" in marked.text("block-fault")
    page.fill("#block", "G3")
    offered = page.locator("#block-target option").all_text_contents()
    assert offered == ["another, or not said", "<b>plum, fluid, ball 8 mm", "grape, solid, ball 6 mm"]
    marked.says("#block-problem", "name one of <b>plum, grape")
    page.select_option("#block-target", "grape")
    marked.says(
        "#block-problem", "6 mm high: 33% more across and 3.% more in height. No slice through it is so"
    )
    assert (page.input_value("#target_name"), page.input_value("#target_kind")) == ("grape", "solid")
    assert page.locator("#medium-none").text_content() == "as the block’s file says"
    page.fill("#target_name", "<B>PLUM")
    assert page.input_value("#block-target") == "<b>plum"
    # Its kind was chosen with the other.
    marked.says("#block-problem", "^Target <b>plum is marked as solid, .* it is fluid.$")
    page.select_option("#block-target", "<b>plum")
    marked.says("#block-problem", "^$")
    saved = marked.saved()
    assert (
        saved["block"] == "G3" and saved["target"]["name"] == "<b>plum" and saved["target"]["kind"] == "fluid"
    )
    assert page.locator("#steps b").count() == 0


def test_a_block_without_a_file_is_a_code_alone(marked):
    marked.step("details")
    marked.page.fill("#block", "G9")
    assert marked.saved()["block"] == "G9"
    assert marked.page.is_hidden("#block-target") and marked.text("block-problem") == ""
    assert marked.page.locator("#medium-none").text_content() == "not said: depths as shown"
