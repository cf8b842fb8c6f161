"""The review server under requests that no window sends: no error of its own, and it lives on.

Statuses: RFC 9110, section 15: 4xx the request is at fault, 5xx the server is.
"""

from __future__ import annotations

import json
import random
import re
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import review_server
import synthetic_runs as made
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from review_server import HOST, ORIGIN, PORT, Review

MANY = settings(
    max_examples=100, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
ROUTES = (
    "/", "/one", "/one/{}", "/step/{}/next", "/step/1/{}", "/wall/{}/shin", "/wall/tag_missing/{}",
    "/differences", "/crop/{}/wall.jpg", "/crop/1/{}.jpg", "/reader", "/blind", "/decide", "/undo",
    "/export", "/style.css", "/letter.js", "/icon.svg", "/{}",
)  # fmt: skip
ODD = (
    "1", "0", "-1", "999999999999999", "9" * 40, "1e3", "٣", "..", "../..",
    "..%2f..%2fetc%2fpasswd",
    "%2e%2e/%2e%2e/etc/passwd", "....//etc/passwd", "%00", "a%00b", "%ff%fe", "%ED%A0%80", "none",
    "shin", "' OR 1=1 --", "<script>", "{{7*7}}", "${x}", "%0d%0aSet-Cookie:%20a=b", "a" * 3000,
)  # fmt: skip
QUERIES = (
    "",
    "?kind=x&letter=shin",
    "?kind=tag_missing",
    "?letter=%ff",
    "?token=%ff",
    "?" + "&" * 500,
)
ANY = st.text(max_size=20) | st.text("\ud800\udfff\0\n\"'<>&%", max_size=8)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | ANY,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(ANY, inner, max_size=3),
    max_leaves=6,
)
ONE = {"reader": "anna", "items": [["1", "0"]]}
DECISION = st.fixed_dictionaries(
    {},
    optional={
        "reader": ANY | st.just("anna") | JSON, "choice": st.sampled_from(
            ("present", "other_letter", "taken_back")) | JSON,
        "items": st.lists(st.tuples(st.just("1"), st.sampled_from(("0", "1", 0))) | JSON) | JSON,
        "right_letter": st.sampled_from(("ש", "x")) | JSON, "note": ANY | JSON,
        "wall": st.booleans() | JSON,
    },
)  # fmt: skip


FILE = b'--a\r\nContent-Disposition: form-data; name="reader"; filename="x"\r\n\r\nz\r\n--a--\r\n'


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Review]:
    run = made.pictured(tmp_path_factory.mktemp("fuzz"), ["a"], letters=40)
    with review_server.review(run) as review:
        yield review


@pytest.fixture(scope="module")
def window(reviewed: Review) -> Any:
    # Its client raises whatever the application raises, so no exception passes for an answer.
    return reviewed.client()


def fine(answer: httpx.Response) -> None:
    assert answer.status_code < 500, answer.text
    assert "root:x:0:0" not in answer.text
    assert "Traceback" not in answer.text
    if answer.status_code >= 400 and answer.request.method != "HEAD":
        assert 0 < len(answer.text) < 400


@pytest.mark.parametrize("route", ROUTES)
def test_odd_addresses_and_methods(window: Any, route: str) -> None:
    for k, odd in enumerate(ODD if "{}" in route else ODD[:1]):
        for method in ("GET", "POST", "HEAD", "PUT", "DELETE", "OPTIONS", "TRACE", "BREW"):
            if "{}" not in route or method in ("GET", ("POST", "HEAD", "PUT")[k % 3]):
                place = route.format(odd) + QUERIES[k % len(QUERIES)]
                headers = ORIGIN | {"x-part": "letter"} if k % 2 else ORIGIN
                fine(window.request(method, place, headers=headers, follow_redirects=False))


@MANY
@given(st.sampled_from(("/decide", "/undo")), DECISION | JSON)
@example(
    "/decide", {"reader": "anna", "items": [["1", "0"]], "choice": "present", "note": "\ud800"}
)
@example("/decide", ONE | {"choice": "\ud800"})
@example("/undo", {"reader": "\ud800"})
def test_odd_decisions(window: Any, place: str, sent: Any) -> None:
    body = json.dumps(sent).encode()
    fine(window.post(place, content=body, headers=ORIGIN | {"content-type": "application/json"}))


@MANY
@given(
    st.sampled_from(("/reader", "/blind", "/decide", "/undo", "/export")), st.binary(max_size=60),
    st.sampled_from((
        "application/x-www-form-urlencoded", "application/json", "text/plain; charset=x", "",
        "multipart/form-data", "multipart/form-data; boundary=a", "multipart/form-data; boundary=",
    )),
)  # fmt: skip
@example("/reader", b"--a\r\n\r\n", "multipart/form-data; boundary=a")
@example("/reader", FILE, "multipart/form-data; boundary=a")
@example("/reader", b"reader=" + b"x=1&" * 2000, "application/x-www-form-urlencoded")
@example("/decide", b"[" * 100_000, "application/json")
def test_odd_bodies(reviewed: Review, place: str, body: bytes, kind: str) -> None:
    window = reviewed.client()
    answer = window.post(
        place, content=body, headers=ORIGIN | {"content-type": kind}, follow_redirects=False
    )
    fine(answer)


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "elsewhere.test"}, {"Host": ""}, {"Host": f"{HOST}.test"}, {"Origin": "null"},
        {"Origin": "http://elsewhere.test"}, {"Cookie": "\u00ff=\u00ff; =;;;"},
        {"Cookie": "a" * 9000},
        {"Cookie": f"crownlet_reader_{PORT}=%ff%00%0a"}, {"x-part": "letter"},
        {"Range": "bytes=-1"},
        {"Accept": "*" * 5000}, {"Content-Length": "-1"}, {"If-Modified-Since": "x"},
        {"Range": "bytes=9-1,0-,-5"}, {"Content-Type": "application/json; charset=\u00ff"},
    ],
)  # fmt: skip
def test_odd_headers(reviewed: Review, headers: dict[str, str]) -> None:
    window = reviewed.client()
    coded = {name: value.encode("latin-1") for name, value in headers.items()}
    for place in ("/", "/one", "/style.css", "/crop/1/wall.jpg"):
        answer = window.get(place, headers=coded)
        assert answer.status_code < 500, answer.text


def test_a_server_lives_on_after_bytes_that_are_no_request(tmp_path: Path) -> None:
    server = review_server.Server(made.pictured(tmp_path, ["a"], letters=8).folder)
    port = int(re.search(r":(\d+)", server.base)[1])  # type: ignore[index]
    rng = random.Random(7)
    whole = f"POST /decide HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Length: 5\r\n\r\nhello"
    try:
        for number in range(150):
            data = bytearray(whole.encode())
            for _ in range(rng.choice((1, 3, 20))):
                data[rng.randrange(len(data))] = rng.randrange(256)
            data = bytearray(rng.randbytes(300)) if number % 10 == 0 else data
            huge = b"GET / HTTP/1.1\r\nX: " + b"a" * 200_000
            with socket.create_connection(("127.0.0.1", port), 60) as connection:
                connection.settimeout(0.05)
                try:
                    connection.sendall(huge if number % 50 == 49 else bytes(data))
                    answer = connection.recv(4096)
                except OSError:
                    continue
                assert not re.match(rb"HTTP/1\.\d 5", answer), (number, answer)
        with httpx.Client(base_url=server.base, follow_redirects=True, timeout=60) as client:
            assert client.get(server.address).status_code == 200
            body = (b"x" * 65536 for _ in range(40))
            try:
                answer = client.post("/decide", content=body, headers={"Origin": server.base})
                assert answer.status_code == 413
            except httpx.TransportError:
                pass  # Hung up on while still sending.
            assert client.get("/").status_code == 200
    finally:
        server.kill()
    assert server.process.stderr is not None
    assert "Traceback" not in server.process.stderr.read()
