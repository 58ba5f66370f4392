"""A truth record drawn by hand and the results that would be exact: invented data."""

import numpy as np
import pandas as pd


def truth_record(*, needle: bool = True) -> dict:
    """40 frames at 10 per second; the needle is in from frame 10 on and hidden in frames 20-24."""
    frames = []
    for number in range(40):
        here = needle and number >= 10
        frames.append(
            {
                "frame": number,
                "needle_present": here,
                "tip_xy_px": [100.0 + number, 50.0] if here else None,
                "tip_visible": here and not 20 <= number < 25,
                "tip_borderline": number == 25,
                "angle_deg": 30.0 if here else None,
                "target": {"centre_px": [120.0, 60.0], "in_plane": number < 30},
            }
        )
    attempt = {
        "start_s": 1.0,
        "end_s": 3.9,
        "n_passes": 1,
        "n_strokes": 2,
        "hit": True,
        "min_dist_edge_mm": -2.0,
        "blind_advance_net_mm": 20.0,
    }
    return {
        "frames": frames,
        "mm_per_px": {"x": 0.1, "y": 0.2},
        "events": {"attempts": [attempt] if needle else []},
    }


def exact_results(record: dict) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return track and attempts as the tables would hold them, without any error."""
    rows = [
        {
            "frame": frame["frame"],
            "needle_present": int(frame["needle_present"]),
            "tip_x_px": frame["tip_xy_px"][0] if frame["tip_xy_px"] else np.nan,
            "tip_y_px": frame["tip_xy_px"][1] if frame["tip_xy_px"] else np.nan,
            "tip_visible": int(frame["tip_visible"]),
            "tip_sd_mm": 0.2,
            "angle_deg": frame["angle_deg"],
            "target_x_px": frame["target"]["centre_px"][0],
            "target_y_px": frame["target"]["centre_px"][1],
        }
        for frame in record["frames"]
    ]
    attempts = [
        {
            "start_s": attempt["start_s"],
            "end_s": attempt["end_s"],
            "passes": attempt["n_passes"],
            "strokes": attempt["n_strokes"],
            "outcome": "hit",
            "closest_edge_mm": attempt["min_dist_edge_mm"],
            "blind_advance_mm": attempt["blind_advance_net_mm"],
        }
        for attempt in record["events"]["attempts"]
    ]
    return pd.DataFrame(rows), pd.DataFrame(attempts)
