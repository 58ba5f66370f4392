"""A real scanner's ruler, in an example file of pydicom, against its screen and its calibration."""

import numpy as np
import pytest

from needlecoach.model import Frame
from needlecoach.screen import find_region
from needlecoach.screen.ruler import find_ruler

pydicom = pytest.importorskip("pydicom")


def test_the_dotted_ruler_of_a_real_recording() -> None:
    """File examples_ybr_color.dcm of pydicom, an echocardiogram: dots down the right, "19" (cm) at the last.

    Its Sequence of Ultrasound Regions gives 0.51050 mm per px for a picture of twice the size (the region
    ends at x 595 of what is 320 px here), so that a dot per 10 mm lies 9.794 px from the next.
    """
    data = pydicom.dcmread(pydicom.examples.get_path("ybr_color"))
    frames = [Frame(n, n / 25, np.ascontiguousarray(data.pixel_array[n, ..., 0])) for n in range(12)]
    area = data.SequenceOfUltrasoundRegions[0]
    assert area.RegionLocationMaxX1 == 595 and frames[0].pixels.shape == (240, 320)

    ruler = find_ruler(frames, find_region(frames))

    assert ruler is not None
    assert (ruler.side, len(ruler.steps), ruler.major_every) == ("right", 19, 5)
    assert ruler.scale(10.0).y_mm_per_px == pytest.approx(2 * 10 * area.PhysicalDeltaY, rel=0.003)
