"""The review page in Hebrew in a real browser: desktop and telephone, keys, dialogs, the switch."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import review_server
from browser_fixtures import WALL
from english_left import english_left
from playwright.sync_api import Browser, Page, expect
from review_server import Server

pytest_plugins = ("browser_fixtures",)

WIDTHS_PX = (1280, 390)


@pytest.fixture(scope="module")
def hebrew(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    run = review_server.wall_run(tmp_path_factory.mktemp("hebrew"), 1, 24).folder
    served = Server(run, "--audit", "0", "--language", "he", "--reader", "anna")
    yield served
    served.kill()


@pytest.fixture
def window(browser: Browser, hebrew: Server) -> Iterator[Page]:
    faults: list[str] = []
    context = browser.new_context(viewport={"width": 1280, "height": 860}, base_url=hebrew.base)
    page = context.new_page()
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(hebrew.address)
    expect(page.locator("header")).to_be_visible()
    yield page
    context.close()
    assert faults == []


@pytest.mark.parametrize("width", WIDTHS_PX)
def test_pages_run_right_to_left_and_are_not_cut(window: Page, width: int) -> None:
    window.set_viewport_size({"width": width, "height": 860})
    for address in ("/", WALL, "/one", "/differences"):
        window.goto(address)
        assert window.evaluate("document.dir") == "rtl"
        assert window.evaluate("document.documentElement.scrollWidth") <= width, address
        # Lines begin at the right: the heading ends where its block does.
        heading = window.locator("h1").first
        assert heading.evaluate("e => getComputedStyle(e).direction") == "rtl"
        assert english_left(window.content(), ("anna",)) == [], address


def test_keys_dialogs_and_answers_of_a_wall(window: Page) -> None:
    window.goto(WALL)
    cells = window.locator(".cell")
    expect(cells.first).to_be_focused()
    boxes = [cells.nth(k).bounding_box() for k in (0, 1)]
    assert boxes[0] and boxes[1] and boxes[1]["x"] < boxes[0]["x"]
    window.keyboard.press("ArrowLeft")
    expect(cells.nth(1)).to_be_focused()
    window.keyboard.press("2")
    expect(window.locator("#status")).to_have_text("נשמר: אינו שם.")
    expect(cells.nth(1).locator(".tag")).to_contain_text("אינו שם")
    window.keyboard.press("?")
    expect(window.locator("#help h2")).to_have_text("מקשים")
    window.keyboard.press("Escape")
    window.keyboard.press("r")
    expect(window.locator("#rest-title")).to_have_text("השאר: אינו שם")
    expect(window.locator("#rest-words")).to_contain_text("הוצגו במסך")
    window.keyboard.press("Escape")
    window.keyboard.press("u")
    expect(window.locator("#status")).to_have_text("בוטל: אינו שם.")


def test_the_switch_changes_the_page_and_comes_back(window: Page) -> None:
    window.goto(WALL)
    window.get_by_role("button", name="English").click()
    expect(window.locator("h1")).to_contain_text("Does the left leg")
    assert window.evaluate("document.dir") == "ltr"
    window.get_by_role("button", name="עברית").click()
    expect(window.locator("h1")).to_contain_text("האם רגל שמאל")
    assert window.url.endswith(WALL)


def test_what_the_style_sheet_says_is_hebrew(window: Page, tmp_path: Path) -> None:
    window.goto(WALL)
    word = window.evaluate(
        "getComputedStyle(document.documentElement).getPropertyValue('--text-otherwise')"
    )
    assert word.strip() == '"אחרת"'
