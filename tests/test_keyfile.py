"""The key of an anonymised cohort: apart, for its owner's eyes, and never lost."""

import json

import pytest

from needlecoach.errors import CohortError, OutputError
from needlecoach.keyfile import check_apart, read_key, write_key


def test_a_key_is_read_as_it_was_written(tmp_path):
    path = tmp_path / "private" / "key.json"
    assert read_key(path) == {}
    write_key(path, {"L02": "P01", "L01": "P02"})
    assert read_key(path) == {"L01": "P02", "L02": "P01"}
    assert path.stat().st_mode & 0o077 == 0
    assert [one.name for one in path.parent.iterdir()] == ["key.json"]


@pytest.mark.parametrize("place", ["out/key.json", "out/deep/key.json", "reports/key.json", "link/key.json"])
def test_a_key_among_results_or_output_is_refused(tmp_path, place):
    (tmp_path / "reports").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "reports")
    with pytest.raises(CohortError, match="keep it elsewhere"):
        check_apart(tmp_path / place, tmp_path / "out", [tmp_path / "reports"])
    check_apart(tmp_path / "key.json", tmp_path / "out", [tmp_path / "reports"])


@pytest.mark.parametrize(
    "content",
    [b"", b"[]", b"mine", b"{}", b'{"codes": {"L01": "Anna"}}', b'{"codes": {"L01": 1}}', b'{"codes": []}',
     b'{"codes": {"L01": "P01", "L02": "P01"}}', b"\xff"],
)  # fmt: skip
def test_what_is_no_key_is_told_and_left_alone(tmp_path, content):
    path = tmp_path / "key.json"
    path.write_bytes(content)
    with pytest.raises(CohortError, match="is no key of ours, or is spoilt"):
        read_key(path)
    assert path.read_bytes() == content


def test_a_place_that_can_not_be_written_or_read_is_told(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="can't be written"):
        write_key(tmp_path / "file" / "key.json", {})
    with pytest.raises(CohortError, match="can't be read"):
        read_key(tmp_path)


def test_it_says_what_it_is(tmp_path):
    write_key(tmp_path / "k", {})
    assert "apart" in json.loads((tmp_path / "k").read_text())["about"]
