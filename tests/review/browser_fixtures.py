"""Fixtures that drive the review page with Debian's Chromium, by Playwright."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
import review_server
from playwright.sync_api import Browser, Page, expect, sync_playwright
from review_server import Server

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
PAGES, LETTERS = 8, 65
MAX_SCREENS = 400
"""Screens of one wall that are gone through at most."""
WALL = "/wall/leg_touches_roof/he"

NEXT_FRAME = """() => new Promise(done => requestAnimationFrame(
    () => requestAnimationFrame(() => setTimeout(done))))"""
"""Waits until what is on the screen was counted as shown: an IntersectionObserver is asked once a
frame, after requestAnimationFrame (HTML standard, "update the rendering")."""

expect.set_options(timeout=60_000)  # Not 5 s, in which a slow machine has not answered.


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if CHROMIUM is None:
        if os.environ.get("CI"):
            pytest.fail("No Chromium is installed, and under CI the browser tests must run.")
        pytest.skip("No Chromium is installed (Debian: apt-get install chromium).")
    arguments = ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=arguments)
        yield chromium
        chromium.close()


@pytest.fixture(scope="session")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """520 letters of one form and one doubt on eight pages."""
    folder = tmp_path_factory.mktemp("walls")
    return review_server.wall_run(folder, PAGES, LETTERS, scan=3).folder


@pytest.fixture(scope="session")
def server(run: Path) -> Iterator[Server]:
    served = Server(run, "--audit", "0")
    yield served
    served.kill()


@pytest.fixture
def page(browser: Browser, server: Server, reader: str) -> Iterator[Page]:
    """A window opened with the address by a reader of its own; its console must stay quiet."""
    faults: list[str] = []
    context = browser.new_context(viewport={"width": 1280, "height": 860}, base_url=server.base)
    context.set_default_timeout(60_000)
    window = context.new_page()
    window.on("pageerror", lambda error: faults.append(str(error)))
    window.on("console", lambda line: faults.append(line.text) if line.type == "error" else None)
    enter(window, server, reader)
    yield window
    context.close()
    # What the server refuses on purpose, the browser reports as a resource.
    assert [fault for fault in faults if "Failed to load resource" not in fault] == []


@pytest.fixture
def reader(request: pytest.FixtureRequest) -> str:
    return str(request.node.name)[:60]


def enter(window: Page, server: Server, reader: str) -> None:
    """Open the address and give a name by keyboard; the field has the focus."""
    window.goto(server.address)
    expect(window.locator("#reader")).to_be_focused()
    window.keyboard.type(reader)
    window.keyboard.press("Enter")
    expect(window.locator("header .who b")).to_have_text(reader)


def kept(run: Path, reader: str) -> list[tuple[int, str]]:
    """Items and choices in the order in which they were made, read from the file directly."""
    database = sqlite3.connect(f"file:{run / 'review.sqlite3'}?mode=ro", uri=True)
    rows = database.execute(
        "SELECT item, choice FROM decisions WHERE reader = ? ORDER BY id", (reader,)
    ).fetchall()
    database.close()
    return rows


def press(page: Page, *keys: str) -> None:
    """Press keys, each after the server has answered the one before."""
    for key in keys:
        page.keyboard.press(key)
        expect(page.locator("main")).not_to_have_attribute("aria-busy", "true")


def number(page: Page) -> int:
    return int(page.locator("article").get_attribute("data-id") or 0)


def look_at_all(page: Page) -> None:
    """Bring every crop to the screen, with its picture."""
    last = -1
    for _ in range(MAX_SCREENS):
        shown = "[...document.querySelectorAll('.cell')].filter(c => { const r = "
        shown += "c.getBoundingClientRect(); return r.top < innerHeight && r.bottom > 0; })"
        ready = f"() => {shown}.every(c => c.firstElementChild.complete)"
        for _ in range(3000):
            if page.evaluate(ready):
                break
            page.wait_for_timeout(20)
        page.evaluate(NEXT_FRAME)
        at = int(page.evaluate("scrollY"))
        if at == last:
            return
        last = at
        page.evaluate("scrollBy(0, innerHeight - 320)")
