"""Runs of made-up records: letters in rows, a share of them doubted, with or without pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from crownlet.datasets.files.images import ImageFacts, read_page
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import CATALOGUE, GLYPH_DEFECTS
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.hand_records import HabitLetter, HabitRecord
from crownlet.infer.records import GapRecord, GlyphRecord, PageRecord
from crownlet.infer.run.run import Run, open_run
from crownlet.infer.run.write import write_page as write_with_findings

PITCH = 20
"""px between two letters; a line has 40 of them."""
SHAPE = (420, 840)


def record(name: str, letters: int = 713, doubted: float = 0.1, seed: int = 0) -> PageRecord:
    """A page of random letters, each doubted by one or two of its defects with chance `doubted`."""
    rng = np.random.default_rng([seed, sum(name.encode())])
    glyphs = []
    for k in range(letters):
        letter = LETTERS[int(rng.integers(27))]
        x, y = 20.0 + PITCH * (k % 40), 20.0 + PITCH * (k // 40)
        can = [d for d in GLYPH_DEFECTS if CATALOGUE[d].applies_to(letter)]
        p: dict[str, float | None] = {d: 0.01 if d in can else None for d in GLYPH_DEFECTS}
        kinds = tuple(map(str, rng.choice(can, 1 + k % 2, replace=False)))
        raised = bool(rng.random() < doubted)
        route = ("finding" if k % 3 else "review") if raised else "clear"
        glyphs.append(
            GlyphRecord(
                glyph=k + 1, line=k // 40 + 1, word=k // 4 + 1, place=k % 4 + 1, letter=letter,
                letter_p=0.99, expected=letter, box=(x - 6, y, x + 6, y + 12),
                body=(x, y, 12.0, 0.0), tags_seen=0, tags_expected=0,
                p=p | dict.fromkeys(kinds, 0.9) if raised else p, route=route,
                reasons=kinds if raised else (),
            )
        )  # fmt: skip
    gap = GapRecord(1, 1, 2, "letter", 8.0, 2.0, 2.0, None, 0.9, 0.0, "finding", ("word_parted",))
    facts = ImageFacts(f"{name}.png", SHAPE[1], SHAPE[0], "RGB", "PNG", sha256=f"{seed:064d}")
    versions = {"model": {"version": "9"}}
    return PageRecord(name, facts, tuple(glyphs), (gap,), None, 0, versions=versions)


def write_page(page: PageRecord, folder: Path) -> None:
    """Write a page as before findings were listed, so that its letters' own doubts are asked."""
    (write_with_findings(page, folder) / "findings.csv").unlink()


def run(folder: Path, names: Sequence[str], **of_pages: float) -> Run:
    """A run of such pages, without pictures."""
    for name in names:
        write_page(record(name, **of_pages), folder)  # type: ignore[arg-type]
    return open_run(folder)


def pictured(folder: Path, names: Sequence[str], letters: int = 80) -> Run:
    """A run in `folder/run` whose pictures lie in `folder/scans`: a block where each letter is."""
    (folder / "scans").mkdir(parents=True, exist_ok=True)
    for number, name in enumerate(names):
        page = record(name, letters, 0.3)
        image = np.full((*SHAPE, 3), 230, np.uint8)
        image[0, 0] = number
        for glyph in page.glyphs:
            x0, y0, x1, y1 = (int(v) for v in glyph.box)
            image[y0:y1, x0:x1] = 20
        scan = folder / "scans" / f"{name}.png"
        scan.write_bytes(cv2.imencode(".png", image)[1].tobytes())
        write_page(replace(page, image=read_page(scan).facts), folder / "run")
    return open_run(folder / "run")


HABIT_SEEN, HABIT_DOUBTED, HABIT_EXCEPTIONS = 57, 5, 3
"""Letters of a hand of `habit_page` that show its habit, are in doubt of it, and depart from it."""


def habit_page(name: str, letters: int = HABIT_SEEN, seed: int = 0) -> PageRecord:
    """A page of the letter he, whose leg touches the roof as a rule; some in doubt, some not so."""
    page = record(name, letters + HABIT_DOUBTED + HABIT_EXCEPTIONS, 0.0, seed)
    seen = tuple(range(1, letters + 1))
    last = len(page.glyphs)
    exceptions = tuple(range(last - HABIT_EXCEPTIONS + 1, last + 1))

    def written(glyph: GlyphRecord) -> GlyphRecord:
        shown = glyph.glyph in seen
        p = 0.95 if shown else 0.02 if glyph.glyph in exceptions else 0.5
        return replace(
            glyph, letter="ה", expected="ה", p={"leg_touches_roof": p},
            habits=("leg_touches_roof",) if shown else (),
        )  # fmt: skip

    habit = HabitRecord(
        "leg_touches_roof", None, "habit", (HabitLetter("ה", letters, last),), letters, last,
        HABIT_DOUBTED, seen, exceptions, "question", "As a rule of this hand: legs touch.",
    )  # fmt: skip
    return replace(page, glyphs=tuple(map(written, page.glyphs)), gaps=(), habits=(habit,))


def habit_run(folder: Path, names: Sequence[str], letters: int = HABIT_SEEN, scan: int = 0) -> Run:
    """A run of such hands; with `scan`, enlarged pictures lie beside it in `scans`."""
    for number, name in enumerate(names):
        page = habit_page(name, letters, number)
        if scan:
            page = with_picture(page, folder.parent / "scans" / f"{name}.png", scan)
        write_with_findings(page, folder, collect_findings(page, load_customs()))
    return open_run(folder)


def with_picture(page: PageRecord, path: Path, scan: int) -> PageRecord:
    """The page enlarged `scan` times, its picture written: each letter a roof and two legs."""
    glyphs = tuple(
        replace(
            g, box=tuple(scan * v for v in g.box), body=(*(scan * v for v in g.body[:3]), 0.0)
        )
        for g in page.glyphs
    )  # fmt: skip
    image = np.full((SHAPE[0] * scan, SHAPE[1] * scan, 3), 225, np.uint8)
    image[0, 0] = sum(page.name.encode()) % 200
    for g in glyphs:
        x0, y0, x1, y1 = map(int, g.box)
        image[y0 : y0 + (y1 - y0) // 4, x0:x1] = 25
        image[y0:y1, x1 - (x1 - x0) // 4 : x1] = 25
        image[y0 + (y1 - y0) // 4 : y1, x0 : x0 + (x1 - x0) // 4] = 25
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(cv2.imencode(".png", image)[1].tobytes())
    return replace(page, glyphs=glyphs, image=read_page(path).facts)
