"""Video files: every frame in order, single frames exact, damaged files told in one line."""

import contextlib
import socket
import subprocess
import sys
import threading
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from av.stream import Disposition

from needlecoach.clips import ClipReader, open_clip, sha256_of
from needlecoach.clips.decoding import VideoFile
from needlecoach.clips.video import _Clock
from needlecoach.errors import ClipError

SIZE = (64, 48)


def pictures(count: int, *, seed: int = 0) -> list[np.ndarray]:
    """Grey noise that a lossless codec must give back; no two alike."""
    noise = np.random.default_rng(seed)
    return [noise.integers(0, 256, (SIZE[1], SIZE[0]), dtype=np.uint8) for _ in range(count)]


def write_video(path: Path, frames: list[np.ndarray], *, codec: str = "FFV1", fps: float = 25.0) -> Path:
    size = frames[0].shape[1::-1] if frames else SIZE
    writer = cv2.VideoWriter(str(path), cv2.CAP_FFMPEG, cv2.VideoWriter.fourcc(*codec), fps, size)
    assert writer.isOpened()
    for frame in frames:
        writer.write(cv2.cvtColor(frame, cv2.COLOR_GRAY2BGR))
    writer.release()
    return path


def write_h264(path: Path, frames: list[np.ndarray], *, options: dict[str, str] | None = None) -> Path:
    """H.264 at 25 frames a second, with pictures that build on later ones unless the options forbid it."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=25, options={"crf": "20", **(options or {})})
        stream.width, stream.height, stream.pix_fmt = *frames[0].shape[1::-1], "yuv420p"
        for frame in frames:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(frame, format="gray8")))
        container.mux(stream.encode())
    return path


def gliding(count: int) -> list[np.ndarray]:
    """A texture that glides, so that a codec builds every picture on its neighbours."""
    wide = cv2.GaussianBlur(np.random.default_rng(2).normal(size=(96, 128 + 2 * count)), (0, 0), 2.0)
    grey = np.clip(128 + 250 * wide, 0, 255).astype(np.uint8)
    return [np.ascontiguousarray(grey[:, 2 * k :][:, :128]) for k in range(count)]


@pytest.fixture
def lossless(tmp_path: Path) -> tuple[Path, list[np.ndarray]]:
    frames = pictures(40)
    return write_video(tmp_path / "L01.avi", frames), frames


def test_description(lossless: tuple[Path, list[np.ndarray]]) -> None:
    with open_clip(lossless[0]) as reader:
        clip = reader.clip
    assert (clip.name, clip.kind, clip.width_px, clip.height_px) == ("L01", "video", *SIZE)
    assert (clip.n_frames, clip.nominal_fps) == (40, 25.0)


def test_every_frame_in_order_twice(lossless: tuple[Path, list[np.ndarray]]) -> None:
    path, truth = lossless
    with open_clip(path) as reader:
        for _ in range(2):
            got = list(reader)
            assert [frame.number for frame in got] == list(range(40))
            assert all(np.array_equal(frame.pixels, want) for frame, want in zip(got, truth, strict=True))
        assert reader.notes == []
        assert reader.repaired_stamps == 0
        assert not got[0].pixels.flags.writeable


@pytest.mark.parametrize("codec", ["FFV1", "mp4v"])
@pytest.mark.parametrize("read_first", [False, True])
def test_single_frames_are_those_of_the_reading(tmp_path: Path, codec: str, read_first: bool) -> None:
    path = write_video(tmp_path / {"FFV1": "a.mkv", "mp4v": "a.mp4"}[codec], pictures(60), codec=codec)
    wanted = [0, 17, 3, 59]
    with open_clip(path) as reader:
        if read_first:
            whole = list(reader)
            singles = reader.read_frames(wanted)
        else:
            singles = reader.read_frames(wanted)
            whole = list(reader)
    assert set(singles) == set(wanted)
    for number, frame in singles.items():
        assert (frame.number, frame.time_s) == (number, whole[number].time_s)
        assert np.array_equal(frame.pixels, whole[number].pixels)


def test_single_frames_after_reading_need_no_second_reading(
    lossless: tuple[Path, list[np.ndarray]], monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_clip(lossless[0]) as reader:
        list(reader)
    monkeypatch.setattr(ClipReader, "_read_wanted", lambda *_: pytest.fail("the clip was decoded again"))
    with open_clip(lossless[0]) as again:
        assert np.array_equal(again.read_frames([30])[30].pixels, lossless[1][30])


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.ts"])
@pytest.mark.parametrize("open_gop", ["0", "1"])
def test_single_frames_around_key_frames_are_exact(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, open_gop: str
) -> None:
    # With an open group some pictures stand before a key frame and build on pictures on both sides of it.
    options = {"x264-params": f"open-gop={open_gop}:keyint=10:bframes=3:scenecut=0"}
    path = write_h264(tmp_path / name, gliding(60), options=options)
    with open_clip(path) as reader:
        whole = list(reader)
        monkeypatch.setattr(ClipReader, "_read_wanted", lambda *_: pytest.fail("the clip was decoded again"))
        for number in range(60):
            single = reader.read_frames([number])[number]
            assert single.time_s == whole[number].time_s
            assert np.array_equal(single.pixels, whole[number].pixels)
        together = reader.read_frames([59, 3, 31, 4, 30])
    assert all(np.array_equal(frame.pixels, whole[k].pixels) for k, frame in together.items())


def count_decoded(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Give a list that grows by one for every picture decoded from now on."""
    decoded: list[int] = []
    decode = VideoFile._decoded

    def counting(self: VideoFile, packet: av.Packet | None) -> list[av.VideoFrame]:
        pictures = decode(self, packet)
        decoded.extend([1] * len(pictures))
        return pictures

    monkeypatch.setattr(VideoFile, "_decoded", counting)
    return decoded


def test_reading_ahead_ends_with_the_last_one_wanted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_h264(tmp_path / "a.mp4", gliding(100))
    with open_clip(path) as reader:
        decoded = count_decoded(monkeypatch)
        reader.read_frames([3, 5])
    assert len(decoded) < 15


def test_neighbours_are_decoded_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_h264(tmp_path / "a.mp4", gliding(100), options={"g": "50", "sc_threshold": "0"})
    with open_clip(path) as reader:
        list(reader)
        decoded = count_decoded(monkeypatch)
        reader.read_frames([60, 61, 62, 63])
    # From the key frame 50 to frame 63, and what the decoder gives out together with it.
    assert len(decoded) < 25


def test_a_replaced_file_is_read_anew(lossless: tuple[Path, list[np.ndarray]]) -> None:
    path, _ = lossless
    with open_clip(path) as reader:
        list(reader)
    truth = pictures(20, seed=1)
    write_video(path, truth, fps=10.0)
    with open_clip(path) as reader:
        frame = reader.read_frames([15])[15]
    assert np.array_equal(frame.pixels, truth[15])
    assert frame.time_s == pytest.approx(1.5)


@pytest.mark.parametrize("number", [40, -1])
def test_a_frame_that_is_not_there(lossless: tuple[Path, list[np.ndarray]], number: int) -> None:
    with open_clip(lossless[0]) as reader, pytest.raises(ClipError, match=f"no frame {number}"):
        reader.read_frames([0, number])


def test_sampled_frames_are_spread_over_the_clip(lossless: tuple[Path, list[np.ndarray]]) -> None:
    with open_clip(lossless[0]) as reader:
        times = [frame.time_s for frame in reader.sample_frames(5)]
    assert len(times) == 5
    assert times == sorted(times)
    assert times[-1] - times[0] > 1.2


def brightness(frames: list) -> list[int]:
    return [round(float(frame.pixels.mean())) for frame in frames]


def test_sampled_frames_of_a_long_clip_are_its_own_without_decoding_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Brightness tells the place; mpeg4 has a key frame at every twelfth frame here.
    ramp = [np.full((48, 64), 20 + i // 3, np.uint8) for i in range(600)]
    path = write_video(tmp_path / "long.mp4", ramp, codec="mp4v")
    with open_clip(path) as reader:
        whole = list(reader)
        decoded = count_decoded(monkeypatch)
        frames = reader.sample_frames(12)
    assert len(frames) == len(decoded) == 12
    assert brightness(frames) == brightness([whole[round(frame.time_s * 25)] for frame in frames])
    assert len(set(brightness(frames))) == 12
    assert frames[0].time_s < 1.5
    assert frames[-1].time_s > 22
    assert max(np.diff([frame.time_s for frame in frames])) < 3


def test_sampled_frames_of_a_short_clip_are_exact(lossless: tuple[Path, list[np.ndarray]]) -> None:
    with open_clip(lossless[0]) as reader:
        frames = reader.sample_frames(4)
        assert len(reader.sample_frames(50)) == 40
    assert [frame.number for frame in frames] == [0, 13, 26, 39]
    assert all(np.array_equal(frame.pixels, lossless[1][frame.number]) for frame in frames)


def test_sampled_colour_is_small_and_of_the_same_frames(tmp_path: Path) -> None:
    left_red = np.zeros((240, 640, 3), np.uint8)
    left_red[:, :320, 2] = 200
    writer = cv2.VideoWriter(
        str(tmp_path / "a.avi"), cv2.CAP_FFMPEG, cv2.VideoWriter.fourcc(*"FFV1"), 25.0, (640, 240)
    )
    for _ in range(5):
        writer.write(left_red)
    writer.release()
    with open_clip(tmp_path / "a.avi") as reader:
        colours = reader.sample_colour(3)
        assert len(colours) == len(reader.sample_frames(3)) == 3
    assert colours[0].shape == (120, 320, 3)
    assert colours[0][60, 40].tolist() == pytest.approx([0, 0, 200], abs=2)
    assert colours[0][60, 300].tolist() == pytest.approx([0, 0, 0], abs=2)


def test_leaving_early_ends_the_thread(lossless: tuple[Path, list[np.ndarray]]) -> None:
    with open_clip(lossless[0]) as reader:
        for frame in reader:
            if frame.number == 3:
                break
        del frame
    assert not [one for one in threading.enumerate() if one.name == "needlecoach-decode"]


def test_a_fault_on_the_thread_reaches_the_reader(
    lossless: tuple[Path, list[np.ndarray]], monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_clip(lossless[0]) as reader:
        monkeypatch.setattr(reader, "_frame", lambda *_, **__: (_ for _ in ()).throw(ClipError("damaged.")))
        with pytest.raises(ClipError, match=r"damaged\."):
            list(reader)


def test_rate_for_a_video_is_noted_not_used(lossless: tuple[Path, list[np.ndarray]]) -> None:
    with open_clip(lossless[0], fps=5.0) as reader:
        times = [frame.time_s for frame in reader]
        assert "--fps" in reader.notes[0]
    assert times[1] == pytest.approx(0.04)


def test_cut_off_in_the_middle_is_read_and_noted(tmp_path: Path) -> None:
    whole = write_video(tmp_path / "whole.mkv", pictures(40))
    cut = tmp_path / "cut.mkv"
    cut.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    with open_clip(cut) as reader:
        count = len(list(reader))
        assert 5 < count < 30
        assert len(reader.notes) == 1
        assert f"{count} could be read" in reader.notes[0]


def test_damage_in_the_middle_is_read_past_and_noted(tmp_path: Path) -> None:
    path = write_h264(tmp_path / "a.mp4", gliding(60), options={"g": "20"})
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 400] = bytes(400)
    path.write_bytes(content)
    with open_clip(path) as reader:
        frames = list(reader)
        assert len(frames) > 40
        assert frames[-1].time_s == pytest.approx(59 / 25, abs=1e-3)
        assert any("damaged in" in note for note in reader.notes)


def test_a_file_that_has_gone_is_one_line(lossless: tuple[Path, list[np.ndarray]]) -> None:
    with open_clip(lossless[0]) as reader:
        lossless[0].unlink()
        with pytest.raises(ClipError, match="can't be opened") as caught:
            list(reader)
    assert len(str(caught.value).splitlines()) == 1


def test_a_picture_of_another_size_is_one_line(tmp_path: Path) -> None:
    # Two streams of motion JPEG behind one another are one, of two sizes.
    parts = []
    for width in (64, 48):
        with av.open(str(tmp_path / "part.mjpeg"), "w") as container:
            stream = container.add_stream("mjpeg", rate=25)
            stream.width, stream.height, stream.pix_fmt = width, 48, "yuvj420p"
            for _ in range(5):
                picture = np.full((48, width), 90, np.uint8)
                container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="gray8")))
            container.mux(stream.encode())
        parts.append((tmp_path / "part.mjpeg").read_bytes())
    (tmp_path / "two.mjpeg").write_bytes(b"".join(parts))
    with open_clip(tmp_path / "two.mjpeg") as reader, pytest.raises(ClipError, match="frame 5") as caught:
        list(reader)
    assert "64 x 48 px" in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


def test_a_cover_picture_is_no_recording(tmp_path: Path) -> None:
    with av.open(str(tmp_path / "a.mp4"), "w") as container:
        sound, cover = container.add_stream("aac", rate=8000), container.add_stream("mjpeg", rate=25)
        cover.width, cover.height, cover.pix_fmt = *SIZE, "yuvj420p"
        cover.disposition = Disposition.attached_pic
        silence = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
        silence.rate = 8000
        picture = av.VideoFrame.from_ndarray(pictures(1)[0], format="gray8")
        for stream, part in ((sound, silence), (sound, None), (cover, picture), (cover, None)):
            container.mux(stream.encode(part))
    with pytest.raises(ClipError, match="sound only"):
        open_clip(tmp_path / "a.mp4")


def test_a_playlist_is_not_followed(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.5)
        callers: list[str] = []
        wait = threading.Thread(target=hang_up, args=(server, callers))
        wait.start()
        address = f"http://127.0.0.1:{server.getsockname()[1]}/a.ts"
        head = "#EXTM3U\n#EXT-X-VERSION:3\n#EXT-X-TARGETDURATION:9\n#EXTINF:9,"
        (tmp_path / "L01.m3u8").write_text(f"{head}\n{address}\n#EXT-X-ENDLIST\n")
        with pytest.raises(ClipError, match="is text"):
            open_clip(tmp_path / "L01.m3u8")
        wait.join()
    assert callers == []


def hang_up(server: socket.socket, callers: list[str]) -> None:
    """Note who calls, and hang up."""
    with contextlib.suppress(TimeoutError):
        while True:
            connection, caller = server.accept()
            connection.close()
            callers.append(caller[0])


def cut_mp4(folder: Path) -> bytes:
    return write_video(folder / "whole.mp4", pictures(10), codec="mp4v").read_bytes()[:900]


def sound_only(folder: Path) -> bytes:
    """A wave file of silence, 8 kHz, 8 bits."""
    body = b"fmt " + (16).to_bytes(4, "little") + bytes.fromhex("0100 0100 401f0000 401f0000 0100 0800")
    body += b"data" + (8000).to_bytes(4, "little") + b"\x80" * 8000
    return b"RIFF" + (len(body) + 4).to_bytes(4, "little") + b"WAVE" + body


BROKEN = {
    "empty.mp4": (lambda _: b"", "empty"),
    "text.mp4": (lambda _: b"these are notes, not a video\n" * 20, "text"),
    "noise.mp4": (lambda _: np.random.default_rng(0).bytes(5000), "no picture that can be read"),
    "cut.mp4": (cut_mp4, "moov"),
    "sound.mp4": (sound_only, "no picture that can be read"),
    "none.avi": (
        lambda folder: write_video(folder / "zero.avi", []).read_bytes(),
        "no picture that can be read",
    ),
}


@pytest.mark.parametrize("name", list(BROKEN))
def test_broken_files_are_one_line(tmp_path: Path, name: str) -> None:
    make, said = BROKEN[name]
    (tmp_path / name).write_bytes(make(tmp_path))
    with pytest.raises(ClipError) as caught:
        open_clip(tmp_path / name)
    assert said in str(caught.value)
    assert name in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(ClipError, match="no such file"):
        open_clip(tmp_path / "absent.mp4")


def test_reading_broken_files_says_nothing_on_stderr(tmp_path: Path) -> None:
    (tmp_path / "cut.mp4").write_bytes(cut_mp4(tmp_path))
    code = (
        "import sys; from pathlib import Path; from needlecoach.clips import open_clip\n"
        "try: open_clip(Path(sys.argv[1]))\n"
        "except Exception as problem: print(type(problem).__name__)"
    )
    command = [sys.executable, "-c", code, str(tmp_path / "cut.mp4")]
    shown = subprocess.run(command, capture_output=True, text=True, check=True)
    assert (shown.stdout, shown.stderr) == ("ClipError\n", "")


def test_names_that_could_mislead(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write_video(tmp_path / "plain.avi", pictures(3))
    for name in ("=L01 'a\" 🩺.avi", "a:b.avi", "run%03d.avi", "-x.avi"):
        (tmp_path / "plain.avi").rename(name)
        with open_clip(Path(name)) as reader:
            assert len(list(reader)) == 3
        Path(name).rename("plain.avi")


def test_fingerprint_follows_the_bytes(tmp_path: Path) -> None:
    (tmp_path / "abc.mp4").write_bytes(b"abc")
    # FIPS 180-2, appendix B.1: SHA-256 of "abc".
    assert (
        sha256_of(tmp_path / "abc.mp4") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )
    with pytest.raises(ClipError, match="can't be read"):
        sha256_of(tmp_path / "absent.mp4")


def times_of(stamps_s: list[float]) -> tuple[list[float], int]:
    clock = _Clock(nominal_fps=10.0)
    return [clock.time_s(stamp) for stamp in stamps_s], clock.repaired


def test_rising_stamps_are_kept() -> None:
    assert times_of([0.0, 0.1, 0.15, 0.9]) == ([0.0, 0.1, 0.15, 0.9], 0)


def test_stamps_that_repeat_or_fall_are_replaced_and_counted() -> None:
    times, repaired = times_of([0.0, 0.1, 0.2, 0.2, 0.3, 0.25, 0.4])
    assert times == pytest.approx([0.0, 0.1, 0.2, 0.25, 0.3, 0.35, 0.4])
    assert repaired == 2


def test_a_file_without_stamps_gets_the_nominal_rate() -> None:
    times, repaired = times_of([0.0, 0.0, 0.0, float("nan")])
    assert times == pytest.approx([0.0, 0.1, 0.2, 0.3])
    assert repaired == 3
