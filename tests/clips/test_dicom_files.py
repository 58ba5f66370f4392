"""Real ultrasound files: those that pydicom 3.0 and its package pydicom-data 1.0 carry.

The figures are the files' own, as any DICOM viewer shows them. Where one picture is there both coded and
uncompressed, coded by other programs, each is held against the other.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pydicom.data import get_testdata_file

from needlecoach.clips import open_clip
from needlecoach.model import Frame


def file(name: str) -> Path:
    path = get_testdata_file(name, download=False)
    assert path is not None, f"{name}: install pydicom-data"
    return Path(str(path))


def frames(name: str) -> list[Frame]:
    with open_clip(file(name), fps=10.0) as reader:
        return list(reader)


@pytest.mark.parametrize(
    ("name", "size", "n_frames", "fps"),
    [
        ("examples_rgb_color.dcm", (320, 240), 1, 0.0),  # RGB, uncompressed
        ("examples_ybr_color.dcm", (320, 240), 30, 30.0003),  # YBR_FULL_422, JPEG baseline, 33.333 ms
        ("examples_palette.dcm", (800, 350), 1, 0.0),  # PALETTE COLOR
        ("examples_jpeg2k.dcm", (640, 480), 1, 0.0),  # YBR_RCT, JPEG 2000 lossless
        ("ExplVR_BigEnd.dcm", (80, 60), 1, 0.0),  # RGB, planar configuration 1, big endian
        ("color3d_jpeg_baseline.dcm", (640, 480), 120, 30.0003),  # YBR_FULL_422, JPEG baseline
        ("JPGLosslessP14SV1_1s_1f_8b.dcm", (1024, 768), 1, 0.0),  # MONOCHROME2, JPEG lossless
        ("OBXXXX1A_rle_2frame.dcm", (800, 600), 2, 10.0),  # PALETTE COLOR, RLE; no times: --fps 10
        ("gdcm-US-ALOKA-16.dcm", (640, 480), 1, 0.0),  # PALETTE COLOR of 16 bits, implicit VR
        ("US1_J2KI.dcm", (640, 480), 1, 0.0),  # YBR_ICT, JPEG 2000
    ],
)
def test_description_of_real_clips(name: str, size: tuple[int, int], n_frames: int, fps: float) -> None:
    with open_clip(file(name), fps=10.0) as reader:
        clip, read = reader.clip, list(reader)
    assert (clip.kind, clip.width_px, clip.height_px, clip.n_frames) == ("dicom", *size, n_frames)
    assert clip.nominal_fps == pytest.approx(fps, abs=1e-3)
    assert [frame.number for frame in read] == list(range(n_frames))
    step_s = 1 / fps if fps else 0.0
    assert [frame.time_s for frame in read] == pytest.approx([number * step_s for number in range(n_frames)])
    assert all(frame.pixels.shape == size[::-1] and np.ptp(frame.pixels) > 50 for frame in read)


@pytest.mark.parametrize(
    ("name", "boxes", "delta_cm"),
    [
        ("color3d_jpeg_baseline.dcm", [(84, 31, 512, 384)], 0.05104970559477806),
        ("JPGLosslessP14SV1_1s_1f_8b.dcm", [(14, 38, 997, 721)], 0.025476696592378157),
        # Its last column is stated as 800 of 0 to 799; the second region is an ECG-like trace in seconds.
        ("OBXXXX1A.dcm", [(120, 60, 680, 459)], 0.02622878766196998),
        # Two pictures side by side, and a bar of greys.
        ("gdcm-US-ALOKA-16.dcm", [(32, 24, 304, 392), (336, 24, 304, 392)], 0.03826530650258064),
    ],
)
def test_region_and_scale_of_real_clips(name: str, boxes: list[tuple[int, ...]], delta_cm: float) -> None:
    with open_clip(file(name), fps=10.0) as reader:
        areas = reader.areas
    assert [area.box_px for area in areas] == boxes
    for area in areas:
        assert (area.scale.x_mm_per_px, area.scale.y_mm_per_px) == pytest.approx((10 * delta_cm,) * 2)


@pytest.mark.parametrize("name", ["examples_ybr_color.dcm", "examples_palette.dcm"])
def test_region_of_a_picture_since_made_smaller_is_not_used(name: str) -> None:
    # pydicom's short examples were cut from larger files and kept their regions.
    with open_clip(file(name)) as reader:
        assert reader.areas == ()
        assert "does not lie within" in " ".join(reader.notes)


@pytest.mark.parametrize(
    ("coded", "plain"),
    [
        ("US1_J2KR.dcm", "US1_UNCR.dcm"),  # JPEG 2000 lossless
        ("OBXXXX1A_rle.dcm", "OBXXXX1A.dcm"),
        ("OBXXXX1A_rle_2frame.dcm", "OBXXXX1A_2frame.dcm"),
        ("OBXXXX1A_expb_2frame.dcm", "OBXXXX1A_2frame.dcm"),  # big endian
        ("gdcm-US-ALOKA-16_big.dcm", "gdcm-US-ALOKA-16.dcm"),
        ("color-pl.dcm", "color-px.dcm"),  # colour by plane, colour by pixel
        # No ultrasound: the ways of coding that no ultrasound file here has.
        ("SC_rgb_jpeg_gdcm.dcm", "SC_rgb.dcm"),  # JPEG lossless, in colour
        ("SC_rgb_rle_16bit_2frame.dcm", "SC_rgb_2frame.dcm"),
        ("MR_small_jpeg_ls_lossless.dcm", "MR_small.dcm"),  # 16 bits, signed
        ("emri_small_RLE.dcm", "emri_small.dcm"),
    ],
)
def test_pictures_coded_by_others_are_those_uncompressed(coded: str, plain: str) -> None:
    for one, other in zip(frames(coded), frames(plain), strict=True):
        assert np.array_equal(one.pixels, other.pixels)


def test_lossy_picture_is_near_the_uncompressed_one() -> None:
    # JPEG 2000 at the rate that its makers chose; within 2 grey levels on average.
    difference = frames("US1_J2KI.dcm")[0].pixels.astype(int) - frames("US1_UNCI.dcm")[0].pixels
    assert np.abs(difference).mean() < 2


def test_single_frames_are_those_of_reading_through() -> None:
    name = "color3d_jpeg_baseline.dcm"
    every = frames(name)
    with open_clip(file(name)) as reader:
        picked = reader.read_frames([119, 7, 60])
        sampled, colours = reader.sample_frames(12), reader.sample_colour(12)
    assert all(np.array_equal(every[number].pixels, one.pixels) for number, one in picked.items())
    assert [frame.number for frame in sampled][:2] == [0, 11]
    assert len(colours) == 12 and colours[0].shape == (240, 320, 3)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("test-SR.dcm", "without pictures"),
        ("DICOMDIR", "DICOMDIR"),
        ("waveform_ecg.dcm", "without pictures"),
        ("MR_truncated.dcm", "cut off"),
        ("image_dfl.dcm", "deflated"),
        ("JPEG-lossy.dcm", "pylibjpeg-libjpeg"),  # JPEG of 12 bits
        ("SC_rgb_rle_32bit.dcm", "32 bits"),
        ("badVR.dcm", "frames"),
    ],
)
def test_other_files_are_refused_in_one_line(name: str, words: str) -> None:
    from needlecoach.errors import ClipError

    with pytest.raises(ClipError, match=words) as told:
        open_clip(file(name))
    assert "\n" not in str(told.value)
