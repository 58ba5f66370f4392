"""Results folder: whole or not at all, and never in the place of something else."""

import errno
import json
import os
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from needlecoach.errors import OutputError
from needlecoach.model import Figure
from needlecoach.reporting import results
from needlecoach.reporting.overlay import Overlay
from needlecoach.reporting.results import FILES, write_combined, write_results
from tests.reporting.conftest import core_card


def names(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


def test_folder_holds_all_files(card, tmp_path):
    folder = write_results(card, tmp_path / "new" / "reports", replay=True)
    assert folder == tmp_path / "new" / "reports" / "straight_in"
    assert names(folder) == sorted(FILES)
    assert names(folder.parent) == ["straight_in"]
    assert "data:video/webm" in (folder / "summary.html").read_text(encoding="utf-8")
    assert len(pd.read_csv(folder / "track.csv")) == 75
    assert pd.read_csv(folder / "attempts.csv")["outcome"].tolist() == ["hit"]


def test_without_replay_there_is_no_video_but_a_still(card, tmp_path):
    folder = write_results(card, tmp_path, replay=False)
    assert names(folder) == sorted(set(FILES) - {"replay.webm"})
    html = (folder / "summary.html").read_text(encoding="utf-8")
    assert "data:video" not in html and "data:image/jpeg" in html


@pytest.mark.parametrize("name", ["two words", 'it\'s "so"', "🦀 crab", "=1+1", "-rf", "x" * 250, "a.b.c"])
def test_odd_names_work(card, tmp_path, name):
    folder = write_results(card, tmp_path, replay=False, name=name)
    assert names(tmp_path) == [name]
    assert (folder / "run.json").is_file()


def test_name_that_is_not_unicode_works(card, tmp_path):
    odd = os.fsdecode(b"caf\xe9.mp4")
    clip = replace(card.clip, path=card.clip.path.with_name(odd))
    # Without a still there is no need to open the clip, which OpenCV can't under such a name.
    blind = replace(card.attempts[0], closest_frame=None, passes=())
    track = replace(card.track, tip_px=np.full((75, 2), np.nan))
    folder = write_results(replace(card, clip=clip, track=track, attempts=(blind,)), tmp_path, replay=False)
    assert "caf\\udce9" in (folder / "attempts.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["", ".", "..", "a/b", "../up"])
def test_name_that_leads_elsewhere_is_refused(card, tmp_path, name):
    with pytest.raises(OutputError, match="rename the clip"):
        write_results(card, tmp_path / "out", replay=False, name=name)
    assert names(tmp_path) == []


def test_former_results_are_replaced_and_foreign_files_kept(card, tmp_path):
    folder = write_results(card, tmp_path, replay=False)
    (folder / "replay.webm").write_text("old")
    (folder / "my notes.txt").write_text("keep me")
    (folder / "attempts.csv").write_text("old")
    write_results(card, tmp_path, replay=False)
    assert names(tmp_path) == ["straight_in"]
    assert (folder / "my notes.txt").read_text() == "keep me"
    assert not (folder / "replay.webm").exists()
    assert (folder / "attempts.csv").read_text() != "old"


def test_the_time_of_the_first_scoring_is_kept_while_the_recording_is_the_same(card, tmp_path):
    def first() -> str:
        return json.loads((folder / "run.json").read_text(encoding="utf-8")).get("first_scored_at")

    folder = write_results(card, tmp_path, replay=False)
    began = first()
    assert abs(datetime.now(UTC) - datetime.fromisoformat(began)) < timedelta(minutes=1)
    write_results(replace(card, corrections=()), tmp_path, replay=False)
    assert first() == began
    older = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    del older["first_scored_at"]
    (folder / "run.json").write_text(json.dumps(older))
    os.utime(folder / "run.json", (1e9, 1e9))
    write_results(card, tmp_path, replay=False)
    assert first() == "2001-09-09T01:46:40.000000+00:00"  # 1e9 s of Unix time, the calendar's own
    write_results(replace(card, clip_sha256="another recording"), tmp_path, replay=False)
    assert first() > began


def test_folder_that_is_not_ours_is_left_alone(card, tmp_path):
    other = tmp_path / "straight_in"
    other.mkdir()
    (other / "thesis.txt").write_text("years of work")
    with pytest.raises(OutputError, match="holds no results of ours"):
        write_results(card, tmp_path, replay=False)
    assert names(tmp_path) == ["straight_in"] and names(other) == ["thesis.txt"]


def test_folder_of_the_clip_itself_is_left_alone(card, tmp_path):
    images = tmp_path / "stills"
    images.mkdir()
    (images / "run.json").write_text("{}")
    clip = replace(card.clip, path=images, kind="images")
    with pytest.raises(OutputError, match="holds the clip itself"):
        write_results(replace(card, clip=clip), tmp_path, replay=False)
    assert names(images) == ["run.json"]


@pytest.mark.parametrize("problem", [KeyboardInterrupt, RuntimeError, MemoryError])
@pytest.mark.parametrize("step", ["track_table", "write_replay", "render_summary", "_move_into_place"])
def test_nothing_is_left_when_a_step_breaks(card, tmp_path, monkeypatch, problem, step):
    def breaks(*args, **kwargs):
        raise problem

    monkeypatch.setattr(results, step, breaks)
    with pytest.raises(problem):
        write_results(card, tmp_path, replay=step == "write_replay")
    assert names(tmp_path) == []


def test_former_results_survive_a_break(card, tmp_path, monkeypatch):
    folder = write_results(card, tmp_path, replay=False)
    before = (folder / "run.json").read_bytes()
    rename = Path.rename

    def breaks(self, target):
        if self.suffix == ".partial":
            raise KeyboardInterrupt
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", breaks)
    with pytest.raises(KeyboardInterrupt):
        write_results(card, tmp_path, replay=False)
    assert names(tmp_path) == ["straight_in"]
    assert (folder / "run.json").read_bytes() == before


def test_full_disk_is_one_line_and_leaves_nothing(card, tmp_path, monkeypatch):
    def full(*args, **kwargs):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(OutputError, match="no space left on device; make room") as caught:
        write_results(card, tmp_path, replay=False)
    assert "\n" not in str(caught.value)
    assert names(tmp_path) == []


LIMITED = """
import resource, signal, sys
sys.path.insert(0, {tests!r})
import conftest
from pathlib import Path
from needlecoach.errors import OutputError
from needlecoach.reporting.results import write_results
card = conftest.invented_card(Path({clip!r}))
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))
try:
    write_results(card, Path({out!r}), replay=True)
except OutputError as problem:
    print(problem)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs file size limits")
def test_file_cut_off_by_the_system_is_noticed(clip_file, tmp_path):
    """A real refusal by the system, in the middle of the video."""
    script = LIMITED.format(
        tests=str(Path(__file__).parent), clip=str(clip_file), out=str(tmp_path), limit=100_000
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert "file too large; make room" in done.stdout, done.stderr
    assert done.stderr == ""
    assert names(tmp_path) == []


def test_place_that_is_a_file_is_one_line(card, tmp_path):
    (tmp_path / "reports").write_text("a file")
    with pytest.raises(OutputError, match="can't be written"):
        write_results(card, tmp_path / "reports", replay=False)
    assert (tmp_path / "reports").read_text() == "a file"


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="needs POSIX permissions")
def test_folder_without_permission_is_one_line(card, tmp_path, monkeypatch):
    locked = tmp_path / "locked"
    locked.mkdir()
    locked.chmod(0o500)
    if os.access(locked, os.W_OK):  # an administrator may write anywhere
        locked = Path("/proc/needlecoach")
    with pytest.raises(OutputError, match="choose another folder with --out"):
        write_results(card, locked, replay=False)


def test_run_record_is_enough_to_repeat_and_tells_no_folder(card, tmp_path):
    options = {
        "out": tmp_path,
        "text": str(tmp_path / "deep" / "file.mp4"),
        "rate": float("nan"),
        "n": np.int64(3),
    }
    folder = write_results(replace(card, options=options), tmp_path, replay=False)
    text = (folder / "run.json").read_text(encoding="utf-8")
    said = json.loads(text)
    assert said["clip"]["file"] == "straight_in.mp4" and said["clip"]["sha256"] == "ab" * 32
    assert {"needlecoach", "python", "numpy", "opencv"} <= set(said["versions"])
    assert said["marks"]["target"]["centre_px"] == [180.0, 130.0]
    assert said["marks"]["learner"] == "L01"
    assert said["region"]["box_px"] == [40, 20, 240, 200]
    assert said["scale"]["x_mm_per_px"] == 0.2
    assert said["options"] == {"out": tmp_path.name, "text": "file.mp4", "rate": None, "n": 3}
    assert said["timing"]["frames"] == 75
    assert str(tmp_path) not in text and str(card.clip.path.parent) not in text


def test_no_file_tells_a_folder(card, tmp_path):
    folder = write_results(card, tmp_path, replay=False)
    for entry in folder.iterdir():
        assert str(card.clip.path.parent).encode() not in entry.read_bytes(), entry.name


def test_unscorable_clip_gets_a_page_and_no_picture(unscorable_card, tmp_path):
    folder = write_results(unscorable_card, tmp_path, replay=True)
    assert "replay.webm" not in names(folder)
    assert "data:image" not in (folder / "summary.html").read_text(encoding="utf-8")
    assert pd.read_csv(folder / "attempts.csv").empty


def test_clip_without_needle_is_written(needleless_card, tmp_path):
    folder = write_results(needleless_card, tmp_path, replay=True)
    assert names(folder) == sorted(FILES)
    assert pd.read_csv(folder / "track.csv")["needle_present"].sum() == 0


def two_results(card, out):
    """Write the same result into two folders; return their names."""
    return [write_results(card, out, replay=False, name=name).name for name in ("same", "same-2")]


def test_combined_file_replaces_the_former_one(card, tmp_path):
    write_combined(two_results(card, tmp_path)[:1], tmp_path)
    path = write_combined(["same", "same-2"], tmp_path)
    assert pd.read_csv(path)["folder"].tolist() == ["same", "same-2"]
    assert names(tmp_path) == ["attempts.csv", "same", "same-2"]


def test_combined_rows_are_those_of_the_clips_word_for_word(card, tmp_path):
    path = write_combined(two_results(card, tmp_path), tmp_path)
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    own_head, *own = (tmp_path / "same" / "attempts.csv").read_text(encoding="utf-8").splitlines()
    assert head == f"folder,{own_head}"
    assert rows == [f"{name},{row}" for name in ("same", "same-2") for row in own]


@pytest.mark.parametrize("text", ["", "clip,marks\nL01,7\n", "clip;learner;attempt;\n", "\0\n"])
def test_combined_file_of_someone_else_is_left_alone(card, tmp_path, text):
    (tmp_path / "attempts.csv").write_text(text)
    with pytest.raises(OutputError, match="no table of attempts of ours; move it") as caught:
        write_combined(["same"], tmp_path)
    assert "\n" not in str(caught.value)
    assert names(tmp_path) == ["attempts.csv"]
    assert (tmp_path / "attempts.csv").read_text() == text


def test_combined_file_takes_the_place_of_one_clip_s_table(card, tmp_path):
    folder = write_results(card, tmp_path, replay=False)
    assert len(pd.read_csv(write_combined(two_results(card, folder), folder))) == 2


def test_combined_file_is_whole_or_not_there(card, tmp_path, monkeypatch):
    old = write_combined(two_results(card, tmp_path)[:1], tmp_path).read_text()

    def full(*args, **kwargs):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(pd.DataFrame, "to_csv", full)
    with pytest.raises(OutputError, match="no space left"):
        write_combined(["same", "same-2"], tmp_path)
    assert names(tmp_path) == ["attempts.csv", "same", "same-2"]
    assert (tmp_path / "attempts.csv").read_text() == old


def test_attempt_without_any_tip_has_no_still(card, needleless_card, tmp_path):
    lost = replace(
        card.attempts[0], closest_frame=None, passes=(), outcome="unscorable",
        figures={"attempt": Figure("attempt", 1)}, reason="the tip was never found",
    )  # fmt: skip
    folder = write_results(replace(needleless_card, attempts=(lost,)), tmp_path, replay=False)
    assert "data:image" not in (folder / "summary.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("replay", [False, True])
def test_few_stills_without_target_or_pass_show_the_needle_at_its_deepest(
    card, tmp_path, monkeypatch, replay
):
    drawn = []
    draw = Overlay.draw

    def noted(self, frame, index):
        drawn.append(index)
        return draw(self, frame, index)

    monkeypatch.setattr(Overlay, "draw", noted)
    short = replace(card.attempts[0], closest_frame=None, passes=(), outcome="unscorable")
    bare = replace(card, marks=replace(card.marks, target=None), distances={}, attempts=(short,))
    folder = write_results(bare, tmp_path, replay=replay)
    assert "data:image/jpeg" in (folder / "summary.html").read_text(encoding="utf-8")
    # The line goes in until frame 37 and turns there; a replay has all frames besides.
    assert sorted(drawn) == sorted([*range(75 if replay else 0), 37])


def test_the_still_of_a_core_sample_is_of_its_sample(clip_file, monkeypatch, tmp_path):
    """Three frames after the closest approach, in frame 37, the invented needle has been fired."""
    asked = []
    monkeypatch.setattr(results, "stills", lambda card, frames, ahead: asked.extend(frames) or {40: b"still"})
    write_results(core_card(clip_file, fired=True), tmp_path, replay=False)
    assert asked == [40]
