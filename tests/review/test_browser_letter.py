"""One letter at a time in a real browser: keys, the letter picker, two windows, a killed server."""

from __future__ import annotations

from pathlib import Path

from browser_fixtures import enter, kept, number, press
from playwright.sync_api import Browser, Page, expect
from review_server import Server

from crownlet.infer.review.web.entrance import EntranceFile

pytest_plugins = ("browser_fixtures",)


def test_one_by_one_with_keys(page: Page, run: Path, reader: str) -> None:
    page.goto("/one")
    announced = page.locator("#status")
    first = number(page)
    for key, words in (("1", "present"), ("2", "not present"), ("3", "cannot"), ("4", "question")):
        before = number(page)
        press(page, key)
        expect(announced).to_contain_text(f"Saved: {words}")
        assert number(page) != before
    assert [choice for _, choice in kept(run, reader)] == [
        "present", "not_present", "cannot_tell", "authority",
    ]  # fmt: skip
    # Next and previous decide nothing; going back shows the decision and the program's opinion.
    here = number(page)
    press(page, "n")
    assert number(page) != here
    press(page, "p", "p")
    expect(page.locator(".made")).to_contain_text("question")
    expect(page.locator(".explanation")).to_be_visible()
    assert len(kept(run, reader)) == 4
    press(page, "u")
    expect(announced).to_contain_text("Taken back: question")
    press(page, "Control+z", "u", "u")
    expect(announced).to_contain_text("Taken back: present")
    assert number(page) == first
    press(page, "u")
    expect(page.locator("#alarm")).to_contain_text("nothing to take back")


def test_a_wrong_letter_and_a_note_by_keyboard(page: Page, run: Path, reader: str) -> None:
    page.goto("/one")
    first = number(page)
    page.keyboard.press("m")
    page.keyboard.type("1 2 looks like another")
    page.keyboard.press("Escape")
    page.keyboard.press("5")
    expect(page.locator("#picker")).to_be_visible()
    # Right to left: from alef one to the left is bet, then gimel, dalet.
    for _ in range(3):
        page.keyboard.press("ArrowLeft")
    expect(page.locator("#picker [aria-selected=true]")).to_have_attribute("data-letter", "ד")
    page.keyboard.type("che")
    expect(page.locator("#picker [aria-selected=true]")).to_have_attribute("data-letter", "ח")
    press(page, "Enter")
    expect(page.locator("#status")).to_contain_text("Saved: wrong letter: chet")
    page.keyboard.press("5")
    page.keyboard.press("Escape")
    expect(page.locator("#picker")).to_be_hidden()
    assert kept(run, reader) == [(first, "other_letter")]
    page.goto(f"/one/{first}")
    expect(page.locator("#note")).to_have_value("1 2 looks like another")


KEY = """document.{on}.dispatchEvent(
    new KeyboardEvent('keydown', {{key: '{key}', code: '{code}', bubbles: true}}))"""


def test_a_hebrew_keyboard_works(page: Page, run: Path, reader: str) -> None:
    """On the Israeli layout (SI 1452) the key U gives vav and N gives mem."""
    page.goto("/one")
    here = number(page)
    page.evaluate(KEY.format(on="body", key="מ", code="KeyN"))
    expect(page.locator("article")).not_to_have_attribute("data-id", str(here))
    page.keyboard.press("5")
    page.evaluate(KEY.format(on="activeElement", key="ר", code="KeyR"))
    expect(page.locator("#status")).to_contain_text("wrong letter: resh")


def test_killed_in_the_middle_nothing_confirmed_is_lost(
    browser: Browser, run: Path, reader: str
) -> None:
    server = Server(run)
    context = browser.new_context(base_url=server.base)
    page = context.new_page()
    enter(page, server, reader)
    page.goto("/one")
    confirmed = []
    for key in "121":
        confirmed.append((number(page), {"1": "present", "2": "not_present"}[key]))
        press(page, key)
    last = number(page)
    server.kill()
    page.keyboard.press("2")
    expect(page.locator("#alarm")).to_contain_text("This was not saved")
    assert number(page) == last
    context.close()
    again = Server(run, "--reader", reader)
    try:
        assert kept(run, reader) == confirmed
        context = browser.new_context(base_url=again.base)
        other = context.new_page()
        other.goto(again.address)
        expect(other.locator(".progress b")).to_have_text("3")
        for item, choice in confirmed:
            other.goto(f"/one/{item}")
            pressed = other.locator(".choices [aria-pressed=true]")
            expect(pressed).to_have_attribute("data-choice", choice)
        other.goto("/one")
        assert number(other) == last
        context.close()
    finally:
        again.kill()


def test_two_windows_do_not_overwrite_each_other(page: Page, run: Path, reader: str) -> None:
    page.goto("/one")
    other = page.context.new_page()
    other.goto("/one")
    first = number(page)
    assert number(other) == first
    press(page, "1")
    press(other, "2")
    expect(other.locator("#alarm")).to_contain_text("meanwhile in another window")
    expect(other.locator("#alarm")).to_contain_text("not saved")
    expect(other.locator(".made")).to_contain_text("Your decision: present")
    assert kept(run, reader) == [(first, "present")]


def test_opened_from_a_file_beside_cookies_of_another_program(
    browser: Browser, server: Server, tmp_path: Path
) -> None:
    """As `--open` does it. Chromium sends no SameSite=Strict cookie along a redirect from there."""
    context = browser.new_context(base_url=server.base)
    other = context.new_page()
    for form in ('{"theme": "dark"}', "x[1]=2", "a=b c"):
        other.route("**/set", lambda route, form=form: route.fulfill(
            status=200, body="", headers={"Set-Cookie": f"{form}; Path=/"}))  # fmt: skip
        other.goto("/set")
        other.unroute("**/set")
    other.goto(EntranceFile(tmp_path).write(server.address))
    expect(other.locator("#reader")).to_be_focused()
    assert other.url == f"{server.base}/"
    context.close()
