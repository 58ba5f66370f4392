"""Ports, addresses, a browser or none, and a clean end."""

import contextlib
import http.client
import json
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


@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_it_ends_cleanly_with_work_under_way(sample_clip, tmp_path, monkeypatch, end):
    """Ctrl-C, a polite request, a closed terminal: no word of a fault, and nothing is left lying about."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    process = started(sample_clip)
    first = process.stdout.readline()
    assert re.search(r"http://127\.0\.0\.1:\d+/[\w-]{32}/mark$", first.strip())
    until = time.monotonic() + 20
    while not list(tmp_path.rglob("clip.webm")) and time.monotonic() < until:
        time.sleep(0.02)  # until the copy for the browser is begun
    began = time.monotonic()
    process.send_signal(end)
    if end == signal.SIGHUP:  # a terminal that closes says so twice, its shell and its system
        process.stdout.close()
        time.sleep(0.05)
        process.send_signal(end)
        err = process.stderr.read()
        process.stderr.close()
        process.wait(timeout=30)
    else:
        _, err = process.communicate(timeout=30)
    assert process.returncode == 0 and err == ""
    assert time.monotonic() - began < 15
    assert list(tmp_path.iterdir()) == []
    assert sorted(one.name for one in sample_clip.parent.iterdir()) == [
        "clean_hit.marks.json",
        "clean_hit.mp4",
    ]


def test_what_is_asked_when_it_ends_is_answered_in_words(sample_clip):
    """A proposal takes a second or more of work; the line is not just cut, and the terminal stays clean."""
    process = started(sample_clip)
    port, key = re.search(r":(\d+)/(.+)/mark", process.stdout.readline()).groups()
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", int(port), timeout=30)) as line:
        line.request("GET", f"/{key}/api/proposal")
        time.sleep(0.2)
        process.send_signal(signal.SIGINT)
        answer = line.getresponse()
        words = json.loads(answer.read())
    _, err = process.communicate(timeout=30)
    assert process.returncode == 0 and err == ""
    assert answer.status == 200 or (answer.status == 503 and "was ended" in words["error"])


def test_each_run_has_a_key_of_its_own(sample_clip):
    keys = set()
    for _ in range(2):
        process = started(sample_clip)
        keys.add(process.stdout.readline().rsplit("/", 2)[1])
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=30)
    assert len(keys) == 2
