"""Every picture of a camera recorded, from before it was asked for, and after the process was killed."""

import os
import signal
import subprocess
import sys
import threading
import time

import numpy as np
import pytest

from needlecoach.clips import recorder as room
from needlecoach.clips.capture import Captured
from needlecoach.clips.recorder import Recorder
from needlecoach.errors import OutputError
from tests.clips.camera_pictures import SIZE, captured, numbers_of, times_of


def feed(recorder: Recorder, count: int, **how) -> float:
    last_s = 0.0
    for one in captured(count, **how):
        recorder.see(one)
        last_s = one.time_s
    return last_s


def settle(recorder: Recorder, count: int) -> None:
    began_s = time.monotonic()
    while recorder.state.n_frames < count:
        assert time.monotonic() - began_s < 20
        time.sleep(0.01)


def test_a_recording_begins_in_the_past_and_holds_every_picture_until_its_end(tmp_path):
    with Recorder() as recorder:
        feed(recorder, 150)
        recording = recorder.begin(tmp_path / "L01.mkv", 2.5)
        last_s = feed(recorder, 60, first=150)
        path = recording.end(last_s)
        feed(recorder, 10, first=210)
    numbers = numbers_of(path)
    assert numbers == list(range(numbers[0], 210))
    assert recording.first_s == pytest.approx(numbers[0] / 30, abs=0.001)
    assert 1.5 <= recording.first_s <= 2.5  # the key picture at or before it, a second away at most
    assert recording.last_s == pytest.approx(209 / 30, abs=0.001)
    assert recording.n_frames == len(numbers)
    expected = np.array(numbers) / 30 - numbers[0] / 30
    assert np.abs(np.array(times_of(path)) - expected).max() <= 0.0011  # whole milliseconds


def test_real_times_are_kept_whatever_their_distances(tmp_path):
    times_s = np.cumsum(np.random.default_rng(3).uniform(0.004, 0.2, 60))
    with Recorder() as recorder:
        recording = recorder.begin(tmp_path / "L01.mkv", 0.0)
        for one, time_s in zip(captured(60), times_s, strict=True):
            recorder.see(Captured(one.number, float(time_s), one.pixels))
        path = recording.end(0.0)
    assert np.abs(np.array(times_of(path)) - (times_s - times_s[0])).max() <= 0.0011


def test_only_the_last_seconds_are_kept(tmp_path):
    with Recorder(before_s=2.0) as recorder:
        feed(recorder, 300)
        settle(recorder, 300)
        kept_s = 299 / 30 - recorder._kept[0].time_s
        recording = recorder.begin(tmp_path / "L01.mkv", 0.0)
        recording.end(0.0)
    assert 2.0 <= kept_s <= 3.1
    assert recording.first_s == pytest.approx(299 / 30 - kept_s)


def test_recordings_overlap_and_one_is_dropped(tmp_path):
    with Recorder() as recorder:
        feed(recorder, 30)
        one, other = (recorder.begin(tmp_path / f"L0{k}.mkv", 0.0) for k in (1, 2))
        feed(recorder, 30, first=30)
        recorder.drop(other)
        assert recorder.state.kind == "recording"
        assert numbers_of(one.end(2.0)) == list(range(60))
        assert recorder.state.kind == "idle"
    assert [path.name for path in tmp_path.iterdir()] == ["L01.mkv"]


def test_closing_ends_what_is_being_recorded_with_all_that_was_captured(tmp_path):
    with Recorder() as recorder:
        recorder.begin(tmp_path / "L01.mkv", 0.0)
        feed(recorder, 100)
    recorder.close()
    assert numbers_of(tmp_path / "L01.mkv") == list(range(100))


def test_an_end_to_come_is_waited_for(tmp_path):
    handed: list[tuple[float, float]] = []  # time of a picture, time at which the recorder had it
    with Recorder() as recorder:
        recording = recorder.begin(tmp_path / "L01.mkv", 0.0)
        begun_s = time.monotonic()

        def live() -> None:
            for one in captured(20, fps=20):
                time.sleep(0.05)
                time_s = time.monotonic() - begun_s
                recorder.see(Captured(one.number, time_s, one.pixels))
                handed.append((time_s, time.monotonic() - begun_s))

        camera = threading.Thread(target=live)
        camera.start()
        settle(recorder, 1)
        recording.end(0.6)
        camera.join()
    # Held against what this machine handed over in time, not against the clock: a busy one hands over less.
    assert recording.last_s >= round(max(time_s for time_s, had_s in handed if had_s <= 0.6), 3) - 0.001


def test_a_new_size_begins_a_new_file_and_the_past_of_another_size_is_left_out(tmp_path):
    with Recorder() as recorder:
        first = recorder.begin(tmp_path / "L01.mkv", 0.0)
        feed(recorder, 10)
        feed(recorder, 10, first=10, size=(130, 81))
        second = recorder.begin(tmp_path / "L02.mkv", 0.0)
        assert first.end(1.0) == tmp_path / "L01.mkv"
        second.end(1.0)
    assert [path.name for path in first.paths] == ["L01.mkv", "L01-2.mkv"]
    assert [len(numbers_of(path)) for path in first.paths] == [10, 10]
    assert [path.name for path in second.paths] == ["L02.mkv"]
    assert second.first_s == pytest.approx(10 / 30, abs=0.001)


def test_pictures_that_a_slow_machine_has_no_room_for_are_counted_and_told(tmp_path, monkeypatch):
    monkeypatch.setattr(room, "_MOST_WAITING_BYTES", 10 * SIZE[0] * SIZE[1] * 3)
    holding = threading.Event()
    with Recorder() as recorder:
        recording = recorder.begin(tmp_path / "L01.mkv", 0.0)
        recorder._waiting.put(lambda: holding.wait(10))  # the machine is at something else
        feed(recorder, 25)
        state = recorder.state
        holding.set()
        recording.end(1.0)
        assert numbers_of(recording.path) == list(range(10))
    assert state.lost == 15
    assert "15 pictures were not recorded" in state.words


def test_a_full_disk_is_told_and_recording_goes_on_once_there_is_room(tmp_path, monkeypatch):
    monkeypatch.setattr("needlecoach.clips.recording._CHECK_S", 0.0)
    free = [0]
    with Recorder(least_free_bytes=1000, free_bytes=lambda folder: free[0]) as recorder:
        nothing = recorder.begin(tmp_path / "L00.mkv", 0.0)
        assert recorder.state.kind == "full"
        assert nothing.end(0.0) is None
        assert np.isnan(nothing.first_s)
        recording = recorder.begin(tmp_path / "L01.mkv", 0.0)
        feed(recorder, 10)
        settle(recorder, 10)
        assert (recorder.state.kind, recording.paths) == ("full", ())
        free[0] = 5000
        feed(recorder, 10, first=10)
        settle(recorder, 20)
        assert (recorder.state.kind, recorder.state.words) == ("recording", "")
        recording.end(1.0)
    assert numbers_of(tmp_path / "L01.mkv")[-1] == 19


def test_faults_of_a_name_are_raised_where_the_recording_is_begun(tmp_path):
    (tmp_path / "L01.mkv").touch()
    with Recorder() as recorder:
        with pytest.raises(OutputError):
            recorder.begin(tmp_path / "L01.mkv", 0.0)
        feed(recorder, 3)
        settle(recorder, 3)
        assert recorder.state.kind == "idle"
    with pytest.raises(OutputError):
        recorder.begin(tmp_path / "L01.mkv", 0.0)


def test_pictures_that_can_not_be_coded_are_told_and_the_next_are_recorded(tmp_path):
    with Recorder() as recorder:
        recording = recorder.begin(tmp_path / "L01.mkv", 0.0)
        recorder.see(Captured(0, 0.0, np.zeros((0, 0, 3), np.uint8)))
        settle(recorder, 1)
        assert recorder.state.kind == "failed"
        feed(recorder, 5, start_s=0.1)
        settle(recorder, 6)
        assert recorder.state.kind == "recording"
        recording.end(1.0)
    assert numbers_of(tmp_path / "L01.mkv") == list(range(5))


KILLED = """
import sys, time
from pathlib import Path
from needlecoach.clips.capture import Captured
from needlecoach.clips.recorder import Recorder
from tests.clips.camera_pictures import captured
recorder = Recorder()
recorder.begin(Path(sys.argv[1]), 0.0)
begun_s = time.monotonic()
for one in captured(10_000, fps=60):
    time.sleep(max(begun_s + one.time_s - time.monotonic(), 0))
    recorder.see(one)
    print(one.number, flush=True)
"""


@pytest.mark.skipif(os.name == "nt", reason="sends a POSIX signal")
@pytest.mark.parametrize("last", [40, 130])
def test_what_was_recorded_before_the_process_was_killed_plays(tmp_path, last):
    path = tmp_path / "L01.mkv"
    process = subprocess.Popen([sys.executable, "-c", KILLED, str(path)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    shown = -1
    while shown < last:
        shown = int(process.stdout.readline())
    process.send_signal(signal.SIGKILL)
    rest = process.stdout.read().split()
    process.wait()
    process.stdout.close()
    shown = max([shown, *(int(number) for number in rest if number.isdigit())])
    numbers = numbers_of(path)
    assert numbers == list(range(len(numbers)))
    assert (shown - numbers[-1]) / 60 < 0.5  # of the last second at least half is there; 0.1 s is usual
    assert np.abs(np.array(times_of(path)) - np.array(numbers) / 60).max() <= 0.0011
