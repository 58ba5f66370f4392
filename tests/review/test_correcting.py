"""A sample clip scored, corrected and scored again through the server, as its pages do it."""

import json
import shutil
import time

import numpy as np
import pytest

from needlecoach.corrections import corrections_path, read_corrections
from needlecoach.review.desk import Desk
from needlecoach.scored import Wish

MADE = {"by": "T1", "at": "2026-11-26T10:00:00Z"}


@pytest.fixture(scope="module")
def scored(sample_clip, tmp_path_factory, serve):
    """Desk and client of a sample clip that was just scored through its page."""
    folder = tmp_path_factory.mktemp("scored")
    for file in sample_clip.parent.iterdir():
        shutil.copy(file, folder)
    desk = Desk(folder / sample_clip.name, folder / "reports" / "clean_hit", Wish(replay=False))
    client = serve(desk)
    yield desk, client
    desk.close()


def done(client, api, started):
    assert started.status_code == 200, started.text
    for _ in range(1200):
        job = client.get(f"{api}jobs/{started.json()['job']}").json()
        if job["state"] != "running":
            return job
        time.sleep(0.05)
    raise AssertionError(job)


def test_the_whole_way(scored, api):
    """Score, look, correct, look again; the folder follows, and another desk finds it all again."""
    desk, client = scored
    nothing = client.get(f"{api}result")
    assert nothing.status_code == 404 and "not scored yet" in nothing.json()["error"]
    assert client.put(f"{api}corrections", json={"corrections": [], "version": "none"}).status_code == 404

    assert done(client, api, client.post(f"{api}score", json={}))["state"] == "done"
    page = client.get(f"{api}result").json()
    assert page["attempts"][0]["outcome"] == "hit" and page["corrections"] == []
    assert client.get(f"{api}clip").json()["pages"]["review"] is True
    assert client.get(f"{api}strip.png").content[1:4] == b"PNG"

    frame = 40 + int(np.flatnonzero(page["frames"]["present"])[0])
    x, y = page["frames"]["tip_px"][frame]
    given = {"kind": "tip", "frame": frame, "tip_px": [x + 12, y], "visible": True, **MADE}
    before = client.get(f"{api}corrections").json()
    assert before["corrections"] == [] and before["version"] == "none"
    job = done(client, api, client.put(f"{api}corrections", json={"corrections": [given], "version": "none"}))
    assert job["state"] == "done", job["error"]
    after = client.get(f"{api}result").json()
    assert after["corrections"][0]["frame"] == frame and after["corrections"][0]["by"] == "T1"
    assert after["frames"]["tip_px"][frame][0] == pytest.approx(x + 12, abs=2.0)
    assert client.get(f"{api}corrections").json()["version"] == job["result"]["version"]

    desk.jobs.finish("write")
    folder = desk.results.folder
    assert (folder / "attempts.raw.csv").is_file() and not (folder / "replay.webm").exists()
    assert json.loads((folder / "page.json").read_text())["corrections"][0]["frame"] == frame
    again = Desk(desk.path, folder, Wish())
    assert json.loads(again.results.page()) == after
    again.close()

    # A page that has not seen the correction is told of it, and nothing is lost.
    stale = client.put(f"{api}corrections", json={"corrections": [], "version": "none"})
    assert stale.status_code == 409 and stale.json()["corrections"][0]["frame"] == frame
    assert len(read_corrections(corrections_path(desk.path))) == 1


@pytest.mark.parametrize(
    ("correction", "words"),
    [
        ({"kind": "colour", "frame": 3}, "kind"),
        ({"kind": "tip", "frame": 3}, "tip_px"),
        ({"kind": "no needle", "frame": -1}, "frame"),
        ({"kind": "no needle", "frame": 3, "by": "Jane Doe"}, "by a code"),
        ({"kind": "no needle", "frame": 3, "by": "=1+1"}, "by a code"),
        ({"kind": "no needle", "frame": 3, "x": 1}, "unknown key"),
        (7, ""),
    ],
)
def test_an_impossible_correction_is_refused(scored, api, correction, words):
    _, client = scored
    version = client.get(f"{api}corrections").json()["version"]
    answer = client.put(f"{api}corrections", json={"corrections": [correction], "version": version})
    assert answer.status_code == 422
    assert answer.json()["error"].startswith("Not saved: ") and words in answer.json()["error"]
    assert client.get(f"{api}corrections").json()["version"] == version


def test_what_was_said_but_not_worked_in_is_taken_up_by_the_next_review(scored, api, serve):
    """As after a stop, or a file that a person edited."""
    desk, _ = scored
    path = corrections_path(desk.path)
    path.write_text(json.dumps({"schema": 1, "corrections": [{"kind": "no needle", "frame": 30, **MADE}]}))
    again = Desk(desk.path, desk.results.folder, Wish(replay=False))
    client = serve(again)
    try:
        for _ in range(1200):
            client.get(f"{api}corrections")
            found = client.get(f"{api}result").json()["corrections"]
            if [one["frame"] for one in found] == [30]:
                break
            time.sleep(0.05)
        else:
            raise AssertionError(found)
        again.jobs.finish("write")
    finally:
        again.close()


def test_scoring_without_a_target_is_asked_about(scored, api):
    _, client = scored
    marks = client.get(f"{api}marks").json()
    without = {key: value for key, value in marks["marks"].items() if key != "target"}
    saved = client.put(f"{api}marks", json={"marks": without, "version": marks["version"]})
    answer = client.post(f"{api}score", json={})
    assert answer.status_code == 422 and "mark it, or score without a target" in answer.json()["error"]
    again = {"marks": marks["marks"], "version": saved.json()["version"]}
    assert client.put(f"{api}marks", json=again).status_code == 200


def test_the_target_is_followed_alone(scored, api):
    """The sample's target, invented, drifts by a few px; scoring follows it by the same steps."""
    desk, client = scored
    target = client.get(f"{api}marks").json()["marks"]["target"]
    job = done(client, api, client.post(f"{api}follow", json={"target": target}))
    assert job["state"] == "done", job["error"]
    page = json.loads(desk.results.page())
    followed, known = np.array(job["result"]["centre_px"]), np.array(page["frames"]["target_px"])
    assert followed.shape == (168, 2) and np.abs(followed - known).max() < 0.1
    bad = {"ellipse": {"centre_px": [9000, 10], "semi_axes_px": [5, 5]}}
    assert (
        "outside the frame" in done(client, api, client.post(f"{api}follow", json={"target": bad}))["error"]
    )


def test_what_is_proposed_is_what_inspect_finds(scored, api):
    _, client = scored
    found = client.get(f"{api}proposal").json()
    x, y, w, h = found["region"]["box_px"]
    # The sample's picture, as its simulator drew it (clean_hit.truth.json): 161,52 to 483,408.
    assert np.abs(np.array([x, y, x + w, y + h]) - [161, 52, 484, 409]).max() <= 2
    # An mp4 file tells no scale; what was marked is not proposed back.
    assert found["from_file"] is False and found["scale"] is None
