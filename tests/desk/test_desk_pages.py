"""The desk from dropping pictures to sheets and review: in a real browser, and asked directly.

The guard is that of the review (tests/review/test_web_security.py); what the desk adds to it is
checked here.
"""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import tiny
from drive_stack import give, served
from playwright.sync_api import Browser, Page, expect
from starlette.testclient import TestClient

from crownlet.infer.desk.desk import Desk
from crownlet.infer.desk.stack import Stack
from crownlet.infer.desk.web import actions
from crownlet.infer.desk.web.app import create_desk_app

pytest_plugins = ("browser_fixtures",)

PORT, TOKEN = 8124, "a-token-of-the-test"
ORIGIN = {"Origin": f"http://127.0.0.1:{PORT}"}


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = Desk(Stack.open(tmp_path / "stack"))
    yield made
    made.close()


@pytest.fixture
def window(desk: Desk) -> TestClient:
    app = create_desk_app(desk, TOKEN, PORT)
    client = TestClient(app, base_url=f"http://127.0.0.1:{PORT}")  # type: ignore[arg-type]
    assert client.get(f"/?token={TOKEN}").status_code == 200
    return client


def send(window: TestClient, name: str, data: bytes = b"") -> dict[str, str]:
    answer = window.post("/pictures", params={"name": name}, content=data, headers=ORIGIN)
    assert answer.status_code == 200, answer.text
    found: dict[str, str] = answer.json()
    return found


def test_nothing_is_given_or_taken_without_the_token(desk: Desk) -> None:
    app = create_desk_app(desk, TOKEN, PORT)
    stranger = TestClient(app, base_url=f"http://127.0.0.1:{PORT}")  # type: ignore[arg-type]
    for path in ("/", "/parts", "/small", "/review", "/sheets/index.html"):
        assert stranger.get(path).status_code == 403
    answer = stranger.post("/pictures?name=a.png", content=b"x", headers=ORIGIN)
    assert answer.status_code == 403
    foreign = {"Origin": "http://elsewhere.example"}
    assert stranger.post("/pictures?name=a.png", content=b"x", headers=foreign).status_code == 403
    assert not list(desk.stack.scans.iterdir())


def test_files_come_whole_or_not_at_all(
    window: TestClient, desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = tiny.pages(tmp_path / "p", 1)[0].read_bytes()
    assert send(window, "one.png", data)["kept_as"] == "one.png"
    assert send(window, "one.png", data)["kept_as"] == "one-2.png"
    assert (desk.stack.scans / "one.png").read_bytes() == data
    assert "table" in send(window, "list.csv")["unread"]
    assert send(window, "empty.png")["unread"] == "empty"
    monkeypatch.setattr(actions, "MAX_PICTURE_BYTES", 1000)
    assert "larger" in send(window, "big.png", data)["unread"]
    assert sorted(path.name for path in desk.stack.scans.iterdir()) == ["one-2.png", "one.png"]


def test_a_large_picture_passes_where_other_bodies_are_refused(
    window: TestClient, desk: Desk
) -> None:
    data = bytes(3_000_000)
    assert send(window, "large.png", data)["kept_as"] == "large.png"
    assert window.post("/choices", content=data, headers=ORIGIN).status_code == 413


def test_wrong_requests_are_sentences(window: TestClient) -> None:
    for path, data in (
        ("/place", {"key": "none", "scroll": "a", "side": ""}),
        ("/choices", {"portion": "none such"}),
        ("/choices", {"portion": "auto", "customs": "../../x"}),
        ("/begin", {}),
    ):  # fmt: skip
        answer = window.post(path, json=data, headers=ORIGIN)
        assert 400 <= answer.status_code < 500
        assert answer.json()["error"].endswith((".", ")", "file", "line"))
    assert window.get("/small?key=../desk/stack.json").status_code == 404
    assert window.get("/review").status_code == 404
    assert window.get("/sheets/index.html").status_code == 404


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    faults: list[str] = []
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    context.set_default_timeout(60_000)
    window = context.new_page()
    window.on("pageerror", lambda error: faults.append(str(error)))
    window.on("console", lambda line: faults.append(line.text) if line.type == "error" else None)
    yield window
    context.close()
    # After a kill the browser reports requests that nobody answers.
    assert [fault for fault in faults if "Failed to load resource" not in fault] == []


def width(page: Page) -> int:
    found: int = page.evaluate("document.documentElement.scrollWidth")
    return found


def test_from_dropping_to_sheets_and_review_and_on_after_a_kill(page: Page, tmp_path: Path) -> None:
    scans = tiny.pages(tmp_path / "given", 2)
    (tmp_path / "given" / "notes.txt").write_text("no picture")
    folder = tmp_path / "stack"
    with served(folder) as (address, process):
        page.goto(address)
        give(page, [*scans, tmp_path / "given" / "notes.txt"])
        expect(page.locator("#refused li")).to_contain_text("notes.txt is not read: a text")
        expect(page.locator(".picture:is(.good, .partly)")).to_have_count(2)
        # By its letters each is a reverse, whatever the name of the file says.
        expect(page.locator("[name=side]").first).to_have_value("reverse")
        page.locator("[name=scroll]").first.fill("Upper shelf")
        page.locator("[name=scroll]").first.press("Tab")
        expect(page.locator("#status")).to_have_text("Kept.")
        page.get_by_text("Mezuzot", exact=True).click()
        page.locator("[data-do=begin]").click()
        expect(page.locator(".scrolls tbody tr")).to_have_count(2, timeout=90_000)
        expect(page.locator(".scrolls")).to_contain_text("Upper shelf")
        process.send_signal(signal.SIGKILL)
        process.wait(60)
    with served(folder) as (address, _):
        page.goto(address)
        expect(page.locator(".scrolls")).to_contain_text("Upper shelf")
        expect(page.locator("[name=portion]:checked")).to_have_value("mezuzah")
        with page.expect_popup() as opened:
            page.get_by_role("link", name="Upper shelf").click()
        sheet = opened.value
        expect(sheet.locator("h1")).to_have_text("Upper shelf")
        # The sheet's own pictures are shown under its content policy.
        assert sheet.evaluate("[...document.images].every(i => i.naturalWidth)")
        sheet.close()
        page.set_viewport_size({"width": 390, "height": 844})
        assert width(page) <= 390
        page.get_by_role("link", name=re.compile("Review letter")).click()
        expect(page.locator("#reader")).to_be_focused()
        page.keyboard.type("anna")
        page.keyboard.press("Enter")
        expect(page.locator("header .who b")).to_have_text("anna")
        page.get_by_role("link", name="Stack").click()
        expect(page.locator("#pictures-title")).to_be_visible()


def test_a_second_desk_on_one_stack_is_refused_with_a_sentence(tmp_path: Path) -> None:
    with served(tmp_path) as _:
        command = [
            sys.executable,
            "-m",
            "crownlet.infer.cli",
            "open",
            str(tmp_path),
            "--no-browser",
        ]
        # One that waits for the first would wait for ever: this is room for a slow machine.
        other = subprocess.run(command, capture_output=True, text=True, timeout=600, check=False)
    assert other.returncode == 2
    assert "crownlet open" in other.stderr and "Traceback" not in other.stderr
