"""Bad input given to the real command: exit code, one line that says why, nothing half-written left."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pandas as pd
import pytest
from skimage import data

from needlecoach import cli

NO_TARGET = ("--no-target", "--mm-per-px", "0.12", "--no-replay")
FINISHED = {"attempts.csv", "track.csv", "run.json", "page.json", "summary.html"}
GREY = np.random.default_rng(0).normal(90, 25, (240, 320)).clip(20, 220).astype(np.uint8)


@pytest.fixture
def score(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> Callable[..., tuple[int, list[str]]]:
    """Run `needlecoach score` in an empty folder as it is installed: exit code, lines on stderr."""
    monkeypatch.chdir(tmp_path)

    def run(*arguments: str) -> tuple[int, list[str]]:
        monkeypatch.setattr(sys, "argv", ["needlecoach", "score", *arguments])
        with pytest.raises(SystemExit) as stopped:
            cli.main()
        return int(stopped.value.code or 0), capsys.readouterr().err.splitlines()

    return run


def write_video(path: Path, pictures: list[np.ndarray], *, codec: str = "FFV1") -> None:
    size = pictures[0].shape[1::-1] if pictures else (320, 240)
    writer = cv2.VideoWriter(str(path), cv2.CAP_FFMPEG, cv2.VideoWriter.fourcc(*codec), 25.0, size)
    assert writer.isOpened()
    for picture in pictures:
        writer.write(cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR) if picture.ndim == 2 else picture)
    writer.release()


def write_film(
    path: Path, pictures: list[np.ndarray], *, layout: str = "gray", rate: Fraction = Fraction(25)
) -> None:
    """A lossless film of any depth and rate."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=rate)
        stream.height, stream.width = pictures[0].shape
        stream.pix_fmt = layout
        for number, picture in enumerate(pictures):
            frame = av.VideoFrame.from_ndarray(picture, format="gray8").reformat(format=layout)
            frame.pts, frame.time_base = number, 1 / rate
            container.mux(stream.encode(frame))
        container.mux(stream.encode())


def moving(picture: np.ndarray, count: int = 12, *, down_px: int = 0) -> list[np.ndarray]:
    """A camera's view that glides over a larger picture."""
    height, width = picture.shape[0] // 3 * 2, picture.shape[1] // 3 * 2
    return [np.ascontiguousarray(picture[down_px * i :, 5 * i :][:height, :width]) for i in range(count)]


def whole_mp4(folder: Path) -> bytes:
    path = folder / "whole.mp4"
    write_video(path, [GREY] * 20, codec="mp4v")
    content = path.read_bytes()
    path.unlink()
    return content


def without_pictures(folder: Path) -> bytes:
    path = folder / "none.avi"
    write_video(path, [], codec="MJPG")
    content = path.read_bytes()
    path.unlink()
    return content


def sound_only(_: Path) -> bytes:
    """A wave file of silence, 8 kHz, 8 bits."""
    body = b"fmt " + (16).to_bytes(4, "little") + bytes.fromhex("0100 0100 401f0000 401f0000 0100 0800")
    body += b"data" + (8000).to_bytes(4, "little") + b"\x80" * 8000
    return b"RIFF" + (len(body) + 4).to_bytes(4, "little") + b"WAVE" + body


def index_first(folder: Path) -> bytes:
    """An mp4 whose index comes before its pictures, cut off right behind the index."""
    content = whole_mp4(folder)
    at = content.index(b"moov") - 4
    length = int.from_bytes(content[at : at + 4], "big")
    return content[: int.from_bytes(content[:4], "big")] + content[at : at + length]


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda _: b"", "empty"),
        (lambda _: b"notes of the day\n" * 40, "is text, not a video"),
        (lambda folder: whole_mp4(folder)[:1500], "cut off"),
        (index_first, "no picture that can be read"),
        (lambda _: np.random.default_rng(1).bytes(9000), "no picture that can be read"),
        (without_pictures, "no picture that can be read"),
        (sound_only, "no picture that can be read"),
    ],
)
def test_files_that_are_no_recording(score: Callable, tmp_path: Path, make: Callable, said: str) -> None:
    Path("L01.mp4").write_bytes(make(tmp_path))
    code, lines = score("L01.mp4", *NO_TARGET)
    assert (code, len(lines)) == (2, 1)
    assert "L01.mp4" in lines[0] and said in lines[0]
    assert os.listdir() == ["L01.mp4"]


def test_a_missing_file(score: Callable) -> None:
    code, lines = score("absent.mp4", *NO_TARGET)
    assert (code, lines) == (2, ["Error: absent.mp4: there is no such file or folder; check the name."])
    assert os.listdir() == []


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes in folders")
def test_a_pipe_is_not_waited_for(score: Callable) -> None:
    os.mkfifo("pipe.mp4")
    code, lines = score("pipe.mp4", *NO_TARGET)
    assert (code, len(lines)) == (2, 1)
    assert "neither a file nor a folder" in lines[0]


def test_a_name_that_is_not_utf8(score: Callable, tmp_path: Path) -> None:
    name = os.fsdecode(b"L01\xff.mp4")
    try:
        Path(name).write_bytes(whole_mp4(tmp_path))
    except OSError:
        pytest.skip("this disk takes UTF-8 names only")
    code, lines = score(name, *NO_TARGET)
    assert (code, len(lines)) == (2, 1)
    assert "not valid UTF-8" in lines[0]
    assert os.listdir() == [name]


def test_images_of_two_sizes(score: Callable) -> None:
    Path("L01").mkdir()
    for number in range(9):
        cv2.imwrite(f"L01/{number}.png", GREY[: 240 - 2 * (number == 7)])
    code, lines = score("L01", *NO_TARGET, "--fps", "10")
    assert (code, len(lines)) == (2, 1)
    assert "7.png" in lines[0] and "one size" in lines[0]
    assert os.listdir() == ["L01"]


@pytest.mark.parametrize("fps", ["0", "-1", "nan", "inf", "1e300", "1e-300"])
def test_rates_of_no_scanner(score: Callable, fps: str) -> None:
    Path("L01").mkdir()
    cv2.imwrite("L01/1.png", GREY)
    code, lines = score("L01", *NO_TARGET, "--fps", fps)
    assert (code, len(lines)) == (2, 1)
    assert "--fps" in lines[0]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--target", "999,50,9,9", "--mm-per-px", "0.1"), "outside the frame"),
        (("--target", "-3,50,9,9", "--mm-per-px", "0.1"), "outside the frame"),
        (("--target", "100,90,900,900", "--mm-per-px", "0.1"), "more than the picture"),
        (("--target", "100,90,0.1,0.1", "--mm-per-px", "0.1"), "too small"),
        (("--target", "100,90,9,9", "--target-frame", "500", "--mm-per-px", "0.1"), "frame 500"),
        (("--target", "100,90,nan,9", "--mm-per-px", "0.1"), "--target"),
        (("--no-target", "--mm-per-px", "0"), "mm per px"),
        (("--no-target", "--mm-per-px", "-0.1"), "mm per px"),
        (("--no-target", "--mm-per-px", "nan"), "mm per px"),
        (("--no-target", "--scale", "0,0,0,90=0mm"), "above 0 mm"),
        (("--no-target", "--scale", "0,0,0,90=-4mm"), "above 0 mm"),
        (("--no-target", "--scale", "0,0,0,90=nanmm"), "--scale"),
        (("--no-target", "--mm-per-px", "0.1", "--region", "300,0,90,90"), "not within the frame"),
    ],
)
def test_marks_that_can_t_be(score: Callable, options: tuple[str, ...], said: str) -> None:
    write_video(Path("L01.mkv"), moving(GREY))
    code, lines = score("L01.mkv", *options)
    assert (code, len(lines)) == (2, 1)
    assert said in lines[0]
    assert os.listdir() == ["L01.mkv"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('{"schema": 1, "taget": {}}', 'unknown key "taget"'),
        ('{"schema": 1,', "not valid JSON"),
        ("", "not valid JSON"),
        ("[" * 100_000, "not valid JSON"),
        ('{"schema": 7}', "schema"),
        ('{"schema": 1, "scale": {"mm_per_px": 0}}', "mm per px"),
        ('{"schema": 1, "scale": {"mm_per_px": -1}}', "mm per px"),
        ('{"schema": 1, "scale": {"mm_per_px": NaN}}', "mm_per_px"),
    ],
)
def test_broken_marks_files(score: Callable, text: str, said: str) -> None:
    write_video(Path("L01.mkv"), moving(GREY))
    Path("L01.marks.json").write_text(text)
    code, lines = score("L01.mkv")
    assert (code, len(lines)) == (2, 1)
    assert "L01.marks.json" in lines[0] and said in lines[0]
    assert set(os.listdir()) == {"L01.mkv", "L01.marks.json"}


def bars() -> list[np.ndarray]:
    """Moving bars of many hues."""
    hue = np.tile(np.arange(320) // 40 * 22, (240, 1))
    screen = np.stack([hue, np.full_like(hue, 200), np.full_like(hue, 220)], axis=-1).astype(np.uint8)
    return [cv2.cvtColor(np.roll(screen, 9 * i, axis=1), cv2.COLOR_HSV2BGR) for i in range(12)]


UNSCORABLE = {
    "black": (lambda: [np.zeros_like(GREY)] * 12, "No ultrasound picture"),
    "white": (lambda: [np.full_like(GREY, 255)] * 12, "No ultrasound picture"),
    "one": (lambda: [GREY], "1 frame, and"),
    "two": (lambda: [GREY, GREY], "2 frames"),
    "bars": (bars, "does not look like an ultrasound picture"),
    "photo": (lambda: moving(data.astronaut()[..., ::-1]), "does not look like an ultrasound picture"),
    "grey photo": (lambda: moving(data.camera(), down_px=7), "glides up or down"),
}


@pytest.mark.parametrize("name", list(UNSCORABLE))
def test_pictures_that_hold_nothing_to_score(score: Callable, name: str) -> None:
    make, said = UNSCORABLE[name]
    write_video(Path(f"{name}.mkv"), make())
    code, lines = score(f"{name}.mkv", "--no-target", "--mm-per-px", "0.12")
    assert (code, len(lines)) == (3, 1)
    assert lines[0].startswith(f"{name}: can't be scored: ") and said in lines[0]
    assert set(os.listdir(f"reports/{name}")) == FINISHED
    table = pd.read_csv(f"reports/{name}/attempts.csv")
    assert table.empty and "closest_edge_mm_sd" in table.columns
    assert said in Path(f"reports/{name}/summary.html").read_text(encoding="utf-8")


def test_one_pixel(score: Callable) -> None:
    Path("L01").mkdir()
    for number in range(9):
        cv2.imwrite(f"L01/{number}.png", np.full((1, 1), 20 * number, np.uint8))
    code, lines = score("L01", *NO_TARGET, "--fps", "10")
    assert (code, len(lines)) == (3, 1)
    assert "can't be scored" in lines[0]


@pytest.mark.parametrize("picture", [GREY, data.camera()], ids=["noise", "grey photo sideways"])
def test_grey_pictures_without_needle_give_no_attempt(score: Callable, picture: np.ndarray) -> None:
    write_video(Path("L01.mkv"), moving(picture))
    assert score("L01.mkv", *NO_TARGET) == (0, [])
    assert pd.read_csv("reports/L01/attempts.csv").empty


def test_sixteen_bit_images_are_read(score: Callable) -> None:
    Path("L01").mkdir()
    for number, picture in enumerate(moving(GREY)):
        cv2.imwrite(f"L01/{number}.png", picture.astype(np.uint16) * 257)
    assert score("L01", *NO_TARGET, "--fps", "10") == (0, [])
    assert len(pd.read_csv("reports/L01/track.csv")) == 12


@pytest.mark.parametrize("layout", ["gray16le", "yuv420p10le"])
def test_videos_of_more_than_eight_bits_are_read(score: Callable, layout: str) -> None:
    write_film(Path("L01.mkv"), moving(GREY), layout=layout)
    assert score("L01.mkv", *NO_TARGET) == (0, [])
    assert len(pd.read_csv("reports/L01/track.csv")) == 12


@pytest.mark.parametrize("rate", [Fraction(1, 1000), Fraction(1000)])
def test_rates_of_no_scanner_in_a_video_are_taken_as_they_are(score: Callable, rate: Fraction) -> None:
    write_film(Path("L01.mkv"), moving(GREY), rate=rate)
    code, lines = score("L01.mkv", *NO_TARGET)
    assert (code, lines) == (0, [])
    times_s = pd.read_csv("reports/L01/track.csv")["time_s"]
    assert times_s.iloc[-1] == pytest.approx(11 / float(rate), rel=1e-3)


@pytest.mark.parametrize(("content", "name"), [("png", "L01.mp4"), ("mkv", "L01.avi")])
def test_a_wrong_ending_is_seen_through(score: Callable, content: str, name: str) -> None:
    if content == "png":
        cv2.imwrite("1.png", GREY)
        Path("1.png").rename(name)
    else:
        write_film(Path("L01.mkv"), moving(GREY))
        Path("L01.mkv").rename(name)
    code, lines = score(name, *NO_TARGET)
    # A single picture is a recording of one frame; a film is what it holds, whatever it is called.
    assert (code, len(lines)) == ((3, 1) if content == "png" else (0, 0))


def test_a_video_of_one_pixel(score: Callable) -> None:
    write_film(Path("L01.mkv"), [np.full((1, 1), 20 * k, np.uint8) for k in range(9)])
    code, lines = score("L01.mkv", *NO_TARGET)
    assert (code, len(lines)) == (3, 1)


@pytest.mark.parametrize("name", [" L01 'a\" 🩺", "=1+1", "-x"])
def test_odd_names(score: Callable, name: str) -> None:
    write_video(Path("plain.mkv"), [GREY])
    Path("plain.mkv").rename(f"{name}.mkv")
    code, lines = score(*NO_TARGET, "--learner", "L-1", "--", f"{name}.mkv")
    assert (code, len(lines)) == (3, 1)
    assert set(os.listdir(f"reports/{name}")) == FINISHED
    assert json.loads(Path(f"reports/{name}/run.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("out", ["L01.mkv", "L01.mkv/below"])
def test_an_output_folder_that_can_t_be_made(score: Callable, out: str) -> None:
    write_video(Path("L01.mkv"), moving(GREY))
    code, lines = score("L01.mkv", *NO_TARGET, "--out", out)
    assert (code, len(lines)) == (2, 1)
    assert "--out" in lines[0]
    assert os.listdir() == ["L01.mkv"]


def test_a_folder_of_the_same_name_with_other_things_is_left_alone(score: Callable) -> None:
    write_video(Path("L01.mkv"), moving(GREY))
    Path("reports/L01").mkdir(parents=True)
    Path("reports/L01/mine.txt").write_text("mine")
    code, lines = score("L01.mkv", *NO_TARGET)
    assert (code, len(lines)) == (2, 1)
    assert os.listdir("reports") == ["L01"] and os.listdir("reports/L01") == ["mine.txt"]


def test_a_full_disk(score: Callable, tmp_path: Path) -> None:
    resource = pytest.importorskip("resource", reason="this system can't limit the size of files")
    write_video(Path("L01.mkv"), moving(GREY))
    # A limit on file sizes stands for the full disk, which needs rights to make: writing fails alike.
    code = (
        "import resource, signal, sys; from needlecoach.cli import main\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (300, resource.RLIM_INFINITY)); main()"
    )
    assert resource
    command = [sys.executable, "-c", code, "score", "L01.mkv", *NO_TARGET]
    shown = subprocess.run(command, capture_output=True, text=True, check=False, cwd=tmp_path)
    assert (shown.returncode, len(shown.stderr.splitlines())) == (2, 1)
    assert "can't be written" in shown.stderr
    assert os.listdir() == ["L01.mkv"]


@pytest.mark.skipif(os.name == "nt", reason="Ctrl-C can't be sent to one process there")
def test_ctrl_c_in_the_middle(score: Callable, tmp_path: Path) -> None:
    write_video(Path("L01.mkv"), moving(GREY, 12) * 60)
    start = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
    start += "from needlecoach.cli import main; main()"
    command = [sys.executable, "-c", start, "score", "L01.mkv", *NO_TARGET]
    running = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, cwd=tmp_path)
    patience_s = time.monotonic() + 30
    while not Path("reports").exists() and time.monotonic() < patience_s:
        time.sleep(0.01)
    running.send_signal(signal.SIGINT)
    _, told = running.communicate(timeout=30)
    assert (running.returncode, len(told.splitlines())) == (130, 1)
    assert os.listdir() == ["L01.mkv"]
