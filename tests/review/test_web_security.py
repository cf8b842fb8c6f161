"""Nobody but the window opened with the printed address gets anything from the review page.

Sources: cookies HttpOnly and SameSite, no-store and the headers, OWASP Session Management and HTTP
Headers cheat sheets; Host and Origin checks against DNS rebinding and forged requests, OWASP CSRF
Prevention cheat sheet; all from memory.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import review_server
import synthetic_runs as made
from review_server import HOST, ORIGIN, PORT, TOKEN, Review

from crownlet.infer.review.web.security import MAX_BODY_BYTES

SECRET = "root:x:0:0"


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Review]:
    run = made.pictured(tmp_path_factory.mktemp("guard"), ["a", "b"])
    with review_server.review(run) as review:
        yield review


PLACES = ("/", "/one", "/wall/tag_missing/shin", "/crop/1/wall.jpg", "/style.css", "/differences")


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("token", ["", "?token=", "?token=wrong", "?token=" + TOKEN[:-1]])
def test_without_the_token_nothing_is_given(reviewed: Review, place: str, token: str) -> None:
    answer = reviewed.client(entered=False).get(place + token)
    assert answer.status_code == 403
    assert "opens only from the address" in answer.text
    assert not answer.cookies


def test_the_token_opens_once_and_leaves_the_address(reviewed: Review) -> None:
    window, token = reviewed.client(entered=False), reviewed.app.token
    answer = window.get(f"/?token={token}", follow_redirects=False)
    assert answer.status_code == 200 and 'content="0; url=/"' in answer.text
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie
    assert token.lower() not in cookie and token not in answer.text
    assert window.get("/").status_code == 200
    # The same address again: for this browser the page, for another nothing.
    again = window.get(f"/?token={token}", follow_redirects=False)
    assert (again.status_code, again.headers["location"]) == (303, "/")
    assert reviewed.client(entered=False).get(f"/?token={token}").status_code == 403
    assert reviewed.client(entered=False).get(f"/?token={reviewed.app.token}").status_code == 200


@pytest.mark.parametrize(
    "other",
    ['{"theme": "dark"}', "x[1]=2", "a b=c d", "näme=ü", '"', "theme={'a': 1, 'b': [2]}", "=;=;;"],
)
def test_cookies_of_other_programs_do_not_lock_the_reader_out(reviewed: Review, other: str) -> None:
    """Forms that browsers send though RFC 6265 allows them to no server."""
    window = reviewed.client()
    name, ours = next(iter(window.cookies.items()))
    for both in (f"{other}; {name}={ours}", f"{name}={ours}; {other}"):
        stranger = reviewed.client(entered=False)
        headers = {"Cookie": both.encode("utf-8")}
        assert stranger.get("/", headers=headers).status_code == 200


def test_one_letter_is_decided_once_a_request(
    reviewed: Review, relative_time: Callable[..., float]
) -> None:
    window, before = reviewed.client(), len(reviewed.store.decisions())
    item = reviewed.store.next_open("anna")
    assert item is not None

    def decide_twice() -> None:
        for items in ([[item.id, item.version]] * 80_000, [[item.id, 0], [item.id, 1]]):
            data = {"reader": "anna", "items": items, "choice": "present", "wall": True}
            answer = window.post("/decide", json=data, headers=ORIGIN)
            assert answer.status_code in (400, 413) and "at" not in answer.cookies

    # Measured 4; 80,000 decisions looked up, each some 0.1 ms, would be a hundred and more.
    assert relative_time(decide_twice) < 40
    twice = '{"reader": "anna", "reader": "ben", "items": [[1, 0]], "choice": "present"}'
    headers = {**ORIGIN, "Content-Type": "application/json"}
    assert window.post("/decide", content=twice, headers=headers).status_code == 400
    assert len(reviewed.store.decisions()) == before


def test_the_token_opens_the_beginning_only(reviewed: Review) -> None:
    assert reviewed.client(entered=False).get(f"/one?token={reviewed.app.token}").status_code == 403


def test_a_cookie_of_another_making_does_not_open(reviewed: Review) -> None:
    window = reviewed.client(entered=False)
    for value in ("", "x", TOKEN, "a" * 43, '"; $Path=/'):
        answer = window.get("/", headers={"Cookie": f"crownlet_{PORT}={value}"})
        assert answer.status_code == 403


@pytest.mark.parametrize(
    "host",
    ["evil.example", f"evil.example:{PORT}", "127.0.0.1", f"127.0.0.1:{PORT + 1}", f"[::1]:{PORT}",
     f"{HOST}.evil.example", f"{HOST}@evil.example", ""],
)  # fmt: skip
def test_another_host_is_refused_even_with_the_cookie(reviewed: Review, host: str) -> None:
    window = reviewed.client()
    assert window.get("/", headers={"Host": host}).status_code == 403
    assert window.get(f"/?token={reviewed.app.token}", headers={"Host": host}).status_code == 403
    assert window.get("/", headers={"Host": f"localhost:{PORT}"}).status_code == 200


@pytest.mark.parametrize("origin", [None, "null", "http://evil.example", f"https://{HOST}", ""])
@pytest.mark.parametrize("place", ["/decide", "/undo", "/reader", "/blind", "/export"])
def test_a_foreign_origin_changes_nothing(reviewed: Review, place: str, origin: str | None) -> None:
    window = reviewed.client()
    before = len(reviewed.store.decisions())
    headers = {} if origin is None else {"Origin": origin}
    item = reviewed.store.next_open("anna")
    assert item is not None
    data = {"reader": "anna", "items": [[item.id, item.version]], "choice": "present"}
    assert window.post(place, json=data, headers=headers).status_code == 403
    assert len(reviewed.store.decisions()) == before


@pytest.mark.parametrize(
    "place",
    ["/../../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/crop/..%2f..%2fetc%2fpasswd/line.jpg",
     "/crop/1/..%2f..%2fpage.json.jpg", "/crop/1/%2fetc%2fpasswd.jpg", "/style.css/../app.py",
     "/app.py", "/review.sqlite3", "/a/page.json", "/wall/..%2f..%2fetc/shin",
     "/wall/tag_missing/..%2fetc%2fpasswd", "/one/..%2f..%2fetc%2fpasswd", "/one/1%00",
     "/step/1/..%2fx", "/one/-1", "/one/9e9", "/one/" + "9" * 400, "/one/٣",
     "/crop/99999/wall.jpg"],
)  # fmt: skip
def test_paths_lead_nowhere(reviewed: Review, place: str) -> None:
    answer = reviewed.client().get(place)
    assert answer.status_code in (400, 404) or "/step/1/" in place
    assert SECRET not in answer.text and "sqlite" not in answer.text.lower()


@pytest.mark.parametrize("method", ["GET", "PUT", "DELETE", "PATCH"])
@pytest.mark.parametrize("place", ["/decide", "/undo", "/export"])
def test_a_wrong_method_is_refused(reviewed: Review, place: str, method: str) -> None:
    answer = reviewed.client().request(method, place, headers=ORIGIN)
    assert answer.status_code == 405
    assert "not used in this way" in answer.text


def test_a_huge_body_is_refused_however_it_comes(reviewed: Review) -> None:
    window = reviewed.client()
    whole = b"x" * (MAX_BODY_BYTES + 1)
    assert window.post("/decide", content=whole, headers=ORIGIN).status_code == 413

    def drops() -> Iterator[bytes]:
        for _ in range(30):
            yield b"y" * 50_000

    assert window.post("/decide", content=drops(), headers=ORIGIN).status_code == 413


def test_nothing_is_kept_by_the_browser_and_nothing_foreign_is_loaded(reviewed: Review) -> None:
    window = reviewed.client()
    kind = reviewed.store.groups("anna")[0]
    from crownlet.infer.review.web.requests import letter_slug

    for place in ("/", "/one", f"/wall/{kind.kind}/{letter_slug(kind.letter)}", "/differences"):
        answer = window.get(place)
        assert answer.status_code == 200
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["x-content-type-options"] == "nosniff"
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy and "http" not in policy
        # What the policy would block must not be there: no inline script, style or handler.
        assert not re.search(r"<style|<script(?![^>]*\ssrc=)|\sstyle=|\son[a-z]+=", answer.text)
        assert all(
            address.startswith(("/", "#"))
            for address in re.findall(r'(?:src|href|action)="([^"]*)"', answer.text)
        )


def test_scripts_load_only_each_other(reviewed: Review) -> None:
    window = reviewed.client()
    folder = Path(__file__).resolve().parents[2] / "infer" / "review"
    for path in folder.glob("*.js"):
        answer = window.get(f"/{path.name}")
        assert answer.headers["content-type"].startswith("text/javascript")
        assert set(re.findall(r'from "([^"]+)"', answer.text)) <= {
            f"./{other.name}" for other in folder.glob("*.js")
        }
        assert not re.search(r"https?:|import\(|eval\(", answer.text)


def test_switching_blindness_does_not_lead_out(reviewed: Review) -> None:
    window = reviewed.client()
    for back in ("//evil.example", "http://evil.example", "/\\evil.example", "javascript:x", ""):
        answer = window.post(
            "/blind", data={"blind": "1", "back": back}, headers=ORIGIN, follow_redirects=False
        )
        assert answer.headers["location"] == "/"


def test_a_name_is_text_and_no_markup(reviewed: Review) -> None:
    name = "<b onclick=x>Ann & Co</b>"
    page = reviewed.client(reader=name).get("/").text
    assert "&lt;b onclick=x&gt;Ann &amp; Co&lt;/b&gt;" in page
    assert name not in page


@pytest.mark.parametrize("name", ["", " ", "x" * 61, "a\x00b", "a\u202eb"])
def test_a_name_that_is_none_is_refused(reviewed: Review, name: str) -> None:
    answer = reviewed.client().post("/reader", data={"reader": name}, headers=ORIGIN)
    assert answer.status_code == 400


BODIES = (
    b"", b"{", b"[]", b"null", b"5", b"[" * 100_000, b'{"reader": "anna"}', b"\xff\xfe",
    b'{"reader": 5, "items": [[1, 0]], "choice": "present"}',
    b'{"reader": "anna", "items": [], "choice": "present"}',
    b'{"reader": "anna", "items": [[1]], "choice": "present"}',
    b'{"reader": "anna", "items": [["1; DROP", 0]], "choice": "present"}',
    b'{"reader": "anna", "items": [[1, -1]], "choice": "present"}',
    b'{"reader": "anna", "items": {"1": 0}, "choice": "present"}',
    b'{"reader": "anna", "items": [[1, 0]], "choice": "perhaps"}',
    b'{"reader": "anna", "items": [[1, 0]], "choice": ["present"]}',
    b'{"reader": "anna", "items": [[1, 0]], "choice": "other_letter"}',
    b'{"reader": "anna", "items": [[1, 0]], "choice": "other_letter", "right_letter": "x"}',
    b'{"reader": "anna", "items": [[1, 0]], "choice": "present", "right_letter": 5}',
    b'{"reader": "anna", "items": [[1, 0]], "choice": "present", "note": {}}',
    b'{"reader": "anna", "items": [[99999, 0]], "choice": "present"}',
    b'{"reader": "anna", "items": [[1, 0]], "choice": "present", "note": "' + b"n" * 2001 + b'"}',
)  # fmt: skip


@pytest.mark.parametrize("body", BODIES)
def test_nonsense_is_answered_with_a_sentence(reviewed: Review, body: bytes) -> None:
    before = len(reviewed.store.decisions())
    headers = {**ORIGIN, "Content-Type": "application/json"}
    answer = reviewed.client().post("/decide", content=body, headers=headers)
    assert answer.status_code in (400, 404)
    assert answer.json()["error"].endswith(".")
    assert len(reviewed.store.decisions()) == before
