"""A sheet opens with its hand: sentences, walls of bare letters, posters.

Evidence is planted in the run's files as the inspection writes it; the layout of a poster (crops of
at least 4 cm) is this project's own (common practice, no source).
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
import sheet_samples as made

from crownlet.infer.run.run import Run, open_run
from crownlet.infer.sheet.decisions import read_decisions
from crownlet.infer.sheet.loading import load_pages, scroll_facts
from crownlet.infer.sheet.make import make_sheets, render_sheet
from crownlet.infer.sheet.posters import PosterChoice, render_poster
from crownlet.infer.sheet.scroll_habits import read_habits
from crownlet.infer.sheet.spread import spread_letters
from crownlet.infer.sheet.statements import (
    MAX_STATEMENTS,
    MIN_CROP_Q,
    WALL_CROPS,
    WALL_KULMUS_PX,
    cut_letter,
    exchange,
    make_statements,
    shown_evidence,
)
from crownlet.infer.sheet.teaching_sheet import _candidates_by_kind

MESSAGE = "Head run into the body: on the face 20 of 24, on the reverse 0 of 4."


def habit(defect: str, letters: str, glyphs: list[int], heading: str, message: str) -> dict:
    rows = [{"letter": letter, "seen": 1, "judged": 1} for letter in letters]
    return {
        "defect": defect, "tags_expected": None, "kind": "habit", "letters": rows,
        "glyphs": glyphs, "heading": heading, "message": message, "exceptions": [], "code": "L",
        "seen": len(glyphs), "judged": 24, "doubted": 0,
    }  # fmt: skip


def plant(run: Run, page: str, habits: list[dict]) -> None:
    path = run.folder / page / "page.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | {"habits": habits}))


@pytest.fixture
def run(tmp_path: Path) -> Run:
    letters = made.glyphs()
    for name in ("one-face", "one-reverse"):
        made.page(tmp_path, name, letters)
    run = made.scrolls(
        tmp_path, [{"name": "one", "faces": ["one-face"], "reverses": ["one-reverse"]}]
    )
    hes = [g.glyph for g in letters if g.letter == "ה"]
    alefs = [g.glyph for g in letters if g.letter == "א"]
    plant(run, "one-face", [
        habit("overstretched", "ה", hes, "information", "Wide."),
        habit("head_melted", "א", alefs, "question", "Page sentence."),
    ])  # fmt: skip
    path = run.folder / "scrolls.json"
    data = json.loads(path.read_text())
    data["scrolls"][0]["habits"] = [
        {"defect": "head_melted", "tags_expected": None, "letters": "א", "message": MESSAGE}
    ]
    path.write_text(json.dumps(data))
    return open_run(run.folder)


def statements_of(run: Run):
    pages = load_pages(run, run.scrolls[0])
    habits = read_habits(run, run.scrolls[0].pages, scroll_facts(run, run.scrolls[0]))
    return make_statements(habits, pages), pages


def test_the_gravest_comes_first_and_speaks_of_both_sides(run: Run) -> None:
    statements, _ = statements_of(run)
    assert [s.habit.defect for s in statements] == ["head_melted", "overstretched"]
    assert statements[0].habit.message == MESSAGE
    assert "authority" in statements[0].ask
    assert statements[0].cited  # What the books say stands beside it.


def test_a_wall_shows_a_dozen_letters_of_the_evidence_and_good_ones_of_the_other_side(
    run: Run,
) -> None:
    statements, pages = statements_of(run)
    first = statements[0]
    evidence = shown_evidence(first.habit, pages)
    assert len(first.crops) == min(WALL_CROPS, len(evidence)) > 2
    assert {crop.key for crop in first.crops} <= set(evidence)
    assert all(crop.key[0] == "one-reverse" for crop in first.good)
    names = {page.name: page.veiled.names for page in pages}
    assert not any(number in names[page] for page, number in evidence)


def test_the_sheet_opens_with_the_sentences_and_bare_crops(run: Run) -> None:
    html = render_sheet(run, run.scrolls[0])
    assert html.index(MESSAGE) < html.index("What this is:") < html.index("letters read")
    wall = html[html.index('class="hand-wall"') :]
    wall = wall[: wall.index("</section>")]
    assert "pointer" not in wall and "ruler" not in wall
    assert wall.count("<figure>") == len(statements_of(run)[0][0].crops)


def test_what_only_all_pages_show_opens_the_sheet_too(run: Run) -> None:
    path = run.folder / "scrolls.json"
    data = json.loads(path.read_text())
    hes = [g.glyph for g in made.glyphs() if g.letter == "ה"]
    data["scrolls"][0]["habits"].append({
        "defect": "corner_rounded", "tags_expected": None, "letters": "ה", "heading": "question",
        "glyphs": {"one-face": hes, "one-reverse": hes[:2]}, "message": "All pages together: ...",
    })  # fmt: skip
    path.write_text(json.dumps(data))
    (found,) = [s for s in statements_of(open_run(run.folder))[0] if s.habit.letters == "ה"
                and s.habit.defect == "corner_rounded"]  # fmt: skip
    assert found.habit.heading == "question"
    assert {page for page, _ in found.habit.evidence} == {"one-face", "one-reverse"}
    assert len(found.habit.evidence) == len(hes) + 2


def test_at_most_eight_sentences_open_a_sheet(run: Run) -> None:
    kinds = ("head_melted", "part_loose", "tag_bare", "overstretched", "leg_short", "heel_missing",
             "yud_misplaced", "ink_lost", "stroke_broken")  # fmt: skip
    plant(run, "one-face", [habit(k, "ה", [3, 8], "outset", f"{k}.") for k in kinds])
    statements, _ = statements_of(open_run(run.folder))
    assert len(statements) == MAX_STATEMENTS == 8


def test_what_most_letters_show_comes_first_and_marks_come_last(run: Run) -> None:
    """Under one heading; marks and fillers are no letters of the hand."""
    rows = [
        habit("letter_extra", "ה", [3, 8], "question", "Marks.") | {"seen": 20, "judged": 20},
        habit("letters_touch", "ה", [3, 8], "question", "Some.") | {"seen": 60, "judged": 270},
        habit("ring_open", "ה", [3, 8], "question", "Most.") | {"seen": 5, "judged": 7},
    ]
    plant(run, "one-face", rows)
    statements, _ = statements_of(open_run(run.folder))
    order = [s.habit.defect for s in statements if s.habit.heading == "question"]
    assert order == ["ring_open", "letters_touch", "letter_extra"]


def test_a_letter_that_is_drawn_out_is_shown_whole(run: Run) -> None:
    page = load_pages(run, run.scrolls[0])[0]
    letter = replace(page.veiled.record.glyphs[2], box=(400.0, 80.0, 700.0, 110.0))
    crop = cut_letter(page, letter, MIN_CROP_Q, WALL_KULMUS_PX)
    x0, _, x1, _ = crop.window.box(letter.box)
    assert 0 < x0 < x1 < crop.window.picture.width


def test_statistics_of_an_older_run_keep_their_sentences(run: Run) -> None:
    path = run.folder / "scrolls.json"
    data = json.loads(path.read_text())
    data["scrolls"][0]["consistency"] = {"lines": 3, "forms": [], "says": ["Even."]}
    path.write_text(json.dumps(data))
    facts = scroll_facts(run, run.scrolls[0])
    assert facts["consistency"]["messages"] == ["Even."]
    assert "comparison" not in facts or facts["comparison"] is None


@pytest.mark.parametrize(("sides", "shown"), [("mixed", False), ("reverse_only", True)])
def test_chance_is_named_beside_a_difference_only(run: Run, sides: str, shown: bool) -> None:
    path = run.folder / "scrolls.json"
    data = json.loads(path.read_text())
    side = {"letters": 4, "crowned": 1, "some": 0, "bare": 0, "doubted": 0, "bare_doubted": 0}
    form = {"letter": "ש", "wanted": 3, "face": side, "reverse": side, "sides": sides}
    data["scrolls"][0]["comparison"] = {"forms": [form], "chance": 0.13, "messages": ["Both."]}
    path.write_text(json.dumps(data))
    html = render_sheet(open_run(run.folder), run.scrolls[0])
    assert "Face against reverse" in html
    assert ("would come about by chance" in html) == shown


def test_letters_of_all_forms_and_places_take_turns() -> None:
    letters = {("p", g.glyph): g for g in made.glyphs() if g.letter in "הא"}
    order = spread_letters(letters)
    assert sorted(order) == sorted(letters)
    assert {letters[key].letter for key in order[:2]} == {"ה", "א"}


def test_a_poster_is_one_page_with_crops_of_four_centimetres(run: Run, tmp_path: Path) -> None:
    make_sheets(run, report=lambda line: None)
    folder = run.folder / "sheets" / "posters"
    assert sorted(path.name for path in folder.iterdir()) == ["one-1.html", "one-2.html"]
    text = (folder / "one-1.html").read_text(encoding="utf-8")
    assert "one-face" not in re.sub(r"data:[^\"]+", "", text)  # No scroll is named.
    assert all(link.startswith("#") for link in made.Document(text).links)
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("No Chromium is installed (Debian: apt-get install chromium).")
    pdfium = pytest.importorskip("pypdfium2")
    for paper, least_mm in (("A4", 40.0), ("A3", 55.0)):
        choice = PosterChoice(paper=paper)
        made_html = render_poster(run, run.scrolls[0], 1, choice)
        assert made_html is not None
        (tmp_path / "p.html").write_text(made_html, encoding="utf-8")
        # A process of its own: the browser of the other tests runs in this one.
        printing = [chromium, "--headless", "--no-sandbox", "--disable-gpu"]
        printing += ["--no-pdf-header-footer", f"--print-to-pdf={tmp_path / 'p.pdf'}"]
        address = f"file://{tmp_path / 'p.html'}"
        subprocess.run([*printing, address], check=True, capture_output=True, timeout=600)
        document = pdfium.PdfDocument(tmp_path / "p.pdf")
        assert len(document) == 1
        # ISO 216: A4 is 210 x 297 mm, A3 297 x 420 mm; a point is 1/72 inch.
        width_mm = document[0].get_width() / 72 * 25.4
        assert width_mm == pytest.approx({"A4": 210, "A3": 297}[paper], abs=1)
        images = list(document[0].get_objects(filter=[3]))
        sides = [(b - a) / 72 * 25.4 for a, _, b, _ in (one.get_bounds() for one in images)]
        assert len(sides) >= 4 and min(sides) >= least_mm
        document.close()


def test_a_crop_is_exchanged_for_another(run: Run) -> None:
    statements, pages = statements_of(run)
    evidence = list(shown_evidence(statements[0].habit, pages))
    assert exchange((evidence[0], evidence[1]), 0, evidence[2]) == (evidence[2], evidence[1])
    assert exchange((evidence[0], evidence[1]), 0, evidence[1]) == (evidence[1], evidence[0])
    choice = PosterChoice((evidence[2],), None, "A3")
    html = render_poster(run, run.scrolls[0], 1, choice)
    assert html is not None and "size:A3" in html
    # What an address holds comes back as it was chosen; nonsense in it is nothing.
    query = dict(p.split("=") for p in choice.address()[1:].replace("%3A", ":").split("&"))
    assert PosterChoice.from_query(query) == choice
    wrong = PosterChoice.from_query({"crops": "x:y|:|../..:3", "change": "-1", "paper": "A9"})
    assert render_poster(run, run.scrolls[0], 1, wrong) is not None
    assert render_poster(run, run.scrolls[0], 9) is None


def test_a_hand_without_a_good_form_is_shown_beside_one_of_another_scroll(tmp_path: Path) -> None:
    letters = made.glyphs()
    for name in ("one", "two"):
        made.page(tmp_path, name, letters)
    run = made.scrolls(tmp_path, [{"name": n, "faces": [n]} for n in ("one", "two")])
    alefs = [g.glyph for g in letters if g.letter == "א"]
    plant(run, "one", [habit("head_melted", "א", alefs, "question", "Every alef.")])
    run = open_run(run.folder)
    html = render_sheet(run, run.scrolls[0])
    wall = html[html.index('class="hand-wall"') :]
    wall = wall[: wall.index("</section>")]
    assert "<b>For comparison</b>, another scroll, line" in wall
    poster = render_poster(run, run.scrolls[0], 1)
    assert poster is not None and "another scroll, line" in poster
    for page in (html, poster):
        assert not any(made.red(image).any() for image in made.Document(page).pictures())


def test_what_is_in_doubt_comes_last_with_all_its_letters(run: Run) -> None:
    """The sheet shows these letters nowhere else (this project's rule; common practice)."""
    letters = [g.glyph for g in made.glyphs() if g.letter not in "הא"][: 2 * WALL_CROPS]
    asked = habit("head_melted", "א", letters, "question", "In doubt in this hand: ...")
    path = run.folder / "one-face" / "page.json"
    sure = json.loads(path.read_text())["habits"]
    plant(run, "one-face", [asked | {"kind": "doubted", "sure": False}, *sure])
    run = open_run(run.folder)
    statements, pages = statements_of(run)
    assert [s.habit.doubted for s in statements] == [False, False, True]
    assert [s.ask for s in statements if s.habit.doubted] == ["Look first whether it is so."]
    assert statements[0].habit.message == MESSAGE
    last = statements[-1]
    assert {crop.key for crop in last.crops} == set(shown_evidence(last.habit, pages))
    habits = read_habits(run, ["one-face"], scroll_facts(run, run.scrolls[0]))
    assert [s.habit.doubted for s in make_statements(habits, pages, 0)] == [True]
    letters_in_doubt = {(key[0], (key[1],)) for key in last.habit.evidence}
    taught = _candidates_by_kind(run, run.scrolls, read_decisions(run))["head_melted"]
    assert letters_in_doubt.isdisjoint((each.page, each.glyphs) for each in taught)
