"""Cleaned copies: black outside the region, pictures only in the file, frames and times as they were."""

import os
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from needlecoach.clips import open_clip
from needlecoach.clips.cleaning import write_clean
from needlecoach.clips.decoding import VideoFile, colour_of
from needlecoach.errors import OutputError
from needlecoach.model import Region

WIDTH, HEIGHT = 161, 121
REGION = Region("rectangle", (40, 30, 80, 70))
SECTOR = Region("sector", (30, 20, 100, 95), (80.0, -20.0), 45.0, 135.0, 25.0)
SECRET = "invented name"


def drawn(count: int, *, width: int = WIDTH, height: int = HEIGHT) -> list[np.ndarray]:
    """A tinted texture that glides, with white and coloured writing all around the region, BGR."""
    wide = cv2.GaussianBlur(np.random.default_rng(4).normal(size=(height, width + 2 * count)), (0, 0), 2.0)
    grey = np.clip(110 + 300 * wide, 20, 210)
    pictures = []
    for k in range(count):
        part = grey[:, 2 * k :][:, :width]
        picture = np.stack([part, 0.95 * part, 0.8 * part], axis=-1).astype(np.uint8)
        for row in range(12, height + 12, 14):
            cv2.putText(picture, "NAME NAME NAME NAME", (k % 5, row), 0, 0.5, (255, 255, 255))
            cv2.putText(picture, "NAME", (90, row + 5), 0, 0.5, (30, 30, 250))
        x, y, w, h = REGION.box_px
        picture[y - 12 : y + h + 18, x - 12 : x + w + 12] = 128
        inner = np.stack([part, 0.95 * part, 0.8 * part], axis=-1).astype(np.uint8)
        picture[y : y + h, x : x + w] = inner[y : y + h, x : x + w]
        pictures.append(picture)
    return pictures


def write(
    path: Path,
    pictures: list[np.ndarray],
    stamps_ms: list[int],
    *,
    codec: str = "ffv1",
    layout: str = "bgr0",
    told: int | None = None,
) -> Path:
    """Write a video with tags, sound and a track of text."""
    with av.open(str(path), "w") as container:
        container.metadata.update(
            {"title": SECRET, "comment": SECRET, "creation_time": "2001-02-03T04:05:06Z"}
        )
        stream = container.add_stream(codec, rate=25)
        stream.height, stream.width = pictures[0].shape[:2]
        stream.pix_fmt = layout
        stream.metadata["title"] = SECRET
        if told is not None:
            stream.codec_context.color_range = told
        stream.time_base = stream.codec_context.time_base = Fraction(1, 1000)
        sound = container.add_stream("pcm_s16le", rate=8000, layout="mono")
        for picture, stamp in zip(pictures, stamps_ms, strict=True):
            frame = av.VideoFrame.from_ndarray(picture, format="bgr24")
            frame = frame.reformat(format=layout, dst_color_range=told) if told else frame
            frame.pts, frame.time_base = stamp, Fraction(1, 1000)
            container.mux(stream.encode(frame))
        silence = av.AudioFrame.from_ndarray(np.zeros((1, 4000), np.int16), format="s16", layout="mono")
        silence.rate = 8000
        container.mux(sound.encode(silence))
        container.mux(stream.encode())
    return path


def clean(path: Path, out: Path, region: Region = REGION, *, fps: float | None = None) -> Path:
    with open_clip(path, fps=fps) as reader:
        write_clean(reader, out, region)
    return out


def frames_of(path: Path) -> tuple[list[float], np.ndarray, np.ndarray]:
    """Times, grey pictures as scoring sees them, and pictures in colour."""
    with open_clip(path) as reader:
        times, greys = zip(*((frame.time_s, frame.pixels) for frame in reader), strict=True)
    with VideoFile(path) as file:
        colours = [colour_of(picture) for picture in file.pictures()]
    return list(times), np.array(greys, int), np.array(colours, int)


STAMPS_MS = [0, 40, 80, 200, 210, 900, 940, 941, 2000, 2040]


@pytest.mark.parametrize("region", [REGION, SECTOR], ids=["rectangle", "sector"])
def test_black_outside_and_the_same_inside(tmp_path: Path, region: Region) -> None:
    path = write(tmp_path / "a.mkv", drawn(10), STAMPS_MS)
    before, after = frames_of(path), frames_of(clean(path, tmp_path / "b.mp4", region))
    inside = region.mask(HEIGHT, WIDTH)
    assert after[0] == pytest.approx(before[0], abs=1e-4)
    assert after[1].shape == (10, HEIGHT + 1, WIDTH + 1)
    kept = after[1][:, :HEIGHT, :WIDTH], after[2][:, :HEIGHT, :WIDTH]
    far = cv2.erode((~inside).astype(np.uint8), np.ones((5, 5))) > 0
    # What the codec rings over the border is a few levels, writing was 140 above its surround.
    assert kept[0][:, far].max() <= 8
    assert kept[0][:, ~inside].max() <= 40
    assert kept[0][:, ~inside].mean() < 1
    well_in = cv2.erode(inside.astype(np.uint8), np.ones((9, 9))) > 0
    assert np.abs(kept[0] - before[1])[:, well_in].mean() < 3
    assert np.abs(kept[1] - before[2])[:, well_in].mean() < 4


@pytest.mark.parametrize(
    ("codec", "layout", "told"),
    [
        ("ffv1", "yuv420p", 1),
        ("ffv1", "yuv420p", 2),
        ("mjpeg", "yuvj422p", None),
        ("ffv1", "yuv444p", 1),
        ("ffv1", "gray", None),
        ("ffv1", "gray16le", None),
        ("ffv1", "yuv420p10le", 1),
        ("libx265", "yuv444p", None),
    ],
)
def test_grey_values_stay_whatever_the_format(
    tmp_path: Path, codec: str, layout: str, told: int | None
) -> None:
    path = write(tmp_path / "a.mkv", drawn(4), [0, 40, 80, 120], codec=codec, layout=layout, told=told)
    before, after = frames_of(path), frames_of(clean(path, tmp_path / "b.mp4"))
    well_in = cv2.erode(REGION.mask(HEIGHT, WIDTH).astype(np.uint8), np.ones((9, 9))) > 0
    difference = (after[1][:, :HEIGHT, :WIDTH] - before[1][:, :HEIGHT, :WIDTH])[:, well_in]
    assert abs(difference.mean()) < 0.7
    assert np.abs(difference).mean() < 3
    colour = (after[2][:, :HEIGHT, :WIDTH] - before[2])[:, well_in]
    assert np.abs(colour.mean(axis=(0, 1))).max() < 3


def test_the_copy_holds_pictures_only(tmp_path: Path) -> None:
    path = write(tmp_path / "a.mkv", drawn(10), STAMPS_MS)
    out = clean(path, tmp_path / "b.mp4")
    assert SECRET.encode() in path.read_bytes()
    content = out.read_bytes()
    for word in (SECRET.encode(), b"Lavf", b"Lavc", b"x264"):
        assert word not in content
    # Dates in the headers of movie and track, 0 for not told (ISO/IEC 14496-12, 8.2.2, 8.3.2).
    for box in (b"mvhd", b"tkhd", b"mdhd"):
        at = content.index(box) + 8
        assert content[at : at + 8] == bytes(8)
    with av.open(str(out)) as container:
        assert len(container.streams) == 1
        assert set(container.metadata) <= {"major_brand", "minor_version", "compatible_brands"}
        assert set(container.streams[0].metadata) <= {"language", "handler_name"}
        assert container.streams[0].metadata.get("handler_name", "VideoHandler") == "VideoHandler"
        assert container.chapters() == []


def test_a_turned_recording_is_covered_as_it_is_seen(tmp_path: Path) -> None:
    path = write(tmp_path / "a.mp4", drawn(3), [0, 40, 80], codec="libx264", layout="yuv444p")
    one = 1 << 16
    # The track header's matrix (ISO/IEC 14496-12, 8.3.2): upright, then a quarter turn.
    before, after = (
        b"".join(n.to_bytes(4, "big", signed=True) for n in turn)
        for turn in ((one, 0, 0, 0, one, 0), (0, one, 0, -one, 0, 0))
    )
    plain = path.read_bytes()
    at = plain.index(before, plain.index(b"tkhd"))
    path.write_bytes(plain[:at] + after + plain[at + len(before) :])
    x, y, w, h = REGION.box_px
    turned = Region("rectangle", (HEIGHT - y - h, x, h, w))
    seen, copy = frames_of(path)[1], frames_of(clean(path, tmp_path / "b.mp4", turned))[1]
    assert seen.shape == (3, WIDTH, HEIGHT)
    inside = turned.mask(WIDTH, HEIGHT)
    well_in = cv2.erode(inside.astype(np.uint8), np.ones((9, 9))) > 0
    assert np.abs(copy[:, :WIDTH, :HEIGHT] - seen)[:, well_in].mean() < 3
    assert copy[:, :WIDTH, :HEIGHT][:, ~inside].mean() < 1


@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
def test_images_keep_names_depth_and_colour(tmp_path: Path, depth: type) -> None:
    (tmp_path / "in").mkdir()
    pictures = [picture.astype(depth) * (257 if depth is np.uint16 else 1) for picture in drawn(3)]
    for number, picture in zip((10, 20, 40), pictures, strict=True):
        cv2.imwrite(str(tmp_path / "in" / f"f{number}.tif"), picture)
    out = clean(tmp_path / "in", tmp_path / "out", SECTOR, fps=10.0)
    assert sorted(os.listdir(out)) == ["f10.png", "f20.png", "f40.png"]
    inside = SECTOR.mask(HEIGHT, WIDTH)
    for number, picture in zip((10, 20, 40), pictures, strict=True):
        got = cv2.imread(str(out / f"f{number}.png"), cv2.IMREAD_UNCHANGED)
        assert got.dtype == depth
        assert np.array_equal(got, picture * inside[..., None].astype(depth))


def test_images_carry_no_camera_data(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    encoded = cv2.imencode(".jpg", drawn(1)[0])[1].tobytes()
    remark = SECRET.encode()
    # A comment segment of JPEG (ITU-T T.81, table B.1: X'FFFE') right behind the start of the image.
    size = (len(remark) + 2).to_bytes(2, "big")
    (tmp_path / "in" / "1.jpg").write_bytes(encoded[:2] + b"\xff\xfe" + size + remark + encoded[2:])
    out = clean(tmp_path / "in", tmp_path / "out", fps=10.0)
    assert remark not in (out / "1.png").read_bytes()


def test_places_that_are_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.mkv", drawn(3), [0, 40, 80])
    before = path.read_bytes()
    (tmp_path / "taken.mp4").write_text("mine")
    for out, said in (
        (path, "recording itself"),
        (tmp_path / "taken.mp4", "exists already"),
        (tmp_path / "none" / "b.mp4", "no folder"),
        (tmp_path / "b.avi", "mp4"),
    ):
        with pytest.raises(OutputError, match=said) as refused:
            clean(path, out)
        assert len(str(refused.value).splitlines()) == 1
    assert path.read_bytes() == before
    assert sorted(os.listdir(tmp_path)) == ["a.mkv", "taken.mp4"]


@pytest.mark.parametrize("fault", [KeyboardInterrupt(), OSError(28, "No space left on device")])
def test_a_stop_or_a_full_disk_leaves_nothing(tmp_path: Path, fault: BaseException) -> None:
    path = write(tmp_path / "a.mkv", drawn(80), list(range(0, 3200, 40)))

    def stop(done: int, _: int) -> None:
        if done == 75:  # the encoder holds the first frames back
            assert len(os.listdir(tmp_path)) == 2
            raise fault

    expected = OutputError if isinstance(fault, OSError) else KeyboardInterrupt
    with open_clip(path) as reader, pytest.raises(expected):
        write_clean(reader, tmp_path / "b.mp4", REGION, stop)
    assert os.listdir(tmp_path) == ["a.mkv"]
