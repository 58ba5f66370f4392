"""DICOM files of invented pictures and invented people, for the tests of the room."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from PIL import Image
from pydicom import uid
from pydicom.data import get_testdata_file
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate

WriteDicom = Callable[..., Path]


def region(box: Sequence[int] = (20, 10, 99, 79), **changes: Any) -> Dataset:
    """Region item of a two-dimensional picture of 0.2 mm per px; `box` is x0, y0, x1, y1, all counted in."""
    item = Dataset()
    item.RegionSpatialFormat, item.RegionDataType, item.RegionFlags = 1, 1, 0
    item.RegionLocationMinX0, item.RegionLocationMinY0 = box[:2]
    item.RegionLocationMaxX1, item.RegionLocationMaxY1 = box[2:]
    item.PhysicalUnitsXDirection = item.PhysicalUnitsYDirection = 3
    item.PhysicalDeltaX = item.PhysicalDeltaY = 0.02
    for name, value in changes.items():
        if value is None:
            delattr(item, name)
        else:
            setattr(item, name, value)
    return item


def coded(picture: np.ndarray, kind: str, **options: Any) -> bytes:
    """One picture coded by Pillow."""
    buffer = io.BytesIO()
    Image.fromarray(picture).save(buffer, kind, **options)
    return buffer.getvalue()


@pytest.fixture
def write_dicom(tmp_path: Path) -> WriteDicom:
    """Return a writer: pictures (n, h, w) or (n, h, w, 3), or coded ones as a list of bytes, to a file."""

    def write(
        pixels: np.ndarray | Sequence[bytes],
        *,
        name: str = "L01.dcm",
        syntax: str = uid.ExplicitVRLittleEndian,
        size: tuple[int, int] = (0, 0),
        **attributes: Any,
    ) -> Path:
        made = Dataset()
        made.SOPClassUID = uid.UltrasoundMultiFrameImageStorage
        made.SOPInstanceUID, made.Modality = uid.generate_uid(), "US"
        made.NumberOfFrames, made.FrameTime = len(pixels), "50"
        made.PixelRepresentation, made.PhotometricInterpretation = 0, "MONOCHROME2"
        made.BitsAllocated = made.BitsStored = 8
        made.SamplesPerPixel = 1
        if isinstance(pixels, np.ndarray):
            made.Rows, made.Columns = pixels.shape[1:3]
            made.SamplesPerPixel = 3 if pixels.ndim == 4 else 1
            made.BitsAllocated = made.BitsStored = pixels.dtype.itemsize * 8
            raw = pixels.tobytes()
            made.PixelData = raw + b"\0" * (len(raw) % 2)
        else:
            made.Rows, made.Columns = size
            made.PixelData = encapsulate(list(pixels))
        made["PixelData"].VR = "OB" if made.BitsAllocated == 8 else "OW"
        if made.SamplesPerPixel == 3:
            made.PhotometricInterpretation, made.PlanarConfiguration = "RGB", 0
        for key, value in attributes.items():
            if value is None:
                delattr(made, key)
            else:
                setattr(made, key, value)
        made.HighBit = made.BitsStored - 1
        made.file_meta = FileMetaDataset()
        made.file_meta.TransferSyntaxUID = uid.UID(syntax)
        path = tmp_path / name
        pydicom.dcmwrite(path, made, enforce_file_format=True)
        return path

    return write


@pytest.fixture
def dicom_region() -> Callable[..., Dataset]:
    return region


@pytest.fixture
def code_picture() -> Callable[..., bytes]:
    return coded


@pytest.fixture
def moving() -> np.ndarray:
    """Five invented pictures of 120 x 90 px, each with a bright square that moves to the right."""
    rng = np.random.default_rng(5)
    pictures = rng.integers(20, 60, (5, 90, 120), dtype=np.uint8)
    for number, picture in enumerate(pictures):
        picture[40:52, 20 + 10 * number : 32 + 10 * number] = 230
    return pictures


@pytest.fixture
def small_dicom(write_dicom: WriteDicom, dicom_region: Callable[..., Dataset]) -> dict[str, bytes]:
    """Small sound files of 16 x 12 px, three frames each, one for each way of coding."""
    pictures = np.random.default_rng(2).integers(0, 256, (3, 12, 16), dtype=np.uint8)
    coloured = np.stack([pictures, pictures // 2, 255 - pictures], axis=-1)
    regions = {"SequenceOfUltrasoundRegions": [dicom_region((0, 0, 15, 11))]}
    palette: dict[str, Any] = {"PhotometricInterpretation": "PALETTE COLOR"}
    for colour in ("Red", "Green", "Blue"):
        palette[f"{colour}PaletteColorLookupTableDescriptor"] = [256, 0, 8]
        palette[f"{colour}PaletteColorLookupTableData"] = bytes(range(256))
    made = {
        "plain": write_dicom(pictures, **regions),
        "ybr": write_dicom(coloured, name="ybr.dcm", PhotometricInterpretation="YBR_FULL"),
        "palette": write_dicom(pictures, name="palette.dcm", **palette),
    }
    for name, syntax in (("rle", uid.RLELossless), ("jpegls", uid.JPEGLSLossless)):
        clip = pydicom.dcmread(made["plain"])
        clip.compress(uid.UID(syntax), generate_instance_uid=False)
        made[name] = made["plain"].with_name(f"{name}.dcm")
        clip.save_as(made[name])
    for name, kind, syntax in (
        ("jpeg", "JPEG", uid.JPEGBaseline8Bit),
        ("jpeg2000", "JPEG2000", uid.JPEG2000),
    ):
        data = [coded(one, kind) for one in pictures]
        made[name] = write_dicom(data, name=f"{name}.dcm", syntax=syntax, size=(12, 16), **regions)
    made["lossless"] = Path(str(get_testdata_file("SC_rgb_jpeg_gdcm.dcm", download=False)))
    return {name: path.read_bytes() for name, path in made.items()}
