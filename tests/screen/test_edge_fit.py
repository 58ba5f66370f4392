"""Lines fitted to drawn edges (drawn data)."""

import cv2
import numpy as np
import pytest

from needlecoach.screen.edge_fit import refine


def test_a_rough_outline_is_fitted_to_the_edge():
    true = np.array([[80.3, 60.8], [520.7, 71.2], [509.4, 350.6], [90.1, 333.9]])
    fine = np.zeros((420 * 8, 640 * 8), np.uint8)
    cv2.fillConvexPoly(fine, np.rint((true + 0.5) * 8 - 0.5).astype(np.int32), 40)
    grey = cv2.resize(fine, (640, 420), interpolation=cv2.INTER_AREA).astype(np.float32)
    grey[150:230, 60:120] += 120  # glare over a part of one edge

    assert refine(true + 2.0, cv2.GaussianBlur(grey, (0, 0), 1)) == pytest.approx(true, abs=0.4)
