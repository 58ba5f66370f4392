"""Compare one clip's track and attempts with its truth, and put many comparisons together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

FOUND_MM = 2.0
TOUCHING_MM = 0.3
BLIND_MM = 1.5
BLIND_SHARE = 0.15
STROKES_OFF = 1
FEWEST_RANKED = 3


@dataclass
class Tally:
    """Raw comparisons of one clip or of many; figures are only made of them at the end."""

    seen_error_mm: list[float] = field(default_factory=list)
    inferred_error_mm: list[float] = field(default_factory=list)
    seen_over_sd: list[float] = field(default_factory=list)
    inferred_over_sd: list[float] = field(default_factory=list)
    angle_error_deg: list[float] = field(default_factory=list)
    target_error_mm: list[float] = field(default_factory=list)
    edge_error_mm: list[float] = field(default_factory=list)
    blind_error_mm: list[float] = field(default_factory=list)
    blind_right: list[bool] = field(default_factory=list)
    visible_frames: int = 0
    rightly_visible: int = 0
    wrongly_visible: int = 0
    wrongly_hidden: int = 0
    needless_frames: int = 0
    false_frames: int = 0
    needless_clip_frames: int = 0
    false_clip_frames: int = 0
    attempts: int = 0
    attempts_wrong: int = 0
    passes_wrong: int = 0
    strokes_wrong: int = 0
    clear_outcomes: int = 0
    outcomes_wrong: int = 0
    attempts_compared: bool = False

    def add(self, other: Tally) -> None:
        """Take in another clip's comparisons."""
        for item in fields(self):
            mine, theirs = getattr(self, item.name), getattr(other, item.name)
            setattr(self, item.name, mine or theirs if isinstance(mine, bool) else mine + theirs)

    def figures(self) -> dict[str, float]:
        """Return every figure by name; NaN where there is nothing to compare."""
        seen = np.array(self.seen_error_mm)
        calls = 2 * self.rightly_visible + self.wrongly_visible + self.wrongly_hidden
        figures = {
            "tip_50_mm": _percentile(seen, 50),
            "tip_95_mm": _percentile(seen, 95),
            "found": _share((seen <= FOUND_MM).sum(), self.visible_frames),
            "visible_f1": _share(2 * self.rightly_visible, calls),
            "inferred_90_mm": _percentile(self.inferred_error_mm, 90),
            "seen_in_2sd": _share((np.array(self.seen_over_sd) <= 2).sum(), len(self.seen_over_sd)),
            "inferred_in_2sd": _share(
                (np.array(self.inferred_over_sd) <= 2).sum(), len(self.inferred_over_sd)
            ),
            "angle_50_deg": _percentile(self.angle_error_deg, 50),
            "angle_95_deg": _percentile(self.angle_error_deg, 95),
            "false": _share(self.false_frames, self.needless_frames),
            "false_no_needle": _share(self.false_clip_frames, self.needless_clip_frames),
            "target_95_mm": _percentile(self.target_error_mm, 95),
        }
        return figures | self._attempt_figures()

    def _attempt_figures(self) -> dict[str, float]:
        return {
            "attempts_off": float(self.attempts_wrong) if self.attempts_compared else np.nan,
            "passes": 1 - _share(self.passes_wrong, self.attempts),
            "strokes": 1 - _share(self.strokes_wrong, self.attempts),
            "outcome": 1 - _share(self.outcomes_wrong, self.clear_outcomes),
            "edge_50_mm": _percentile(self.edge_error_mm, 50),
            "blind_max_mm": _percentile(self.blind_error_mm, 100),
            "blind": _share(sum(self.blind_right), len(self.blind_right)),
        }


def _percentile(values: npt.ArrayLike, percent: float) -> float:
    array = np.asarray(values, dtype=float)
    return float(np.percentile(array, percent)) if array.size else np.nan


def _share(part: float, whole: float) -> float:
    return float(part / whole) if whole else np.nan


class Ruler:
    """Distances between pixels of one clip's frames, in mm on the scanner's picture."""

    def __init__(self, truth: dict[str, Any]) -> None:
        self._mm_per_px = np.array([truth["mm_per_px"]["x"], truth["mm_per_px"]["y"]], dtype=float)

    def distance_mm(self, frame: dict[str, Any], one_px: npt.ArrayLike, other_px: npt.ArrayLike) -> float:
        """Distance in mm; NaN when a point is. Frames of a camera are turned back to the screen first."""
        bend = frame.get("homography_screen_to_frame")
        places = [np.asarray(point, dtype=float) for point in (one_px, other_px)]
        if bend is not None:
            places = [_turned_back(np.array(bend, dtype=float), point) for point in places]
        return float(np.hypot(*((places[0] - places[1]) * self._mm_per_px)))


def _turned_back(bend: npt.NDArray[np.float64], point_px: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    x, y, w = np.linalg.solve(bend, [*point_px, 1.0])
    return np.array([x / w, y / w])


COLUMNS = (
    "needle_present", "tip_x_px", "tip_y_px", "tip_visible", "tip_sd_mm", "angle_deg", "target_x_px",
    "target_y_px",
)  # fmt: skip


def compare_frames(truth: dict[str, Any], track: pd.DataFrame) -> Tally:
    """Compare a track.csv with the truth of each frame; a frame or column missing from it is not found."""
    tally, ruler = Tally(), Ruler(truth)
    wanted = [frame["frame"] for frame in truth["frames"]]
    numbers = track.set_index("frame").reindex(index=wanted, columns=list(COLUMNS))
    numbers = numbers.apply(pd.to_numeric, errors="coerce").astype(float)
    for frame, got in zip(truth["frames"], numbers.to_dict("records"), strict=True):
        _compare_presence(tally, frame, got)
        _compare_target(tally, frame, got, ruler)
        if frame["needle_present"] and frame["tip_xy_px"] is not None:
            _compare_tip(tally, frame, got, ruler)
    if not any(frame["needle_present"] for frame in truth["frames"]):
        tally.needless_clip_frames, tally.false_clip_frames = tally.needless_frames, tally.false_frames
    return tally


def _compare_presence(tally: Tally, frame: dict[str, Any], got: dict[str, float]) -> None:
    if not frame["needle_present"]:
        tally.needless_frames += 1
        tally.false_frames += got["needle_present"] == 1
    if frame.get("tip_borderline"):
        return
    says, is_so = got["tip_visible"] == 1, bool(frame["tip_visible"])
    tally.rightly_visible += says and is_so
    tally.wrongly_visible += says and not is_so
    tally.wrongly_hidden += is_so and not says


def _compare_target(tally: Tally, frame: dict[str, Any], got: dict[str, float], ruler: Ruler) -> None:
    target = frame.get("target")
    if not target or not target.get("in_plane", True):
        return
    error = ruler.distance_mm(frame, (got["target_x_px"], got["target_y_px"]), target["centre_px"])
    if np.isfinite(error):
        tally.target_error_mm.append(error)


def _compare_tip(tally: Tally, frame: dict[str, Any], got: dict[str, float], ruler: Ruler) -> None:
    visible = bool(frame["tip_visible"])
    tally.visible_frames += visible
    error = ruler.distance_mm(frame, (got["tip_x_px"], got["tip_y_px"]), frame["tip_xy_px"])
    if np.isfinite(error):
        (tally.seen_error_mm if visible else tally.inferred_error_mm).append(error)
        if got["tip_sd_mm"] > 0:
            (tally.seen_over_sd if visible else tally.inferred_over_sd).append(error / got["tip_sd_mm"])
    # A bent needle has two fair angles: of the chord to its tip, and of the shaft that shows.
    angles = [frame.get(name) for name in ("angle_deg", "angle_fit_deg", "angle_in_frame_px_deg")]
    gaps = [abs(got["angle_deg"] - angle) for angle in angles if angle is not None]
    if visible and gaps and np.isfinite(got["angle_deg"]):
        tally.angle_error_deg.append(min(gaps))


def compare_attempts(truth: dict[str, Any], attempts: pd.DataFrame, tally: Tally) -> None:
    """Pair attempts by the time they share, then compare; one without a partner has everything wrong."""
    wanted = truth["events"]["attempts"]
    tally.attempts_compared = True
    tally.attempts += len(wanted)
    tally.attempts_wrong += abs(len(wanted) - len(attempts))
    free = list(attempts.index)
    for want in wanted:
        shared_s = {
            at: min(want["end_s"], attempts.loc[at, "end_s"])
            - max(want["start_s"], attempts.loc[at, "start_s"])
            for at in free
        }
        best = max(free, key=lambda at: shared_s[at], default=None)
        if best is None or shared_s[best] <= 0:
            _compare_attempt(tally, want, pd.Series(dtype=object))
            continue
        free.remove(best)
        _compare_attempt(tally, want, attempts.loc[best])


def _compare_attempt(tally: Tally, want: dict[str, Any], got: pd.Series) -> None:
    def off(column: str, truth: float) -> float:
        return float(abs(pd.to_numeric(got.get(column, np.nan), errors="coerce") - truth))

    # Written so that NaN, no number given, is wrong.
    tally.passes_wrong += off("passes", want["n_passes"]) != 0
    tally.strokes_wrong += not off("strokes", want["n_strokes"]) <= STROKES_OFF
    edge = want["min_dist_edge_mm"]
    # Nearer to the outline than this, hit and miss are a matter of the third digit.
    if edge is not None and abs(edge) > TOUCHING_MM:
        tally.clear_outcomes += 1
        tally.outcomes_wrong += str(got.get("outcome")) != ("hit" if want["hit"] else "miss")
    if edge is not None and np.isfinite(error := off("closest_edge_mm", edge)):
        tally.edge_error_mm.append(error)
    blind = want["blind_advance_net_mm"]
    if np.isfinite(error := off("blind_advance_mm", blind)):
        tally.blind_error_mm.append(error)
        tally.blind_right.append(error <= max(BLIND_MM, BLIND_SHARE * blind))


def rank_correlation(one: Sequence[float], other: Sequence[float]) -> tuple[float, int]:
    """Spearman's rank correlation of the pairs that are complete, and their number.

    Returns
    -------
    tuple of float and int
        NaN with under three pairs, or when one of both never changes.
    """
    pairs = pd.DataFrame({"one": one, "other": other}).dropna().rank()
    if len(pairs) < FEWEST_RANKED or (pairs.nunique() == 1).any():
        return np.nan, len(pairs)
    return float(np.corrcoef(pairs["one"], pairs["other"])[0, 1]), len(pairs)
