"""What a browser plays as it is, and copies with the clip's own times of what it can't."""

from fractions import Fraction

import av
import numpy as np
import pytest

from needlecoach.clips import open_clip
from needlecoach.clips.player import COPY_KIND, played_kind, write_copy
from needlecoach.errors import ClipError

STAMPS_MS = [0, 40, 80, 200, 240, 1000, 1040, 1080]


def write(path, codec, *, pix_fmt="yuv420p", size=(96, 64), start_ms=0, ratio=None):
    """A clip whose frames are plain, each of another grey, at uneven times."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=25)
        stream.width, stream.height, stream.pix_fmt = *size, pix_fmt
        stream.time_base = stream.codec_context.time_base = Fraction(1, 1000)
        if codec == "libx264":
            stream.options = {"bf": "0"}
        if ratio is not None:
            stream.codec_context.sample_aspect_ratio = ratio
        for number, stamp in enumerate(STAMPS_MS):
            grey = np.full((size[1], size[0], 3), 40 + 20 * number, dtype=np.uint8)
            frame = av.VideoFrame.from_ndarray(grey, format="rgb24").reformat(format=pix_fmt)
            frame.pts, frame.time_base = stamp + start_ms, Fraction(1, 1000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


@pytest.mark.parametrize(
    ("name", "codec", "more", "kind"),
    [
        ("a.mp4", "libx264", {}, "video/mp4"),
        ("a.webm", "libvpx", {}, "video/webm"),
        # Common practice, no source: browsers play neither of these.
        ("a.mp4", "mpeg4", {}, ""),
        ("a.avi", "mpeg4", {}, ""),
        ("a.mp4", "libx264", {"pix_fmt": "yuv444p"}, ""),
        ("a.mp4", "libx264", {"pix_fmt": "yuv420p10le"}, ""),
        # These it plays, but its places or times would not be those of the frames.
        ("a.mp4", "libx264", {"ratio": Fraction(4, 3)}, ""),
        ("a.webm", "libvpx", {"start_ms": 500}, ""),
    ],
)
def test_what_a_browser_plays_as_it_is(tmp_path, name, codec, more, kind):
    assert played_kind(write(tmp_path / name, codec, **more)) == kind


def test_no_file_and_no_video_are_nothing_to_play(tmp_path):
    (tmp_path / "a.mp4").write_bytes(b"no video" * 100)
    assert played_kind(tmp_path / "a.mp4") == ""
    assert played_kind(tmp_path / "none.mp4") == ""
    assert played_kind(tmp_path) == ""


@pytest.mark.parametrize("start_ms", [0, 700])
def test_a_copy_has_the_clips_own_times_and_greys(tmp_path, start_ms):
    clip = write(tmp_path / "a.mkv", "ffv1", start_ms=start_ms, size=(95, 63))
    seen = []
    write_copy(clip, tmp_path / "copy.webm", progress=lambda done, total: seen.append((done, total)))
    assert seen[-1] == (len(STAMPS_MS), len(STAMPS_MS))
    assert COPY_KIND == "video/webm"
    with open_clip(tmp_path / "copy.webm") as copy, open_clip(clip) as original:
        copied, frames = list(copy), list(original)
    # WebM counts in ms; the page reckons from the first frame.
    assert [frame.time_s for frame in copied] == pytest.approx(np.array(STAMPS_MS) / 1000, abs=0.001)
    assert copied[0].pixels.shape == (64, 96)  # even sides
    for one, other in zip(copied, frames, strict=True):
        assert abs(float(one.pixels.mean()) - float(other.pixels.mean())) < 3
    assert played_kind(tmp_path / "copy.webm") == COPY_KIND


def test_a_clip_that_is_gone_is_told(tmp_path):
    with pytest.raises(ClipError, match="no such file"):
        write_copy(tmp_path / "none.mkv", tmp_path / "copy.webm")
    assert not (tmp_path / "copy.webm").exists()
