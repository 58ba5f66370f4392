"""What the marking page calculates, against the scoring's own values and shapes drawn here."""

import numpy as np
import pytest

from needlecoach.marking import marking_sd_px
from needlecoach.model import Target


@pytest.fixture
def calculate(marked):
    """Call a function of the page's geometry: calculate(name, *arguments)."""

    def call(name, *arguments):
        return marked.page.evaluate(
            "async ([name, given]) => (await import('./static/mark-geometry.js'))[name](...given)",
            [name, list(arguments)],
        )

    return call


def test_three_clicks_uncertainty_and_ticks(calculate):
    rng = np.random.default_rng(8)

    # An ellipse is drawn, clicked at three of its points, and found again: places are kept to 0.01 px.
    for tilt_deg in (0, 25, 118, -70):
        drawn = Target.from_ellipse((300.0, 200.0), (60.0, 35.0), tilt_deg=tilt_deg)
        ends_and_side = drawn.outline_px[[180, 0, 60]].tolist()
        found = calculate("ellipseThrough", *ends_and_side)
        again = Target.from_ellipse(found["centre_px"], found["semi_axes_px"], tilt_deg=found["tilt_deg"])
        for point in drawn.outline_px[::15]:
            assert np.hypot(*(again.outline_px - point).T).min() < 0.6  # corners are up to 1 px apart
        assert sorted(found["semi_axes_px"]) == pytest.approx([35, 60], abs=0.05)
    # Beside an end of the axis a point says nothing of the width.
    assert calculate("ellipseThrough", [0, 0], [100, 0], [99, 3]) is None

    # The marking uncertainty is the scoring's, for outlines of any kind.
    turns = np.linspace(0, 2 * np.pi, 17, endpoint=False)
    for _ in range(5):
        radii = 50 + rng.normal(0, 3, (2, 17))
        one, other = (
            np.stack([300 + r * np.cos(turns), 200 + 0.7 * r * np.sin(turns)], axis=-1) for r in radii
        )
        ours = marking_sd_px(Target(outline_px=one), Target(outline_px=other))
        theirs = calculate("markingSdPx", {"polygon_px": one.tolist()}, {"polygon_px": other.tolist()})
        assert theirs == pytest.approx(ours, rel=1e-6)
    assert (
        calculate("markingSdPx", {"polygon_px": one.tolist()}, {"polygon_px": (one + 500).tolist()}) is None
    )

    # Ticks 12.5 px apart, drawn on whole rows, one of them missing.
    ticks = [[498, round(52 + 12.5 * i)] for i in range(20) if i != 7]
    spacing = calculate("tickSpacing", ticks)
    assert spacing["px"] == pytest.approx(12.5, abs=3 * spacing["px"] * spacing["sdShare"])
    # Rows rounded to whole px are off by 0.29 px (1 / sqrt 12), whatever the fit says.
    assert 0.29 / 26 / 12.5 * 0.8 < spacing["sdShare"] < 0.29 / 26 / 12.5 * 1.4
    assert calculate("crossesItself", [[0, 0], [9, 9], [9, 0], [0, 9]])
    assert not calculate("crossesItself", [[0, 0], [9, 0], [9, 9], [0, 9]])
