"""Other codes: always the same by the key, never from the old ones, and nothing left that tells. Invented."""

import re

import pytest

from needlecoach.cohort.anonymise import anonymise, recoded
from needlecoach.cohort.recording import AttemptRow, Recording
from needlecoach.cohort.table import table_of
from needlecoach.errors import CohortError


def table(*codes):
    row = AttemptRow(1, "hit", False, "", "", (None,))
    told = [
        Recording(
            f"{code}/",
            f"{code}_01",
            f"{code}_01.mp4",
            f"hash {code}",
            code,
            "2026-03-01",
            None,
            0.0,
            (row,),
            target=f"{code.lower()}'s plum",
            phantom=code,
            block=f"{code}_B",
        )
        for code in codes
    ]
    return table_of(told, ("attempt", "outcome", "passes"))


CODES = [f"L{n:02d}" for n in range(1, 31)]


def test_nothing_of_the_old_codes_is_left():
    new, key = anonymise(table(*CODES), {})
    text = new.to_csv()
    assert not re.search(r"L\d\d", text, re.IGNORECASE)
    assert sorted(key) == CODES and sorted(key.values()) == [f"P{n:02d}" for n in range(1, 31)]
    assert new["clip"].eq("").all() and new["folder"].eq("").all() and new["clip_sha256"].eq("").all()


def test_neither_codes_nor_rows_keep_the_old_order():
    new, key = anonymise(table(*CODES), {})
    # By lot: the chance that thirty stay in order is 1 in 30!.
    assert [key[code] for code in CODES] != sorted(key.values())
    assert new["learner"].tolist() == sorted(new["learner"])


def test_the_same_key_gives_the_same_codes_and_grows_for_new_learners():
    _, key = anonymise(table("L01", "L02"), {})
    new, more = anonymise(table("L01", "L02", "L03"), key)
    assert {code: more[code] for code in key} == key
    assert more["L03"] == "P03" and set(new["learner"]) == {"P01", "P02", "P03"}
    assert anonymise(table("L02"), more)[1] == more


def test_attempts_without_a_code_stay_without():
    new, key = anonymise(table("", "L01"), {})
    assert new["learner"].tolist() == ["", "P01"] and "" not in key


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("L01's plum", "P07's plum"),
        ("plum_l01", "plum_P07"),
        ("L011", "L011"),
        ("l01jelly of a.b-1x", "P07jelly of P08x"),
        ("a.b-1 x", "P08 x"),
        ("", ""),
    ],
)
def test_a_code_within_a_name_is_replaced_where_it_stands_as_a_word(text, wanted):
    assert recoded(text, {"L01": "P07", "a.b-1": "P08"}) == wanted


def test_a_key_with_one_code_for_two_is_refused():
    with pytest.raises(CohortError, match="one code to two learners"):
        anonymise(table("L01"), {"L01": "P01", "L02": "P01"})
