"""Opens recordings: the only rooms that read a clip's file."""

import hashlib
import os
from pathlib import Path

from needlecoach.clips.camera import CameraReader, straightened
from needlecoach.clips.images import ImagesReader, image_files
from needlecoach.clips.reader import ClipReader
from needlecoach.clips.video import VideoReader
from needlecoach.errors import ClipError

__all__ = ["CameraReader", "ClipReader", "open_clip", "sha256_of", "straightened"]


def open_clip(path: Path, *, fps: float | None = None) -> ClipReader:
    """Open a video file, or a folder of numbered images, for reading frame by frame.

    Parameters
    ----------
    path : Path
        A video file or a folder of images.
    fps : float, optional
        Pictures a second, for a folder only: a video carries its own time stamps.

    Returns
    -------
    ClipReader
        To be closed, or used with `with`.

    Raises
    ------
    ClipError
        When there is nothing at `path`, or it can't be read as a recording.
    """
    path = Path(path)
    try:
        if not path.exists():
            raise ClipError(f"{path}: there is no such file or folder; check the name.")
        return ImagesReader(path, fps=fps) if path.is_dir() else VideoReader(path, fps=fps)
    except OSError as problem:
        raise ClipError(
            f"{path}: can't be opened ({problem.strerror or problem}); check its permissions."
        ) from problem


def sha256_of(path: Path) -> str:
    """Fingerprint of a recording, 64 hex digits: of the file, or of a folder's images and names.

    Raises
    ------
    ClipError
        When a file can't be read.
    """
    path = Path(path)
    try:
        if not path.is_dir():
            with path.open("rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest()
        whole = hashlib.sha256()
        for image in image_files(path):
            whole.update(os.fsencode(image.name) + b"\0" + hashlib.sha256(image.read_bytes()).digest())
        return whole.hexdigest()
    except OSError as problem:
        raise ClipError(
            f"{path}: can't be read ({problem.strerror or problem}); check its permissions."
        ) from problem
