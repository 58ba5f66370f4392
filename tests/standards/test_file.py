"""The file of a standard: the example holds, and what is wrong is told in one line with file and key."""

import json
import os
import tomllib

import pytest

from needlecoach.errors import OutputError, StandardError
from needlecoach.reporting.record import plain
from needlecoach.standards import EXAMPLE, read_standard, standard_of_record, standard_record, write_example

GOOD = '[standard]\nname = "Ours"\n[[criterion]]\ncolumn = "passes"\noperator = "<="\nlimit = 2\n'


def refusal(tmp_path, text):
    path = tmp_path / "ours.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(StandardError) as raised:
        read_standard(path)
    said = str(raised.value)
    assert said.startswith(f"{path}: ") and "\n" not in said
    for word in ("dictionary", "instance", "valid list", "valid string", "_Head", "_Demand", "Input"):
        assert word not in said
    return said.removeprefix(f"{path}: ")


def test_the_example_is_read_and_says_that_it_is_none_to_follow():
    standard = read_standard(EXAMPLE)
    assert [(one.column, one.operator, one.limit) for one in standard.criteria[:3]] == [
        ("outcome", "is", "hit"), ("blind_advance_mm", "<", 3), ("passes", "<=", 2),
    ]  # fmt: skip
    text = EXAMPLE.read_text(encoding="utf-8")
    assert "ILLUSTRATION OF THE FORM, NOT A RECOMMENDATION" in text
    assert standard.name == "Illustration"


def test_every_word_of_a_criterion_is_kept(tmp_path):
    path = tmp_path / "ours.toml"
    path.write_text(GOOD + 'words = "Two at most"\n', encoding="utf-8-sig")
    standard = read_standard(path)
    assert (standard.name, standard.file, standard.criteria[0].words) == ("Ours", "ours.toml", "Two at most")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("limit = 2", "limit = 2\nweight = 1"), 'criterion 1, unknown key "weight"'),
        (("[standard]", "[standard]\nlevel = 3"), 'unknown key "standard.level"'),
        (("[[criterion]]", "[extra]\na = 1\n[[criterion]]"), 'unknown key "extra"'),
        (('name = "Ours"', ""), 'key "standard.name" is missing'),
        (('operator = "<="', ""), 'criterion 1, key "operator" is missing'),
        (('"<="', '"=<"'), "criterion 1, key \"operator\" must be one of"),
        (('"<="', "3"), 'criterion 1, key "operator" must be one of'),
        (("limit = 2", "limit = [2]"), 'criterion 1, key "limit" must be a number, text, true or false'),
        (("limit = 2", "limit = nan"), 'criterion 1, key "limit" must be'),
        (("limit = 2", "limit = inf"), 'criterion 1, key "limit" must be'),
        (("limit = 2", "limit = 2026-01-01"), 'criterion 1, key "limit" must be'),
        (("limit = 2", 'limit = "2"'), 'criterion 1, key "limit": "passes" is a number'),
        (('"passes"', '"skill"'), 'criterion 1, key "column": "skill" is no column of attempts.csv'),
        (('"passes"', "7"), 'criterion 1, key "column"'),
        (('name = "Ours"', 'name = "a\\nb"'), 'key "name" must be one line'),
        (('name = "Ours"', 'name = ""'), 'key "standard.name"'),
        ((GOOD[GOOD.index("[["):], ""), 'key "criterion" is missing'),
        (("[[criterion]]", "[criterion]"), 'key "criterion" must be a table for each criterion: write'),
        ((GOOD[GOOD.index("[["):], "criterion = [1]"), "standard.criterion"),
        ((GOOD, "standard = 3\ncriterion = [1]"), 'key "standard" must be a table: write [standard]'),
        ((GOOD, "criterion = [1]\n[standard]\nname = 'x'"), 'criterion 1, key "criterion" must be a table'),
        ((GOOD, "criterion = []\n[standard]\nname = 'x'"), 'key "criterion" must be a table'),
        (('"Ours"', "7"), 'key "standard.name" must be text in quotation marks, got 7'),
        (('"Ours"', f'"{"a" * 101}"'), "at most 100 letters, got 101"),
        (("limit = 2", "limit = "), "is not valid TOML"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_with_its_key(tmp_path, change, words):
    assert GOOD.replace(*change) != GOOD
    assert words in refusal(tmp_path, GOOD.replace(*change))


def test_files_that_are_none(tmp_path):
    assert "UTF-8" in refusal(tmp_path, GOOD.encode("utf-16"))
    assert "too large" in refusal(tmp_path, b"#" * 200_000)
    assert "not valid TOML" in refusal(tmp_path, '{"standard": 1}')
    assert 'key "standard" is missing' in refusal(tmp_path, "")
    assert "not valid TOML" in refusal(tmp_path, GOOD.replace("2", "9" * 5000))
    with pytest.raises(StandardError, match="can't be read"):
        read_standard(tmp_path / "none.toml")
    with pytest.raises(StandardError, match="is not a file"):
        read_standard(tmp_path)


@pytest.mark.parametrize("value", ["[" * 5000, "a." * 20_000 + "b = 1", "{a=" * 5000])
def test_values_nested_too_deeply_are_one_line(tmp_path, value):
    key = "" if value.startswith("a.") else "limit = "
    assert refusal(tmp_path, f"{GOOD.replace('limit = 2', '')}{key}{value}")


def test_a_pipe_is_refused_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(StandardError, match="is not a file"):
        read_standard(tmp_path / "pipe.toml")


def test_a_standard_comes_back_from_the_record():
    standard = read_standard(EXAMPLE)
    record = json.loads(json.dumps(plain(standard_record(standard))))
    assert standard_of_record(record) == standard
    assert record["file"] == "example.toml"
    assert standard_of_record(None) is None
    record["criteria"][0]["column"] = "skill"
    with pytest.raises(ValueError, match="another version"):
        standard_of_record(record)


def test_the_example_is_written_once(tmp_path):
    path = tmp_path / "ours.toml"
    write_example(path)
    assert tomllib.loads(path.read_text(encoding="utf-8"))["standard"]["name"] == "Illustration"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="left alone"):
        write_example(path)
    assert path.read_text(encoding="utf-8") == "mine"
    with pytest.raises(OutputError, match="can't be written"):
        write_example(tmp_path / "no" / "ours.toml")
