"""The demo with block letters: all files, an index that opens offline, and honest words."""

from __future__ import annotations

import csv
import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import blocks
import numpy as np
import pytest
from english_left import english_left
from PIL import Image

from crownlet.datasets.coco.truth import DefectMark, LetterTruth, PageTruth
from crownlet.datasets.render.page import compose as compose_module
from crownlet.infer.demo import run
from crownlet.infer.demo.scenario import list_sample_sheets, write_scan
from crownlet.infer.inspector import Inspector
from crownlet.infer.run.run import open_run
from crownlet.infer.view.language import Locale

TEXTS = {"face": ["שמע ישראל", "אחד ואהבת"], "reverse": ["שדי"]}


def block_page(spec: object, seed: int) -> PageTruth:
    lines = TEXTS["reverse" if "reverse" in str(spec) else "face"]
    tags = dict.fromkeys(range(40), 3)
    image, placed = blocks.page(lines, 16.0, tags={k: v for k, v in tags.items() if k != 3})
    letters = tuple(
        LetterTruth(p.letter, p.letter, p.line, 0, k, p.box, (*p.body, 0.0), 3)
        for k, p in enumerate(placed)
    )
    return PageTruth(np.repeat(image[..., None], 3, axis=2), letters)


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    defects = {("ש", "tag_loose"): 0.99, ("ע", "tag_bare"): 0.4}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(compose_module, "compose", block_page)
        run.run_demo(
            folder, say=lambda text: None,
            inspector=blocks.inspector(blocks.BlockNetworks(defects)),
        )  # fmt: skip
    return folder


class Links(HTMLParser):
    """All addresses of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.addresses: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.addresses += [v for k, v in attrs if k in ("href", "src") and v]
        if tag not in ("meta", "img", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_every_link_leads_to_a_file_of_the_demo(out: Path) -> None:
    page = Links()
    page.feed((out / "index.html").read_text("utf-8"))
    assert page.open == []
    sheets_of = [f"run/sheets/{name}.html" for name in ("A1", "A2", "B1", "B2")]
    assert set(sheets_of) < set(page.addresses)
    assert "run/sheets/teaching.html" in page.addresses
    for address in page.addresses:
        assert not re.match(r"[a-z]+:|//|#", address)
        assert (out / address).is_file()


def test_tables_of_each_sheet_and_of_the_survey(out: Path) -> None:
    names = [sheet.name for sheet in list_sample_sheets()]
    assert len(names) == 8
    for name in names:
        files = {p.name for p in (out / "run" / name).iterdir()}
        assert {"glyphs.csv", "gaps.csv", "findings.csv", "page.json"} <= files
    with (out / "survey.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["source"] for row in rows} == {"Source A", "Source B"}
    assert {row["page"] for row in rows} == set(names)


def test_face_and_reverse_are_one_scroll(out: Path) -> None:
    scrolls = {scroll.name: scroll for scroll in open_run(out / "run").scrolls}
    assert sorted(scrolls) == ["A1", "A2", "B1", "B2"]
    assert scrolls["A1"].faces == ("A1-face",)
    assert scrolls["A1"].reverses == ("A1-reverse",)
    assert scrolls["B2"].source == "Source B"


def test_words_on_the_page(out: Path) -> None:
    text = (out / "index.html").read_text("utf-8")
    assert "never a ruling" in text
    assert "Divine Name" in text
    assert "crown loose" in text
    for word in ("kosher", "pasul", "valid", "passed", "repair"):  # brief, 7.3, cautions 1 and 2
        assert not re.search(rf"\b{word}", text, re.IGNORECASE)


def planted_cells(folder: Path, scroll: str) -> list[str]:
    """Cells of a scroll's row: what its scribe does, planted, of them named, and unplanted."""
    html = (folder / "index.html").read_text("utf-8").replace("&nbsp;", " ")
    row = re.search(rf"<tr><td><a [^>]*>{scroll}</a></td>(.*?)</tr>", html, re.DOTALL)
    assert row is not None
    return re.findall(r"<td>(.*?)</td>", row[1], re.DOTALL)


def test_findings_where_nothing_was_planted_stand_beside_what_was_planted(out: Path) -> None:
    """Block pages hold no planted fault, and the networks claim one of every shin: as many as the
    tables of findings list. No outside source."""
    listed = 0
    for side in ("A1-face", "A1-reverse"):
        with (out / "run" / side / "findings.csv").open(encoding="utf-8", newline="") as file:
            kinds = [(row["kind"], row["route"]) for row in csv.DictReader(file)]
        listed += kinds.count(("tag_loose", "finding"))
    assert listed
    _, planted, named, unplanted = planted_cells(out, "A1")
    assert (planted, named) == ("none", "·")
    assert re.search(rf"\bcrown loose {listed}\b", unplanted)


def test_a_fault_planted_and_found_is_no_false_alarm(out: Path, tmp_path: Path) -> None:
    def planted_page(spec: object, seed: int) -> PageTruth:
        page = block_page(spec, seed)
        marked = tuple(
            replace(letter, defects=(DefectMark("tag_loose", 1.0),))
            if letter.letter in "שע" else letter
            for letter in page.letters
        )  # fmt: skip
        return replace(page, letters=marked)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(compose_module, "compose", planted_page)
        networks = blocks.BlockNetworks({("ש", "tag_loose"): 0.99, ("ע", "tag_bare"): 0.4})
        run.run_demo(tmp_path, say=lambda text: None, inspector=blocks.inspector(networks))
    before = re.search(r"crown loose (\d+)", planted_cells(out, "A1")[3])
    assert before is not None
    _, planted, named, unplanted = planted_cells(tmp_path, "A1")
    ayins = sum(word.count("ע") for lines in TEXTS.values() for word in lines)
    assert named == f"crown loose {before[1]}"
    assert planted == f"crown loose {int(before[1]) + ayins}"
    assert "crown loose" not in unplanted


def test_a_demo_can_be_made_twice_in_one_folder(out: Path) -> None:
    before = sorted(p.relative_to(out).as_posix() for p in out.rglob("*"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(compose_module, "compose", block_page)
        networks = blocks.BlockNetworks({("ש", "tag_loose"): 0.99, ("ע", "tag_bare"): 0.4})
        run.run_demo(out, say=lambda text: None, inspector=blocks.inspector(networks))
    assert sorted(p.relative_to(out).as_posix() for p in out.rglob("*")) == before


def test_a_demo_in_hebrew_has_hebrew_pages_and_english_tables(out: Path, tmp_path: Path) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(compose_module, "compose", block_page)
        networks = blocks.BlockNetworks({("ש", "tag_loose"): 0.99, ("ע", "tag_bare"): 0.4})
        run.run_demo(
            tmp_path, say=lambda text: None, inspector=blocks.inspector(networks),
            locale=Locale("he", "trade"),
        )  # fmt: skip
    for page in (tmp_path / "index.html", *(tmp_path / "run" / "sheets").glob("*.html")):
        html = page.read_text("utf-8")
        assert '<html lang="he" dir="rtl">' in html
        names = ("face", "reverse", "strict", "survey", "scrolls", "Source", "plain")
        assert english_left(html, names) == [], page.name
    for table in ("survey.csv", "scrolls.csv", "run/scrolls.json"):
        assert (tmp_path / table).read_text("utf-8") == (out / table).read_text("utf-8")


def test_letters_that_show_through_are_not_read(tmp_path: Path) -> None:
    """The reverse of B2 shows its face through the parchment, in a twentieth of the contrast. Its
    own letters are 17 (Keset HaSofer 27:7)."""
    (sheet,) = [each for each in list_sample_sheets() if each.name == "B2-reverse"]
    write_scan(sheet, tmp_path / "scan.png")
    page = Inspector().inspect(tmp_path / "scan.png", sheet.portion)
    assert len(page.glyphs) == 17
    assert page.match is not None
    assert (page.match.matched, page.match.extra, page.match.note) == (17, 0, "")
    assert any("showing through" in sentence for sentence in page.not_examined)


def test_pictures_are_pictures(out: Path) -> None:
    scans = [*out.rglob("*.png")]
    assert len(scans) == 8
    for path in scans:
        with Image.open(path) as image:
            image.verify()


def test_sample_sheets_need_no_training_extra() -> None:
    code = (
        "import sys\n"
        "for name in ('albumentations', 'torch', 'hydra', 'scipy', 'shapely', 'tqdm'):\n"
        "    sys.modules[name] = None\n"
        "from crownlet.datasets.render.page.compose import compose\n"
        "from crownlet.infer.demo.scenario import list_sample_sheets\n"
        "print(len(compose(list_sample_sheets()[0].spec, 1).letters))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "713"
