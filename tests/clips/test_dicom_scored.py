"""A DICOM clip through the whole tool: the file's own scale and region, no word of its person (invented)."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pydicom
import pytest
from pydicom.dataset import Dataset

from needlecoach.clips import open_clip, sha256_of
from needlecoach.errors import ClipError
from needlecoach.phantoms.practice import practice_scene
from needlecoach.phantoms.simulate import marks_record, simulate, truth_record

MARKS = ("ZyxPerson", "ZyxWard", "ZyxMaker", "19870605", "1.2.999.7654321", "ZyxSecret", "ZyxRoom")


def add_person(path: Path) -> None:
    """Put marks wherever a file tells of a person, a place or a time; some in broken attributes."""
    made = pydicom.dcmread(path)
    made.PatientName = made.PatientID = made.OperatorsName = made.ReferringPhysicianName = "ZyxPerson"
    made.InstitutionName = made.InstitutionalDepartmentName = "ZyxWard"
    made.StudyDate = made.ContentDate = made.PatientBirthDate = "19870605"
    made.StudyInstanceUID = made.SeriesInstanceUID = made.SOPInstanceUID = "1.2.999.7654321"
    made.StationName = made.ImageComments = made.StudyDescription = "ZyxRoom"
    made.add_new(0x00290010, "LO", "ZyxMaker")
    made.add_new(0x00291010, "LO", "ZyxSecret")
    made.BurnedInAnnotation = "YES"
    made.save_as(path)
    # No number where one should stand, and a character set that is none, make pydicom warn with the value.
    data = path.read_bytes()
    for tag, kind in [
        (b"\x08\x00\x16\x00UI", b"\x08\x00\x05\x00CS"),
        (b"\x18\x00\x63\x10DS", b"\x18\x00\x40\x00IS"),
    ]:
        data = data.replace(tag, kind + b"\x0a\x00ZyxSecret " + tag)
    path.write_bytes(data)


def run(*words: str) -> subprocess.CompletedProcess[bytes]:
    """Run the command as a user would, with every warning of Python shown."""
    command = [sys.executable, "-W", "always", "-m", "needlecoach", "score", *words]
    return subprocess.run(command, capture_output=True, check=False)


def test_scale_and_region_are_the_files_and_no_word_of_a_person_gets_out(
    write_dicom: Callable[..., Path], dicom_region: Callable[..., Dataset], tmp_path: Path
) -> None:
    scene = practice_scene("hit")
    frames, truths = zip(*simulate(scene, seed=4), strict=True)
    truth = truth_record(scene, list(truths), seed=4)
    x, y, w, h = truth["region"]["box_px"]
    delta_cm = truth["mm_per_px"]["x"] / 10
    item = dicom_region((x, y, x + w - 1, y + h - 1), PhysicalDeltaX=delta_cm, PhysicalDeltaY=-delta_cm)
    pictures = np.stack([frame.pixels for frame in frames])
    path = write_dicom(pictures, FrameTime=f"{1000 / scene.fps:g}", SequenceOfUltrasoundRegions=[item])
    add_person(path)
    marks = marks_record(scene, learner="L01", notes="")
    (path.parent / "L01.marks.json").write_text(json.dumps({**marks, "scale": None}))
    done = run(str(path), "--out", str(tmp_path / "out"))

    assert done.returncode == 0, done.stderr.decode()
    folder = tmp_path / "out" / "L01"
    record = json.loads((folder / "run.json").read_text())
    assert record["clip"]["kind"] == "dicom" and record["clip"]["sha256"] == sha256_of(path)
    assert record["scale"]["x_mm_per_px"] == record["scale"]["y_mm_per_px"] == 10 * delta_cm
    assert record["scale"]["source"] == "the file's own calibration (DICOM region)"
    assert record["region"]["box_px"] == [x, y, w, h] and record["region"]["source"] == "from the file"
    assert "burned into" in " ".join(record["result"]["quality_notes"])
    check_tips(folder, truth)
    check_privacy(path, folder, done)


def check_tips(folder: Path, truth: dict[str, Any]) -> None:
    """Median error of the seen tip within 0.5 mm, the bar of the sample clips."""
    track = pd.read_csv(folder / "track.csv")
    seen = [number for number, frame in enumerate(truth["frames"]) if frame["tip_visible"]]
    there = np.array([truth["frames"][number]["tip_xy_px"] for number in seen])
    found = track.loc[seen, ["tip_x_px", "tip_y_px"]].to_numpy()
    assert np.nanmedian(np.hypot(*(found - there).T)) * truth["mm_per_px"]["x"] < 0.5


def check_privacy(path: Path, folder: Path, done: subprocess.CompletedProcess[bytes]) -> None:
    """Search every byte of the results and of what was said for every mark of the file."""
    written = {file.name: file.read_bytes() for file in folder.iterdir()}
    assert {"attempts.csv", "track.csv", "summary.html", "replay.webm", "run.json"} <= written.keys()
    whole = path.read_bytes()
    for mark in MARKS:
        assert mark.encode() in whole
        for name, data in {**written, "stdout": done.stdout, "stderr": done.stderr}.items():
            assert mark.encode() not in data, f"{mark} in {name}"
    assert done.stderr == b""


def test_a_clip_without_times_keeps_the_given_rate_in_its_replay(
    write_dicom: Callable[..., Path], dicom_region: Callable[..., Dataset], moving: np.ndarray, tmp_path: Path
) -> None:
    large = np.repeat(np.repeat(np.tile(moving, (8, 1, 1)), 3, axis=1), 3, axis=2)
    item = dicom_region((0, 0, 359, 269))
    path = write_dicom(large, FrameTime=None, SequenceOfUltrasoundRegions=[item])
    done = run(str(path), "--no-target", "--fps", "20", "--out", str(tmp_path / "out"))
    assert done.returncode in (0, 3), done.stderr.decode()
    assert json.loads((tmp_path / "out" / "L01" / "run.json").read_text())["timing"][
        "last_s"
    ] == pytest.approx(39 / 20)
    assert (tmp_path / "out" / "L01" / "replay.webm").stat().st_size > 0
    again = run(str(path), "--no-target", "--out", str(tmp_path / "out"))
    assert again.returncode == 2 and b"give --fps" in again.stderr and again.stderr.count(b"\n") == 1
    broken = write_dicom(large, SequenceOfUltrasoundRegions=[dicom_region(PhysicalDeltaX=0.0)])
    refused = run(str(broken), "--no-target", "--out", str(tmp_path / "out"))
    assert b"no scale is marked (The file's own calibration was not used: it claims" in refused.stderr


def test_errors_say_no_word_of_a_person(
    write_dicom: Callable[..., Path], moving: np.ndarray, tmp_path: Path
) -> None:
    path = write_dicom(moving, PhotometricInterpretation="ZYX", BurnedInAnnotation="YES", FrameTime="50")
    add_person(path)
    whole = path.read_bytes()
    for length in [*range(150, 1500, 150), len(whole)]:
        path.write_bytes(whole[:length])
        try:
            open_clip(path)
        except ClipError as problem:
            assert "zyx" not in str(problem).lower()
        else:
            raise AssertionError("a broken file was opened")
