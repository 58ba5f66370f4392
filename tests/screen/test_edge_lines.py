"""Faint straight steps are told from strong speckle (drawn data)."""

import numpy as np
import pytest

from needlecoach.screen.edge_lines import straight_edges


def test_a_faint_step_is_found_where_it_was_drawn_and_its_sign():
    rng = np.random.default_rng(1)
    row, column = np.mgrid[0:240, 0:320].astype(float)
    grey = 20 + 2.0 * (column > 90 + 0.1 * (row - 119.5)) + rng.normal(0, 0.3, row.shape)
    grey[:, 180:300] += rng.normal(40, 25, (240, 120))

    lines = straight_edges(grey.astype(np.float32))

    faint = int(np.abs(lines.offset - 90.5).argmin())
    assert lines.offset[faint] == pytest.approx(90.5, abs=1.0)
    assert lines.slope[faint] == pytest.approx(0.1, abs=0.015)
    assert lines.sign[faint] == 1
    assert np.nanmean(lines.support[faint]) > 0.8


def test_nothing_no_lines():
    assert len(straight_edges(np.full((100, 120), 7, np.float32)).slope) == 0
