"""Complete surveys of made-up pages, and a reader who answers their audit."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import synthetic_runs

from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.records import PageRecord
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.review.survey_questions import write_audit
from crownlet.infer.run.run import open_run
from crownlet.infer.run.survey_state import AuditDraw, Survey, write_survey
from crownlet.infer.run.write import write_page
from crownlet.infer.scrolls.gather import update_scrolls
from crownlet.infer.survey.audit import draw_audit
from crownlet.infer.survey.page_letters import PageLetters, read_page_letters
from crownlet.infer.survey.pseudonyms import PageKey, write_keys

PAGES = {
    "S001-face": "A", "S001-reverse": "A", "S002-face": "A", "S003-face": "A",
    "S004-face": "B", "S005-face": "B", "S006-face": "B",
}  # fmt: skip
LETTERS = 60
DEFECT = "ink_lost"
"""Every letter can have it."""
ROW = GLYPH_DEFECTS.index(DEFECT)


def surveyed(
    folder: Path,
    size: float,
    defects: tuple[str, ...] = (DEFECT,),
    draw: AuditDraw = "doubt",
    *,
    first_seed: int = 2,
    scroll_name: str = "{}",
) -> Path:
    """A complete survey of made-up pages; `scroll_name` makes names of scrolls from their codes."""
    keys = []
    for line, (page, code) in enumerate(PAGES.items(), start=2):
        record = sure(synthetic_runs.record(page, LETTERS, 0.3, seed=first_seed + line - 2))
        write_page(record, folder, collect_findings(record, load_customs()))
        scroll, _, side = page.partition("-")
        source = {"A": "Northgate", "B": "Southgate"}[code]
        keys.append(
            PageKey(
                page, code, scroll, source, scroll_name.format(scroll), side, page,
                record.image.sha256, line, f"H{scroll[1:]}", "", f"scribe {scroll}", "",
                (("date", f"20{scroll[2:]}"),),
            )
        )  # fmt: skip
    update_scrolls(folder)
    write_keys(folder, keys)
    pages = {key.page: key.sha256 for key in keys}
    pairs = draw_audit(scrolls(folder, pages), defects, size, 7, draw)
    write_audit(folder, pairs)
    survey = Survey("0", 7, size, defects, True, pages, draw=draw, versions={"package": "1"})
    write_survey(folder, survey)
    return folder


def sure(record: PageRecord) -> PageRecord:
    """The same page, each of its findings sure of all its reasons."""
    glyphs = (
        replace(glyph, sure=glyph.reasons if glyph.route == "finding" else ())
        for glyph in record.glyphs
    )
    return replace(record, glyphs=tuple(glyphs))


def scrolls(folder: Path, pages: dict[str, str]) -> dict[str, list[PageLetters]]:
    found: dict[str, list[PageLetters]] = {}
    for page, checksum in pages.items():
        letters = read_page_letters(folder / page, checksum)
        found.setdefault(page.partition("-")[0], []).append(letters)
    return found


def answer(folder: Path, reader: str, choice: dict[int, str], informed: bool = False) -> None:
    """Answer all questions: `choice` by the number of the letter on its page, else not present."""
    store = ReviewStore.open(folder / "review.sqlite3", open_run(folder))
    for item in store.items(reader):
        if informed:
            store.record_disclosure(reader, [item.id])
        chosen = choice.get(item.glyphs[0], "not_present")
        store.decide(item.id, reader, chosen, version=item.version)
    store.close()
