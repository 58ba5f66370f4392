"""Temporary files lie in one folder that goes at the end, also that of a run that was killed."""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from needlecoach.review import scratch
from needlecoach.review.scratch import own_folder

CODE = """
import sys, tempfile, time
from needlecoach.review.scratch import own_folder
with own_folder():
    print(tempfile.mkdtemp(), flush=True)
    time.sleep(60)
"""


@pytest.fixture
def room(tmp_path, monkeypatch):
    """The system's folder for temporary files, empty."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


def test_all_temporary_files_go_at_the_end(room):
    with pytest.raises(KeyboardInterrupt), own_folder():
        folder = Path(tempfile.mkdtemp())
        (folder / "clip.webm").write_bytes(b"x")
        assert folder.parent.parent == room and folder.parent.stat().st_mode & 0o077 == 0
        raise KeyboardInterrupt
    assert list(room.iterdir()) == [] and tempfile.gettempdir() == str(room)


def test_what_a_killed_run_left_is_removed_and_a_living_ones_stays(room, monkeypatch):
    (room / "needlecoach-of-another-program").mkdir()
    command, env = [sys.executable, "-c", CODE], os.environ | {"TMPDIR": str(room)}
    runs = [subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=env) for _ in range(2)]
    dead, living = (Path(run.stdout.readline().strip()).parent for run in runs)
    runs[0].kill()
    runs[0].communicate()
    try:
        with own_folder():
            assert dead.exists()  # so new a folder may be one that is just being locked
        monkeypatch.setattr(scratch, "_NEW_S", -1.0)
        time.sleep(0.01)
        with own_folder():
            assert not dead.exists() and living.exists()
    finally:
        runs[1].terminate()
        runs[1].communicate()
    assert (room / "needlecoach-of-another-program").exists()
