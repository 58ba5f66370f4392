"""Language files: complete, or refused with one line that says what is missing."""

import re
from pathlib import Path

import pytest

from needlecoach.errors import LanguageError
from needlecoach.reporting import bigscreen
from needlecoach.reporting.bigscreen.language import FOLDER, known_languages, read_language
from needlecoach.reporting.bigscreen.sizes import THINGS

HERE = Path(bigscreen.__file__).parent


@pytest.fixture
def changed(tmp_path):
    """A copy of the English file with a piece of its text replaced."""

    def write(old, new):
        text = (FOLDER / "en.toml").read_text(encoding="utf-8")
        assert old in text
        path = tmp_path / "own.toml"
        path.write_text(text.replace(old, new, 1), encoding="utf-8")
        return str(path)

    return write


@pytest.mark.parametrize("name", ["en", "de"])
def test_languages_that_come_with_the_tool_are_complete(name):
    language = read_language(name)
    assert language.code == name
    assert {f"thing.{one.name}" for one in THINGS} == {k for k in language.words if k.startswith("thing.")}


def test_both_languages_say_different_things():
    english, german = read_language("en"), read_language("de")
    same = {key for key, text in english.words.items() if german.words[key] == text}
    assert same <= {"reveal.sentence", "reveal.compared", "length.one"}
    assert (english.decimal, german.decimal) == (".", ",")


def test_all_words_are_used_and_no_others():
    source = "".join(
        path.read_text(encoding="utf-8")
        for path in HERE.rglob("*")
        if path.suffix in {".py", ".j2"} and path.is_file()
    )
    for key in read_language("en").words:
        section, name = key.split(".")
        assert section == "thing" or key in source or f'"{name}"' in source, key


def test_an_own_file_is_read(changed):
    assert read_language(changed("Found it!", "Hooray!")).say("reveal.hit") == "Hooray!"


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('hit = "Found it!"\n', "", "words are missing: reveal.hit;"),
        ('decimal = "."\n', "", "words are missing: decimal;"),
        ('hit = "Found it!"', 'hit = "Found it!"\nhot = "warm"', "nothing says: reveal.hot;"),
        ('"{number} millimetre"', '"one millimetre"', "length.one needs {number}"),
        ('"{about} from the middle"', '"{about} of {who}"', "reveal.middle needs {about}"),
        ('"{about} from the middle"', '"{about.real}"', "reveal.middle needs {about}"),
        ('"{about} from the middle"', '"{about:>99}"', "reveal.middle needs {about}"),
        ('"{about} from the middle"', '"{about"', "reveal.middle needs {about}"),
        ('"Found it!"', '"Found {it}!"', "reveal.hit needs no curly brackets"),
        ('"Found it!"', '""', "wants a text of up to 300 characters for reveal.hit"),
        ('"Found it!"', "7", "wants a text of up to 300 characters for reveal.hit"),
        ('decimal = "."', 'decimal = "x"', 'decimal must be "." or ","'),
        ('code = "en"', 'code = "e n"', "code must be as in HTML"),
        ('code = "en"', "code = ", "is not TOML"),
    ],
)  # fmt: skip
def test_a_faulty_file_is_told_in_one_line(changed, old, new, told):
    with pytest.raises(LanguageError) as problem:
        read_language(changed(old, new))
    assert told in str(problem.value)
    assert re.search(r"own\.toml", str(problem.value))


def test_many_missing_words_are_counted(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text('language = "x"\n', encoding="utf-8")
    with pytest.raises(LanguageError, match=r"words are missing: .* and \d+ more; see en\.toml"):
        read_language(str(path))


def test_unknown_and_absent_languages_are_told(tmp_path):
    assert known_languages() == ["de", "en"]
    with pytest.raises(LanguageError, match="no such language; give one of de, en"):
        read_language("../en")
    with pytest.raises(LanguageError, match="can't be read"):
        read_language(str(tmp_path / "none.toml"))
