"""A habit of the hand is shown once on the sheet, with all of its places."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import sheet_samples as made

from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.customs import accepted_forms, accepted_message
from crownlet.infer.hand_records import HabitLetter, HabitRecord
from crownlet.infer.records import GapRecord, GlyphRecord, PageRecord, TextMatch
from crownlet.infer.sheet.groups import FINDINGS_IN_FULL, MAX_SEPARATE_FINDINGS
from crownlet.infer.sheet.make import render_sheet
from crownlet.infer.sheet.scroll_sheet import view_scroll


def text(tmp_path: Path, kind: str, many: int, beside: str | None = None) -> made.Document:
    """The sheet of one page on which every shin of `many` has the same, and a doubt `beside` it."""
    doubts = dict.fromkeys(range(1, many + 1), (kind, "finding", 0.99))
    line = " ".join(["ששש"] * ((many + 2) // 3 + 1))
    letters = made.glyphs([line[:47], line[48:]] if len(line) > 47 else [line], doubts)
    if beside:
        letters = [replace(g, reasons=(*g.reasons, beside) if g.reasons else ()) for g in letters]
    made.page(tmp_path, "a", letters)
    run = made.scrolls(tmp_path, [{"name": "a", "faces": ["a"]}])
    return made.Document(render_sheet(run, run.scrolls[0]))


@pytest.mark.parametrize(
    ("kind", "heading"), [("tag_loose", "question"), ("overstretched", "outset")]
)
def test_many_of_a_kind_are_gathered_and_all_are_named(
    tmp_path: Path, kind: str, heading: str
) -> None:
    many = MAX_SEPARATE_FINDINGS[heading] + 1  # type: ignore[index]
    html = text(tmp_path, kind, many)
    assert html.tags.count("article") == FINDINGS_IN_FULL[heading]  # type: ignore[index]
    assert {f"f-{k}" for k in range(1, many + 1)} <= set(html.ids)
    assert {f"#f-{k}" for k in range(1, many + 1)} <= set(html.links)
    assert f"{many} letters: shin {many} of" in html.text and f"{many} findings" in html.text


def test_few_of_a_kind_stand_each_for_itself(tmp_path: Path) -> None:
    html = text(tmp_path, "tag_loose", MAX_SEPARATE_FINDINGS["question"])
    assert html.tags.count("article") == MAX_SEPARATE_FINDINGS["question"]


@pytest.mark.parametrize(("beside", "full"), [("unfamiliar", False), ("tag_merged", True)])
def test_another_matter_is_shown_in_full_but_not_that_the_form_is_strange(
    tmp_path: Path, beside: str, full: bool
) -> None:
    many = MAX_SEPARATE_FINDINGS["question"] + 1
    html = text(tmp_path, "tag_loose", many, beside)
    assert html.tags.count("article") == (many if full else FINDINGS_IN_FULL["question"])


def test_what_is_in_doubt_about_a_whole_page_is_stated_and_counted(tmp_path: Path) -> None:
    letters = made.glyphs(doubts=dict.fromkeys(range(1, 100), ("unfamiliar", "review", 0.5)))
    made.page(tmp_path, "a", letters)
    run = made.scrolls(tmp_path, [{"name": "a", "faces": ["a"]}])
    html = made.Document(render_sheet(run, run.scrolls[0])).text
    assert f"Face, whole page: {len(letters)} of {len(letters)} letters are unlike" in html
    assert "To review 1 place" in " ".join(html.split())


def statement(kind: str, letter: str, glyphs: list[GlyphRecord]) -> HabitRecord:
    """A statement on all these letters."""
    numbers, count = tuple(g.glyph for g in glyphs), len(glyphs)
    forms = (HabitLetter(letter, count, count),)
    message = f"Again and again: {kind} in {count} of {count} letters."
    return HabitRecord(
        kind, None, "repeated", forms, count, count, 0, numbers, (), "question", message
    )


@pytest.mark.parametrize("listed", [True, False])
def test_a_statement_counts_as_its_letters_and_none_of_them_twice(
    tmp_path: Path, listed: bool
) -> None:
    """Letters are its evidence, or listed one by one beside it: the sheet has one number."""
    many = MAX_SEPARATE_FINDINGS["question"] + 1
    doubts = dict.fromkeys(range(1, many + 1), ("tag_loose", "finding", 0.99)) if listed else {}
    letters = made.glyphs(["ש" * many], doubts)
    made.page(tmp_path, "a", letters, habits=(statement("tag_loose", "ש", letters),))
    run = made.scrolls(tmp_path, [{"name": "a", "faces": ["a"]}])
    html = made.Document(render_sheet(run, run.scrolls[0])).text
    assert f"Seen: crown loose {many}." in html
    assert (f"in all {many} letters: shin {many} of {many}" in html) == listed


@pytest.mark.parametrize("listed", [True, False])
def test_what_is_seen_adds_up_to_the_findings(tmp_path: Path, listed: bool) -> None:
    """A reader adds the kinds: every difference from the number of findings is a sentence."""
    many = 3
    doubts = dict.fromkeys(range(1, many + 1), ("tag_loose", "finding", 0.99)) if listed else {}
    letters = made.glyphs(["ש" * many], doubts)
    if listed:
        letters[0] = replace(
            letters[0], reasons=("tag_loose", "stroke_broken", "ink_lost"),
            sure=("tag_loose", "stroke_broken"),
        )  # fmt: skip
    made.page(tmp_path, "a", letters, habits=(statement("tag_loose", "ש", letters),))
    run = made.scrolls(tmp_path, [{"name": "a", "faces": ["a"]}])
    counts = view_scroll(run, run.scrolls[0]).counts
    findings = sum(f.route == "finding" for f in run.pages["a"].findings)
    assert findings == (many + 1 if listed else 1)
    # One letter is seen to have two faults, and is in doubt of a third.
    twice, beside, unlisted = (1, 1, 0) if listed else (0, 0, many)
    assert (counts.several, counts.beside, counts.evidence) == (twice, beside, unlisted)
    assert sum(counts.seen.values()) - twice - unlisted + counts.stated["finding"] == findings
    html = " ".join(made.Document(render_sheet(run, run.scrolls[0])).text.split())
    assert "1 more finding is a statement about the whole hand." in html
    assert ("1 place counts under more than one kind." in html) == listed
    assert ("1 doubt stands at a place that is a finding for another reason." in html) == listed
    assert ("3 letters are evidence of such statements" in html) != listed


def test_a_statement_has_one_number_and_its_sources_once(tmp_path: Path) -> None:
    letters = made.glyphs(["ם" * 8])
    made.page(tmp_path, "a", letters, habits=(statement("corner_rounded", "ם", letters),))
    run = made.scrolls(tmp_path, [{"name": "a", "faces": ["a"]}])
    html = render_sheet(run, run.scrolls[0])
    assert '<a class="no" href="#f-1">1</a>' in html[html.index('id="hand-1"') :]
    assert html.count("may read samech") == 1
    assert "Pictures and sources above" in html[html.index('id="f-1"') :]


@pytest.mark.parametrize("route", ["finding", "review"])
def test_a_form_that_is_accepted_is_named_where_it_is_seen(tmp_path: Path, route: str) -> None:
    """A doubt about what the customs accept either way asks nothing of a reader (MB 36:12)."""
    letters = made.glyphs(["ש" * 8], {3: ("tag_bare", route, 0.9)})
    facts = ImageFacts("a.png", 1240, 560, "RGB", "PNG")
    forms = accepted_forms(PageRecord("a", facts, tuple(letters), (), None, 0), load_customs())
    made.page(tmp_path, "a", letters, not_examined=tuple(accepted_message(*f) for f in forms))
    run = made.scrolls(tmp_path, [{"name": "a", "faces": ["a"]}])
    html = made.Document(render_sheet(run, run.scrolls[0])).text
    assert len(forms) == 1
    assert ("letter whose crown is a bare line" in html) == (route == "finding")


def test_of_a_statement_the_books_are_quoted_on_its_letters(tmp_path: Path) -> None:
    letters = made.glyphs(["ם" * 8])
    made.page(tmp_path, "a", letters, habits=(statement("corner_rounded", "ם", letters),))
    run = made.scrolls(tmp_path, [{"name": "a", "faces": ["a"]}])
    (finding,) = run.pages["a"].findings
    assert finding.opinions == CATALOGUE["corner_rounded"].opinions_on("ם")
    html = made.Document(render_sheet(run, run.scrolls[0])).text
    assert "may read samech" in html and "may read resh" not in html


@pytest.mark.parametrize(("kind", "drawn"), [("corner_rounded", True), ("letter_extra", False)])
def test_marks_have_no_well_formed_letter_beside_them(
    tmp_path: Path, kind: str, drawn: bool
) -> None:
    """Beside marks between words stood a vav, "well formed"."""
    letters = made.glyphs(["ו" * 8] if not drawn else ["ם" * 8])
    made.page(tmp_path, "a", letters, habits=(statement(kind, letters[0].letter, letters),))
    run = made.scrolls(tmp_path, [{"name": "a", "faces": ["a"]}])
    html = render_sheet(run, run.scrolls[0])
    wall = html[html.index('id="hand-1"') :].split("</section>")[0]
    assert ("Well formed" in wall) == drawn
    assert "What is meant stands in the middle of each picture." in wall


def test_of_an_exchanged_letter_both_are_named(tmp_path: Path) -> None:
    letters = made.glyphs(["ששש"], {2: ("letter_swapped", "review", 0.6)})
    letters[1] = replace(letters[1], expected="ע")
    made.page(tmp_path, "a", letters, match=TextMatch("given", 3, 3, 0, 0))
    run = made.scrolls(tmp_path, [{"name": "a", "faces": ["a"]}])
    html = made.Document(render_sheet(run, run.scrolls[0])).text
    assert "shin: letter swapped" in html and "text: ע" in " ".join(html.split())


def touching(right: int, kind: str = "letters_touch") -> GapRecord:
    return GapRecord(
        line=1, right_glyph=right, left_glyph=right + 1, expected="letter", width_px=0.0,
        width_q=0.0, width_yud=0.0, p_words_joined=None, p_word_parted=None, p_letters_touch=0.99,
        route="finding", reasons=(kind,), sure=(kind,),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("gaps", "loose", "articles"),
    [((1, 2), 2, 1), ((1, 2, 6), 2, 2), ((1, 2), 6, 3), ((1, 2), 0, 2), ((1, 2, 3), 0, 3)],
)
def test_findings_of_several_kinds_on_letters_that_hang_together_are_one_place(
    tmp_path: Path, gaps: tuple[int, ...], loose: int, articles: int
) -> None:
    """One blot over letters 1 to 3 makes two gaps touch and a crown loose; contacts alone, or a
    loose crown elsewhere, are no blot. How it is shown is this project's own decision."""
    doubts = {loose: ("tag_loose", "finding", 0.99)} if loose else {}
    made.page(
        tmp_path, "a", made.glyphs(["ששש שששש"], doubts), gaps=tuple(touching(k) for k in gaps)
    )
    run = made.scrolls(tmp_path, [{"name": "a", "faces": ["a"]}])
    html = made.Document(render_sheet(run, run.scrolls[0]))
    count = len(gaps) + bool(loose)
    assert html.tags.count("article") == articles
    assert {f"f-{k}" for k in range(1, count + 1)} <= set(html.ids)
    assert {f"#m-f-{k}" for k in range(1, count + 1)} <= set(html.links)
    assert len(html.ids) == len(set(html.ids))
    assert f"Commonly held to need a ruling {count} findings" in " ".join(html.text.split())
    assert ("In the same place" in html.text) == (articles < count)


def test_one_place_keeps_its_pictures_where_its_kind_comes_many_times(tmp_path: Path) -> None:
    many = MAX_SEPARATE_FINDINGS["question"] + 4
    letters = made.glyphs(["ששש"] + ["ששש"] * many, {2: ("tag_loose", "finding", 0.9)})
    gaps = [replace(touching(3 * k + 1), line=k + 1) for k in range(many)]
    made.page(tmp_path, "a", letters, gaps=(touching(2), *gaps))
    run = made.scrolls(tmp_path, [{"name": "a", "faces": ["a"]}])
    html = made.Document(render_sheet(run, run.scrolls[0]))
    assert html.tags.count("article") in range(2, FINDINGS_IN_FULL["question"] + 2)
    assert {f"f-{k}" for k in range(1, many + 3)} <= set(html.ids)
    assert "In the same place" in html.text
