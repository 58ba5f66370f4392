"""A copy of a DICOM clip without what tells of a person: built anew from the few things that are kept.

In the spirit of the Basic Application Level Confidentiality Profile (PS3.15, Annex E), but the other way
round: nothing of the file is copied that is not on a list here, and what is on it is checked to be a number.
"""

from __future__ import annotations

import os
import struct
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pydicom
from pydicom import uid
from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.valuerep import format_number_as_ds

from needlecoach.clips.dicom_header import BoundedFile, Header, number_of, read_header
from needlecoach.clips.dicom_pixels import Pictures
from needlecoach.clips.dicom_samples import Picture
from needlecoach.errors import ClipError, MarksError, OutputError
from needlecoach.model import BoolArray, Region

Progress = Callable[[int, int], None]

METHOD = "needlecoach: few attributes kept; black outside the region"
# Attributes that a DICOM image must carry (PS3.3, type 2), though nothing need be known of them.
_EMPTIED = (
    "StudyDate",
    "StudyTime",
    "AccessionNumber",
    "Manufacturer",
    "ReferringPhysicianName",
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "PatientSex",
    "StudyID",
    "SeriesNumber",
    "InstanceNumber",
    "Laterality",
    "PatientOrientation",
)
_RATES = ("RecommendedDisplayFrameRate", "CineRate")
_REGION = (
    "RegionSpatialFormat",
    "RegionDataType",
    "RegionFlags",
    "RegionLocationMinX0",
    "RegionLocationMinY0",
    "RegionLocationMaxX1",
    "RegionLocationMaxY1",
    "ReferencePixelX0",
    "ReferencePixelY0",
    "ReferencePixelPhysicalValueX",
    "ReferencePixelPhysicalValueY",
    "PhysicalUnitsXDirection",
    "PhysicalUnitsYDirection",
    "PhysicalDeltaX",
    "PhysicalDeltaY",
)
_FORMATS = {"US": "<H", "UL": "<L", "SL": "<l", "FD": "<d"}
_BLACK = {"MONOCHROME2": (0,), "RGB": (0, 0, 0), "YBR_FULL": (0, 128, 128)}
# The length of an element has 32 bits, and its highest value means "not known".
_MOST_BYTES = 0xFFFFFFFE


def clean_dicom(path: Path, out: Path, region: Region, *, progress: Progress | None = None) -> Path:
    """Write a copy of a DICOM clip that keeps the pixels of a region, the times and the scale; return `out`.

    Everything else of the file is left behind: names, numbers, dates, places, people, descriptions, comments,
    private attributes. UIDs are new ones. Pictures come out uncompressed with 8 bits a sample, black outside
    the region. Identifying text within the region stays, so a person must still look.

    Parameters
    ----------
    path, out : the DICOM file, and the file to write; one that is there already is replaced
    region : what is kept of every picture
    progress : called with (frames done, frames in all)

    Raises
    ------
    ClipError
        When the file can't be read, or is too long to be uncompressed.
    MarksError
        When the region lies outside the picture.
    OutputError
        When the copy can't be written; nothing half-written is left behind.
    """
    path, out = Path(path), Path(out)
    try:
        header = read_header(path)
    except OSError as problem:
        raise ClipError(
            f"{path}: can't be read ({problem.strerror or problem}); check the name."
        ) from problem
    pictures, inside = Pictures(header), region.mask(header.height_px, header.width_px)
    if not inside.any():
        raise MarksError(f"The region lies outside the picture of {path.name}; give --region x,y,w,h again.")
    try:
        _check_place(path, out)
        with tempfile.TemporaryDirectory(dir=out.parent, prefix=".needlecoach-") as folder:
            part = Path(folder) / "copy.dcm"
            with part.open("wb") as copy, BoundedFile(path) as file:
                _write(copy, header, (pictures, file), inside, progress)
            os.replace(part, out)
    except OSError as problem:
        raise OutputError(
            f"{out} can't be written ({problem.strerror or problem}); choose another place."
        ) from problem
    return out


def _check_place(path: Path, out: Path) -> None:
    if out.exists() and os.path.samefile(path, out):
        raise OutputError(f"{out} is the recording itself; choose another name for the copy.")
    if out.is_dir():
        raise OutputError(f"{out} is a folder; give the name of a file to write.")


def _write(
    copy: BinaryIO,
    header: Header,
    source: tuple[Pictures, BoundedFile],
    inside: BoolArray,
    progress: Progress | None,
) -> None:
    """Write the attributes, then picture after picture, so that only one is held at a time."""
    pictures, file = source
    first = pictures.read(0, file)
    length = header.n_frames * first.samples.nbytes
    if length > _MOST_BYTES:
        raise ClipError(
            f"{header.path}: {header.n_frames} frames take {length / 1e9:.1f} GB uncompressed, a DICOM file "
            "holds 4.3 at most; cut the clip into shorter ones."
        )
    attributes = _attributes(header, first)
    pydicom.dcmwrite(copy, attributes, enforce_file_format=True)
    # Pixel Data (7FE0,0010) comes last by its number; its length is even (PS3.5, 7.1.1).
    copy.write(struct.pack("<HH2sHL", 0x7FE0, 0x0010, b"OB", 0, length + length % 2))
    for number in range(header.n_frames):
        picture = pictures.read(number, file)
        if picture.kind != first.kind:
            raise ClipError(f"{header.path}: frame {number} has another kind of colour than the first one.")
        copy.write(_blackened(picture, inside).tobytes())
        if progress is not None:
            progress(number + 1, header.n_frames)
    copy.write(b"\0" * (length % 2))


def _blackened(picture: Picture, inside: BoolArray) -> np.ndarray:
    black = np.array(_BLACK[picture.kind], dtype=np.uint8)
    samples = picture.samples if picture.samples.ndim == 3 else picture.samples[..., None]
    return np.where(inside[..., None], samples, black)


def _attributes(header: Header, first: Picture) -> Dataset:
    """All attributes of the copy but for its pixels."""
    clean = Dataset()
    for name in _EMPTIED:
        setattr(clean, name, None)
    is_ultrasound = header.word("Modality") == "US"
    clean.SOPClassUID = _storage(is_ultrasound, header.n_frames, first)
    clean.Modality = "US" if is_ultrasound else "OT"
    clean.ImageType = ["DERIVED", "PRIMARY"]
    for name in ("SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID"):
        setattr(clean, name, uid.generate_uid(prefix=None))
    clean.BurnedInAnnotation = "NO"
    clean.PatientIdentityRemoved = "YES"
    clean.DeidentificationMethod = METHOD
    clean.LongitudinalTemporalInformationModified = "REMOVED"
    _add_pixel_description(clean, header, first)
    _add_times(clean, header)
    _add_regions(clean, header)
    clean.file_meta = FileMetaDataset()
    clean.file_meta.TransferSyntaxUID = uid.ExplicitVRLittleEndian
    clean.preamble = b"\0" * 128
    return clean


def _storage(is_ultrasound: bool, n_frames: int, first: Picture) -> uid.UID:
    if is_ultrasound:
        return uid.UltrasoundImageStorage if n_frames == 1 else uid.UltrasoundMultiFrameImageStorage
    if first.kind == "MONOCHROME2":
        return uid.MultiFrameGrayscaleByteSecondaryCaptureImageStorage
    return uid.MultiFrameTrueColorSecondaryCaptureImageStorage


def _add_pixel_description(clean: Dataset, header: Header, first: Picture) -> None:
    clean.Rows, clean.Columns, clean.NumberOfFrames = header.height_px, header.width_px, header.n_frames
    clean.PhotometricInterpretation = first.kind
    clean.SamplesPerPixel = 1 if first.kind == "MONOCHROME2" else 3
    if clean.SamplesPerPixel == 3:
        clean.PlanarConfiguration = 0
    clean.BitsAllocated = clean.BitsStored = 8
    clean.HighBit, clean.PixelRepresentation = 7, 0
    clean.LossyImageCompression = "01" if header.is_lossy else "00"


def _add_times(clean: Dataset, header: Header) -> None:
    pointed = header.number("FrameIncrementPointer")
    for name in ("FrameTime", "FrameTimeVector"):
        values = header.numbers(name)
        if values and np.isfinite(values).all():
            texts = [format_number_as_ds(value) for value in values]
            setattr(clean, name, texts if name == "FrameTimeVector" else texts[0])
            if pointed == tag_for_keyword(name):
                clean.FrameIncrementPointer = tag_for_keyword(name)
    for name in _RATES:
        rate = header.number(name)
        if rate is not None and 0 < rate < 1e6:
            setattr(clean, name, round(rate))


def _add_regions(clean: Dataset, header: Header) -> None:
    items = [_numbers_only(item) for item in header.items("SequenceOfUltrasoundRegions")]
    if items:
        clean.SequenceOfUltrasoundRegions = items


def _numbers_only(item: Dataset) -> Dataset:
    """Keep the whitelisted numbers of a region that fit their types."""
    kept = Dataset()
    for name in _REGION:
        value = number_of(item, name)
        if value is not None:
            kind = dictionary_VR(name)
            number: Any = value if kind == "FD" else int(value)
            try:
                struct.pack(_FORMATS[kind], number)
            except struct.error:
                continue
            setattr(kept, name, number)
    return kept
