"""Cameras listed: those that give a picture, and those that are there and give none."""

import numpy as np

from needlecoach.clips import cameras as room
from needlecoach.clips.cameras import Camera, device_indices, list_cameras
from needlecoach.clips.device import Got
from needlecoach.errors import ClipError


class Still:
    """A camera that gives the same picture for ever, or none."""

    def __init__(self, size_px: tuple[int, int] | None, fps: float = 30.0) -> None:
        self.size_px, self.closed = size_px, False
        self.got = Got(size_px or (0, 0), fps, "")

    def read(self):
        return None if self.size_px is None else (np.zeros((*self.size_px[::-1], 3), np.uint8), 0.0)

    def close(self) -> None:
        self.closed = True


def test_cameras_that_give_a_picture_are_listed_and_let_go():
    devices = {0: Still((1280, 720)), 1: Still(None), 4: Still((640, 480), 0.0)}

    def opener(address, size, fps):
        if address.target not in devices:
            raise ClipError("it is in use")
        return devices[address.target]

    found = list_cameras([0, 1, 2, 4], opener)
    assert found.cameras == (Camera(0, "", (1280, 720), 30.0), Camera(4, "", (640, 480), 0.0))
    assert found.refused == (1, 2)
    assert all(device.closed for device in devices.values())


def test_names_come_from_the_system(tmp_path, monkeypatch):
    monkeypatch.setattr(room, "_NAMES", tmp_path)
    (tmp_path / "video2").mkdir()
    (tmp_path / "video2" / "name").write_text("Invented stick\n", encoding="utf-8")
    found = list_cameras([2], lambda *_: Still((64, 48)))
    assert found.cameras[0].name == "Invented stick"


def test_devices_are_found_by_their_numbers(tmp_path, monkeypatch):
    for name in ("video10", "video2", "video", "videox", "audio1"):
        (tmp_path / name).touch()
    monkeypatch.setattr(room.sys, "platform", "linux")
    assert device_indices(tmp_path) == [2, 10]
    monkeypatch.setattr(room.sys, "platform", "darwin")
    assert device_indices(tmp_path) == [0, 1, 2, 3]


def test_numbers_that_were_only_tried_do_not_count_as_refused(monkeypatch):
    monkeypatch.setattr(room.sys, "platform", "darwin")

    def none(address, size, fps):
        raise ClipError("none")

    found = list_cameras(opener=none)
    assert (found.cameras, found.refused) == ((), ())
