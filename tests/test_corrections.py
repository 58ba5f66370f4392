"""Corrections: a file that comes back as it was written, or one line that says what to mend."""

import json
from pathlib import Path

import pytest

from needlecoach.corrections import corrections_path, fault_in, read_corrections, write_corrections
from needlecoach.errors import MarksError, OutputError
from needlecoach.model import Correction

ALL = (
    Correction("tip", 12, (301.25, 88.5), visible=False, by="S02", at="2026-11-26T10:00:00Z"),
    Correction("tip hidden", 13, by="S02"),
    Correction("no needle", 0),
    Correction("split attempt", 40, at="2026-11-26T10:00:00.500000Z"),
    Correction("join attempts", 80),
    Correction("split pass", 41),
    Correction("join passes", 44),
)
TIP = {"kind": "tip", "frame": 3, "tip_px": [1, 2]}


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    write_corrections(tmp_path / "L01.corrections.json", ALL)
    assert read_corrections(tmp_path / "L01.corrections.json") == ALL


def test_no_file_is_no_corrections(tmp_path: Path) -> None:
    assert read_corrections(tmp_path / "L01.corrections.json") == ()


def test_they_lie_beside_the_clip(tmp_path: Path) -> None:
    assert corrections_path(tmp_path / "L01.try.mp4") == tmp_path / "L01.try.corrections.json"
    (tmp_path / "L02.v1").mkdir()
    assert corrections_path(tmp_path / "L02.v1") == tmp_path / "L02.v1.corrections.json"


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        ({"kind": "tip", "frame": 3}, "tip_px"),
        ({"kind": "no needle", "frame": 3, "tip_px": [1, 2]}, "tip_px"),
        ({"kind": "move tip", "frame": 3}, "kind"),
        ({**TIP, "frame": -1}, "frame"),
        ({**TIP, "frame": 2.5}, "frame"),
        ({**TIP, "tip_px": [1, 1e9]}, "tip_px"),
        ({**TIP, "by": "Jane Doe"}, "code"),
        ({**TIP, "by": "<script>alert(1)</script>"}, "by"),
        ({**TIP, "at": "yesterday"}, "at"),
        ({**TIP, "note": "hello"}, "note"),
    ],
)
def test_anything_else_is_refused_in_one_line_with_the_file_and_the_key(
    tmp_path: Path, entry: dict[str, object], says: str
) -> None:
    path = tmp_path / "L01.corrections.json"
    path.write_text(json.dumps({"schema": 1, "corrections": [entry]}))
    with pytest.raises(MarksError) as refusal:
        read_corrections(path)
    assert str(path) in str(refusal.value)
    assert says in str(refusal.value)
    assert "\n" not in str(refusal.value)


def test_a_file_that_can_t_be_written_leaves_the_old_one(tmp_path: Path) -> None:
    path = tmp_path / "L01.corrections.json"
    path.mkdir()
    with pytest.raises(OutputError, match=r"L01\.corrections\.json"):
        write_corrections(path, ALL)
    assert [entry.name for entry in tmp_path.iterdir()] == [path.name]


def test_corrections_of_another_recording_of_the_name_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "L01.corrections.json"
    write_corrections(path, ALL, "a" * 64)
    assert read_corrections(path, "a" * 64) == read_corrections(path) == ALL
    with pytest.raises(MarksError, match=r"L01\.corrections\.json: .*another recording.*move this file away"):
        read_corrections(path, "b" * 64)
    write_corrections(path, ALL)  # as by hand, or by the version before: it does not tell
    assert read_corrections(path, "b" * 64) == ALL


@pytest.mark.parametrize("sha256", ["", "A" * 64, "a" * 63, 7])
def test_a_fingerprint_that_is_none_is_refused(tmp_path: Path, sha256: object) -> None:
    path = tmp_path / "L01.corrections.json"
    path.write_text(json.dumps({"schema": 1, "clip_sha256": sha256, "corrections": []}))
    with pytest.raises(MarksError, match="clip_sha256"):
        read_corrections(path)


@pytest.mark.parametrize(
    ("correction", "says"),
    [
        (Correction("no needle", 99), ""),
        (Correction("no needle", 100), "about frame 100, the clip has 100 frames"),
        (Correction("tip", 3, (0.0, 0.0)), ""),
        (Correction("tip", 3, (-60.0, 500.0)), ""),  # inferred, a little beyond the edge
        (Correction("tip", 3, (-90.0, 100.0)), "at -90,100 px, far outside the frame of 640 x 480 px"),
        (Correction("tip", 3, (100.0, 600.0)), "far outside the frame"),
    ],
)
def test_what_the_clip_can_t_have_is_told(correction: Correction, says: str) -> None:
    fault = fault_in([ALL[2], correction], 100, (640, 480))
    assert says in fault
    assert bool(says) == bool(fault)
