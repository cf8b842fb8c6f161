"""findings.csv: a row a finding, and back again.

Opinions are those of the catalogue and measurements those of measures.csv, so neither is repeated.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import cast, get_args

from crownlet.infer.files import write_rows
from crownlet.infer.findings.finding import HEADINGS, Finding, Heading, Scope
from crownlet.infer.findings.gravity import opinions_on
from crownlet.infer.measuring import Measurement
from crownlet.infer.records import Route

COLUMNS = (
    "number", "kind", "others", "scope", "glyphs", "line", "letter", "expected", "x0", "y0", "x1",
    "y1", "route", "sure", "p", "heading", "code", "divine_name", "says",
)  # fmt: skip


def write_findings(path: Path, findings: Iterable[Finding]) -> None:
    """Write findings.csv (RFC 4180: UTF-8, commas, CRLF, a header row)."""
    write_rows(path, COLUMNS, map(finding_row, findings))


def finding_row(finding: Finding) -> list[str]:
    """One row, in the order of `COLUMNS`."""
    return [
        str(finding.number), finding.kind, ";".join(finding.others), finding.scope,
        ";".join(map(str, finding.glyphs)), str(finding.line), finding.letter or "",
        finding.expected or "", *(f"{v:.1f}" for v in finding.box), finding.route,
        str(int(finding.sure)), "" if finding.p is None else f"{finding.p:.4f}", finding.heading,
        finding.code, str(int(finding.in_name)), finding.says,
    ]  # fmt: skip


def read_findings(path: Path, measurements: Sequence[Measurement] = ()) -> tuple[Finding, ...]:
    """The findings of a table, with those of `measurements` that bear on them.

    OSError if it cannot be read, ValueError naming the row that is no finding.
    """
    by_glyph: dict[int, list[Measurement]] = {}
    for measurement in measurements:
        by_glyph.setdefault(measurement.glyph, []).append(measurement)
    with path.open(encoding="utf-8", newline="") as file:
        rows = csv.DictReader(file)
        return tuple(_read(path, number, row, by_glyph) for number, row in enumerate(rows, 2))


def _read(
    path: Path, number: int, row: dict[str, str], measured: dict[int, list[Measurement]]
) -> Finding:
    try:
        return _finding(row, measured)
    except (KeyError, TypeError, ValueError, AttributeError):
        raise ValueError(f"{path}: row {number} is no finding") from None


def _finding(row: dict[str, str], measured: dict[int, list[Measurement]]) -> Finding:
    scope, heading, route = row["scope"], row["heading"], row["route"]
    if (
        scope not in get_args(Scope) or heading not in HEADINGS
        or route not in ("finding", "review") or not row["kind"]
    ):  # fmt: skip
        raise ValueError
    kind, letter = row["kind"], row["letter"] or None
    glyphs = tuple(int(g) for g in row["glyphs"].split(";") if g)
    near = measured.get(glyphs[0], []) if scope == "glyph" else []
    return Finding(
        number=int(row["number"]), kind=kind, scope=cast(Scope, scope), glyphs=glyphs,
        line=int(row["line"]), letter=letter,
        expected=_expected(row["expected"], kind),
        box=(float(row["x0"]), float(row["y0"]), float(row["x1"]), float(row["y1"])),
        route=cast(Route, route), p=float(row["p"]) if row["p"] else None,
        heading=cast(Heading, heading), code=row["code"], opinions=opinions_on(kind, letter),
        measurements=tuple(m for m in near if m.of == kind),
        in_name=row["divine_name"] == "1", says=row["says"],
        others=tuple(name for name in row["others"].split(";") if name), sure=row["sure"] == "1",
    )  # fmt: skip


def _expected(text: str, kind: str) -> str | None:
    """An extra letter is expected to be none, which is not the same as not being known."""
    return text or ("" if kind == "letter_extra" else None)
