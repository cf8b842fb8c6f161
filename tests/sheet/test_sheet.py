"""The triage sheet of a scroll: self-contained, complete, in order, and safe to print."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest
import sheet_samples as made

from crownlet.datasets.scribal.catalogue import GRAVITIES
from crownlet.infer.records import GlyphRecord
from crownlet.infer.run.run import Run
from crownlet.infer.sheet.make import make_sheets, render_sheet
from crownlet.infer.sheet.veil import PLATE_RGB

# Letters of the made-up page, by number: see sheet_samples.LINES.
HE_OF_NAME, SHIN, GIMEL, DALET, ALEF, BET = 10, 1, 31, 32, 23, 44
DOUBTS = {
    SHIN: ("tag_loose", "finding", 0.97),
    ALEF: ("part_loose", "finding", 0.99),
    GIMEL: ("foot_level", "finding", 0.95),
    DALET: ("heel_missing", "finding", 0.99),
    HE_OF_NAME: ("leg_touches_roof", "finding", 0.98),
    2: ("part_loose", "review", 0.4),
    11: ("leg_short", "review", 0.3),
}


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    folder = tmp_path_factory.mktemp("sheet")
    letters = made.glyphs(doubts=DOUBTS)
    assert [letters[n - 1].letter for n in (HE_OF_NAME, SHIN, GIMEL, DALET, ALEF, BET)] == [
        "ה", "ש", "ג", "ד", "א", "ב",
    ]  # fmt: skip
    made.page(folder, "one-face", letters)
    made.page(folder, "one-reverse", made.glyphs(["שדי"], {2: ("heel_missing", "finding", 0.96)}))
    return made.scrolls(
        folder, [{"name": "one", "faces": ["one-face"], "reverses": ["one-reverse"]}]
    )


@pytest.fixture(scope="module")
def html(run: Run) -> str:
    return render_sheet(run, run.scrolls[0])


@pytest.fixture(scope="module")
def document(html: str) -> made.Document:
    return made.Document(html)


def test_it_needs_nothing_but_itself(html: str, document: made.Document) -> None:
    assert "script" not in document.tags
    assert "link" not in document.tags
    bare = re.sub(r"data:image/jpeg;base64,[\w+/=]+", "", html)
    # The content policy names where pictures may come from; it is no address.
    bare = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", bare)
    bare = bare.replace('xmlns="http://www.w3.org/2000/svg"', "")  # The name of SVG, no address.
    bare = bare.replace("img-src data:", "")  # The content policy allows no other pictures.
    assert len(bare) < 100_000
    assert not re.search(r"https?:|//\w|@import|url\(|data:", bare)
    assert not re.search(r"\son\w+=", bare)
    assert all(source.startswith("data:image/jpeg;base64,") for source in document.sources)
    assert all(link.startswith("#") for link in document.links)
    assert {link[1:] for link in document.links} <= set(document.ids)


def test_every_finding_stands_on_it_once(run: Run, document: made.Document) -> None:
    wanted = [f"f-{f.number}" for f in run.pages["one-face"].findings]
    wanted += [f"f-R{f.number}" for f in run.pages["one-reverse"].findings]
    assert len(wanted) == len(DOUBTS) + 1
    assert sorted(name for name in document.ids if name.startswith("f-")) == sorted(wanted)


def test_the_page_and_the_list_lead_to_each_other(run: Run, document: made.Document) -> None:
    marked = [f for name in ("one-face", "one-reverse") for f in run.pages[name].findings]
    marked = [f for f in marked if f.scope != "page"]
    on_page = [name for name in document.ids if name.startswith("m-f-")]
    assert len(on_page) == len(set(on_page)) == len(marked)
    assert {f"#{name}" for name in on_page} <= set(document.links)
    assert {f"#{name.removeprefix('m-')}" for name in on_page} <= set(document.links)


def test_pictures_can_be_bare(html: str) -> None:
    assert 'id="hide-marks"' in html
    # What the switch hides is all that is drawn on pictures.
    drawn = set(re.findall(r'<(?:g|path|svg) class="(\w+)', html))
    assert drawn - {"key", "hook", "frame", "tab", "dim"} <= {"pointer", "rulers", "ruler", "marks",
                                                              "wedge", "bar"}  # fmt: skip


def test_findings_by_heading_then_certainty(run: Run, html: str) -> None:
    """The catalogue's order of gravity, which cites the books, and p falling within it."""
    headings = list(dict.fromkeys(g.heading for g in GRAVITIES.values()))
    shown = re.findall(r"<h2>([^<]+?) <span", html)
    assert [h for h in headings if h in shown] == [h for h in shown if h in headings]
    by_label = {f"f-{f.number}": f for f in run.pages["one-face"].findings}
    by_label |= {f"f-R{f.number}": f for f in run.pages["one-reverse"].findings}
    order = re.findall(r'<article class="entry \w+" id="([^"]+)"', html)
    keys = [(by_label[o].heading, by_label[o].p or 1.0) for o in order]
    for (heading, p), (after, q) in pairwise(keys):
        assert heading != after or p >= q
    assert len({h for h, _ in keys}) == sum(a != b for (a, _), (b, _) in pairwise(keys)) + 1


def test_an_entry_says_where_what_and_by_whom(html: str) -> None:
    entry = html[html.index("gimel: foot level") :]
    entry = entry[: entry.index("</article>")]
    # Word and letter as counted from the head of line 2: the Name, "one", "and you shall love", ...
    assert "face, line 2, word 4, letter 1" in entry
    assert "<b>ג</b>" in entry
    assert "MS gimel" in entry  # Mishnat Sofrim on gimel, as the catalogue cites it
    assert "0.95" in entry
    assert "Drawn" in entry


def test_the_name_is_not_spelled(html: str, document: made.Document) -> None:
    assert made.FOUR not in html
    assert "אלהי" not in html
    assert "שדי" not in html
    # Common scribal and printers' practice for Names that are not to be written.
    assert "ה׳" in document.text
    assert "in a Divine Name" in document.text


def test_no_picture_shows_two_letters_of_a_name(document: made.Document) -> None:
    pictures = document.pictures()
    assert len(pictures) > 10
    for image in pictures:
        blobs = cv2.connectedComponents(
            cv2.erode(made.red(image).astype(np.uint8), np.ones((3, 3)))
        )
        assert blobs[0] - 1 <= 1
    # The letter with a finding is seen, or nothing could be looked at.
    assert any(made.red(image).any() for image in pictures)
    # On the pages themselves nothing of a Name shows.
    pages = [image for image in pictures if image.shape[1] > 900 or image.shape[0] > 500]
    assert pages
    assert not any(made.red(image).any() for image in pages)


def test_plates_are_plain(run: Run) -> None:
    from crownlet.infer.sheet.veil import VeiledPage

    stored = run.pages["one-face"]
    veiled = VeiledPage(stored.record, stored.pixels)
    covered = veiled.cover(stored.pixels())
    for glyph in stored.record.glyphs:
        x0, y0, x1, y1 = (round(v) for v in glyph.box)
        part = covered[y0:y1, x0:x1]
        if glyph.in_name:
            edge = np.concatenate([part[:8].reshape(-1, 3), part[-8:].reshape(-1, 3)])
            assert (edge == PLATE_RGB).all()
            assert not made.red(part).any()
        else:
            assert (part == made.INK).mean() > 0.9
    assert not np.shares_memory(covered, stored.pixels())
    assert made.red(stored.pixels()).any()


def test_names_can_be_shown_and_are_warned_of(run: Run) -> None:
    html = render_sheet(run, run.scrolls[0], show_names=True)
    assert made.FOUR in html
    assert "genizah" in html
    assert any(made.red(image).sum() > 500 for image in made.Document(html).pictures())


def test_an_unmatched_page_is_veiled_by_spelling(tmp_path: Path) -> None:
    """A page compared with no text has no letters marked as a Name's."""
    letters = made.glyphs()
    plain = [replace(g, in_name=False, expected=None) for g in letters]
    made.page(tmp_path, "one", plain)
    scan = tmp_path / "scans" / "one.png"
    cv2.imwrite(str(scan), cv2.cvtColor(made.picture(letters), cv2.COLOR_RGB2BGR))
    from crownlet.infer.sheet.veil import VeiledPage

    run = made.scrolls(tmp_path, [{"name": "one", "faces": ["one"]}])
    veiled = VeiledPage(run.pages["one"].record, run.pages["one"].pixels)
    assert not made.red(veiled.cover(made.picture(letters))).any()


def test_same_run_same_bytes(run: Run, html: str) -> None:
    assert render_sheet(run, run.scrolls[0]) == html


def test_a_note_stands_before_everything_else(tmp_path: Path) -> None:
    made.page(tmp_path, "a", made.glyphs(), notes=("This page stands upside down in its picture.",))
    run = made.scrolls(
        tmp_path, [{"name": "a", "faces": ["a"], "notes": ["Two scrolls are mixed."]}]
    )
    text = made.Document(render_sheet(run, run.scrolls[0])).text
    assert text.index("Two scrolls") < text.index("upside down") < text.index("What this is")


def test_hostile_names_are_only_words(tmp_path: Path) -> None:
    evil = "../<script>alert(1)</script>\"'&;"
    made.page(tmp_path, "p", made.glyphs(doubts={SHIN: ("tag_loose", "finding", 0.97)}))
    run = made.scrolls(tmp_path, [{"name": evil, "faces": ["p"], "notes": ["<b onload=x>"]}])
    made_sheets = make_sheets(run, report=lambda line: None)
    folder = tmp_path / "run" / "sheets"
    written = sorted(p.name for p in folder.iterdir())
    assert len(written) == 3
    assert not (tmp_path / "run" / "p.html").exists()
    for file in folder.iterdir():
        text = file.read_text(encoding="utf-8")
        assert "<script" not in text
        assert "<b onload" not in text
        made.Document(text)
    index = made.Document(made_sheets.index.read_text(encoding="utf-8"))
    assert all((folder / link).is_file() for link in index.links)


def turned(letters: list[GlyphRecord], width: int, height: int) -> list[GlyphRecord]:
    """The same letters on a page turned by half."""
    return [
        replace(
            g,
            box=(width - g.box[2], height - g.box[3], width - g.box[0], height - g.box[1]),
            body=(width - g.body[0], height - g.body[1], g.body[2], 180.0),
        )
        for g in letters
    ]


def test_a_page_upside_down_is_shown_upright_and_veiled(tmp_path: Path) -> None:
    letters = made.glyphs(doubts=DOUBTS)
    made.page(tmp_path, "up", letters)
    made.page(tmp_path, "down", turned(letters, 1240, 560), turn=180)
    run = made.scrolls(tmp_path, [{"name": n, "faces": [n]} for n in ("up", "down")])
    up, down = (made.Document(render_sheet(run, scroll)).pictures() for scroll in run.scrolls)
    assert len(up) == len(down)
    for one, other in zip(up, down, strict=True):
        assert one.shape == other.shape
        assert np.abs(one.astype(int) - other).mean() < 3
    pages = [image for image in down if image.shape[1] > 900]
    assert not any(made.red(image).any() for image in pages)


def test_findings_of_several_columns_keep_their_own_numbers(tmp_path: Path) -> None:
    for name in ("c1", "c2"):
        made.page(tmp_path, name, made.glyphs(doubts=DOUBTS))
    run = made.scrolls(tmp_path, [{"name": "c", "faces": ["c1", "c2"]}])
    ids = made.Document(render_sheet(run, run.scrolls[0])).ids
    assert len(ids) == len(set(ids))
    assert len([name for name in ids if name.startswith("f-")]) == 2 * len(DOUBTS)
    assert {"f-a1", "f-b1"} <= set(ids)


def test_a_mezuzah_s_sheet_takes_two_seconds_at_most(
    tmp_path: Path, relative_time: Callable[..., float]
) -> None:
    """713 letters, many with findings; the promise of the issue, in processor time."""
    letters = made.glyphs()
    lines = 17
    many = [
        replace(g, glyph=len(letters) * k + g.glyph, line=3 * k + g.line, word=50 * k + g.word,
                box=(g.box[0], g.box[1] + 336 * k, g.box[2], g.box[3] + 336 * k),
                body=(g.body[0], g.body[1] + 336 * k, *g.body[2:]))
        for k in range(lines) for g in letters
    ]  # fmt: skip
    assert len(many) > 713
    doubted = [
        replace(g, route="finding", reasons=("part_loose",), sure=("part_loose",),
                p={**g.p, "part_loose": 0.97})
        if g.glyph % 3 == 0 and "part_loose" in g.p and g.letter in "אגחלמתש" else g for g in many
    ]  # fmt: skip
    assert sum(g.route == "finding" for g in doubted) > 50
    made.page(tmp_path, "m", doubted)
    run = made.scrolls(tmp_path, [{"name": "m", "faces": ["m"]}])
    render_sheet(run, run.scrolls[0])
    run = made.scrolls(tmp_path, [{"name": "m", "faces": ["m"]}])
    made_pages: list[str] = []
    # Measured 5; the page covered anew for each of its pictures would be some hundred.
    assert relative_time(lambda: made_pages.append(render_sheet(run, run.scrolls[0]))) < 40
    assert len(made_pages[0]) < 6_000_000
