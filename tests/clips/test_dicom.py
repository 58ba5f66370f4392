"""DICOM clips written here (invented pictures): kinds of colour, depths, times, and what is said of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom import uid

from needlecoach.clips import open_clip
from needlecoach.errors import ClipError

Write = Callable[..., Path]


def frames(path: Path, fps: float | None = None) -> list[np.ndarray]:
    with open_clip(path, fps=fps) as reader:
        return [frame.pixels for frame in reader]


def luma(rgb: np.ndarray) -> np.ndarray:
    """Y' of ITU-R BT.601, as in PS3.3, C.7.6.3.1.2."""
    return rgb @ np.array([0.299, 0.587, 0.114])


def ybr(rgb: np.ndarray) -> np.ndarray:
    """Full-range YCbCr by the matrix of PS3.3, C.7.6.3.1.2 (YBR_FULL)."""
    matrix = np.array([[0.299, 0.587, 0.114], [-0.1687, -0.3313, 0.5], [0.5, -0.4187, -0.0813]])
    return np.clip(np.round(rgb @ matrix.T + (0, 128, 128)), 0, 255).astype(np.uint8)


@pytest.fixture
def colours() -> np.ndarray:
    """Two pictures of 16 x 8 px, uint8 (2, 8, 16, 3), in pairs of columns of one colour each."""
    rng = np.random.default_rng(3)
    return np.repeat(rng.integers(0, 256, (2, 8, 8, 3), dtype=np.uint8), 2, axis=2)


def test_monochrome_is_taken_as_it_is(write_dicom: Write, moving: np.ndarray) -> None:
    assert np.array_equal(frames(write_dicom(moving)), moving)


def test_monochrome1_is_turned_about(write_dicom: Write, moving: np.ndarray) -> None:
    path = write_dicom(moving, PhotometricInterpretation="MONOCHROME1")
    assert np.array_equal(frames(path), 255 - moving)


@pytest.mark.parametrize("planar", [0, 1])
def test_red_green_blue(write_dicom: Write, colours: np.ndarray, planar: int) -> None:
    path = write_dicom(np.ascontiguousarray(colours))
    if planar:
        path = write_dicom(colours, PixelData=np.moveaxis(colours, 3, 1).tobytes(), PlanarConfiguration=1)
    assert np.abs(frames(path) - luma(colours)).max() <= 0.51
    with open_clip(path) as reader:
        assert np.array_equal(reader.sample_colour(2)[1], colours[1][..., ::-1])


def test_full_range_ycbcr(write_dicom: Write, colours: np.ndarray) -> None:
    path = write_dicom(ybr(colours), PhotometricInterpretation="YBR_FULL")
    assert np.array_equal(frames(path), ybr(colours)[..., 0])
    with open_clip(path) as reader:
        # Rounding to whole steps in YCbCr costs up to 2 levels in red, green and blue.
        assert np.abs(reader.sample_colour(2)[1][..., ::-1].astype(int) - colours[1]).max() <= 2


def test_sub_sampled_ycbcr(write_dicom: Write, colours: np.ndarray) -> None:
    # Y1 Y2 Cb Cr for each pair of pixels (PS3.3, C.7.6.3.1.2, YBR_FULL_422).
    whole = ybr(colours)
    parts = [whole[:, :, ::2, 0], whole[:, :, 1::2, 0], whole[:, :, ::2, 1], whole[:, :, ::2, 2]]
    packed = np.stack(parts, axis=-1).tobytes()
    path = write_dicom(whole, PhotometricInterpretation="YBR_FULL_422", PixelData=packed)
    assert np.array_equal(frames(path), whole[..., 0])


def test_palette(write_dicom: Write, moving: np.ndarray) -> None:
    ramp = np.arange(256, dtype=np.uint16)
    tables = {"Red": 255 - ramp, "Green": ramp // 2, "Blue": np.full(256, 40, np.uint16)}
    attributes = {}
    for colour, table in tables.items():
        attributes[f"{colour}PaletteColorLookupTableDescriptor"] = [256, 0, 16]
        attributes[f"{colour}PaletteColorLookupTableData"] = (table << 8).astype("<u2").tobytes()
    path = write_dicom(moving, PhotometricInterpretation="PALETTE COLOR", **attributes)
    rgb = np.stack(list(tables.values()), axis=-1)[moving]
    assert np.abs(frames(path) - luma(rgb)).max() <= 0.51


@pytest.mark.parametrize("syntax", [uid.RLELossless, uid.JPEGLSLossless, uid.ExplicitVRBigEndian])
def test_lossless_ways_of_coding(write_dicom: Write, moving: np.ndarray, syntax: str, tmp_path: Path) -> None:
    made = pydicom.dcmread(write_dicom(moving))
    path = tmp_path / "coded.dcm"
    if syntax == uid.ExplicitVRBigEndian:
        made.file_meta.TransferSyntaxUID = syntax
        made.PixelData, made["PixelData"].VR = made.PixelData, "OB"
        pydicom.dcmwrite(path, made, implicit_vr=False, little_endian=False)
    else:
        made.compress(uid.UID(syntax), generate_instance_uid=False)
        made.save_as(path)
    assert np.array_equal(frames(path), moving)


def test_jpeg_baseline(write_dicom: Write, moving: np.ndarray, code_picture: Callable[..., bytes]) -> None:
    smooth = np.array([np.tile(np.linspace(20, 200, 120), (90, 1)) + n for n in range(3)]).astype(np.uint8)
    pictures = [code_picture(one, "JPEG", quality=95) for one in smooth]
    path = write_dicom(pictures, syntax=uid.JPEGBaseline8Bit, size=(90, 120))
    assert np.abs(np.array(frames(path), dtype=int) - smooth).max() <= 2


def test_a_picture_in_several_parts(write_dicom: Write, code_picture: Callable[..., bytes]) -> None:
    # Two frames of three fragments each, with and without a table of offsets (PS3.5, A.4).
    from pydicom.encaps import encapsulate

    pictures = [np.full((32, 40), grey, np.uint8) for grey in (60, 180)]
    data = [code_picture(one, "JPEG", quality=95) for one in pictures]
    for has_table in (False, True):
        pixels = encapsulate(data, fragments_per_frame=3, has_bot=has_table)
        path = write_dicom(data, syntax=uid.JPEGBaseline8Bit, size=(32, 40), PixelData=pixels)
        assert [round(float(one.mean())) for one in frames(path)] == [60, 180]


def test_16_bits_fill_the_range(write_dicom: Write) -> None:
    wide = np.arange(4096, dtype=np.uint16).reshape(1, 64, 64)
    grey = frames(write_dicom(wide, BitsStored=12))[0]
    assert np.abs(grey.astype(float) - wide[0] / 4095 * 255).max() <= 0.51


def test_16_bits_through_the_window(write_dicom: Write) -> None:
    # PS3.3, C.11.2.1.2.1, its example: centre 2048, width 4096 maps 0 to the lowest, 4095 to the highest
    # grey; a narrower window clips at centre - 0.5 -+ (width - 1) / 2.
    wide = np.arange(4096, dtype=np.uint16).reshape(1, 64, 64)
    whole = frames(write_dicom(wide, BitsStored=12, WindowCenter=2048, WindowWidth=4096))[0].ravel()
    assert (whole[0], whole[-1]) == (0, 255)
    narrow = frames(write_dicom(wide, BitsStored=12, WindowCenter=1000, WindowWidth=201))[0].ravel()
    assert (narrow[899], narrow[1100], narrow[999], narrow[1000]) == (0, 255, 127, 128)
    # (996 - 999.5) / 10 + 0.5 = 0.15 of 255.
    few = frames(write_dicom(wide, BitsStored=12, WindowCenter=1000, WindowWidth=11))[0].ravel()
    assert few[996] == 38


def test_signed_samples(write_dicom: Write) -> None:
    signed = np.array([[[-32768, 0], [16384, 32767]]], dtype=np.int16)
    assert frames(write_dicom(signed, PixelRepresentation=1))[0].ravel().tolist() == [0, 128, 191, 255]


def test_odd_sizes_and_one_pixel(write_dicom: Write) -> None:
    tiny = np.array([[[7]], [[9]], [[200]]], dtype=np.uint8)
    assert [int(one[0, 0]) for one in frames(write_dicom(tiny))] == [7, 9, 200]
    odd = np.arange(45, dtype=np.uint8).reshape(3, 3, 5)
    assert np.array_equal(frames(write_dicom(odd)), odd)


def times(path: Path, fps: float | None = None) -> list[float]:
    with open_clip(path, fps=fps) as reader:
        return [frame.time_s for frame in reader]


def test_times_by_frame_time(write_dicom: Write, moving: np.ndarray) -> None:
    assert times(write_dicom(moving, FrameTime="40")) == pytest.approx([0, 0.04, 0.08, 0.12, 0.16])


def test_times_by_vector(write_dicom: Write, moving: np.ndarray) -> None:
    # PS3.3, C.7.6.5.1.2: the first value is 0, each other the time in ms since the frame before.
    steps = ["0", "40", "50", "30", "200"]
    path = write_dicom(moving, FrameTime=None, FrameTimeVector=steps, FrameIncrementPointer=0x00181065)
    assert times(path) == pytest.approx([0, 0.04, 0.09, 0.12, 0.32])


def test_the_one_pointed_to_goes_first(write_dicom: Write, moving: np.ndarray) -> None:
    both = {"FrameTime": "10", "FrameTimeVector": ["0", "20", "20", "20", "20"]}
    assert times(write_dicom(moving, **both, FrameIncrementPointer=0x00181065))[1] == pytest.approx(0.02)
    assert times(write_dicom(moving, **both, FrameIncrementPointer=0x00181063))[1] == pytest.approx(0.01)


def test_steps_that_do_not_rise_are_replaced_and_told(write_dicom: Write, moving: np.ndarray) -> None:
    path = write_dicom(moving, FrameTime=None, FrameTimeVector=["0", "40", "0", "-5", "40"])
    with open_clip(path) as reader:
        assert [frame.time_s for frame in reader] == pytest.approx([0, 0.04, 0.08, 0.12, 0.16])
        assert reader.repaired_stamps == 2
        assert "2 of 5 time stamps" in " ".join(reader.notes)


@pytest.mark.parametrize("keyword", ["RecommendedDisplayFrameRate", "CineRate"])
def test_times_by_rates(write_dicom: Write, moving: np.ndarray, keyword: str) -> None:
    with open_clip(write_dicom(moving, FrameTime=None, **{keyword: 25})) as reader:
        assert [frame.time_s for frame in reader] == pytest.approx([0, 0.04, 0.08, 0.12, 0.16])
        assert "need not be the rate of recording" in " ".join(reader.notes)


@pytest.mark.parametrize("frame_time", ["0", "-40", "1e9"])
def test_absurd_frame_time_is_told_and_not_used(
    write_dicom: Write, moving: np.ndarray, frame_time: str
) -> None:
    path = write_dicom(moving, FrameTime=frame_time, CineRate=10)
    with open_clip(path) as reader:
        assert reader.clip.nominal_fps == 10
        assert "can't be and was not used" in " ".join(reader.notes)


def test_no_times_at_all_ask_for_fps(write_dicom: Write, moving: np.ndarray) -> None:
    path = write_dicom(moving, FrameTime=None)
    with pytest.raises(ClipError, match="give --fps"):
        open_clip(path)
    assert times(path, fps=20.0) == pytest.approx([0, 0.05, 0.1, 0.15, 0.2])
    with pytest.raises(ClipError, match=r"from 0\.1 to 1000"):
        open_clip(path, fps=5000.0)


def test_a_single_picture_needs_no_times(write_dicom: Write, moving: np.ndarray) -> None:
    path = write_dicom(moving[:1], FrameTime=None, NumberOfFrames=None)
    assert times(path) == [0.0]


def test_fps_is_not_needed_beside_own_times(write_dicom: Write, moving: np.ndarray) -> None:
    with open_clip(write_dicom(moving), fps=3.0) as reader:
        assert reader.clip.nominal_fps == 20
        assert "own times were used" in " ".join(reader.notes)


@pytest.mark.parametrize(("value", "told"), [("YES", True), ("NO", False), (None, False)])
def test_burned_in_text_is_told(
    write_dicom: Write, moving: np.ndarray, value: str | None, told: bool
) -> None:
    attributes = {} if value is None else {"BurnedInAnnotation": value}
    with open_clip(write_dicom(moving, **attributes)) as reader:
        assert ("burned into" in " ".join(reader.notes)) is told


@pytest.mark.parametrize("name", ["L01.dcm", "L01.dicom", "L01", "L01.mp4", "L01.txt"])
def test_content_tells_a_dicom_file(write_dicom: Write, moving: np.ndarray, name: str) -> None:
    with open_clip(write_dicom(moving, name=name)) as reader:
        assert reader.clip.kind == "dicom"


def test_a_file_without_preamble_opens_by_its_ending(
    write_dicom: Write, moving: np.ndarray, tmp_path: Path
) -> None:
    made = pydicom.dcmread(write_dicom(moving))
    old = tmp_path / "old.dcm"
    del made.file_meta
    made.preamble = None
    pydicom.dcmwrite(old, made, implicit_vr=True, little_endian=True)
    assert np.array_equal(frames(old), moving)


def test_a_video_named_dicom_opens_as_a_video(tmp_path: Path) -> None:
    clip = Path(__file__).parents[2] / "sample_clips" / "no_needle.mp4"
    path = tmp_path / "L01.dcm"
    path.write_bytes(clip.read_bytes())
    with open_clip(path) as reader:
        assert reader.clip.kind == "video"


def test_how_a_file_is_stored_is_told(write_dicom: Write, moving: np.ndarray) -> None:
    path = write_dicom(moving)
    with open_clip(path) as reader:
        facts, times_s = reader.facts(), reader.times_s()
        assert times_s == [frame.time_s for frame in reader]
    # The name of the transfer syntax 1.2.840.10008.1.2.1 in PS3.6, table A-1.
    assert (facts.container, facts.codec) == ("DICOM", "Explicit VR Little Endian")
    assert facts.n_bytes == path.stat().st_size
