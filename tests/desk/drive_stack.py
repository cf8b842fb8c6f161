"""A stack of scans driven in a real browser as a person would, from dropping to the lists.

No shell is used once the page is open. The functions serve the test of a small stack; by hand, with
the times of each step:

    python tests/desk/drive_stack.py --scans FOLDER --stack EMPTY_FOLDER
"""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Page, expect, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1] / "review"))

from browser_fixtures import look_at_all, press


@contextmanager
def served(folder: Path) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """`crownlet open` in a process of its own, and its address."""
    process = subprocess.Popen(
        [sys.executable, "-m", "crownlet.infer.cli", "open", str(folder), "--no-browser"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    # On leaving, it closes what it prints to.
    with process:
        assert process.stdout is not None
        try:
            for line in process.stdout:
                if found := re.search(r"http://127\.0\.0\.1:\d+/\?token=\S+", line):
                    yield found[0], process
                    return
            raise AssertionError(process.communicate()[1])
        finally:
            process.kill()


def give(page: Page, files: Sequence[Path]) -> None:
    """Give files to the page that an address just opened leads on to."""
    page.locator("#files").wait_for(state="attached")
    page.wait_for_load_state("load")  # Its script listens once all is loaded.
    page.set_input_files("#files", files)


def drop(page: Page, scans: Sequence[Path], timeout_ms: float = 60_000) -> None:
    """Give the pictures to the page and wait until each was looked at."""
    give(page, scans)
    looked_at = page.locator(".picture:not(.waiting)")
    expect(looked_at).to_have_count(len(scans), timeout=timeout_ms)


def inspect(page: Page, scrolls: int, timeout_ms: float = 90_000) -> None:
    """Begin the inspection and wait for the scrolls."""
    page.locator("[data-do=begin]").click()
    expect(page.locator(".scrolls tbody tr")).to_have_count(scrolls, timeout=timeout_ms)


def enter_review(page: Page, reader: str) -> None:
    """From the stack to the review, under a name."""
    page.get_by_role("link", name=re.compile("Review letter")).click()
    expect(page.locator("#reader")).to_be_focused()
    page.keyboard.type(reader)
    page.keyboard.press("Enter")
    expect(page.locator("header .who b")).to_have_text(reader)


def answer_hands(page: Page) -> int:
    """Answer what is asked once of each hand with "right, as shown"; how many there were."""
    begin = page.get_by_role("link", name="Begin with the hands")
    if not begin.count():
        return 0
    begin.click()
    answered = 0
    while page.locator("#wall[data-habit]").count():
        for _ in range(5):
            look_at_all(page)
            press(page, "1")
            expect(page.locator("#status")).to_contain_text("Saved")
            if page.locator("#open").text_content() == "0":
                break
        answered += 1
        following = str(page.locator("#following").get_attribute("href"))
        page.keyboard.press("g")
        page.wait_for_url(f"**{following}")
    return answered


def answer_walls(page: Page) -> int:
    """Answer every wall whole: the first crop as a question, the rest as present; how many."""
    answered = 0
    for _ in range(1000):
        link = page.locator(".doubt li a:not(.done)").first
        if not link.count():
            return answered
        link.click()
        # The script has begun once a crop has the focus.
        expect(page.locator(".cell:focus")).to_have_count(1)
        press(page, "4")
        expect(page.locator("#status")).to_contain_text("Saved")
        for _ in range(5):
            look_at_all(page)
            if page.locator("#open").text_content() == "0":
                break
            page.keyboard.press("y")
            if page.locator("#rest[open]").count():
                press(page, "Enter")
                expect(page.locator("#status")).to_contain_text("present")
        answered += 1
        page.get_by_role("link", name="Review", exact=True).click()
        expect(page.locator(".progress").first).to_be_visible()
    return answered


def open_lists(page: Page) -> dict[str, str]:
    """The lists that the review leaves, opened from the stack: their headings, by link."""
    page.get_by_role("link", name="Stack").click()
    found = {}
    for name in ("Questions for an authority", "To look at on the parchment"):
        with page.expect_popup() as opened:
            page.get_by_role("link", name=name).click()
        found[name] = opened.value.locator("h1").first.text_content() or ""
        assert opened.value.evaluate("[...document.images].every(i => i.naturalWidth)")
        opened.value.close()
    with page.expect_popup() as opened:
        page.get_by_role("link", name="for the owner").first.click()
    found["owner"] = opened.value.locator(".kind").first.text_content() or ""
    opened.value.close()
    return found


def main() -> None:
    """Drive a stack of scans and print the times."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scans", type=Path, required=True)
    parser.add_argument("--stack", type=Path, required=True)
    options = parser.parse_args()
    scans = sorted(options.scans.glob("*.png"))
    chromium = shutil.which("chromium")
    start = time.perf_counter()

    def report(what: object) -> None:
        print(f"{time.perf_counter() - start:7.0f} s  {what}", flush=True)

    with served(options.stack) as (address, _), sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_context(viewport={"width": 1280, "height": 900}).new_page()
        page.set_default_timeout(120_000)
        page.goto(address)
        drop(page, scans, 1_200_000)
        report(f"{len(scans)} scans dropped and looked at")
        scrolls = len({str(v) for v in page.locator("[name=scroll]").evaluate_all(
            "each => each.map(one => one.value)"
        )})  # fmt: skip
        inspect(page, scrolls, 3_600_000)
        report(f"{scrolls} scrolls inspected")
        enter_review(page, "reader")
        report(f"{answer_hands(page)} hands answered")
        report(f"{answer_walls(page)} walls answered")
        report(open_lists(page))
        browser.close()


if __name__ == "__main__":
    main()
