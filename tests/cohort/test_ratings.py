"""The file of ratings: what supervisors and spreadsheets write is read, faults are told with row and "
"column."""

import pytest

from needlecoach.cohort.quantities import FaultError, quantity_of
from needlecoach.cohort.ratings import EXAMPLE, Subject, parse_ratings, read_ratings, write_example
from needlecoach.errors import CohortError, OutputError

PLAIN = "clip,attempt,rater,outcome,closest_edge_mm,overall [1-5],aim [poor<fair<good]\n"
ROWS = "L01.mp4,1,S1,Hit,-2.5,4,Good\nL01.mp4,1,S2,,1.5,,fair\n"


def values(text):
    return [dict(one.values) for one in parse_ratings(text).rows]


def test_a_row_is_read_by_the_kinds_of_its_columns():
    found = parse_ratings(PLAIN + ROWS)
    assert [(one.name, one.kind, one.known) for one in found.quantities] == [
        ("outcome", "order", True),
        ("closest_edge_mm", "numbers", True),
        ("overall", "grades", False),
        ("aim", "order", False),
    ]
    assert found.quantities[0].categories == ("miss", "borderline", "hit")
    first, second = found.rows
    assert first.subject == Subject("", "L01.mp4", 1) and (first.rater, first.row) == ("S1", 2)
    assert dict(first.values) == {"outcome": "hit", "closest_edge_mm": -2.5, "overall": "4", "aim": "good"}
    assert dict(second.values) == {"closest_edge_mm": 1.5, "aim": "fair"}


@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("start", ["", "\ufeff"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_what_spreadsheets_write_is_read(tmp_path, mark, start, end):
    text = (PLAIN + ROWS + ",,,,,,\n").replace(",", mark).replace("\n", end)
    path = tmp_path / "ratings.csv"
    path.write_bytes((start + text).encode())
    assert [dict(one.values) for one in read_ratings(path).rows] == values(PLAIN + ROWS)


def test_a_line_that_names_the_separator_is_left_out_and_counted():
    text = "sep=;\n" + (PLAIN + ROWS).replace(",", ";")
    assert values(text) == values(PLAIN + ROWS)
    with pytest.raises(FaultError, match=r'row 4, column "outcome"'):
        parse_ratings(text.replace(";S2;;", ";S2;hot;"))


def test_columns_of_remarks_are_left_alone_and_words_need_no_brackets():
    found = parse_ratings(
        "Clip,Attempt,Rater,Notes,grip,learner\nL01,1.0,S1,anything,Palm,L01\nL01,2,S1,,pencil,\n"
    )
    assert [(one.name, one.kind, one.categories) for one in found.quantities] == [
        ("grip", "words", ("palm", "pencil"))
    ]
    assert [one.subject.attempt for one in found.rows] == [1, 2]


def test_an_outcome_that_could_not_be_told_is_no_rating():
    found = parse_ratings("clip,attempt,rater,outcome,cut_off\nL01,1,S1,unscorable,1\nL01,1,S2,hit,FALSE\n")
    assert found.cant_tell == 1
    assert [dict(one.values) for one in found.rows] == [
        {"cut_off": "yes"},
        {"outcome": "hit", "cut_off": "no"},
    ]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("clip,attempt,rater,outcome\n", "no ratings"),
        ("attempt,rater,outcome\n1,S1,hit\n", "row 1: lacks the column clip"),
        ("clip,rater,outcome\nL01,S1,hit\n", "lacks the column attempt"),
        ("clip,attempt,outcome\nL01,1,hit\n", "lacks the column rater"),
        ("clip,attempt,rater,notes\nL01,1,S1,x\n", "no column that was rated"),
        ("clip,attempt,rater,outcome,Outcome\nL01,1,S1,hit,hit\n", "two columns"),
        ("clip,attempt,rater,outcome\n,1,S1,hit\n", "row 2: says neither"),
        ("clip,attempt,rater,outcome\nL01,0,S1,hit\n", 'row 2, column "attempt"'),
        ("clip,attempt,rater,outcome\nL01,1.5,S1,hit\n", "1.5"),
        ("clip,attempt,rater,outcome\nL01,1,needlecoach1,hit\nL01,1,needlecoach,hit\n", "the tool itself"),
        ("clip,attempt,rater,outcome\nL01,1,S1,hti\n", '"hti" is none of miss, borderline, hit'),
        ("clip,attempt,rater,passes\nL01,1,S1,\nL01,2,S1,two\n", 'row 3, column "passes": "two"'),
        ('clip,attempt,rater,closest_edge_mm\nL01,1,S1,"2,5"\n', r"decimal point \(2\.5\)"),
        ("clip;attempt;rater;closest_edge_mm\nL01;1;S1;2,5\n", r"decimal point \(2\.5\)"),
        ("clip,attempt,rater,tip_visibility_share\nL01,1,S1,85%\n", "0.85"),
        ("clip,attempt,rater,closest_edge_mm\nL01,1,S1,02.May\n", "looks like a date"),
        ("clip,attempt,rater,closest_edge_mm\nL01,1,S1,2.5.2026\n", "date"),
        ("clip,attempt,rater,closest_edge_mm\nL01,1,S1,nan\n", "not a number"),
        ("clip,attempt,rater,closest_edge_mm\nL01,1,S1,#DIV/0!\n", "not a number"),
        ("clip,attempt,rater,overall [1-5]\nL01,1,S1,6\n", '"6" is none of 1, 2, 3, 4, 5'),
        ("clip,attempt,rater,overall [1-5]\nL01,1,S1,3.5\n", '"3.5" is none of'),
        ("clip,attempt,rater,aim [a<b]\nL01,1,S1,c\n", '"c" is none of a, b'),
        ("clip,attempt,rater,scale_source\nL01,1,S1,ruler\n", "is no rating"),
        ("clip,attempt,rater,outcome\nL01,1,S1,hit\nL01,1,s1,hit\n", "differ in capitals"),
        ("clip,attempt,rater,outcome\nL01,1,S1,hit\n\nL01,1,S1,miss\n", "rows 2 and 4: S1 rates attempt 1"),
        ("clip,attempt,rater,outcome\nL01,1,S1,hit,more\n", "row 2: has more cells"),
        ("clip,attempt,rater,outcome,\nL01,1,S1,hit,more\n", "row 2, column 5"),
        ('clip,attempt,rater,outcome\nL01,1,S1,"hit\n', "not a table"),
        ("clip,attempt,rater,grip\n" + "".join(f"L01,{n},S1,w{n}\n" for n in range(1, 15)), "14 different"),
    ],
)  # fmt: skip
def test_a_fault_is_told_with_its_place(text, words):
    with pytest.raises(FaultError, match=words) as fault:
        parse_ratings(text)
    assert "\n" not in str(fault.value)


def test_a_raters_name_is_refused_and_not_repeated():
    with pytest.raises(FaultError, match='row 2, column "rater"') as fault:
        parse_ratings("clip,attempt,rater,outcome\nL01,1,Maria,hit\n")
    assert "Maria" not in str(fault.value)


@pytest.mark.parametrize(
    "header",
    [
        "overall [5-1]",
        "overall [1-40]",
        "aim [a<]",
        "aim [a<A]",
        "aim [what]",
        "outcome [1-5]",
        "aim [1-5",
        "[1-5]",
    ],
)
def test_a_header_that_is_not_understood_is_refused(header):
    with pytest.raises(FaultError):
        quantity_of(header)


@pytest.mark.parametrize(
    "content",
    [b"\xff\xfec\0l\0", b"PK\x03\x04\0\0", "clip,attempt,rater,grip\nL01,1,S1,quer über\n".encode("cp1252")],
)
def test_what_is_no_utf8_is_refused_with_what_to_do(tmp_path, content):
    path = tmp_path / "ratings.csv"
    path.write_bytes(content)
    with pytest.raises(CohortError, match="CSV UTF-8"):
        read_ratings(path)


def test_what_is_no_file_is_refused(tmp_path):
    for path in (tmp_path, tmp_path / "none.csv"):
        with pytest.raises(CohortError):
            read_ratings(path)


def test_the_example_is_read_says_that_it_is_invented_and_is_never_written_over(tmp_path):
    path = tmp_path / "ours.csv"
    write_example(path)
    assert path.read_text() == EXAMPLE.read_text()
    found = read_ratings(path)
    assert {one.kind for one in found.quantities} == {"order", "numbers", "grades"}
    assert all("invented" in line for line in path.read_text().splitlines()[1:])
    with pytest.raises(OutputError, match="left alone"):
        write_example(path)
