"""The contrast curve: contrast is measured as defined, frames are counted as defined, the chart is drawn."""

from dataclasses import replace
from pathlib import Path

import contrast
import cv2
import numpy as np
import pandas as pd
import pytest
from plain_methods import METHODS
from truths import exact_results, truth_record

from needlecoach.phantoms.scene import Scene
from needlecoach.phantoms.simulate import simulate
from needlecoach.phantoms.simulate import truth_record as simulated_truth

SCENE = Scene(duration_s=1.0, fps=1.0)


def drawn_speckle(
    scene: Scene, needle_db: float | None, *, side: float = 1.0
) -> tuple[dict, list[np.ndarray]]:
    """Independent Rayleigh speckle of mean power 1 in 8 frames, and a band of this much more power in it."""
    rng = np.random.default_rng(5)
    entry, tip = (300 - side * 180.0, 60.0), (300 + side * 120.0, 240.0)
    frames, pictures = [], []
    for number in range(8):
        power = rng.exponential(1.0, (400, 600))
        if needle_db is not None:
            band = np.zeros(power.shape, np.uint8)
            ends = [tuple(round(v) for v in point) for point in (entry, tip)]
            cv2.line(band, *ends, 1, thickness=9)
            power += 10 ** (needle_db / 10) * band * rng.exponential(1.0, power.shape)
        probe = scene.probe
        level_db = 10 * np.log10(power) - probe.speckle_below_white_db + probe.dynamic_range_db
        grey = np.clip(np.rint(level_db * 255 / probe.dynamic_range_db), 0, 255)
        pictures.append(grey.astype(np.uint8))
        frames.append(
            {"frame": number, "needle_present": True, "entry_xy_px": list(entry), "tip_xy_px": list(tip)}
        )
    return {"frames": frames}, pictures


@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize("needle_db", [15.0, 6.0, 0.0])
def test_contrast_of_a_drawn_band(needle_db: float, side: float) -> None:
    """Tolerance 0.3 dB: some 20 000 speckles, and grey values of 0.23 dB each."""
    truth, pictures = drawn_speckle(SCENE, needle_db, side=side)
    assert contrast.contrast_db(SCENE, truth, pictures) == pytest.approx(needle_db, abs=0.3)


def test_no_band_is_no_contrast_and_a_dark_one_is_nan() -> None:
    truth, pictures = drawn_speckle(SCENE, None)
    faintest = contrast.contrast_db(SCENE, truth, pictures)
    assert np.isnan(faintest) or faintest < -12
    dark = [cv2.line(picture, (120, 60), (420, 240), 0, thickness=9) for picture in pictures]
    assert np.isnan(contrast.contrast_db(SCENE, truth, dark))


@pytest.mark.parametrize("side", [1, -1])
def test_what_lies_below_the_shaft_does_not_count(side: int) -> None:
    truth, pictures = drawn_speckle(SCENE, 6.0, side=side)
    for picture in pictures:  # 25 px down, 21 px aside: 2.4 mm
        cv2.line(picture, (300 - 180 * side, 85), (300 + 120 * side, 265), 255, thickness=5)
    assert contrast.contrast_db(SCENE, truth, pictures) == pytest.approx(6.0, abs=0.3)


def test_the_bright_face_of_the_probe_does_not_count() -> None:
    truth, pictures = drawn_speckle(SCENE, 6.0)
    face = SCENE.display.face_px[1]
    for picture in pictures:
        picture[: face + int(3.9 / SCENE.display.mm_per_px)] = 255
    assert contrast.contrast_db(SCENE, truth, pictures) == pytest.approx(6.0, abs=0.4)


def test_a_needle_drawn_fainter_measures_as_much_fainter() -> None:
    """On the simulator itself: 8 dB less in, 8 dB less out, within 1 dB (shaft and speckle interfere)."""
    scene = replace(contrast.faint_scene(2), fps=2.0)

    def measured(shaft_db: float) -> float:
        drawn = list(simulate(contrast.with_needle_at(scene, shaft_db), seed=2))
        record = simulated_truth(scene, [truth for _, truth in drawn], seed=2)
        return contrast.contrast_db(scene, record, [frame.pixels for frame, _ in drawn])

    assert measured(42.0) - measured(34.0) == pytest.approx(8.0, abs=1.0)


def test_the_tip_fades_with_the_shaft() -> None:
    look = contrast.with_needle_at(SCENE, 20.0).needle
    assert look.shaft_db == 20.0
    assert look.tip_db - look.shaft_db == SCENE.needle.tip_db - SCENE.needle.shaft_db


def test_frames_are_counted_whether_or_not_the_tip_counts_as_visible() -> None:
    record = truth_record()
    track, _ = exact_results(record)
    track.loc[0, "needle_present"] = 1
    track.loc[10, "tip_x_px"] = np.nan
    track.loc[11, "tip_x_px"] += 25.0  # 2.5 mm
    track = track.drop(index=[12])
    figures = contrast.count_frames(record, track).figures()
    assert figures["found"] == pytest.approx(27 / 30)
    assert figures["false"] == pytest.approx(1 / 10)
    assert figures["tip_50_mm"] == 0.0
    assert figures["tip_95_mm"] == pytest.approx(0.0)
    track.loc[13:16, "tip_x_px"] += 10.0
    assert contrast.count_frames(record, track).figures()["tip_95_mm"] == pytest.approx(1.0)
    empty = contrast.count_frames(record, track.iloc[:0]).figures()
    assert empty["found"] == 0.0
    assert np.isnan(empty["tip_50_mm"])


def reading(asked_db: float, found: int, measured_db: float = 1.0) -> contrast.Reading:
    count = contrast.Count([0.5] * found, needle_frames=10, needless_frames=4, false_frames=1)
    return contrast.Reading(1, asked_db, measured_db, 14.0, {contrast.OURS: count})


def test_clips_of_one_contrast_are_put_together() -> None:
    table = contrast.curve([reading(3.0, 2), reading(9.0, 10), reading(3.0, 4, np.nan)])
    assert list(table["shaft_db"]) == [9.0, 3.0]
    assert list(table["found"]) == [1.0, 0.3]
    assert list(table["false"]) == [0.25, 0.25]
    assert list(table["measured_db"]) == [1.0, 1.0]


def test_confidence_is_ranked_by_true_error() -> None:
    readings = [
        replace(
            reading(0.0, 3), counts={contrast.OURS: contrast.Count([error_mm], 1)}, confidence=1 - error_mm
        )
        for error_mm in (0.1, 0.3, 0.2)
    ]
    lost = replace(readings[0], counts={contrast.OURS: contrast.Count(needle_frames=1)}, confidence=0.05)
    words = contrast.confidence_words([*readings, lost])
    assert "3 clips" in words
    assert words.count("-1.00") == 2
    assert words.endswith("0.05.")
    assert "no tip" not in contrast.confidence_words(readings)


def test_the_chart_is_a_small_picture(tmp_path: Path) -> None:
    rows = [
        {
            "shaft_db": level,
            "method": method,
            "found": level / 20,
            "tip_50_mm": 1 + level,
            "tip_95_mm": np.nan,
        }
        for method in contrast.LOOKS
        for level in (0.0, 9.0, 18.0)
    ]
    contrast.draw_chart(pd.DataFrame(rows), tmp_path / "curve.png")
    picture = cv2.imread(str(tmp_path / "curve.png"))
    assert picture.shape[1] > 800
    assert picture.std() > 5
    assert (tmp_path / "curve.png").stat().st_size < 200_000


def test_every_method_has_its_own_look() -> None:
    assert set(contrast.LOOKS) == {contrast.OURS, *METHODS}
    assert all(
        len(set(column)) == len(contrast.LOOKS) for column in zip(*contrast.LOOKS.values(), strict=True)
    )
