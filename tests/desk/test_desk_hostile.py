"""Two desks on one stack, two uploads of one name, and bodies that no window sends.

Statuses: RFC 9110, section 15: 4xx the request is at fault, 5xx the server is. The rest are this
project's decisions, with no outside source.
"""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import tiny
from starlette.testclient import TestClient

from crownlet.infer.desk.desk import Desk
from crownlet.infer.desk.stack import Choices, Stack
from crownlet.infer.desk.web import app as desk_app

TOKEN, PORT = "t" * 20, 8765
HEADERS = {"Origin": f"http://127.0.0.1:{PORT}", "Content-Type": "application/json"}
DEEP = 100_000
VALUES: tuple[Any, ...] = (
    None, True, 0, -1, 10**400, "", "x", "\x00", "\ud800", "\u202ea", "a" * 5_000, "/dev/zero",
    "../../etc/passwd", [], {}, ["a"], {"a": ["b"]}, {"style": 5}, {"style": "\ud800"}, "NaN",
)  # fmt: skip


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    tiny.pages(tmp_path / "stack" / "scans", 1)
    desk = Desk(Stack.open(tmp_path / "stack"))
    yield desk
    desk.close()


@pytest.fixture
def window(desk: Desk) -> TestClient:
    # Its client raises whatever the application raises, so no exception passes for an answer.
    app = desk_app.create_desk_app(desk, TOKEN, PORT)
    client = TestClient(app, base_url=f"http://127.0.0.1:{PORT}")  # type: ignore[arg-type]
    assert client.get(f"/?token={TOKEN}").status_code == 200
    return client


def bodies(desk: Desk) -> Iterator[tuple[str, bytes]]:
    """Addresses, and what is sent there."""
    raw = (
        b"", b"[]", b"{", b"\xff\xfe", b"[" * DEEP, b'{"a":' * DEEP, b"null", b'{"key": 1e999}',
        b'{"portion": NaN}', b'{"key": ' + b"9" * 5_000 + b"}",
    )  # fmt: skip
    [key] = desk.stack.pictures
    for path in ("/place", "/choices"):
        for body in raw:
            yield path, body
    for value in VALUES:
        for name in ("key", "scroll", "side", "left_out"):
            sent = {"key": key, "scroll": "S", "side": "face", "left_out": False, name: value}
            yield "/place", json.dumps(sent).encode()
        for name in ("portion", "customs", "settings"):
            sent = {"portion": "auto", "customs": "arizal", "settings": {}, name: value}
            yield "/choices", json.dumps(sent).encode()


def test_hostile_bodies_get_one_sentence_each_and_change_nothing_else(
    window: TestClient, desk: Desk
) -> None:
    refused = 0
    for path, body in bodies(desk):
        answer = window.post(path, content=body, headers=HEADERS)
        assert answer.status_code < 500, (path, body[:80], answer.text[:300])
        if answer.status_code != 200:
            refused += 1
            sentence = answer.json()["error"]
            assert len(sentence.splitlines()) == 1 and len(sentence) < 600, sentence
        # What was answered is on disk, and the page shows it.
        assert Stack.open(desk.stack.folder).choices == desk.stack.choices
        assert window.get("/").status_code == 200
    assert refused > 60


def test_two_files_of_one_name_that_come_at_once_are_both_kept(desk: Desk) -> None:
    first, second = (desk.stack.new_path("a.png") for _ in range(2))
    assert (first.name, second.name) == ("a.png", "a-2.png")
    desk.stack.release_path(first)
    assert desk.stack.new_path("a.png") == first


def test_a_desk_that_waited_for_another_has_what_that_one_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tiny.pages(tmp_path / "scans", 1)
    early, late = Stack.open(tmp_path), Stack.open(tmp_path)
    [key] = early.pictures
    early.choose(Choices("mezuzah", "arizal"))
    early.name_picture(key, "Renamed", "reverse", False)
    monkeypatch.setattr(desk_app, "run_server", lambda *_: None)
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        desk_app.serve_desk(Desk(late), listening, "", lambda _: None, lambda _: None)
    assert late.choices == Choices("mezuzah", "arizal")
    assert late.pictures[key].place.scroll == "Renamed"
