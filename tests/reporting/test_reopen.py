"""Marks come back from a run's record as they were."""

import json
from dataclasses import fields

import numpy as np
import pytest

from needlecoach.errors import NeedlecoachError
from needlecoach.model import BlockTarget, Marks, Medium, OfBlock, Scale, Target
from needlecoach.reporting.pagedata import page_data
from needlecoach.reporting.record import marks_of_record, marks_record
from needlecoach.reporting.reopen import PAGE_KEYS, read_page

CAST = BlockTarget("A1", "fluid", "egg", (8.0, 12.0, 10.0), 25.0, (0.0, -3.0))
CORNERS = ((10.0, 10.0), (600.0, 20.0), (590.0, 400.0), (5.0, 390.0))
SQUARE = np.array([(10.25, 10), (50, 10), (50, 40.5), (10, 40)])


@pytest.mark.parametrize(
    "marks",
    [
        Marks(),
        Marks(target=Target(SQUARE, frame=7, marking_sd_px=0.6), scale=Scale.from_mm_per_px(0.1, 0.12)),
        Marks(
            scale=Scale.from_points((0, 1), (0, 401), mm=40),
            region_box_px=(1, 2, 300, 200),
            medium=Medium("gel", temperature_c=21.0),
            learner="L01",
            task="core",
            needle_gauge=16,
            notes="second try",
            screen=CORNERS,
        ),
        Marks(screen="auto", tick_mm=5.0, target_mm=10.0, invented=True),
        Marks(block="G3", of_block=OfBlock("2026-11-20", CAST, True, ("one",))),
        Marks(block="G3", of_block=OfBlock(notes=("no file",))),
    ],
)
def test_marks_of_a_record_are_the_marks(marks):
    found = marks_of_record(json.loads(json.dumps(marks_record(marks))))
    for item in fields(Marks):
        one, other = getattr(found, item.name), getattr(marks, item.name)
        if item.name == "target" and other is not None:
            assert (one.frame, one.marking_sd_px) == (other.frame, other.marking_sd_px)
            assert one.outline_px == pytest.approx(other.outline_px, abs=0.0005)
            assert one.centre_px == pytest.approx(other.centre_px, abs=1e-9)
        else:
            assert one == other, item.name


@pytest.mark.parametrize("record", [{}, {"target": 3}, {"scale": {"x": 1}, "target": None, "medium": None}])
def test_what_is_no_record_is_refused(record):
    with pytest.raises((KeyError, TypeError, ValueError)):
        marks_of_record(record)


def test_a_page_file_that_lacks_something_is_called_spoilt(card, tmp_path):
    whole = page_data(card)
    (tmp_path / "page.json").write_text(json.dumps(whole))
    assert json.loads(read_page(tmp_path)) == json.loads(json.dumps(whole))
    lacking = [{key: value for key, value in whole.items() if key != gone} for gone in PAGE_KEYS]
    for page in ({}, {**whole, "clip": {}}, {**whole, "clip": 3}, [], *lacking):
        (tmp_path / "page.json").write_text(json.dumps(page))
        with pytest.raises(NeedlecoachError, match=r"page\.json: is spoilt; score the clip again"):
            read_page(tmp_path)


def test_page_data_of_another_version_are_refused_in_words(card, tmp_path):
    for schema in (1, 3, None, "<b>" * 20):
        (tmp_path / "page.json").write_text(json.dumps({**page_data(card), "schema": schema}))
        with pytest.raises(
            NeedlecoachError, match=r"written by another version .* score the clip again"
        ) as told:
            read_page(tmp_path)
        assert len(str(told.value)) < 300 + len(str(tmp_path))
