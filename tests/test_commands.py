"""The commands inspect and clean as they are typed: what they print, write and refuse."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import av
import cv2
import numpy as np
import pytest

from needlecoach import cli
from needlecoach.clips import open_clip

BOX = (60, 40, 200, 160)


class Said(NamedTuple):
    """What a command ended with."""

    code: int
    out: str
    err: list[str]


@pytest.fixture
def command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> Callable[..., Said]:
    monkeypatch.chdir(tmp_path)

    def run(*arguments: str) -> Said:
        monkeypatch.setattr(sys, "argv", ["needlecoach", *arguments])
        with pytest.raises(SystemExit) as stopped:
            cli.main()
        shown = capsys.readouterr()
        return Said(int(stopped.value.code or 0), shown.out, shown.err.splitlines())

    return run


def screens(count: int) -> list[np.ndarray]:
    rng = np.random.default_rng(2)
    x, y, w, h = BOX
    grain = cv2.GaussianBlur(rng.normal(size=(h, w + count)), (0, 0), 1.5)
    grain = (85 + 30 * grain / grain.std()).clip(5, 255).astype(np.uint8)
    frames = []
    for k in range(count):
        screen = np.zeros((240, 320), np.uint8)
        cv2.putText(screen, "INVENTED NAME", (20, 24), cv2.FONT_HERSHEY_SIMPLEX, 0.8, 255, 2)
        screen[y : y + h, x : x + w] = grain[:, k : k + w]
        frames.append(screen)
    return frames


def write_clip(path: str, count: int = 30) -> None:
    with av.open(path, "w") as container:
        stream = container.add_stream("libx264", rate=25, options={"crf": "16"})
        stream.width, stream.height, stream.pix_fmt = 320, 240, "yuv420p"
        for screen in screens(count):
            container.mux(stream.encode(av.VideoFrame.from_ndarray(screen, format="gray8")))
        container.mux(stream.encode())


def test_inspect_prints_a_table_and_writes_a_picture(command: Callable[..., Said]) -> None:
    write_clip("L01.mp4")
    said = command("inspect", "L01.mp4", "--mm-per-px", "0.15", "--out", "seen")
    assert (said.code, said.err) == (0, [])
    assert "25 a second" in said.out and "rectangle" in said.out and "0.15 mm per px" in said.out
    assert os.listdir("seen") == ["L01.inspect.png"]
    drawn = cv2.imread("seen/L01.inspect.png")
    # The picture of 200 x 160 px with a margin of 12 all around, twice as large, with a strip of 40 below.
    assert np.abs(np.subtract(drawn.shape[:2], (2 * 184 + 40, 2 * 224))).max() <= 8


def test_inspect_as_json_reads_the_marks(command: Callable[..., Said]) -> None:
    write_clip("L01.mp4")
    Path("L01.marks.json").write_text(
        '{"schema": 1, "scale": {"mm_per_px": 0.1}, "region_px": [60, 40, 200, 160]}'
    )
    said = command("inspect", "L01.mp4", "--json")
    values = json.loads(said.out)
    assert values["region"]["box_px"] == list(BOX) and values["region"]["source"] == "given"
    assert (values["scale"]["x_mm_per_px"], values["timing"]["n_frames"]) == (0.1, 30)
    assert values["picture"] == "L01.inspect.png"
    assert command("inspect", "L01.mp4", "--json", "--mm-per-px", "0.2").out.count("0.2,") >= 1


def test_inspect_shows_the_whole_screen_only_when_asked(command: Callable[..., Said]) -> None:
    write_clip("L01.mp4")
    command("inspect", "L01.mp4", "--out", "a")
    command("inspect", "L01.mp4", "--out", "b", "--keep-screen")
    cut, whole = cv2.imread("a/L01.inspect.png"), cv2.imread("b/L01.inspect.png")
    assert whole.shape[:2] == (240 * 2 + 40, 320 * 2)
    assert (whole[:60].min(axis=-1) > 200).sum() > 500
    assert (cut[:20].min(axis=-1) > 60).sum() == 0


def test_clean_writes_a_copy_and_tells_to_look_at_it(command: Callable[..., Said]) -> None:
    write_clip("L01.mp4")
    Path("L01.marks.json").write_text('{"schema": 1, "region_px": [60, 40, 200, 160]}')
    said = command("clean", "L01.mp4", "copy.mp4")
    assert (said.code, said.err) == (0, [])
    assert "60,40,200,160" in said.out and "A person must still look at it" in said.out
    with open_clip(Path("copy.mp4")) as reader:
        frames = list(reader)
    assert len(frames) == 30
    assert frames[9].pixels[:30].max() < 8
    assert frames[9].pixels[60:180, 80:240].mean() > 60
    assert sorted(os.listdir()) == ["L01.marks.json", "L01.mp4", "copy.mp4"]


def test_clean_takes_a_folder_and_a_region(command: Callable[..., Said]) -> None:
    Path("L02").mkdir()
    for number, screen in enumerate(screens(5)):
        cv2.imwrite(f"L02/{number}.png", screen)
    said = command("clean", "L02", "L02-clean", "--region", "100,60,80,80")
    assert (said.code, said.err) == (0, [])
    copy = cv2.imread("L02-clean/3.png", cv2.IMREAD_UNCHANGED)
    want = np.zeros((240, 320), np.uint8)
    want[60:140, 100:180] = screens(5)[3][60:140, 100:180]
    assert np.array_equal(copy, want)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("inspect", "none.mp4"), "no such file"),
        (("inspect", "text.mp4"), "is text"),
        (("inspect", "L01.mp4", "--region", "300,0,90,90"), "not within the frame"),
        (("inspect", "L01.mp4", "--region", "a"), "--region"),
        (("inspect", "L01.mp4", "--mm-per-px", "nan"), "mm per px"),
        (("inspect", "L01.mp4", "--fps", "0"), "--fps"),
        (("inspect", "L01.mp4", "--out", "text.mp4"), "--out"),
        (("inspect", "images"), "--fps"),
        (("clean", "none.mp4", "a.mp4"), "no such file"),
        (("clean", "text.mp4", "a.mp4"), "is text"),
        (("clean", "L01.mp4", "L01.mp4"), "recording itself"),
        (("clean", "L01.mp4", "./L01.mp4"), "recording itself"),
        (("clean", "L01.mp4", "text.mp4"), "exists already"),
        (("clean", "L01.mp4", "images"), "exists already"),
        (("clean", "L01.mp4", "copy"), ".mp4"),
        (("clean", "L01.mp4", "none/copy.mp4"), "no folder"),
        (("clean", "L01.mp4", "copy.mp4", "--region", "0,0,999,90"), "not within the frame"),
        (("clean", "black.mp4", "copy.mp4"), "--region"),
    ],
)
def test_what_can_be_mended_is_one_line_and_leaves_nothing(
    command: Callable[..., Said], arguments: tuple[str, ...], said: str
) -> None:
    write_clip("L01.mp4", 5)
    Path("text.mp4").write_text("notes of the day\n" * 9)
    Path("images").mkdir()
    cv2.imwrite("images/1.png", screens(1)[0])
    with av.open("black.mp4", "w") as container:
        stream = container.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = 320, 240, "yuv420p"
        for _ in range(4):
            black = av.VideoFrame.from_ndarray(np.zeros((240, 320), np.uint8), format="gray8")
            container.mux(stream.encode(black))
        container.mux(stream.encode())
    before = {path: path.read_bytes() for path in Path().rglob("*") if path.is_file()}
    told = command(*arguments)
    assert (told.code, len(told.err)) == (2, 1)
    assert said in told.err[0]
    assert {path: path.read_bytes() for path in Path().rglob("*") if path.is_file()} == before


@pytest.mark.skipif(os.name == "nt", reason="Ctrl-C can't be sent to one process there")
def test_ctrl_c_leaves_nothing_of_a_copy(command: Callable[..., Said], tmp_path: Path) -> None:
    import signal

    assert command
    write_clip("L01.mp4", 30)
    # A long recording: the short one's pictures over and over.
    content = [frame for _ in range(40) for frame in screens(30)]
    with av.open("L02.mp4", "w") as container:
        stream = container.add_stream("mpeg4", rate=25)
        stream.width, stream.height, stream.pix_fmt = 320, 240, "yuv420p"
        for frame in content:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(frame, format="gray8")))
        container.mux(stream.encode())
    start = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
    start += "from needlecoach.cli import main; main()"
    running = subprocess.Popen(
        [sys.executable, "-c", start, "clean", "L02.mp4", "copy.mp4"],
        stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=tmp_path,
    )  # fmt: skip
    patience_s = time.monotonic() + 30
    while not list(Path().glob(".copy*")) and time.monotonic() < patience_s:
        time.sleep(0.01)
    running.send_signal(signal.SIGINT)
    _, told = running.communicate(timeout=30)
    assert (running.returncode, len(told.splitlines())) == (130, 1)
    assert sorted(os.listdir()) == ["L01.mp4", "L02.mp4"]


def test_a_copy_of_which_nothing_would_be_black_is_refused(command: Callable[..., Said]) -> None:
    Path("L03").mkdir()
    rng = np.random.default_rng(4)
    for number in range(4):
        grain = cv2.GaussianBlur(rng.normal(size=(240, 320)), (0, 0), 1.5)
        cv2.imwrite(f"L03/{number}.png", (85 + 30 * grain / grain.std()).clip(5, 255).astype(np.uint8))
    said = command("clean", "L03", "L03-clean")
    assert (said.code, len(said.err), os.listdir()) == (2, 1, ["L03"])
    assert "nothing would be blackened; give --region" in said.err[0]
    assert command("clean", "L03", "L03-clean", "--region", "0,0,320,240").code == 0


@pytest.mark.parametrize("name", ["copy.mp4", "copy.dcm"])
def test_the_copy_of_a_folder_is_not_named_like_a_file(command: Callable[..., Said], name: str) -> None:
    Path("L02").mkdir()
    for number, screen in enumerate(screens(3)):
        cv2.imwrite(f"L02/{number}.png", screen)
    said = command("clean", "L02", name, "--region", "100,60,80,80")
    assert (said.code, len(said.err), os.listdir()) == (2, 1, ["L02"])
    assert "the copy of a folder is a folder" in said.err[0]
