"""The server's addresses: confined to the pages and the open clip, bounded, and faults told in words."""

import json
import socket
import time
from pathlib import Path
from urllib.parse import quote

import cv2
import numpy as np
import pytest

from needlecoach.review.answers import MOST_BODY_BYTES, STATIC

MARKS = {"schema": 1, "learner": "L01", "scale": {"mm_per_px": 0.1}}


def put(client, api, marks, version):
    return client.put(f"{api}marks", json={"marks": marks, "version": version})


@pytest.mark.parametrize(
    "path",
    [
        "static/../server.py",
        "static/..%2fserver.py",
        "static/%2e%2e/server.py",
        "static/%2e%2e%2fserver.py",
        "static/..%5cserver.py",
        "static//etc/passwd",
        "static/%2fetc%2fpasswd",
        "static/mark.html%00.js",
        "static/",
        "static/.",
        "api/frames/..%2f..%2fmark",
        "api/frames/-1",
        "api/jobs/..%2fclip",
    ],
)
def test_no_path_leads_out(client, root, path):
    answer = client.get(root + path)
    assert answer.status_code in (403, 404)
    assert "import" not in answer.text and "root:" not in answer.text


def test_every_file_of_the_pages_is_served_as_what_it_is(client, root):
    kinds = {".js": "text/javascript", ".css": "text/css", ".html": "text/html", ".svg": "image/svg+xml"}
    files = [one for one in STATIC.iterdir() if one.is_file()]
    assert {"api.js", "mark.html", "review.html"} <= {one.name for one in files}
    for file in files:
        answer = client.get(f"{root}static/{file.name}")
        assert answer.content == file.read_bytes()
        assert answer.headers["content-type"].startswith(kinds[file.suffix])


def test_pages_hold_no_script_or_style_of_their_own():
    for page in STATIC.glob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert "<style" not in text and " style=" not in text and "javascript:" not in text
        assert text.count("<script") == text.count('<script type="module" src=')
        assert "http:" not in text and "https:" not in text


@pytest.mark.parametrize("told", [True, False], ids=["length told", "length not told"])
def test_too_large_a_body_is_refused(client, api, desk, told):
    body = b'{"marks": {"notes": "' + b"x" * MOST_BODY_BYTES + b'"}, "version": "none"}'
    answer = client.put(f"{api}marks", content=body if told else iter([body[:500_000], body[500_000:]]))
    assert answer.status_code == 413
    assert "more was sent" in answer.json()["error"]
    assert not desk.marks.path.exists()


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"{", b'{"marks": 3, "version": "none"}', b"[" * 100_000, b"\xff"]
)
def test_a_body_that_is_none_is_refused_in_words(client, api, body):
    answer = client.put(f"{api}marks", content=body)
    assert answer.status_code == 400
    assert answer.json()["error"].startswith("Refused: ")


@pytest.mark.parametrize(
    "learner", ["<script>alert(1)</script>", "=cmd|' /C calc'!A0", "Jane Doe", "L01\u202e", "x" * 300]
)
def test_a_hostile_learner_is_refused_and_not_repeated(client, api, desk, learner):
    answer = put(client, api, {**MARKS, "learner": learner}, "none")
    assert answer.status_code == 422
    assert answer.json()["error"].startswith("Not saved: ")
    assert learner[:8] not in answer.text or learner[0] == "x"
    assert not desk.marks.path.exists()


def test_hostile_notes_come_back_as_json_text(own_client, api):
    notes = "</script><script>alert(1)</script> =cmd"
    assert put(own_client, api, {**MARKS, "notes": notes}, "none").status_code == 200
    answer = own_client.get(f"{api}marks")
    assert answer.headers["content-type"] == "application/json"
    assert answer.json()["marks"]["notes"] == notes


def test_what_the_pages_need_to_know_of_the_clip(client, api):
    about = client.get(f"{api}clip").json()
    assert about["file"] == "L01.avi" and about["name"] == "L01" and about["kind"] == "video"
    assert (about["width_px"], about["height_px"], about["n_frames"]) == (96, 64, 70)
    assert about["times_s"] == pytest.approx(np.arange(70) / 25)
    assert about["pages"] == {"mark": True, "review": False}
    assert about["video"]["state"] in {"preparing", "ready"}


@pytest.mark.parametrize("number", [0, 1, 35, 69])
def test_a_frame_is_the_tools_own(client, api, number):
    answer = client.get(f"{api}frames/{number}")
    assert answer.headers["content-type"] == "image/png"
    picture = cv2.imdecode(np.frombuffer(answer.content, np.uint8), cv2.IMREAD_UNCHANGED)
    assert picture.shape == (64, 96)
    # One grey per frame, 20 + 3 n, but for the rounding of FFV1's colours.
    assert np.abs(picture.astype(int) - (20 + 3 * number)).max() <= 1


def test_a_frame_that_is_not_there_is_told(client, api):
    answer = client.get(f"{api}frames/70")
    assert answer.status_code == 422
    assert "no frame 70; the clip has 70" in answer.json()["error"]


def wait_for_video(client, api):
    for _ in range(200):
        if client.get(f"{api}clip").json()["video"]["state"] != "preparing":
            return
        time.sleep(0.02)


def test_the_video_comes_in_the_parts_asked_for(client, api):
    wait_for_video(client, api)
    whole = client.get(f"{api}video")
    assert whole.status_code == 200 and whole.headers["content-type"] == "video/webm"
    part = client.get(f"{api}video", headers={"Range": "bytes=10-19"})  # RFC 9110, 14
    assert part.status_code == 206 and part.content == whole.content[10:20]
    assert part.headers["content-range"] == f"bytes 10-19/{len(whole.content)}"
    assert client.get(f"{api}video", headers={"Range": f"bytes={10**9}-"}).status_code == 416


def test_a_job_that_never_was_is_told(client, api):
    answer = client.get(f"{api}jobs/none")
    assert answer.status_code == 404 and "ask for it again" in answer.json()["error"]


def test_names_of_odd_files_do_not_break_out(client, root):
    for name in ("mark.html?x=<script>", quote("<script>.js"), quote("ä.js")):
        assert "<script>" not in client.get(f"{root}static/{name}").text.split("<head>")[0]


def test_the_shared_wrapper_has_what_the_pages_call():
    text = Path(STATIC / "api.js").read_text(encoding="utf-8")
    for name in ("get", "put", "post", "follow", "onServer", "frameUrl", "videoUrl", "stripUrl"):
        assert f"export const {name} " in text or f"function {name}(" in text
    assert json.dumps("needlecoach no longer answers")[1:-1] in text


@pytest.mark.parametrize("path", ["mark/", "review/", "api/clip/", "api/jobs/..%2f", "api/", "static/"])
def test_an_address_that_is_like_another_one_leads_nowhere(client, root, path):
    answer = client.get(root + path)
    assert answer.status_code == 404 and "location" not in answer.headers
    assert "nothing under this address" in answer.json()["error"]


def test_who_goes_away_in_mid_request_leaves_no_trace(client, api, capfd):
    """The body that was announced never comes: the line is cut."""
    with socket.create_connection(("127.0.0.1", client.port)) as line:
        head = f"PUT {api}marks HTTP/1.1\r\nHost: 127.0.0.1:{client.port}\r\nOrigin: {client.own}\r\n"
        line.sendall(f"{head}Content-Length: 5000\r\n\r\n{{".encode())
        time.sleep(0.2)
    time.sleep(0.3)
    assert client.get(f"{api}clip").status_code == 200
    assert capfd.readouterr().err == ""
