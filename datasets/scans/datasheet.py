"""The datasheet of a data set, counted from its files."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from importlib import resources
from pathlib import Path
from typing import Any

from crownlet.datasets.coco.read import load_coco
from crownlet.datasets.coco.truth import LetterTruth
from crownlet.datasets.files.atomic import write_file
from crownlet.datasets.scans.manifest import SPLITS, Manifest, Scan
from crownlet.datasets.scribal.alphabet import ALPHABET
from crownlet.datasets.scribal.catalogue import CATALOGUE, GLYPH_DEFECTS

DATASHEET = "datasheet.md"

Row = dict[str, Any]


def write_datasheet(folder: Path, manifest: Manifest) -> Path:
    """Write `datasheet.md`; LabelError if labels cannot be read, OSError if it cannot be written.

    The same data set gives the same bytes.
    """
    path = folder / DATASHEET
    write_file(path, render_datasheet(folder, manifest))
    return path


def render_datasheet(folder: Path, manifest: Manifest) -> str:
    """The datasheet as Markdown."""
    from jinja2 import Environment, StrictUndefined

    settings: Any = {"undefined": StrictUndefined, "keep_trailing_newline": True}
    env = Environment(autoescape=False, **settings)  # Markdown; `cell` guards the tables
    env.filters["cell"] = escape_cell
    template = (resources.files("crownlet.datasets.scans") / "datasheet.md").read_text("utf-8")
    return env.from_string(template).render(count_dataset(folder, manifest))


def escape_cell(text: str) -> str:
    """Text that may stand in a cell of a Markdown table."""
    plain = " ".join(text.split()).replace("\\", "\\\\").replace("|", "\\|")
    return plain.replace("<", "&lt;").replace(">", "&gt;")


def count_dataset(folder: Path, manifest: Manifest) -> Row:
    """All that the datasheet counts."""
    scans = sorted(manifest.scans, key=lambda scan: scan.file)
    letters = {scan.file: _labelled_letters(folder, scan) for scan in scans}
    known = {file: [x for x in found if x.whole or x.legible] for file, found in letters.items()}
    every = [letter for found in known.values() for letter in found]
    numbers = Counter(letter.letter for letter in every)
    return {
        "name": escape_cell(folder.resolve().name),
        "manifest": manifest,
        "scans": len(scans),
        "hands": len({scan.scroll for scan in scans}),
        "labelled": sum(scan.labels is not None for scan in scans),
        "letters": len(every),
        "unknown": sum(map(len, letters.values())) - len(every),
        "splits": [_count_split(name, scans, known) for name in SPLITS],
        "scrolls": _count_scrolls(scans, known),
        "alphabet": [{"char": x.char, "name": x.name, "count": numbers[x.char]} for x in ALPHABET],
        "defects": [_count_defect(name, every) for name in GLYPH_DEFECTS],
        "origins": _count_origins(scans),
        "hows": [
            {"how": how, "scans": count}
            for how, count in sorted(Counter(s.labelled or "not labelled" for s in scans).items())
        ],
    }


def _labelled_letters(folder: Path, scan: Scan) -> tuple[LetterTruth, ...]:
    if scan.labels is None:
        return ()
    return load_coco(folder / scan.labels, (folder / scan.file).parent).truths[0].letters


def _count_split(name: str, scans: Iterable[Scan], known: dict[str, list[LetterTruth]]) -> Row:
    own = [scan for scan in scans if scan.split == name]
    return {
        "split": name,
        "scrolls": len({scan.scroll for scan in own}),
        "scans": len(own),
        "labelled": sum(scan.labels is not None for scan in own),
        "letters": sum(len(known[scan.file]) for scan in own),
    }


def _count_scrolls(scans: Iterable[Scan], known: dict[str, list[LetterTruth]]) -> list[Row]:
    rows: dict[str, Row] = {}
    for scan in scans:
        blank = {"scroll": scan.scroll, "split": scan.split, "scans": 0, "letters": 0}
        row = rows.setdefault(scan.scroll, blank)
        row["scans"] += 1
        row["letters"] += len(known[scan.file])
    return [rows[name] for name in sorted(rows)]


def _count_defect(name: str, letters: Iterable[LetterTruth]) -> Row:
    """Letters of which this defect is known, and those that plainly have it."""
    asked = there = 0
    for letter in letters:
        looked = letter.known is None or name in letter.known
        if not (letter.whole and looked and CATALOGUE[name].applies_to(letter.letter)):
            continue
        asked += 1
        there += any(mark.name == name and mark.plainness >= 0.5 for mark in letter.defects)
    return {"name": name, "asked": asked, "there": there}


def _count_origins(scans: Iterable[Scan]) -> list[Row]:
    origins = Counter((scan.provenance, scan.licence, scan.consent) for scan in scans)
    return [
        {"provenance": where, "licence": licence, "consent": consent, "scans": count}
        for (where, licence, consent), count in sorted(origins.items())
    ]
