"""A page's record written to disk: tables, JSON and a COCO file, all of them or none.

All files are written into a draft folder beside the target, which replaces it by renaming: a killed
run leaves the old record or the new one, never half of either.
"""

from __future__ import annotations

import dataclasses
import shutil
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from crownlet.datasets.files.atomic import (
    make_draft_folder,
    replace_folder,
    sync_folder,
    write_csv,
    write_json,
)
from crownlet.datasets.scribal.alphabet import index_of
from crownlet.infer.findings.finding import Finding
from crownlet.infer.records import (
    GLYPH_JUDGEMENTS,
    GapRecord,
    GlyphRecord,
    PageRecord,
    first_words,
)
from crownlet.infer.routing.judgement import tally_of
from crownlet.infer.run.tables import write_findings, write_measures
from crownlet.infer.view.wording import RULING_TEXT

RECORD_SCHEMA = 4
"""Version of the record's format; a change that breaks a reader raises it."""

GLYPH_COLUMNS = (
    "glyph", "line", "word", "place", "letter", "letter_p", "expected", "x0", "y0", "x1", "y1", "q",
    "tags_seen", "tags_expected", *(f"p_{name}" for name in GLYPH_JUDGEMENTS), "route", "reasons",
    "not_examined", "cx", "cy", "body", "rotation", "divine_name", "sure", "habits",
    "word_on_page", "shared_doubts", "accepted_doubts",
)  # fmt: skip

GAP_COLUMNS = (
    "line", "right_glyph", "left_glyph", "expected", "width_px", "width_q", "width_yud",
    "p_words_joined", "p_word_parted", "p_letters_touch", "route", "reasons", "sure",
)  # fmt: skip

PAGE_FILES = (
    "glyphs.csv", "gaps.csv", "findings.csv", "measures.csv", "page.json",
    "predictions.coco.json", "timing.json",
)  # fmt: skip
"""Files of a page's folder; all but timing.json are the same for the same page."""


def write_page(page: PageRecord, run: Path, findings: Iterable[Finding] = ()) -> Path:
    """Write `run/<page.name>/` atomically and return it; OSError if the folder cannot be written.

    `findings` are those of the page by the customs in use.
    """
    run.mkdir(parents=True, exist_ok=True)
    target = run / page.name
    draft = make_draft_folder(run)
    try:
        first = first_words(page)
        rows = (glyph_row(g, g.word - first[g.line] + 1) for g in page.glyphs)
        write_csv(draft / "glyphs.csv", GLYPH_COLUMNS, rows)
        write_csv(draft / "gaps.csv", GAP_COLUMNS, map(gap_row, page.gaps))
        write_findings(draft / "findings.csv", findings)
        write_measures(draft / "measures.csv", page.measurements)
        write_json(draft / "page.json", page_json(page))
        write_json(draft / "predictions.coco.json", coco_results(page))
        # In a file of its own, since no two inspections take the same time.
        seconds = {stage: round(value, 4) for stage, value in page.timing.items()}
        write_json(draft / "timing.json", {"seconds": seconds})
        sync_folder(draft)
        replace_folder(draft, target)
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return target


def glyph_row(glyph: GlyphRecord, word: int) -> list[str]:
    """One row of glyphs.csv, in the order of `GLYPH_COLUMNS`; `word` is counted in its line."""
    return [
        str(glyph.glyph), str(glyph.line), str(word), str(glyph.place), glyph.letter,
        _p(glyph.letter_p), glyph.expected or "", *(f"{v:.1f}" for v in glyph.box),
        f"{glyph.q:.2f}", str(glyph.tags_seen),
        "" if glyph.tags_expected is None else str(glyph.tags_expected),
        *(_p(glyph.p.get(name)) for name in GLYPH_JUDGEMENTS), glyph.route,
        ";".join(glyph.reasons),
        ";".join(glyph.not_examined), *(f"{v:.2f}" for v in glyph.body), str(int(glyph.in_name)),
        ";".join(glyph.sure), ";".join(glyph.habits), str(glyph.word),
        ";".join(glyph.shared_doubts), ";".join(glyph.accepted_doubts),
    ]  # fmt: skip


def gap_row(gap: GapRecord) -> list[str]:
    """One row of gaps.csv, in the order of `GAP_COLUMNS`."""
    return [
        str(gap.line), str(gap.right_glyph), str(gap.left_glyph), gap.expected or "",
        f"{gap.width_px:.1f}", f"{gap.width_q:.3f}", f"{gap.width_yud:.3f}",
        _p(gap.p_words_joined), _p(gap.p_word_parted), _p(gap.p_letters_touch), gap.route,
        ";".join(gap.reasons), ";".join(gap.sure),
    ]  # fmt: skip


def _p(value: float | None) -> str:
    return "" if value is None else f"{value:.4f}"


def page_json(page: PageRecord) -> dict[str, Any]:
    """The content of page.json: all of a page but its rows."""
    return {
        "schema": RECORD_SCHEMA,
        "page": page.name,
        "caution": RULING_TEXT,
        "notes": list(page.notes),
        "image": dataclasses.asdict(page.image) | {"turn": page.turn},
        "versions": page.versions,
        "quality": dict(page.quality),
        "not_resolved": list(page.unresolved),
        "not_examined": list(page.not_examined),
        "text": None if page.match is None else dataclasses.asdict(page.match),
        "counts": count_page(page),
        "in_divine_names": [g.glyph for g in page.glyphs if g.in_name],
        # An empty cell of `expected` may mean "not known" or "no letter": these are the latter.
        "letters_extra": [g.glyph for g in page.glyphs if g.expected == ""],
        "hand": None if page.hand is None else dataclasses.asdict(page.hand),
        "familiarity": None if page.familiarity is None else dataclasses.asdict(page.familiarity),
        "habits": [
            dataclasses.asdict(habit) | {"share": round(habit.share, 4)} for habit in page.habits
        ],
        "asked": dict(page.asked),
    }


def count_page(page: PageRecord) -> dict[str, Any]:
    """Numbers of letters and gaps, by route, and of what is seen and doubted on them."""
    absent = len(page.match.absent) if page.match else 0
    return {
        "letters": len(page.glyphs),
        "lines": max((g.line for g in page.glyphs), default=0),
        "words": len({g.word for g in page.glyphs}),
        "letters_by_route": _by_route(g.route for g in page.glyphs),
        "gaps_by_route": _by_route(g.route for g in page.gaps),
        "letters_absent": absent,
        "judgements": count_judgements(page),
    }


def count_judgements(page: PageRecord) -> dict[str, dict[str, int]]:
    """By kind, on how many letters and gaps it is seen, doubted and not examined."""
    rows: list[GlyphRecord | GapRecord] = [*page.glyphs, *page.gaps]
    kinds = {name for row in rows for name in row.reasons} | set(page.unresolved)
    kinds |= {
        name for glyph in page.glyphs for name in (*glyph.not_examined, *glyph.unrouted_doubts)
    }
    counts = {kind: tally_of(rows, kind, page.unresolved) for kind in sorted(kinds)}
    return {
        kind: {"seen": n.seen, "doubted": n.doubted, "not_examined": n.not_examined}
        for kind, n in counts.items()
    }


def _by_route(routes: Iterable[str]) -> dict[str, int]:
    seen = Counter(routes)
    return {route: seen[route] for route in ("clear", "review", "finding")}


def coco_results(page: PageRecord) -> list[dict[str, Any]]:
    """The letters as COCO detection results: image 1, category 1 (alef) to 27 (tav)."""
    return [
        {
            "image_id": 1,
            "category_id": index_of(glyph.letter) + 1,
            "bbox": [
                round(glyph.box[0], 1), round(glyph.box[1], 1),
                round(glyph.box[2] - glyph.box[0], 1), round(glyph.box[3] - glyph.box[1], 1),
            ],
            "score": round(glyph.letter_p, 5),
        }
        for glyph in page.glyphs
    ]  # fmt: skip
