"""The server of the review page as a whole: connections that dawdle, large bodies, quick answers.

That an answer waits 40 ms for the acknowledgement of the one before, unless TCP_NODELAY is set, is
Nagle's algorithm against delayed acknowledgements (RFC 896, RFC 1122 section 4.2.3.2). The other
limits are this project's decisions.
"""

from __future__ import annotations

import os
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest
import synthetic_runs as made
from review_server import Server

from crownlet.infer.review.web import connections
from crownlet.infer.review.web.app import bind_socket
from crownlet.infer.review.web.entrance import EntranceFile


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    run = made.pictured(tmp_path_factory.mktemp("served"), ["a"], letters=30)
    served = Server(run.folder)
    yield served
    served.kill()


def connect(server: Server) -> socket.socket:
    return socket.create_connection(("127.0.0.1", urlsplit(server.base).port or 0), 60)


def test_answers_are_sent_at_once() -> None:
    listening = bind_socket(0)
    listening.listen()
    # asyncio sets TCP_NODELAY on sockets whose protocol is named (base_events._set_nodelay).
    assert listening.proto == socket.IPPROTO_TCP
    listening.close()


def test_a_small_answer_takes_no_40_ms(server: Server) -> None:
    """What a server waits for that does not send at once: a delayed acknowledgement (RFC 1122,
    4.2.3.2; 40 ms on Linux). A connection of its own, which is closed at once, waits for none, and
    takes longer than one kept open on any machine. A server that waits does so in every round; one
    round without it is enough, since other work of the machine delays answers, too."""
    rounds = []
    with httpx.Client(base_url=server.base, timeout=60) as window:
        window.get(server.address)
        window.get("/icon.svg")
        for _ in range(10):
            kept, fresh = [], []
            for _ in range(20):
                kept.append(seconds_of_icon(window))
                with httpx.Client(base_url=server.base, cookies=window.cookies, timeout=60) as one:
                    fresh.append(seconds_of_icon(one))
            rounds.append((sorted(kept)[4], max(0.03, sorted(fresh)[4])))
            if rounds[-1][0] < rounds[-1][1]:
                return
    pytest.fail(f"an answer waits: {rounds}")


def seconds_of_icon(window: httpx.Client) -> float:
    start = time.perf_counter()
    assert window.get("/icon.svg").status_code == 200
    return time.perf_counter() - start


def test_requests_that_never_end_are_closed(server: Server) -> None:
    host = urlsplit(server.base).netloc
    begun = (
        b"", b"GET / HT", f"GET / HTTP/1.1\r\nHost: {host}\r\n".encode(),
        f"POST /decide HTTP/1.1\r\nHost: {host}\r\nContent-Length: 900\r\n\r\nhalf".encode(),
        f"GET /no HTTP/1.1\r\nHost: {host}\r\n\r\nGET / HT".encode(),
    )  # fmt: skip
    opened = [connect(server) for _ in begun for _ in range(3)]
    try:
        for number, connection in enumerate(opened):
            connection.sendall(begun[number // 3])
        # Left open, they would be so for ever: a minute is room for a slow machine.
        end = time.monotonic() + connections.ARRIVAL_SECONDS + 60
        for connection in opened:
            connection.settimeout(max(0.1, end - time.monotonic()))
            try:
                while connection.recv(65536):
                    pass
            except ConnectionError:
                pass
    finally:
        for connection in opened:
            connection.close()


@pytest.mark.parametrize("entered", [True, False])
def test_a_large_body_is_not_read_to_its_end(server: Server, entered: bool) -> None:
    host = urlsplit(server.base).netloc
    head = f"POST /decide HTTP/1.1\r\nHost: {host}\r\nOrigin: {server.base}\r\n"
    if entered:
        with httpx.Client(base_url=server.base, timeout=60) as window:
            window.get(server.address)
            name, value = next(iter(window.cookies.items()))
            head += f"Cookie: {name}={value}\r\n"
    head += "Transfer-Encoding: chunked\r\n\r\n"
    chunk = b"10000\r\n" + b"x" * 65_536 + b"\r\n"
    sent = 0
    with connect(server) as connection:
        connection.sendall(head.encode())
        try:
            while sent < 130_000_000:
                connection.sendall(chunk)
                sent += len(chunk)
        except ConnectionError:
            pass
    assert sent < 100_000_000  # What the buffers of a connection hold, and no more.


def test_the_address_goes_to_the_browser_in_a_file_of_its_owner(tmp_path: Path) -> None:
    entrance = EntranceFile(tmp_path)
    address = entrance.write("http://127.0.0.1:1/?token=secret")
    [path] = tmp_path.iterdir()
    assert "secret" not in address and address == path.as_uri()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert "url=http://127.0.0.1:1/?token=secret" in path.read_text()
    entrance.remove()
    assert not list(tmp_path.iterdir())


def test_no_argument_of_a_process_holds_the_token(tmp_path: Path) -> None:
    """With a browser that writes its arguments down."""
    run = made.pictured(tmp_path, ["a"], letters=8).folder
    browser, seen = tmp_path / "browser", tmp_path / "seen"
    browser.write_text(
        f'#!/bin/sh\necho "$@" > {seen}\ncat "${{1#file://}}" > {seen}.draft\n'
        f"mv {seen}.draft {seen}.page\n"  # Whole as soon as it is there.
    )
    browser.chmod(0o755)
    process = subprocess.Popen(
        [sys.executable, "-m", "crownlet.infer.cli", "review", str(run), "--open"],
        stdout=subprocess.PIPE, text=True, env={**os.environ, "BROWSER": str(browser)},
    )  # fmt: skip
    try:
        end = time.monotonic() + 300  # a slow machine starts slowly
        while time.monotonic() < end and not Path(f"{seen}.page").exists():
            time.sleep(0.05)
        assert "token" not in seen.read_text()
        assert "?token=" in Path(f"{seen}.page").read_text()
        [left] = run.glob(".crownlet-*.html")
        page = left.read_text()
        with httpx.Client(timeout=60) as window:
            address = page.partition("url=")[2].partition('"')[0]
            assert window.get(address).status_code == 200
        assert not left.exists()
    finally:
        process.kill()
        process.communicate()
