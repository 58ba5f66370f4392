"""Drawings of a cohort as inline SVG: strings that need no script, coloured by the page's style sheet.

They calculate no figure: what is known is scaled to the drawing's units, and nothing else.
"""

from needlecoach.reporting.charts.axes import Axis, number_axis, share_axis
from needlecoach.reporting.charts.bars import bar_frame, dot_and_bar, interval_bar, span_of
from needlecoach.reporting.charts.curves import curve_chart, curve_frame
from needlecoach.reporting.charts.cusums import CusumAxes, cusum_axes, cusum_chart, lc_chart, risk_chart

__all__ = [
    "Axis",
    "CusumAxes",
    "bar_frame",
    "curve_chart",
    "curve_frame",
    "cusum_axes",
    "cusum_chart",
    "dot_and_bar",
    "interval_bar",
    "lc_chart",
    "number_axis",
    "risk_chart",
    "share_axis",
    "span_of",
]
