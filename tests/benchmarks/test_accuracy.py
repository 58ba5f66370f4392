"""The accuracy benchmark: exact results pass its floor, each kind of fault breaks it, confidence ranks."""

import json
import sys
from pathlib import Path

import accuracy
import numpy as np
import pandas as pd
import pytest
from comparison import Tally, compare_attempts, compare_frames, rank_correlation
from truths import exact_results, truth_record


def write_results(folder: Path, track: pd.DataFrame, attempts: pd.DataFrame) -> None:
    folder.mkdir(parents=True)
    track.to_csv(folder / "track.csv", index=False)
    attempts.to_csv(folder / "attempts.csv", index=False)


def run(monkeypatch, folder: Path, record: dict, track: pd.DataFrame, attempts: pd.DataFrame) -> int:
    write_results(folder / "results" / "one", track, attempts)
    (folder / "one.truth.json").write_text(json.dumps(record))
    (folder / "one.marks.json").write_text("{}")
    monkeypatch.setattr(sys, "argv", ["accuracy.py", str(folder), str(folder / "results"), "--floor"])
    return accuracy.main()


def test_exact_results_pass(monkeypatch, tmp_path: Path, capsys) -> None:
    record = truth_record()
    assert run(monkeypatch, tmp_path, record, *exact_results(record)) == 0
    assert "ALL needlecoach" in capsys.readouterr().out


@pytest.mark.parametrize(
    "fault", ["tip", "some tips", "missing tip", "passes", "outcome", "extra attempt", "no attempt"]
)
def test_each_fault_breaks_the_floor(monkeypatch, tmp_path: Path, fault: str) -> None:
    record = truth_record()
    track, attempts = exact_results(record)
    match fault:
        case "tip":
            track["tip_y_px"] += 3.0  # 0.6 mm
        case "some tips":
            track.loc[30:33, "tip_y_px"] += 8.0  # 1.6 mm in 4 of 25 frames
        case "missing tip":
            track["tip_x_px"] = np.nan
        case "passes":
            attempts["passes"] = 2
        case "outcome":
            attempts["outcome"] = "miss"
        case "extra attempt":
            attempts = pd.concat([attempts, attempts.assign(start_s=3.95, end_s=4.0)])
        case "no attempt":
            attempts = attempts.iloc[:0]
    assert run(monkeypatch, tmp_path, record, track, attempts) == 1


def test_a_missing_result_breaks_the_floor(monkeypatch, tmp_path: Path) -> None:
    (tmp_path / "two.truth.json").write_text(json.dumps(truth_record()))
    record = truth_record()
    assert run(monkeypatch, tmp_path, record, *exact_results(record)) == 1


def test_a_false_needle_breaks_the_floor() -> None:
    record = truth_record(needle=False)
    track, _ = exact_results(record)
    track.loc[7, "needle_present"] = 1

    tally = compare_frames(record, track)

    assert (tally.false_frames, tally.needless_frames) == (1, 40)
    good = compare_frames(truth_record(), exact_results(truth_record())[0])
    assert accuracy.broken_floor(good, {"one": good}, []) == []
    assert len(accuracy.broken_floor(good, {"one": tally}, [])) == 1


def test_the_bars_are_figures_and_mark_what_misses_them() -> None:
    record = truth_record()
    track, attempts = exact_results(record)
    exact = compare_frames(record, track)
    compare_attempts(record, attempts, exact)
    track["tip_x_px"] += 30.0  # 3 mm
    wrong = compare_frames(record, track)

    table = accuracy.bars_table({"exact": exact, "wrong": wrong}).set_index("all clips together")

    assert list(table["bar"][:4]) == ["<= 0.3", "<= 1", ">= 97 %", ">= 0.95"]
    # Drawn without any error, all of the truth lies within 2 sd: more than the honest 92 to 99 %.
    missed = table.index[table["exact"].str.endswith("!")]
    assert [words.startswith("truth within 2 tip_sd_mm") for words in missed] == [True, True]
    assert table.loc["tip error where it is visible, median, mm", "wrong"] == "3 !"
    assert table.loc["visible frames with a tip within 2 mm", "wrong"] == "0 % !"
    assert table.loc["passes exact, of attempts", "wrong"] == "-"


@pytest.mark.parametrize(
    ("confidence", "error", "expected"),
    [
        ([0.9, 0.8, 0.1], [0.1, 0.2, 50.0], -1.0),
        ([0.1, 0.2, 0.3], [1.0, 2.0, 9.0], 1.0),
        # By hand: ranks 1 2 3 4 against 2 1 4 3, 1 - 6 * 4 / (4 * 15) = 0.6.
        ([1, 2, 3, 4], [20, 10, 40, 30], 0.6),
        # Ties share their mean rank: 1.5 1.5 3 against 1 2 3.
        ([1, 1, 2], [1, 2, 3], np.sqrt(3) / 2),
        ([0.9, np.nan, 0.5, 0.1], [1.0, 0.0, 2.0, 3.0], -1.0),
    ],
)
def test_rank_correlation(confidence, error, expected) -> None:
    value, n = rank_correlation(confidence, error)
    assert value == pytest.approx(expected)
    assert n == np.isfinite(confidence).sum()


def test_nothing_to_rank_is_said_in_words() -> None:
    assert np.isnan(rank_correlation([0.5, 0.4], [1, 2])[0])
    assert np.isnan(rank_correlation([0.5, 0.5, 0.5], [1, 2, 3])[0])
    assert "too few" in accuracy.confidence_words({"one": accuracy.Compared(Tally(), 0.5)})
    assert "nothing" in accuracy.confidence_words({})


def test_the_correlation_is_of_confidence_and_true_error() -> None:
    clips = {}
    for name, error_mm in (("a", 0.1), ("b", 0.2), ("c", 0.3)):
        tally = Tally(seen_error_mm=[error_mm, error_mm])
        clips[name] = accuracy.Compared(tally, confidence=1 - error_mm)
    words = accuracy.confidence_words(clips)
    assert "over 3 clips" in words
    assert words.count("-1.00") == 2


def test_confidence_comes_from_the_run_record_or_the_attempts(tmp_path: Path) -> None:
    attempts = pd.DataFrame({"confidence": [0.4, 0.6]})
    assert accuracy.read_confidence(tmp_path, attempts) == pytest.approx(0.5)
    assert np.isnan(accuracy.read_confidence(tmp_path, pd.DataFrame()))
    (tmp_path / "run.json").write_text(json.dumps({"result": {"confidence": 0.9}}))
    assert accuracy.read_confidence(tmp_path, attempts) == 0.9


def test_plain_needs_the_clips(tmp_path: Path) -> None:
    with pytest.raises(SystemExit, match=r"one\.mp4.*--plain"):
        accuracy.compare_plainly({"one": truth_record()}, tmp_path, ["one"])
