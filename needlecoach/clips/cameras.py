"""Which cameras this machine has, and which of them can be opened."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from needlecoach.clips.device import Address, Device, open_device
from needlecoach.errors import ClipError

# Where a system does not list its cameras, these numbers are tried.
_TRIED = range(4)
_DEVICES, _NAMES = Path("/dev"), Path("/sys/class/video4linux")


@dataclass(frozen=True)
class Camera:
    """A camera by its number; size (width, height) in px and rate as it gives them, 0 where it tells none."""

    index: int
    name: str
    size_px: tuple[int, int]
    fps: float


@dataclass(frozen=True)
class CameraList:
    """Cameras that can be opened, and devices that are there and can't (also each camera's second device)."""

    cameras: tuple[Camera, ...]
    refused: tuple[int, ...]


def cameras() -> list[Camera]:
    """Return the cameras that can be opened and give a picture; each is opened for a moment."""
    return list(list_cameras().cameras)


def list_cameras(
    indices: list[int] | None = None,
    opener: Callable[[Address, None, None], Device] = open_device,
) -> CameraList:
    """Try all cameras of this machine, or those of some numbers."""
    found, refused = [], []
    for index in device_indices() if indices is None else indices:
        camera = _tried(index, opener)
        if camera is None:
            refused.append(index)
        else:
            found.append(camera)
    # Where numbers are only tried, one that does not open is no camera that refuses.
    return CameraList(tuple(found), tuple(refused) if indices is not None or _lists_devices() else ())


def device_indices(folder: Path = _DEVICES) -> list[int]:
    """Numbers of the devices that may be cameras, in order."""
    if not _lists_devices():
        return list(_TRIED)
    numbers = [path.name.removeprefix("video") for path in folder.glob("video*")]
    return sorted(int(number) for number in numbers if number.isdigit())


def _lists_devices() -> bool:
    return sys.platform.startswith("linux")


def _tried(index: int, opener: Callable[[Address, None, None], Device]) -> Camera | None:
    try:
        device = opener(Address(index, f"camera {index}"), None, None)
    except ClipError:
        return None
    try:
        read = device.read()
        if read is None:
            return None
        high, wide = read[0].shape[:2]
        return Camera(index, _name_of(index), (wide, high), device.got.fps)
    finally:
        device.close()


def _name_of(index: int) -> str:
    """What the system calls a camera, "" where it does not tell."""
    try:
        return (_NAMES / f"video{index}" / "name").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""
