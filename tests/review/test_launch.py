"""Ports, addresses, a browser or none, and a clean end."""

import re
import signal
import socket
import subprocess
import sys
import time
import webbrowser

import pytest

from needlecoach.errors import OutputError
from needlecoach.review import launch
from needlecoach.review.launch import free_socket


def test_a_taken_port_is_told_and_a_free_one_found():
    with free_socket(None) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(OutputError, match=rf"Port {port} can't be used .*in use.*leave --port out"):
            free_socket(port)
        with free_socket(None) as other:
            assert other.getsockname()[1] != port
    with free_socket(port) as again:
        assert again.getsockname() == ("127.0.0.1", port)


def test_the_socket_is_of_this_machine_and_sends_at_once():
    """asyncio turns Nagle's waiting off (RFC 896) for sockets that name TCP; it cost 40 ms a frame."""
    with free_socket(None) as listening:
        assert listening.getsockname()[0] == "127.0.0.1"
        assert listening.proto == socket.IPPROTO_TCP


@pytest.mark.parametrize("breaks", [False, True])
def test_without_a_browser_the_address_is_enough(monkeypatch, breaks):
    def none(address):
        if breaks:
            raise webbrowser.Error("no browser")
        return False

    monkeypatch.setattr(webbrowser, "open", none)
    said = []
    launch._open("http://127.0.0.1:1/key/mark", said.append)
    assert len(said) == 1 and "copy the address above" in said[0]


def started(clip, *more):
    command = [sys.executable, "-m", "needlecoach", "mark", str(clip), "--no-browser", *more]
    return subprocess.Popen(
        command, cwd=clip.parent, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def test_ctrl_c_ends_cleanly_with_work_under_way(sample_clip):
    process = started(sample_clip)
    first = process.stdout.readline()
    assert re.search(r"http://127\.0\.0\.1:\d+/[\w-]{32}/mark$", first.strip())
    process.send_signal(signal.SIGINT)  # the clip is being read, and copied for the browser after that
    began = time.monotonic()
    _, err = process.communicate(timeout=30)
    assert process.returncode == 0 and err == ""
    assert time.monotonic() - began < 15
    assert sorted(one.name for one in sample_clip.parent.iterdir()) == [
        "clean_hit.marks.json",
        "clean_hit.mp4",
    ]


def test_each_run_has_a_key_of_its_own(sample_clip):
    keys = set()
    for _ in range(2):
        process = started(sample_clip)
        keys.add(process.stdout.readline().rsplit("/", 2)[1])
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=30)
    assert len(keys) == 2
