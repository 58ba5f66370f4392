"""Visitors' tries beside the page: listed, the newest kept, nothing half-written, old ones gone."""

import json
import re

import pytest

from needlecoach.errors import OutputError
from needlecoach.reporting.bigscreen.more import KEEP, NAME, MoreTries


def listed(folder):
    text = (folder / f"{NAME}.js").read_text()
    return json.loads(re.fullmatch(r"needlecoachMore\((.*)\);\n", text)[1])


def test_only_the_newest_are_kept(tmp_path):
    more = MoreTries(tmp_path)
    assert listed(tmp_path) == []
    all_names = []
    for number in range(KEEP + 2):
        more.add({"n": number, "sign": "</script>"})
        all_names.append(listed(tmp_path)[-1])
    assert listed(tmp_path) == all_names[-KEEP:]
    files = sorted(path.name for path in (tmp_path / NAME).iterdir())
    assert files == sorted(f"{name}.js" for name in all_names[-KEEP:])
    newest = (tmp_path / NAME / f"{all_names[-1]}.js").read_text()
    assert newest.startswith(f'needlecoachTry("{all_names[-1]}",{{"n":{KEEP + 1}')
    assert "<" not in newest


def test_a_new_day_starts_without_the_last_ones_tries_and_leaves_other_files(tmp_path):
    MoreTries(tmp_path).add({"n": 1})
    (tmp_path / NAME / "mine.txt").write_text("kept")
    MoreTries(tmp_path)
    assert [path.name for path in (tmp_path / NAME).iterdir()] == ["mine.txt"]
    assert listed(tmp_path) == []


def test_a_folder_that_cannot_be_written_is_told(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="choose another --out"):
        MoreTries(tmp_path / "file")
