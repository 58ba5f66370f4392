"""A photo of what was hidden, made ready for the page: small, upright, without a camera's notes in it."""

from __future__ import annotations

import io
from pathlib import Path

from needlecoach.errors import MarksError

MAX_SIDE_PX = 1200
# More is no photo, but a way to fill memory.
MOST_PIXELS = 120_000_000


def photo_jpeg(path: Path) -> bytes:
    """Return a picture file as a new JPEG: nothing but the picture, turned as its camera meant it.

    Raises
    ------
    MarksError
        When the file can't be read, or is no picture.
    """
    # Imported here: the tool starts faster without it.
    from PIL import Image, ImageOps, UnidentifiedImageError

    try:
        with Image.open(path) as found:
            if found.width * found.height > MOST_PIXELS:
                raise MarksError(
                    f"--photo {path}: is too large ({found.width} x {found.height} px); shrink it."
                )
            upright = ImageOps.exif_transpose(found).convert("RGB")
    except UnidentifiedImageError as problem:
        raise MarksError(f"--photo {path}: is not a picture; give a JPEG or PNG file.") from problem
    except Image.DecompressionBombError as problem:
        raise MarksError(f"--photo {path}: is too large; shrink it.") from problem
    except (OSError, SyntaxError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or problem
        raise MarksError(f"--photo {path}: can't be read ({why}); give a JPEG or PNG file.") from problem
    upright.thumbnail((MAX_SIDE_PX, MAX_SIDE_PX))
    plain = Image.new("RGB", upright.size)
    plain.paste(upright)
    whole = io.BytesIO()
    plain.save(whole, "JPEG", quality=85)
    return whole.getvalue()
