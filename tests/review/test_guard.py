"""What does not come from the server's own pages is refused, and every answer carries its headers.

The attacks are known ones: a forged request from another site (OWASP's cheat sheet on cross-site request
forgery; RFC 6454 for what an origin is) and a name made to point at this machine (DNS rebinding). Names of
attackers are invented.
"""

import socket

import pytest

# What the pages need and no more, word for word as browsers read it (Content Security Policy level 3).
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; media-src 'self' blob:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


@pytest.mark.parametrize("path", ["mark", "review", "static/api.js", "api/clip", "api/frames/3"])
def test_what_its_own_page_asks_for_is_answered(client, root, path):
    assert client.get(root + path).status_code == 200


@pytest.mark.parametrize(
    "path", ["/", "/mark", "/api/clip", "/favicon.ico", "/wrong/api/clip", "/key-of-this-ru/mark", "//mark"]
)
def test_without_the_key_nothing_is_told(client, path):
    answer = client.get(path)
    assert answer.status_code == 403
    assert "lacks the key of this run" in answer.text
    assert "L01" not in answer.text
    assert answer.headers["content-security-policy"] == POLICY
    assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://127.0.0.1:1", "https://127.0.0.1:{port}", ""]
)
@pytest.mark.parametrize(
    ("method", "path"), [("GET", "api/clip"), ("PUT", "api/marks"), ("POST", "api/score")]
)
def test_another_origin_is_refused(client, root, origin, method, path):
    answer = client.request(method, root + path, json={}, origin=origin.format(port=client.port))
    assert answer.status_code == 403
    assert "another site" in answer.json()["error"]


@pytest.mark.parametrize(
    ("headers", "status"),
    [({}, 403), ({"Sec-Fetch-Site": "cross-site"}, 403), ({"Sec-Fetch-Site": "same-origin"}, 400)],
)
def test_a_change_must_say_where_it_comes_from(client, api, headers, status):
    answer = client.put(f"{api}marks", headers=headers, json={"odd": 1}, origin=None)
    assert answer.status_code == status


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:{port}", "127.0.0.1:9", "127.0.0.1", "", "0.0.0.0:{port}"]
)
def test_another_name_for_this_machine_is_refused(client, root, host):
    answer = client.get(f"{root}mark", headers={"Host": host.format(port=client.port)}, origin=None)
    assert answer.status_code == 403
    assert "only under the address" in answer.text


def test_localhost_is_the_same_machine(client, api):
    name = f"localhost:{client.port}"
    answer = client.get(f"{api}clip", headers={"Host": name}, origin=f"http://{name}")
    assert answer.status_code == 200
    # A page of the one name is another origin to the other.
    assert client.get(f"{api}clip", headers={"Host": name}).status_code == 403


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "mark", 200),
        ("GET", "api/frames/0", 200),
        ("GET", "api/frames/999", 422),
        ("GET", "api/nothing", 404),
        ("GET", "static/nothing.js", 404),
        ("GET", "api/result", 404),
        ("DELETE", "api/marks", 405),
        ("PUT", "api/marks", 400),
        ("GET", "../mark", 404),
    ],
)
def test_every_answer_carries_the_headers(client, root, method, path, status):
    answer = client.request(method, root + path)
    assert answer.status_code == status
    assert answer.headers["content-security-policy"] == POLICY
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "no-referrer"
    assert answer.headers["x-frame-options"] == "DENY"
    kept = "private, max-age=600" if path == "api/frames/0" else "no-store"
    assert answer.headers["cache-control"] == kept


def test_a_defect_keeps_its_headers_and_tells_no_secrets(client, api, desk, monkeypatch, capsys):
    def breaks():
        raise ValueError("secret of the inside")

    monkeypatch.setattr(desk.shelf, "png", lambda number: breaks())
    answer = client.get(f"{api}frames/0")
    assert answer.status_code == 500
    assert answer.headers["content-security-policy"] == POLICY
    assert "fault of needlecoach" in answer.json()["error"] and "secret" not in answer.text
    assert "secret of the inside" in capsys.readouterr().err


def test_the_server_listens_on_this_machine_alone(client):
    """A socket bound to 127.0.0.1 is reached by no other of the machine's addresses (RFC 1122, 3.2.1.3)."""
    elsewhere = socket.gethostbyname(socket.gethostname())
    others = {elsewhere, "127.0.0.2"} - {"127.0.0.1"}
    for address in others:
        with pytest.raises(OSError):
            socket.create_connection((address, client.port), timeout=1).close()
