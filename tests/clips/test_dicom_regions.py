"""Regions and scales that a DICOM file states (PS3.3, C.8.5.5); the files are invented."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from needlecoach.clips import open_clip
from needlecoach.model import Area

Write = Callable[..., Path]


@pytest.fixture
def areas(write_dicom: Write, moving: np.ndarray) -> Callable[..., tuple[tuple[Area, ...], str]]:
    """Return what the reader makes of region items: areas, and all notes as one text."""

    def read(*items: Any) -> tuple[tuple[Area, ...], str]:
        with open_clip(write_dicom(moving, SequenceOfUltrasoundRegions=list(items))) as reader:
            return reader.areas, " ".join(reader.notes)

    return read


def test_box_counts_its_last_pixels_in(areas: Any, dicom_region: Any) -> None:
    (area,), notes = areas(dicom_region((20, 10, 99, 79), PhysicalDeltaX=0.02, PhysicalDeltaY=0.03))
    assert area.box_px == (20, 10, 80, 70)
    # 10 mm to the cm: 0.02 and 0.03 cm are 0.2 and 0.3 mm.
    assert (area.scale.x_mm_per_px, area.scale.y_mm_per_px) == pytest.approx((0.2, 0.3))
    assert area.scale.source == "the file's own calibration (DICOM region)"
    assert 0 < area.scale.sd_share <= 0.02
    assert notes == ""


def test_negative_deltas_are_directions(areas: Any, dicom_region: Any) -> None:
    (area,), _ = areas(dicom_region(PhysicalDeltaX=-0.02, PhysicalDeltaY=-0.02))
    assert (area.scale.x_mm_per_px, area.scale.y_mm_per_px) == pytest.approx((0.2, 0.2))


@pytest.mark.parametrize(
    "changes",
    [
        {"RegionSpatialFormat": 2},  # M-mode
        {"RegionSpatialFormat": 3},  # spectral Doppler
        {"RegionSpatialFormat": 4},  # waveform
        {"RegionSpatialFormat": 5},  # graphics
        {"RegionDataType": 3},  # PW Doppler in spite of a 2D format
        {"PhysicalUnitsXDirection": 4},  # seconds
        {"PhysicalUnitsYDirection": 7},  # cm/s
        {"PhysicalUnitsXDirection": 0, "PhysicalUnitsYDirection": 0},
        {"RegionSpatialFormat": None},
    ],
)
def test_what_is_no_picture_in_cm_is_left_out(
    areas: Any, dicom_region: Any, changes: dict[str, int | None]
) -> None:
    found, notes = areas(dicom_region(**changes))
    assert found == () and notes == ""


@pytest.mark.parametrize(
    "changes",
    [
        {"PhysicalDeltaX": 0.0},
        {"PhysicalDeltaY": math.nan},
        {"PhysicalDeltaX": math.inf},
        {"PhysicalDeltaY": 1000.0},  # 10 m per px
        {"PhysicalDeltaX": None},
        {"RegionLocationMaxX1": 500},
        {"RegionLocationMaxY1": 4_000_000_000},
        {"RegionLocationMinX0": 110},
        {"RegionLocationMinX0": None},
        {"RegionLocationMaxX1": 22},
    ],
)
def test_absurd_regions_are_told_and_not_used(areas: Any, dicom_region: Any, changes: dict[str, Any]) -> None:
    found, notes = areas(dicom_region(**changes))
    assert found == ()
    assert notes.startswith("The file's own calibration was not used: it")


def test_one_pixel_too_many_is_cut_off(areas: Any, dicom_region: Any) -> None:
    (area,), notes = areas(dicom_region((0, 0, 120, 90)))
    assert area.box_px == (0, 0, 120, 90) and notes == ""


def test_several_regions_come_largest_first_and_are_told(areas: Any, dicom_region: Any) -> None:
    small = dicom_region((0, 0, 29, 29), PhysicalDeltaX=0.05, PhysicalDeltaY=0.05)
    doppler = dicom_region((0, 0, 119, 89), RegionSpatialFormat=3)
    (first, second), notes = areas(small, doppler, dicom_region((40, 0, 119, 89)))
    assert first.box_px == (40, 0, 80, 90) and second.box_px == (0, 0, 30, 30)
    assert "40,0,80,90" in notes and "0,0,30,30" in notes


def test_a_given_box_takes_the_scale_of_the_region_under_it(
    write_dicom: Write, moving: np.ndarray, dicom_region: Any
) -> None:
    small = dicom_region((0, 0, 29, 29), PhysicalDeltaX=0.05, PhysicalDeltaY=0.05)
    path = write_dicom(moving, SequenceOfUltrasoundRegions=[dicom_region((40, 0, 119, 79)), small])
    with open_clip(path) as reader:
        at = {box: reader.area_for(box) for box in [None, (2, 2, 20, 20), (45, 5, 30, 30), (0, 85, 20, 5)]}
    assert [area and round(area.scale.x_mm_per_px, 3) for area in at.values()] == [0.2, 0.5, 0.2, None]
