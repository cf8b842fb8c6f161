"""The gap between words as a habit: in this hand's own yuds, against the handbook's one yud."""

from __future__ import annotations

from dataclasses import replace

import made
import numpy as np
import pytest
from test_gaps import SCAN, measured

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import mezuzah
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.findings.finding import Finding
from crownlet.infer.records import GapRecord, PageRecord

DEFAULT = load_customs()


def page(words: float, letters: float = 0.3, known: bool = True, count: int = 20) -> PageRecord:
    """Words of three letters, all with the same gaps, in yuds."""
    glyphs = [made.glyph(k, "ש") for k in range(1, 3 * count + 3)]
    gaps = []
    for k in range(1, 3 * count + 2):
        word = k % 3 == 0
        width = words if word else letters
        gaps.append(
            GapRecord(
                1, k, k + 1, ("word" if word else "letter") if known else None, 10 * width, width,
                width, 0.0 if word else None, None if word else 0.0, None,
            )
        )  # fmt: skip
    return made.record(glyphs, gaps)


def found(record: PageRecord) -> list[Finding]:
    return [f for f in collect_findings(record, DEFAULT) if f.kind == "words_near"]


@pytest.mark.parametrize("known", [True, False])
def test_a_yud_between_words_is_the_rule(known: bool) -> None:
    # A small letter, that is a yud of the same hand: Orach Chayim 32:32 gloss; Keset 7:2.
    assert found(page(1.0, known=known)) == []
    (finding,) = found(page(0.6, known=known))
    assert (finding.heading, finding.scope, finding.line) == ("outset", "page", 1)
    assert "0.6 of this hand's yud" in finding.message
    assert "between letters it is 0.3" in finding.message


def test_some_narrow_whites_are_no_habit() -> None:
    record = page(1.2)
    some = [replace(g, width_yud=0.4) if k % 9 == 2 else g for k, g in enumerate(record.gaps)]
    assert found(replace(record, gaps=tuple(some))) == []


def test_few_words_make_no_habit() -> None:
    assert found(page(0.5, count=10)) == []


@pytest.mark.parametrize(("close", "seed", "narrow"), [(0.0, 8, False), (1.0, 7, True)])
def test_hands_with_usual_and_with_close_words(close: float, seed: int, narrow: bool) -> None:
    """Gaps measured on the ink against the renderer's own widths."""
    truth = compose(mezuzah(32.0, split="heldout", gap_rate=0.0, close=close, augment=SCAN), seed)
    result, width, kinds, _ = measured(truth)
    word = np.array([kind == "word" for kind in kinds]) & np.isfinite(width)
    assert np.median(result.gaps.width_q[word]) == pytest.approx(np.median(width[word]), abs=0.1)
    gaps = tuple(
        GapRecord(1, 1, 2, kind, 0.0, float(q), float(q / result.gaps.yud_q), None, None, None)
        for kind, q in zip(kinds, result.gaps.width_q, strict=True)
    )
    record = made.record([made.glyph(1), made.glyph(2)], gaps)
    assert bool(found(record)) == narrow
