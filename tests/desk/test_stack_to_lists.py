"""A small stack from dropping to the lists in a real browser, without a shell."""

from __future__ import annotations

from pathlib import Path

from drive_stack import (
    answer_hands,
    answer_walls,
    drop,
    enter_review,
    inspect,
    open_lists,
    served,
)
from PIL import Image
from playwright.sync_api import Browser, expect

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.infer.demo.scenario import scan_page

pytest_plugins = ("browser_fixtures",)


def draw(folder: Path) -> list[Path]:
    """Face and reverse of one scroll by a hand that crowns no letter, the face eight lines long."""
    folder.mkdir()
    scans = []
    for side, portion, count in (("face", "mezuzah", 1), ("reverse", "mezuzah_reverse", 2)):
        spec = clean(
            portion=portion, body=(48.0, 48.0), hand=7, defect_rate=1.0, second_rate=0.0,
            defects=("tag_missing",), plainness=(1.0, 1.0), dpi=600.0, margin=(6.0, 8.0),
        )  # fmt: skip
        path = folder / f"shelf-{side}.png"
        Image.fromarray(scan_page(compose(spec, count).image, count)).save(path, dpi=(600, 600))
        scans.append(path)
    return scans


def test_a_stack_goes_from_dropping_to_the_lists_without_a_shell(
    browser: Browser, tmp_path: Path
) -> None:
    scans = draw(tmp_path / "given")
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    context.set_default_timeout(60_000)
    page = context.new_page()
    with served(tmp_path / "stack") as (address, _):
        page.goto(address)
        drop(page, scans)
        inspect(page, 1)
        enter_review(page, "anna")
        assert answer_hands(page) >= 1  # No letter has a crown: asked once.
        answer_walls(page)
        # Letters that were mixed in are on the walls, too: everything is decided.
        expect(page.locator(".progress").first).to_contain_text("0 open")
        found = open_lists(page)
        assert found == {
            "Questions for an authority": "Questions for an authority",
            "To look at on the parchment": "To look at on the parchment",
            "owner": "For the owner of a scroll",
        }
        expect(page.locator(".scrolls tbody tr")).to_contain_text("decided")
    context.close()
