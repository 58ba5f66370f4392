"""Cleaned copies of DICOM clips: what is kept, and that nothing else is (invented people)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from pydicom import uid
from pydicom.data import get_testdata_file
from pydicom.dataset import Dataset

from needlecoach.clips import open_clip
from needlecoach.clips.dicom_clean import METHOD, clean_dicom
from needlecoach.errors import ClipError, MarksError, OutputError
from needlecoach.model import Region

Write = Callable[..., Path]
MARK = b"Zyx"
BOX = Region("rectangle", (20, 10, 80, 70))


@pytest.fixture
def marked(write_dicom: Write, moving: np.ndarray, dicom_region: Callable[..., Dataset]) -> Path:
    """A clip with a mark in every attribute that could tell of a person, preamble and regions too."""
    item = dicom_region()
    item.add_new(0x00091001, "LO", "ZyxInRegion")
    item.TransducerType = "ZYXPROBE"
    names: dict[str, Any] = dict.fromkeys(
        [
            "PatientName",
            "PatientID",
            "InstitutionName",
            "OperatorsName",
            "StudyDescription",
            "AccessionNumber",
        ],
        "ZyxPerson",
    )
    path = write_dicom(moving, SequenceOfUltrasoundRegions=[item], BurnedInAnnotation="YES", **names)
    made = pydicom.dcmread(path)
    made.add_new(0x00290010, "LO", "ZyxMaker")
    made.add_new(0x00291010, "OB", b"ZyxPrivate")
    made.StudyDate, made.PatientBirthDate = "19990807", "19500607"
    made.StudyInstanceUID = made.SeriesInstanceUID = "1.2.999.777"
    made.ImageComments, made.PixelSpacingCalibrationDescription = "ZyxComment", "ZyxText"
    made.ImageType = ["ORIGINAL", "PRIMARY", "ZYX"]
    made.OtherPatientIDsSequence = [Dataset()]
    made.OtherPatientIDsSequence[0].PatientID = "ZyxOther"
    made.preamble = (b"Zyx" * 43)[:128]
    made.save_as(path)
    with path.open("ab") as file:  # Data Set Trailing Padding (FFFC,FFFC)
        file.write(b"\xfc\xff\xfc\xffOB\0\0\x0a\0\0\0ZyxTrailer")
    return path


def test_nothing_of_a_person_is_left(marked: Path, tmp_path: Path) -> None:
    out = clean_dicom(marked, tmp_path / "clean.dcm", BOX)
    before, after = marked.read_bytes(), out.read_bytes()
    told = [
        MARK,
        b"ZYX",
        b"19990807",
        b"19500607",
        b"1.2.999.777",
        pydicom.dcmread(marked).SOPInstanceUID.encode(),
    ]
    for word in told:
        assert word in before and word not in after
    clean = pydicom.dcmread(out)
    assert clean.PatientName == "" and clean.PatientID == "" and clean.StudyDate == ""
    assert (clean.BurnedInAnnotation, clean.PatientIdentityRemoved) == ("NO", "YES")
    assert clean.DeidentificationMethod == METHOD
    assert clean.file_meta.MediaStorageSOPInstanceUID == clean.SOPInstanceUID
    assert clean.file_meta.TransferSyntaxUID == uid.ExplicitVRLittleEndian
    assert not any(element.tag.is_private for element in clean.iterall())


def test_pictures_times_and_scale_are_kept(marked: Path, tmp_path: Path, moving: np.ndarray) -> None:
    seen: list[tuple[int, int]] = []
    out = clean_dicom(marked, tmp_path / "clean.dcm", BOX, progress=lambda *done: seen.append(done))
    with open_clip(marked) as before, open_clip(out) as after:
        assert after.areas == before.areas and len(after.areas) == 1
        frames = list(after)
        assert after.notes == []
    assert [frame.time_s for frame in frames] == pytest.approx([0, 0.05, 0.1, 0.15, 0.2])
    black = np.zeros_like(moving)
    black[:, 10:80, 20:100] = moving[:, 10:80, 20:100]
    assert np.array_equal([frame.pixels for frame in frames], black)
    assert np.array_equal(pydicom.dcmread(out).pixel_array, black)
    assert seen[-1] == (5, 5)
    assert sorted(file.name for file in tmp_path.iterdir()) == ["L01.dcm", "clean.dcm"]


def test_times_of_a_vector_are_kept(write_dicom: Write, moving: np.ndarray, tmp_path: Path) -> None:
    steps = ["0", "40.125", "50", "30", "33.333"]
    path = write_dicom(moving, FrameTime=None, FrameTimeVector=steps, FrameIncrementPointer=0x00181065)
    with open_clip(path) as one, open_clip(clean_dicom(path, tmp_path / "clean.dcm", BOX)) as other:
        assert [frame.time_s for frame in one] == [frame.time_s for frame in other]


def test_only_the_sector_is_kept(write_dicom: Write, moving: np.ndarray, tmp_path: Path) -> None:
    sector = Region("sector", (10, 5, 100, 80), (60.0, -20.0), r_min_px=30, r_max_px=100, half_angle_deg=30)
    out = clean_dicom(write_dicom(moving), tmp_path / "clean.dcm", sector)
    mask = sector.mask(90, 120)
    with open_clip(out) as reader:
        assert all(np.array_equal(frame.pixels, np.where(mask, moving[frame.number], 0)) for frame in reader)


@pytest.mark.parametrize(
    "name",
    [
        "color3d_jpeg_baseline.dcm",  # YBR_FULL_422: the luma stays what it was
        "OBXXXX1A_rle_2frame.dcm",  # PALETTE COLOR
        "JPGLosslessP14SV1_1s_1f_8b.dcm",
        "US1_J2KR.dcm",
    ],
)
def test_real_clips_keep_their_pixels(name: str, tmp_path: Path) -> None:
    # From pydicom-data 1.0.
    path = Path(str(get_testdata_file(name, download=False)))
    out = clean_dicom(path, tmp_path / "clean.dcm", Region("rectangle", (130, 70, 200, 150)))
    with open_clip(path, fps=10.0) as before, open_clip(out, fps=10.0) as after:
        pairs = list(zip(before, after, strict=True))
        assert after.areas == before.areas
    for one, other in pairs:
        assert np.array_equal(one.pixels[70:220, 130:330], other.pixels[70:220, 130:330])
        other_than_kept = other.pixels.copy()
        other_than_kept[70:220, 130:330] = 0
        assert not other_than_kept.any() and one.time_s == other.time_s
    assert bytes(str(pydicom.dcmread(path).StudyInstanceUID), "ascii") not in out.read_bytes()


def test_odd_lengths_are_filled_up(write_dicom: Write, tmp_path: Path) -> None:
    odd = np.full((3, 9, 9), 5, dtype=np.uint8)
    out = clean_dicom(write_dicom(odd), tmp_path / "clean.dcm", Region("rectangle", (0, 0, 9, 9)))
    assert np.array_equal(pydicom.dcmread(out).pixel_array, odd)
    assert out.stat().st_size % 2 == 0  # PS3.5, 7.1.1


def test_a_fault_leaves_nothing_behind(
    write_dicom: Write, code_picture: Callable[..., bytes], moving: np.ndarray, tmp_path: Path
) -> None:
    pictures = [code_picture(one, "JPEG") for one in moving]
    pictures[3] = pictures[3][:100]
    path = write_dicom(pictures, syntax=uid.JPEGBaseline8Bit, size=(90, 120))
    with pytest.raises(ClipError, match="frame 3"):
        clean_dicom(path, tmp_path / "clean.dcm", BOX)
    assert [file.name for file in tmp_path.iterdir()] == [path.name]


def test_places_that_cant_be_written(marked: Path, tmp_path: Path) -> None:
    before = marked.read_bytes()
    with pytest.raises(OutputError, match="the recording itself"):
        clean_dicom(marked, marked, BOX)
    with pytest.raises(OutputError, match="can't be written"):
        clean_dicom(marked, tmp_path / "no" / "clean.dcm", BOX)
    with pytest.raises(OutputError, match="is a folder"):
        clean_dicom(marked, tmp_path, BOX)
    with pytest.raises(MarksError, match="outside the picture"):
        clean_dicom(marked, tmp_path / "clean.dcm", Region("rectangle", (500, 500, 20, 20)))
    with pytest.raises(ClipError, match="can't be read"):
        clean_dicom(tmp_path / "none.dcm", tmp_path / "clean.dcm", BOX)
    assert marked.read_bytes() == before and not (tmp_path / "clean.dcm").exists()


def test_too_long_to_be_uncompressed(marked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("needlecoach.clips.dicom_clean._MOST_BYTES", 10_000)
    with pytest.raises(ClipError, match="cut the clip"):
        clean_dicom(marked, tmp_path / "clean.dcm", BOX)
