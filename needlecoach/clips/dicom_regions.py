"""The ultrasound pictures that a DICOM file itself outlines and calibrates (PS3.3, C.8.5.5)."""

from __future__ import annotations

import math

from pydicom.dataset import Dataset

from needlecoach.clips.dicom_header import Header, number_of
from needlecoach.errors import MarksError
from needlecoach.model import Area, Scale

SOURCE = "the file's own calibration (DICOM region)"
# A calibration comes without an uncertainty. Makers promise distances on screen to about 2 % (common
# practice, no source); taken as two standard uncertainties, that is 1 %.
SD_SHARE = 0.01
# Region Spatial Format 0001H is 2D; Physical Units 0003H is cm (PS3.3, C.8.5.5.1.1 and C.8.5.5.1.15).
_TWO_D, _CM = 1, 3
# Region Data Type (C.8.5.5.1.2): tissue and colour flow are pictures; "none" and none stated are let through.
_PICTURES = {0, 1, 2, None}
# Some writers give the first pixel beyond the picture as its last one.
_OVERHANG_PX = 1
_LEAST_SIDE_PX = 8


def areas_of(header: Header) -> tuple[tuple[Area, ...], tuple[str, ...]]:
    """Return the usable ultrasound pictures, the largest first, and why others were passed over.

    Regions that are no two-dimensional picture in cm (M-mode, Doppler, graphics) are left out silently.
    """
    areas, faults = [], []
    for item in header.items("SequenceOfUltrasoundRegions"):
        if _is_picture(item):
            try:
                areas.append(_area(item, header.width_px, header.height_px))
            except _UnusableError as problem:
                faults.append(f"The file's own calibration was not used: {problem}.")
    areas.sort(key=lambda area: -area.box_px[2] * area.box_px[3])
    return tuple(areas), tuple(dict.fromkeys(faults))


def choice_words(areas: tuple[Area, ...]) -> tuple[str, ...]:
    """Say which of several pictures is taken; nothing where there is no choice."""
    if len(areas) < 2:
        return ()
    first, *others = (",".join(map(str, area.box_px)) for area in areas)
    return (
        f"The file outlines {len(areas)} ultrasound pictures: the largest, {first}, was taken unless "
        f"--region says otherwise; {'another is' if len(others) == 1 else 'others are'} {'; '.join(others)}.",
    )


class _UnusableError(Exception):
    """A region that claims to be a calibrated picture and can't be one; the message says why."""


def _is_picture(item: Dataset) -> bool:
    units = (number_of(item, name) for name in ("PhysicalUnitsXDirection", "PhysicalUnitsYDirection"))
    return (
        number_of(item, "RegionSpatialFormat") == _TWO_D
        and all(unit == _CM for unit in units)
        and number_of(item, "RegionDataType") in _PICTURES
    )


def _area(item: Dataset, width_px: int, height_px: int) -> Area:
    box = _box(item, width_px, height_px)
    # The sign tells which way the values grow, not the size of a pixel.
    deltas_cm = [number_of(item, name) for name in ("PhysicalDeltaX", "PhysicalDeltaY")]
    sizes_mm = [10 * abs(math.nan if delta is None else delta) for delta in deltas_cm]
    try:
        return Area(box, Scale(sizes_mm[0], sizes_mm[1], source=SOURCE, sd_share=SD_SHARE))
    except MarksError:
        words = " x ".join("unknown" if math.isnan(size) else f"{size:.3g}" for size in sizes_mm)
        raise _UnusableError(f"it claims pixels of {words} mm") from None


def _box(item: Dataset, width_px: int, height_px: int) -> tuple[int, int, int, int]:
    """Box of a region, whose last pixels the file counts in."""
    names = ("MinX0", "MinY0", "MaxX1", "MaxY1")
    places = [number_of(item, f"RegionLocation{name}") for name in names]
    if any(place is None for place in places):
        raise _UnusableError("it does not say where its picture lies")
    x0, y0, x1, y1 = (int(place or 0) for place in places)
    where = f"x {x0} to {x1}, y {y0} to {y1}"
    inside = min(x0, y0) >= 0 and x1 < width_px + _OVERHANG_PX and y1 < height_px + _OVERHANG_PX
    if not inside:
        raise _UnusableError(f"its picture ({where}) does not lie within {width_px} x {height_px} px")
    x1, y1 = min(x1, width_px - 1), min(y1, height_px - 1)
    if min(x1 - x0, y1 - y0) + 1 < _LEAST_SIDE_PX:
        raise _UnusableError(f"its picture ({where}) is too small to be one")
    return x0, y0, x1 - x0 + 1, y1 - y0 + 1
