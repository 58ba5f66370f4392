"""The bench sheet: drawn to scale, complete, and safe with what people typed."""

import json
import re

import pytest

from needlecoach.block.cast import cast
from needlecoach.block.plan_file import EXAMPLE, read_plan
from needlecoach.model import Sound
from needlecoach.reporting.bench_sheet import render_bench_sheet
from needlecoach.reporting.charts.block_views import plan_view, ratio_of, side_view

SOUND = Sound(1500.0, 9.0, "as stated")


def casting(folder, **keys):
    path = folder / "plan.json"
    path.write_text(json.dumps(json.loads(EXAMPLE.read_text()) | keys))
    return cast(read_plan(path), SOUND)


def words(page):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.split("</style>")[1]))


@pytest.mark.parametrize(("length", "ratio"), [(130, 1), (200, 2), (320, 4), (640, 5), (990, 10)])
def test_views_are_to_scale_on_paper(tmp_path, length, ratio):
    box = {"kind": "box", "length_mm": length, "width_mm": 130, "height_mm": 90}
    found = casting(tmp_path, container=box)
    assert ratio_of(found) == ratio
    for view in (plan_view(found, "x"), side_view(found, "x")):
        wide = float(re.search(r'viewBox="\S+ \S+ (\S+) \S+"', view)[1])
        paper = float(re.search(r"--paper: ([\d.]+)mm", view)[1])
        assert wide / paper == pytest.approx(ratio, rel=2e-3)
        assert paper <= 180


def test_things_are_drawn_where_they_end_and_as_large_as_they_are(tmp_path):
    found = casting(tmp_path)
    side, above = side_view(found, "x"), plan_view(found, "x")
    assert 'class="thing solid" cx="50.0" cy="41.0" rx="9.00" ry="9.00"' in side  # the grape
    assert 'class="thing solid" cx="50.0" cy="0.0" rx="9.00" ry="9.00"' in above
    assert 'class="thing fluid" cx="-40.0" cy="35.0" rx="12.00" ry="7.50"' in above  # 24 long, 15 wide
    assert 'class="thing fluid" cx="-40.0" cy="31.4" rx="12.00" ry="7.50"' in side
    assert 'class="wanted" cx="-40.0" cy="33.0"' in side  # the pouch floats up from there
    assert side.count('class="layer opaque"') == 3
    # The grape's needle comes from the left at 35 degrees: 41 / tan(35°) = 58.6 aside.
    assert 'class="way" d="M-8.6 0.0L50.0 41.0"' in side


def test_a_thing_with_gas_is_hatched_and_one_that_may_do_either_is_drawn_thrice(tmp_path):
    berry = {"name": "berry", "made_of": "blueberry", "size_mm": 10, "depth_mm": 37, "layer": "middle"}
    side = side_view(casting(tmp_path, targets=[berry]), "x")
    assert side.count('class="thing gas"') == 1
    assert side.count('class="wanted"') == 2


def test_what_breaks_the_surface_is_drawn_whole(tmp_path):
    fat = {"name": "fat", "made_of": "fat", "shape": "box", "size_mm": [20, 20, 20], "depth_mm": 12}
    side = side_view(casting(tmp_path, targets=[fat]), "x")
    top = float(re.search(r'viewBox="\S+ (\S+) ', side)[1])
    assert float(re.search(r'class="thing solid" x="\S+ y="([-\d.]+)"', side)[1]) > top


def test_all_is_on_the_sheet(tmp_path):
    page = render_bench_sheet(casting(tmp_path, cast_on="2026-11-26"))
    text = words(page)
    for part in (
        "Block G1",
        "Cast on 2026-11-26",
        "1950 ml; it holds 2340 ml",
        "sinks in middle: 41 mm",
        "floats in middle",
        "held in bed: 60 mm",
        "13.3 g",
        "1965 ml",
        "1 mm of paper is 2 mm of block",
        "1500 ± 9 m/s at 20 °C (as stated)",
        "40 mm deep at 41.1 mm",  # 40 * 1540 / 1500
        "until 2026-11-30",
        "Nguyen et al.",
        "household rules",
    ):
        assert part in text, part


@pytest.mark.parametrize(
    "caution",
    ["Hot liquid", "Allergens", "food no longer", "Hygiene", "Disposal", "sharps", "never patient care",
     "Never for patient care", "infection control"],
)  # fmt: skip
def test_cautions(tmp_path, caution):
    assert caution in words(render_bench_sheet(casting(tmp_path)))


def test_what_was_typed_is_escaped_and_nothing_is_fetched(tmp_path):
    layers = [{"name": "<b>bed</b>", "thickness_mm": 60, "gelatin_g_l": 40}]
    grape = {"name": "<i>grape", "made_of": "grape", "size_mm": 18, "depth_mm": 40}
    page = render_bench_sheet(casting(tmp_path, layers=layers, targets=[grape], notes="<script>"))
    assert not re.search(r"<b>|<i>|<script|https?://|src=|url\((?!#)", page)
    assert "&lt;b&gt;bed" in page


def test_a_sheet_of_a_plain_block_has_its_own_days(tmp_path):
    text = words(render_bench_sheet(casting(tmp_path, targets=[], cast_on="2026-11-26")))
    assert "10 days at room temperature, 50 days in the fridge (until 2027-01-15" in text
    assert "Rathbun et al." in text
