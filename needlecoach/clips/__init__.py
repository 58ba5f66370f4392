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
    """Open a video file, a DICOM file or a folder of numbered images, for reading frame by frame.

    What a file is, its content tells: its ending matters only where that says nothing.

    Parameters
    ----------
    path : Path
        A video file, a DICOM file or a folder of images.
    fps : float, optional
        Pictures a second, for what carries no times: a folder, a DICOM file without them.

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
        if path.is_dir():
            return ImagesReader(path, fps=fps)
        return _open_dicom(path, fps) if _is_dicom(path) else _open_video(path, fps)
    except OSError as problem:
        raise ClipError(
            f"{path}: can't be opened ({problem.strerror or problem}); check its permissions."
        ) from problem


def _is_dicom(path: Path) -> bool:
    """Tell by the mark of DICOM, DICM after 128 bytes (PS3.10, 7.1); without it by ending and first tag."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        head = file.read(132)
    if head[128:] == b"DICM":
        return True
    # Old files start right away, with a tag of group 2 or 8.
    return _is_named_dicom(path) and head[:2] in {b"\x02\x00", b"\x08\x00", b"\x00\x08"}


def _is_named_dicom(path: Path) -> bool:
    return path.suffix.lower() in {".dcm", ".dicom"}


def _open_video(path: Path, fps: float | None) -> ClipReader:
    try:
        return VideoReader(path, fps=fps)
    except ClipError:
        if not (_is_named_dicom(path) and path.is_file() and path.stat().st_size):
            raise
        raise ClipError(
            f"{path}: is neither a DICOM file nor a video, whatever its ending says; export the clip again."
        ) from None


def _open_dicom(path: Path, fps: float | None) -> ClipReader:
    # Imported here: the tool starts faster without it.
    from needlecoach.clips.dicom import DicomReader

    return DicomReader(path, fps=fps)


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
