"""Corrections: a file that comes back as it was written, or one line that says what to mend."""

import json
from pathlib import Path

import pytest

from needlecoach.corrections import corrections_path, read_corrections, write_corrections
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
