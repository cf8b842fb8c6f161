"""Distances of lines and letters that reach into other lines, by hand and against renders."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import made
import numpy as np
import pytest
from made_blocks import FAULTLESS, LINES, found, kinds, rows

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import mezuzah
from crownlet.infer.findings.columns import columns_of
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.layout import line_pitch_q


@pytest.mark.parametrize("pitch", [3.4, 4.0])
def test_near_lines(pitch: float) -> None:
    (finding,) = found(made.block(rows(), pitch=pitch))
    # The rule is a gap of one line, 3 q (OC 32:32 gloss): what is left is said.
    assert (finding.kind, finding.heading) == ("lines_near", "outset")
    assert f"gap of {pitch - 3:.1f} kulmus" in finding.message


def test_lines_by_the_rule_and_one_pair_too_near() -> None:
    assert kinds(made.block(rows(), pitch=6.0)) == []
    pitches = [6.0] * LINES
    pitches[5] = 4.5
    (finding,) = found(made.block(rows(), pitch=pitches))
    assert finding.message.startswith("Line 6 follows the one above with a gap of 1.5")
    assert {made_line(finding, k) for k in (0, -1)} == {5, 6}


def made_line(finding: Finding, at: int) -> int:
    page = made.block(rows())
    per_line = len(page.glyphs) // LINES
    return (finding.glyphs[at] - 1) // per_line + 1


def test_a_lamed_deep_in_a_letter_above() -> None:
    page = made.block(rows())
    k = len(page.glyphs) // 2
    tall = page.glyphs[k]
    x0, y0, x1, y1 = tall.box
    for depth, deep in ((1.0, False), (2.0, True)):
        lamed = replace(tall, letter="ל", box=(x0, y0 - (3.0 + depth) * made.Q, x1, y1))
        glyphs = (*page.glyphs[:k], lamed, *page.glyphs[k + 1 :])
        got = found(replace(page, glyphs=glyphs))
        assert [f.kind for f in got] == (["lines_near"] if deep else [])  # OC 32:28
        assert all(f.glyphs == (lamed.glyph,) for f in got)


def test_crowded_lines_are_near_and_measured_rightly() -> None:
    truth = compose(mezuzah(24.0, **(FAULTLESS | {"crowded": 1.0})), 1)
    page = made.from_truth(truth)
    lines = columns_of(page)[0].lines
    for k, (above, below) in enumerate(pairwise(lines)):
        mine = [t.body[1] for t in truth.letters if t.line == k + 1]
        over = [t.body[1] for t in truth.letters if t.line == k]
        true = float(np.median(mine) - np.median(over)) / below.q
        assert line_pitch_q(above, below) == pytest.approx(true, abs=0.2)
    assert kinds(page) == ["lines_near"]
