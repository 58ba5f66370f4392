"""Photos: upright, small, without what a camera notes in them."""

import cv2
import numpy as np
import pytest
from PIL import Image

from needlecoach.errors import MarksError
from needlecoach.reporting.bigscreen.photo import MAX_SIDE_PX, photo_jpeg


def test_a_photo_is_turned_upright_and_loses_its_notes(tmp_path):
    picture = Image.new("RGB", (60, 30), (200, 30, 30))
    picture.paste((20, 20, 200), (0, 0, 30, 30))  # its left half is blue
    notes = Image.Exif()
    notes[0x0112] = 6  # Orientation (Exif 2.32, 4.6.4): to be turned clockwise by a quarter
    notes[0x010E] = "Invented Person"  # ImageDescription
    picture.save(tmp_path / "photo.jpg", exif=notes, quality=95, comment=b"Invented Person")
    assert b"Invented Person" in (tmp_path / "photo.jpg").read_bytes()
    made = photo_jpeg(tmp_path / "photo.jpg")
    assert b"Invented Person" not in made
    assert b"Exif" not in made
    seen = cv2.imdecode(np.frombuffer(made, np.uint8), cv2.IMREAD_COLOR)
    assert seen.shape == (60, 30, 3)
    assert seen[15, 15, 0] > 150 > seen[15, 15, 2]  # what was left is up
    assert seen[45, 15, 2] > 150 > seen[45, 15, 0]


def test_a_large_photo_is_shrunk(tmp_path):
    Image.new("RGBA", (3000, 1500)).save(tmp_path / "large.png")
    seen = cv2.imdecode(np.frombuffer(photo_jpeg(tmp_path / "large.png"), np.uint8), cv2.IMREAD_COLOR)
    assert seen.shape == (MAX_SIDE_PX // 2, MAX_SIDE_PX, 3)


def test_what_is_no_photo_is_told(tmp_path):
    (tmp_path / "text.jpg").write_text("no picture")
    with pytest.raises(MarksError, match="is not a picture"):
        photo_jpeg(tmp_path / "text.jpg")
    with pytest.raises(MarksError, match="can't be read"):
        photo_jpeg(tmp_path / "none.jpg")
    with pytest.raises(MarksError, match="can't be read"):
        photo_jpeg(tmp_path)
    Image.new("RGB", (400, 400), (9, 9, 9)).save(tmp_path / "cut.png")
    whole = (tmp_path / "cut.png").read_bytes()
    (tmp_path / "cut.png").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(MarksError, match="can't be read"):
        photo_jpeg(tmp_path / "cut.png")
