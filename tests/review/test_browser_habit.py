"""What is asked once of a hand in a real browser: keys and mouse, desktop and phone width."""

from __future__ import annotations

import re
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
import synthetic_runs as made
from browser_fixtures import enter, kept, look_at_all, press
from playwright.sync_api import Browser, Page, expect
from review_server import Server

pytest_plugins = ("browser_fixtures",)

LETTERS = made.HABIT_SEEN + made.HABIT_DOUBTED + made.HABIT_EXCEPTIONS


@pytest.fixture(scope="module")
def hands(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hands")
    return made.habit_run(folder / "run", ["a", "b", "c"], scan=3).folder


@pytest.fixture(scope="module")
def served(hands: Path) -> Iterator[Server]:
    server = Server(hands, "--audit", "0")
    yield server
    server.kill()


@pytest.fixture
def reader(request: pytest.FixtureRequest) -> str:
    """A reader for each test and width."""
    return str(request.node.name)[-50:]


@pytest.fixture(params=[(1280, 860), (390, 844)], ids=["desktop", "phone"])
def window(
    browser: Browser, served: Server, request: pytest.FixtureRequest, reader: str
) -> Iterator[Page]:
    wide, high = request.param
    context = browser.new_context(viewport={"width": wide, "height": high}, base_url=served.base)
    context.set_default_timeout(60_000)
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    enter(page, served, reader)
    yield page
    context.close()
    assert faults == []


def test_a_hand_is_answered_whole_by_keys_and_exceptions_by_click(
    window: Page, hands: Path, reader: str
) -> None:
    expect(window.locator(".habits li")).to_have_count(3)
    window.get_by_role("link", name="Begin with the hands").click()
    expect(window.locator("h1")).to_contain_text("On these 57 hes")
    cells = window.locator(".cell")
    expect(cells).to_have_count(LETTERS)
    # Bare until asked: no mark is drawn, on the picture or over it.
    expect(window.locator(".cell:focus")).to_have_count(1)
    assert "/wall.jpg" in str(cells.first.locator("img").get_attribute("src"))
    assert window.evaluate("document.documentElement.scrollWidth <= innerWidth")
    look_at_all(window)
    cells.nth(2).click()
    expect(cells.nth(2)).to_have_attribute("aria-pressed", "true")
    press(window, "ArrowLeft", "x")
    expect(cells.nth(3)).to_have_attribute("aria-pressed", "true")
    press(window, "x")
    window.keyboard.press("h")
    expect(cells.first.locator("img")).to_have_attribute("src", re.compile("marked|large"))
    window.keyboard.press("h")
    start = time.perf_counter()
    window.keyboard.press("1")
    expect(window.locator("#status")).to_have_text("Saved for 65 letters: 61 have it, 4 do not.")
    print(f"a group of {LETTERS} answered in {1000 * (time.perf_counter() - start):.0f} ms")
    choices = Counter(choice for _, choice in kept(hands, reader))
    assert choices == {"present": 61 + 1, "not_present": 4}  # With the statement.
    expect(window.locator("#open")).to_have_text("0")
    press(window, "u")
    expect(window.locator("#status")).to_contain_text(f"Taken back {LETTERS + 1} times")
    expect(window.locator("#open")).to_have_text(str(LETTERS))
    window.get_by_role("button", name="no: none of them").click()
    expect(window.locator("#status")).to_have_text("Saved for 65 letters: 65 do not.")
    # On to the next hand, and after the last to the beginning.
    for _ in range(2):
        window.keyboard.press("g")
        expect(window.locator("#open")).to_have_text(str(LETTERS))
        # What was not on the screen, with its picture, stays open.
        for _ in range(3):
            look_at_all(window)
            press(window, "1")
        expect(window.locator("#open")).to_have_text("0")
    window.keyboard.press("g")
    expect(window.locator(".progress")).to_contain_text("3 of 3 decided")


def test_crops_are_as_large_as_the_window_allows(window: Page) -> None:
    window.goto(str(window.locator(".habits a").first.get_attribute("href")))
    expect(window.locator(".cell:focus")).to_have_count(1)
    cell = window.locator(".cell").first
    before = cell.bounding_box()
    window.keyboard.press("+")
    window.keyboard.press("+")
    expect(cell.locator("img")).to_have_attribute("src", re.compile("wall|large"))
    after = cell.bounding_box()
    assert before and after and after["width"] > 1.3 * before["width"]
    assert window.evaluate("document.documentElement.scrollWidth <= innerWidth")
    # Kept for the next page of this window.
    window.reload()
    again = window.locator(".cell").first.bounding_box()
    assert again and abs(again["width"] - after["width"]) < 2
