"""`needlecoach replay`: what is shown of results, what is left out, and nothing that tells of a person."""

import base64
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from needlecoach import openday
from needlecoach.cli import app
from needlecoach.errors import NeedlecoachError
from needlecoach.reporting.bigscreen.more import MoreTries
from needlecoach.reporting.results import write_results
from tests.reporting.conftest import FPS, N, core_card, taught_card, write_clip

ROOT = Path(__file__).parents[1]
SECRETS = ("QX7731", "Invented Person", "private_name", "1999-12-31", "gel-7", "Keep this to yourself")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder with the invented clip under a telling name, and results of it: hit and core."""
    base = tmp_path_factory.mktemp("openday")
    clip = base / "private_name.mp4"
    write_clip(clip)
    for name, card in (("hit", taught_card(clip)), ("core", core_card(clip, fired=True))):
        marks = replace(
            card.marks, learner="QX7731", notes="Invented Person", date="1999-12-31", phantom="gel-7",
            target_name="Green olive" if name == "hit" else "<b>Pea</b></script>",
        )  # fmt: skip
        # The record must name the clip as it is.
        from needlecoach.clips import sha256_of

        card = replace(
            card, marks=marks, clip_sha256=sha256_of(clip), quality_notes=("Keep this to yourself",)
        )
        write_results(card, base / "reports", replay=False, name=name)
    write_results(
        replace(card, attempts=(), unscorable="it was dark"), base / "reports", replay=False, name="dark"
    )
    Image.new("RGB", (40, 30), (10, 200, 10)).save(base / "olive.png")
    return base


def run(base, *arguments):
    """The command's exit code, what it printed, and the page's text ("" without one)."""
    here = Path.cwd()
    os.chdir(base)
    try:
        done = CliRunner().invoke(app, ["replay", *map(str, arguments), "--no-browser", "--quiet"])
    finally:
        os.chdir(here)
    if isinstance(done.exception, NeedlecoachError):
        return 2, f"{done.output}{done.exception}"
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.exit_code, done.output


def scripts(page, name):
    found = re.findall(rf'<script type="application/json" class="{name}">(.*?)</script>', page, re.S)
    return [json.loads(text) for text in found]


@pytest.fixture(scope="module")
def written(made):
    code, _ = run(made, "reports/hit", "reports/core", "--out", "out", "--photo", "green OLIVE=olive.png")
    assert code == 0
    return (made / "out" / "replay.html").read_text(encoding="utf-8")


def test_an_invented_result_without_a_recording_is_called_so(tmp_path):
    folder = tmp_path / "L01"
    folder.mkdir()
    with pytest.raises(NeedlecoachError, match="invented, without a recording"):
        openday._reopened(folder, {"invented": True})


def test_the_page_holds_each_try_with_its_words_and_photo(written):
    hit, core = scripts(written, "try")
    assert hit["words"]["verdict"] == "Found it!"
    assert hit["words"]["name"] == "Green olive"
    # 0.8944 +- 0.31 mm, of the invented card.
    assert (
        hit["words"]["distance"]
        == "About 0.9 millimetres from the middle: the thickness of ten sheets of paper."
    )
    assert core["words"]["distance"].startswith("About 6 millimetres of the sample came from inside it: ")
    assert core["words"]["moment"] == "Here the needle took its sample."
    assert (hit["photo"], core["photo"]) == (0, None)
    photo = cv2.imdecode(
        np.frombuffer(base64.b64decode(scripts(written, "photo")[0]), np.uint8), cv2.IMREAD_COLOR
    )
    assert photo.shape == (30, 40, 3)


def test_nothing_in_the_page_tells_of_a_person(written, made):
    whole = written.encode() + b"".join(base64.b64decode(one["video"]) for one in scripts(written, "try"))
    for secret in SECRETS:
        assert secret.encode() not in whole, secret
    # Each of them is in the results that the page was made from.
    known = b"".join(path.read_bytes() for path in (made / "reports").rglob("*.json"))
    assert [secret for secret in SECRETS if secret.encode() not in known] == []
    assert not re.search(r"\d{4}-\d{2}-\d{2}|/tmp|\.mp4", re.sub(r"[A-Za-z0-9+/]{99,}", "", written))


def test_the_page_asks_for_nothing_and_runs_nothing_typed(written):
    assert not re.search(r"https?:|src=|href=|@import|url\(", written)
    # Not even the start of an element may stand in what was typed.
    for name in ("try", "photo"):
        texts = re.findall(rf'class="{name}">(.*?)</script>', written, re.S)
        assert texts and not any(sign in text for text in texts for sign in "<>&")
    assert "replay-more" not in written
    assert "default-src 'none'" in written and "file:" not in written


def test_what_cannot_be_shown_is_left_out_with_a_line(made, tmp_path):
    (tmp_path / "empty").mkdir()
    code, said = run(
        made, "reports/hit", "reports/dark", tmp_path / "empty", tmp_path / "none", "--out", tmp_path
    )
    assert code == 0
    lines = said.splitlines()
    assert sum(line.startswith("Left out: ") for line in lines) == 3
    assert "Left out: dark: no attempt was found in it." in lines
    assert f"{tmp_path / 'replay.html'}: 1 try to show." in lines


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([], "needs results folders"),
        (["reports/dark"], "None of these results can be shown"),
        (["reports/hit", "--language", "xx"], "give one of de, en"),
        (["reports/hit", "--photo", "olive"], 'must be "NAME=FILE"'),
        (["reports/hit", "--photo", "olive=reports/hit/run.json"], "is not a picture"),
        (["reports/hit", "--title", "x" * 61], "1 to 60 characters"),
        (["reports/hit", "--watch", "reports"], "--watch and --marks go together"),
        (["--watch", "none", "--marks", "m.json"], "no such folder"),
        (["--watch", "reports", "--marks", "none.json"], "none.json"),
        (["reports/hit", "--clips", "reports"], "give --clips DIR"),
    ],
)
def test_bad_input_is_one_line_and_leaves_nothing(made, tmp_path, arguments, told):
    code, said = run(made, *arguments, "--out", tmp_path / "out")
    assert code == 2
    assert told in said
    assert "Traceback" not in said
    assert not (tmp_path / "out").exists()


def test_another_recording_under_the_same_name_is_not_shown(made, tmp_path):
    shutil.copy(ROOT / "sample_clips" / "clean_hit.mp4", tmp_path / "private_name.mp4")
    code, said = run(made, "reports/hit", "--clips", tmp_path, "--out", tmp_path / "out")
    assert code == 2
    assert "is not the recording that was scored" in said


def test_results_changed_by_hand_are_told(made, tmp_path):
    shutil.copytree(made / "reports" / "hit", tmp_path / "hit")
    shutil.copytree(made / "reports" / "core", tmp_path / "core")
    for name, spoil in (("hit", {"frames": {}}), ("core", {"attempts": [{"number": "x"}]})):
        file = tmp_path / name / "page.json"
        file.write_text(json.dumps(json.loads(file.read_text()) | spoil))
    code, said = run(made, tmp_path / "hit", tmp_path / "core", "--clips", ".", "--out", tmp_path / "out")
    assert code == 2
    assert said.count("its page.json is spoilt; score the clip again") == 2


def test_marks_of_the_day_must_be_enough(made, tmp_path):
    marks = tmp_path / "day.marks.json"
    for told, content in (
        ("no target is marked", {"schema": 1}),
        (
            "needs its dead space",
            json.loads((ROOT / "sample_clips" / "clean_hit.marks.json").read_text()) | {"task": "core"},
        ),
    ):
        marks.write_text(json.dumps(content))
        code, said = run(made, "--watch", tmp_path, "--marks", marks, "--out", tmp_path / "out")
        assert code == 2
        assert told in said


def test_a_defect_on_the_day_is_told_and_the_day_goes_on(tmp_path, monkeypatch, capsys):
    """Three recordings: one makes the program fail, one can’t be scored, one is good; then Ctrl-C."""
    paths = [Path("defect.mp4"), Path("dark.mp4"), Path("good.mp4")]

    class Folder:
        def saved(self):
            if not paths:
                raise KeyboardInterrupt
            return [paths.pop(0)]

    def score(path, *_):
        if path.stem == "defect":
            raise ZeroDivisionError("invented")
        if path.stem == "dark":
            raise NeedlecoachError("it was dark.")
        yield {"n": 1}

    monkeypatch.setattr(openday, "_scorer", lambda: score)
    monkeypatch.setattr(openday, "POLL_S", 0.0)
    more = MoreTries(tmp_path)
    with pytest.raises(KeyboardInterrupt):
        openday._go_on(Folder(), None, more, None, None)
    out, err = capsys.readouterr()
    assert "ZeroDivisionError: invented" in err
    assert "Skipped: defect.mp4: an error of this program" in err
    assert "Skipped: dark.mp4: it was dark." in err
    assert "good.mp4: added" in out
    assert len(list((tmp_path / "replay-more").iterdir())) == 1


@pytest.fixture
def day(made, written, tmp_path, monkeypatch):
    """Run a day with so many visitors' tries, ended by Ctrl-C while one more is scored: what it said."""
    (data, _) = scripts(written, "try")
    (tmp_path / "saved").mkdir()
    marks = tmp_path / "day.marks.json"
    shutil.copy(ROOT / "sample_clips" / "clean_hit.marks.json", marks)

    def score(path, *_):
        if path.stem == "last":
            raise KeyboardInterrupt
        yield {**data, "words": {**data["words"], "name": path.stem}}

    def run_day(*names):
        paths = [Path(f"{name}.mp4") for name in (*names, "last")]
        monkeypatch.setattr(openday.WatchedFolder, "saved", lambda _: [paths.pop(0)])
        monkeypatch.setattr(openday, "_scorer", lambda: score)
        monkeypatch.setattr(openday, "POLL_S", 0.0)
        watch = ("--watch", tmp_path / "saved", "--marks", marks)
        return run(made, "reports/core", "--out", tmp_path / "out", *watch)

    return run_day


def names_in(page):
    return [one["words"]["name"] for one in scripts(page.read_text(encoding="utf-8"), "try")][1:]


def test_ctrl_c_keeps_the_days_tries_in_the_page(day, tmp_path):
    code, said = day("first", "second")
    assert code == 0
    assert "last.mp4: not added; it was being scored when Ctrl-C came." in said
    assert "Ended. The page keeps the tries that it has, 2 of visitors among them." in said
    shutil.rmtree(tmp_path / "out" / "replay-more")  # the page alone is enough
    page = tmp_path / "out" / "replay.html"
    assert names_in(page) == ["first", "second"]
    assert '"more":""' in page.read_text(encoding="utf-8")


@pytest.mark.parametrize("visitors", [("third",), ()])
def test_a_second_run_starts_anew_and_says_where_the_first_ones_tries_are(day, tmp_path, visitors):
    day("first", "second")
    _, said = day(*visitors)
    former = tmp_path / "out" / "replay-before-1.html"
    assert f"The former page, with 2 tries of visitors, is now {former}; this one starts anew." in said
    assert names_in(former) == ["first", "second"]
    assert names_in(tmp_path / "out" / "replay.html") == list(visitors)
    _, said = day()
    assert ("replay-before-2.html" in said) is bool(visitors)


def test_tries_of_a_day_that_was_cut_off_do_not_go_unsaid(made, day, tmp_path):
    day()
    MoreTries(tmp_path / "out").add({"n": 1})
    _, said = run(made, "reports/core", "--out", tmp_path / "out")
    assert "now without 1 try of visitors of a former run, which was cut off." in said
    _, said = run(made, "reports/core", "--out", tmp_path / "out")
    assert "former" not in said


def test_a_photo_that_no_try_needs_is_told(made, tmp_path):
    code, said = run(made, "reports/hit", "--photo", "plum=olive.png", "--out", tmp_path)
    assert code == 0
    assert "no try shown has a target named 'plum'" in said


def test_the_page_speaks_the_language_that_was_chosen(made, tmp_path):
    run(made, "reports/hit", "--language", "de", "--out", tmp_path)
    page = (tmp_path / "replay.html").read_text(encoding="utf-8")
    assert '<html lang="de">' in page
    (hit,) = scripts(page, "try")
    assert hit["words"]["distance"] == "Etwa 0,9 Millimeter von der Mitte: die Dicke von zehn Blatt Papier."
    assert "What is hidden" not in page


@pytest.mark.parametrize("invented", [True, False])
def test_a_simulated_try_is_told_to_the_page(made, tmp_path, invented):
    shutil.copytree(made / "reports" / "hit", tmp_path / "hit")
    file = tmp_path / "hit" / "run.json"
    file.write_text(json.dumps(json.loads(file.read_text()) | ({"invented": True} if invented else {})))
    code, _ = run(made, tmp_path / "hit", "--clips", ".", "--out", tmp_path / "out", "--language", "de")
    assert code == 0
    page = (tmp_path / "out" / "replay.html").read_text(encoding="utf-8")
    (hit,) = scripts(page, "try")
    assert hit["simulated"] is invented
    assert page.count('<p class="simulated" hidden>Vom Computer simuliert</p>') == 3


def test_a_saved_recording_is_added_a_spoilt_one_is_skipped_and_ctrl_c_ends(tmp_path):
    (tmp_path / "saved").mkdir()
    marks = json.loads((ROOT / "sample_clips" / "clean_hit.marks.json").read_text())
    marks |= {"learner": "QX7731", "notes": "Invented Person", "date": "1999-12-31"}
    (tmp_path / "day.marks.json").write_text(json.dumps(marks))
    shutil.copy(ROOT / "sample_clips" / "clean_hit.mp4", tmp_path / "saved" / "there_before.mp4")
    command = [sys.executable, "-m", "needlecoach", "replay", "--watch", "saved", "--marks", "day.marks.json"]
    process = subprocess.Popen(
        [*command, "--out", "out", "--no-browser"], cwd=tmp_path, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    said = []
    try:
        for line in process.stdout:
            said.append(line)
            if "Waiting" in line:
                (tmp_path / "saved" / "a_spoilt.mp4").write_text("no video")
                shutil.copy(ROOT / "sample_clips" / "clean_hit.mp4", tmp_path / "saved" / "private_name.mp4")
            if "added" in line:
                break
        tries = list((tmp_path / "out" / "replay-more").iterdir())
        assert "file:" in (tmp_path / "out" / "replay.html").read_text()
    finally:
        time.sleep(0.2)
        process.send_signal(signal.SIGINT)
        rest, _ = process.communicate(timeout=30)
    text = "".join(said) + rest
    assert process.returncode == 0, text
    assert "Skipped: a_spoilt.mp4: " in text
    assert "private_name.mp4: added" in text
    assert "there_before" not in text
    assert "Ended." in text
    assert len(tries) == 1
    text = "".join(path.read_text() for path in (tmp_path / "out").rglob("*") if path.is_file())
    assert not [secret for secret in SECRETS if secret in text]
    assert not list(tmp_path.rglob("*.partial"))
    assert len(scripts((tmp_path / "out" / "replay.html").read_text(), "try")) == 1


def test_the_clip_of_these_tests_is_as_long_as_they_think(made):
    assert N / FPS == 3.0


def test_results_join_a_loop_that_plays_and_what_can_t_be_shown_is_told(made, tmp_path):
    said = []
    loop = openday.Loop(tmp_path / "big", openday.Wishes(), say=said.append)
    assert loop.path.read_text(encoding="utf-8").count("replay-more") >= 1
    loop.add(made / "reports" / "hit", made)
    assert said == ["hit: shown on the big screen."]
    (shown,) = (tmp_path / "big" / "replay-more").glob("try-*.js")
    assert not any(secret in shown.read_text(encoding="utf-8") for secret in SECRETS)
    loop.add(made / "reports" / "hit", tmp_path)  # the recording lies elsewhere
    assert "needed and it is not at" in said[-1]
    loop.add(tmp_path / "nothing", made)
    assert said[-1].startswith("Left out on the big screen")
    assert len(list((tmp_path / "big" / "replay-more").glob("try-*.js"))) == 1
