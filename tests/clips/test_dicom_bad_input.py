"""Broken DICOM files: one line, no traceback, no memory for sizes only claimed (invented pictures)."""

from __future__ import annotations

import re
import struct
import tempfile
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pydicom
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom import uid

from needlecoach.clips import open_clip
from needlecoach.errors import ClipError

Write = Callable[..., Path]


def complaint(path: Path) -> str:
    """The one line that a broken file gets."""
    with pytest.raises(ClipError) as told, open_clip(path, fps=10.0) as reader:
        list(reader)
    assert "\n" not in str(told.value) and str(path) in str(told.value)
    return str(told.value)


def test_cut_off_anywhere(
    write_dicom: Write, moving: np.ndarray, dicom_region: Callable[..., object]
) -> None:
    path = write_dicom(moving, SequenceOfUltrasoundRegions=[dicom_region()])
    whole = path.read_bytes()
    for length in [*range(0, 1000, 13), len(whole) // 2, len(whole) - 1]:
        path.write_bytes(whole[:length])
        complaint(path)


def test_coded_clip_cut_off_anywhere(
    write_dicom: Write, moving: np.ndarray, code_picture: Callable[..., bytes]
) -> None:
    pictures = [code_picture(one, "JPEG") for one in moving]
    path = write_dicom(pictures, syntax=uid.JPEGBaseline8Bit, size=(90, 120))
    whole = path.read_bytes()
    told = []
    for length in range(400, len(whole) - 10, len(whole) // 40):
        path.write_bytes(whole[:length])
        told.append(complaint(path))
    assert "announces 5 frames and holds 4 whole ones" in told[-1]


def test_empty_file(tmp_path: Path) -> None:
    (tmp_path / "L01.dcm").touch()
    assert "empty (0 bytes)" in complaint(tmp_path / "L01.dcm")


@pytest.mark.parametrize("data", [b"notes\n" * 100, b"\0" * 4000, b"\x89PNG" + bytes(range(256)) * 8])
def test_what_is_neither_dicom_nor_video(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "L01.dcm"
    path.write_bytes(data)
    assert "neither a DICOM file nor a video" in complaint(path)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"NumberOfFrames": 0}, "claims 0 frames"),
        ({"NumberOfFrames": -3}, "claims -3 frames"),
        ({"NumberOfFrames": 2_000_000_000}, "claims 2e\\+09 frames"),
        ({"NumberOfFrames": 6}, "announces 6 frames"),
        ({"Rows": 0}, "120 x 0 px"),
        ({"Rows": None}, "120 x 0 px"),
        ({"Rows": 65535, "Columns": 65535}, "claims pictures of 65535"),
        ({"Rows": 8000, "Columns": 8000}, "announces 5 frames of 8000 x 8000 px"),
        ({"PixelData": None}, "without pictures"),
        ({"PhotometricInterpretation": "ARGB"}, "photometric interpretation"),
        ({"PhotometricInterpretation": None}, "photometric interpretation"),
        ({"SamplesPerPixel": 3}, "can't be MONOCHROME2"),
        ({"BitsAllocated": 64, "BitsStored": 64}, "64 bits"),
        ({"BitsStored": 12}, "12 bits in 8"),
    ],
)
def test_impossible_descriptions(
    write_dicom: Write, moving: np.ndarray, changes: dict[str, object], words: str, tmp_path: Path
) -> None:
    made = pydicom.dcmread(write_dicom(moving))
    for name, value in changes.items():
        if value is None:
            delattr(made, name)
        else:
            setattr(made, name, value)
    path = tmp_path / "broken.dcm"
    made.save_as(path)
    assert re.search(words, complaint(path))


@pytest.mark.parametrize(
    ("syntax", "words"),
    [
        (uid.HTJ2K, ["High-Throughput JPEG 2000", "pylibjpeg-openjpeg", uid.HTJ2K]),
        (uid.MPEG4HP41, ["MPEG-4", "mp4"]),
        (uid.JPIPHTJ2KReferenced, ["JPIP", "uncompressed"]),
        (uid.DeflatedExplicitVRLittleEndian, ["deflated"]),
        ("1.2.999.42", ["private or unknown"]),
    ],
)
def test_ways_of_coding_that_cant_be_read(
    write_dicom: Write, moving: np.ndarray, syntax: str, words: list[str]
) -> None:
    path = write_dicom(moving)
    # The new name takes the place of the old one, padded as PS3.5, 9.1 has it; lengths are put right.
    whole = path.read_bytes()
    name = syntax.encode() + b"\0" * (len(syntax) % 2)
    old = struct.pack("<HH2sH", 2, 0x10, b"UI", 20) + b"1.2.840.10008.1.2.1\0"
    assert old in whole
    path.write_bytes(whole.replace(old, struct.pack("<HH2sH", 2, 0x10, b"UI", len(name)) + name))
    told = complaint(path)
    assert all(word in told for word in words)


@pytest.mark.parametrize("syntax", [uid.JPEGBaseline8Bit, uid.JPEG2000, uid.JPEGLSLossless, uid.RLELossless])
def test_coded_garbage(write_dicom: Write, syntax: str) -> None:
    noise = np.random.default_rng(1).bytes(500)
    path = write_dicom([noise, noise], syntax=syntax, size=(90, 120))
    assert "frame 0" in complaint(path)


def test_a_damaged_frame_is_named(
    write_dicom: Write, moving: np.ndarray, code_picture: Callable[..., bytes]
) -> None:
    pictures = [code_picture(one, "JPEG") for one in moving]
    pictures[3] = pictures[3][:100]
    path = write_dicom(pictures, syntax=uid.JPEGBaseline8Bit, size=(90, 120))
    assert "frame 3 is damaged" in complaint(path)


def test_a_coded_picture_of_another_size(
    write_dicom: Write, moving: np.ndarray, code_picture: Callable[..., bytes]
) -> None:
    for kind, syntax in [("JPEG", uid.JPEGBaseline8Bit), ("JPEG2000", uid.JPEG2000)]:
        path = write_dicom([code_picture(moving[0], kind)], syntax=syntax, size=(80, 120))
        assert "frame 0" in complaint(path)


def test_claimed_sizes_take_no_memory(
    write_dicom: Write, code_picture: Callable[..., bytes], moving: np.ndarray
) -> None:
    # A coded picture of 120 x 90 px in a file that claims one of 64 million, and 3 GB in one uncompressed.
    path = write_dicom([code_picture(moving[0], "JPEG")], syntax=uid.JPEGBaseline8Bit, size=(8000, 8000))
    plain = write_dicom(moving, name="plain.dcm")
    whole = plain.read_bytes()
    rows = struct.pack("<HH2sHH", 0x28, 0x10, b"US", 2, 90)
    plain.write_bytes(whole.replace(rows, struct.pack("<HH2sHH", 0x28, 0x10, b"US", 2, 60_000)))
    # A table of offsets of 4 GB in a file of some kB.
    table = write_dicom(
        [code_picture(moving[0], "JPEG")], name="t.dcm", syntax=uid.JPEGBaseline8Bit, size=(90, 120)
    )
    whole, item = table.read_bytes(), b"\xfe\xff\x00\xe0"
    at = whole.index(item) + len(item)
    table.write_bytes(whole[:at] + struct.pack("<L", 0xFFFFFFF0) + whole[at + 4 :])
    tracemalloc.start()
    try:
        complaint(table)
        complaint(path)
        complaint(plain)
        assert tracemalloc.get_traced_memory()[1] < 20e6
    finally:
        tracemalloc.stop()


@settings(max_examples=60, derandomize=True, suppress_health_check=list(HealthCheck))
@given(data=st.data())
@pytest.mark.parametrize("kind", ["plain", "ybr", "palette", "rle", "jpeg", "jpeg2000", "jpegls", "lossless"])
def test_damage_gives_a_clip_or_one_line(
    kind: str, small_dicom: dict[str, bytes], data: st.DataObject
) -> None:
    broken = bytearray(small_dicom[kind])
    for _ in range(data.draw(st.integers(1, 8))):
        # Half of the damage goes where the attributes are.
        end = data.draw(st.sampled_from([min(700, len(broken)), len(broken)]))
        broken[data.draw(st.integers(128, end - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.one_of(st.none(), st.integers(0, len(broken))))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "L01.dcm"
        path.write_bytes(bytes(broken[:cut]))
        try:
            with open_clip(path, fps=10.0) as reader:
                for frame in reader.decode():
                    assert frame.pixels.shape == (reader.clip.height_px, reader.clip.width_px)
                reader.sample_colour(2)
        except ClipError as problem:
            assert "\n" not in str(problem)
