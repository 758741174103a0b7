"""Browsers look on: they see what the screen shows, fetch nothing from elsewhere, and reach nothing."""

from __future__ import annotations

import http.client
import json
import re
import socket
import subprocess
from collections.abc import Iterator

import pytest

from live_help import RAMPGUARD
from rampguard.look_on import LookOn
from screen_help import finished, live, moments, readings


@pytest.fixture
def look_on() -> Iterator[LookOn]:
    with LookOn() as server:
        yield server


def asked(
    server: LookOn, method: str, path: str, body: bytes = b"", **headers: str
) -> tuple[int, dict[str, str], bytes]:
    host, port = server.address.removeprefix("http://").rstrip("/").split(":")
    connection = http.client.HTTPConnection(host, int(port), timeout=5)
    connection.request(method, path, body or None, headers)
    answer = connection.getresponse()
    found = answer.status, dict(answer.getheaders()), answer.read()
    connection.close()
    return found


def test_the_page_fetches_nothing_from_elsewhere(look_on: LookOn) -> None:
    status, headers, page = asked(look_on, "GET", "/")
    assert status == 200
    text = page.decode()
    links = set(re.findall(r"https?://[^\s\"'`<]+", text))
    assert links == {"http://www.w3.org/2000/svg"}  # a name of a language, fetched by nobody
    assert not re.search(r"<(link|img|iframe|form|input|button|script src)", text)
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert "nothing can be commanded from here" in text


def test_it_shows_what_the_screen_shows(look_on: LookOn) -> None:
    for event in moments()["power-up"]:
        look_on.hear(event)
    status, _, body = asked(look_on, "GET", "/now")
    now = json.loads(body)
    assert status == 200
    assert (now["format"], now["state"]) == (1, "LIVE")
    assert [name for name, here in now["parts"] if here] == ["power-up"]
    assert now["readings"][0]["name"] == "line voltage"
    assert now["plots"][0]["points"][-1] == [23.0, pytest.approx(0.092)]
    assert now["plots"][0]["band"]
    look_on.hear(finished("passed"))
    assert json.loads(asked(look_on, "GET", "/now")[2])["state"] == "OFF, PROVEN"
    look_on.hear(live())
    look_on.hear(readings(0.1, 1.0, 0.0))
    assert json.loads(asked(look_on, "GET", "/now")[2])["state"] == "LIVE"  # another run


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE", "HEAD", "OPTIONS", "CONNECT", "TRACE"])
def test_no_other_method_is_taken(look_on: LookOn, method: str) -> None:
    for path in ("/", "/now", "/off"):
        status, headers, _ = asked(look_on, method, path, b'{"command": "off"}' * (method != "CONNECT"))
        assert (status, headers["Allow"]) == (405, "GET")


@pytest.mark.parametrize("path", ["/off", "/../etc/passwd", "/now?command=off", "/look_on.html"])
def test_there_is_nothing_else_to_get(look_on: LookOn, path: str) -> None:
    assert asked(look_on, "GET", path, b'{"command": "off"}')[0] == 404


def test_another_sites_name_that_leads_here_gets_nothing(look_on: LookOn) -> None:
    assert asked(look_on, "GET", "/now", Host="evil.example:80")[0] == 403


def test_garbage_and_silence_break_nothing(look_on: LookOn) -> None:
    host, port = look_on.address.removeprefix("http://").rstrip("/").split(":")
    for sent in (b"\x00\xff\r\n\r\n", b"GET / HTTP/9\r\n\r\n", b"", b"off\n"):
        with socket.create_connection((host, int(port)), timeout=5) as connection:
            connection.sendall(sent)
    assert asked(look_on, "GET", "/now")[0] == 200


def test_it_listens_on_loopback_alone(look_on: LookOn) -> None:
    assert look_on.address.startswith("http://127.0.0.1:")


def test_whatever_is_sent_while_a_unit_is_live_the_run_goes_its_way(tmp_path: object) -> None:
    command = [*RAMPGUARD, "demo", "--no-screen", "--speed", "20", "--look-on", "0", "--into", str(tmp_path), "--json"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None
    said = process.stderr.readline()
    [(host, port)] = re.findall(r"http://([\d.]+):(\d+)/", said)
    states = set()
    while process.poll() is None and len(states) < 2:
        for method in ("GET", "POST", "PUT", "DELETE"):
            connection = http.client.HTTPConnection(host, int(port), timeout=5)
            try:
                connection.request(method, "/now", b'{"format": 1, "command": "off"}\n' * 100)
                answer = connection.getresponse()
                body = answer.read()
                if method == "GET":
                    states.add(json.loads(body)["state"])
                else:
                    assert answer.status == 405
            except (ConnectionError, http.client.HTTPException):
                pass  # a body that is not read may reset the connection; or the run is over
            finally:
                connection.close()
    out, _ = process.communicate(timeout=100)
    assert process.returncode == 0
    assert json.loads(out)["outcome"] == "passed"
    assert "LIVE" in states
