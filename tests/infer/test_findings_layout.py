"""Margins, shapes and lines: blocks of known raggedness, and renders whose truth is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import made
import numpy as np
import pytest

from crownlet.datasets.customs import load_customs
from crownlet.datasets.page.compose import compose
from crownlet.datasets.page.spec import NO_AUGMENT, mezuzah
from crownlet.infer.findings import Finding, findings_of
from crownlet.infer.findings.edges import edges_of
from crownlet.infer.findings.laying import layout_findings
from crownlet.infer.findings.levels import distance
from crownlet.infer.findings.lines import blocks
from crownlet.infer.findings.unexamined import unexamined
from crownlet.infer.records import PageRecord

DEFAULT = load_customs()
LINES = 14
Pair = tuple[float, float]


def rows(left: Sequence[float] = (), right: Sequence[float] = ()) -> list[Pair]:
    """Edges in q of lines from 20 to 120, moved by the amounts given."""
    lefts = [20.0 + d for d in left] or [20.0] * LINES
    rights = [120.0 + d for d in right] or [120.0] * LINES
    return list(zip(lefts, rights, strict=True))


def found(page: PageRecord) -> list[Finding]:
    return layout_findings(page, DEFAULT)


def kinds(page: PageRecord) -> list[str]:
    return [finding.kind for finding in found(page)]


def wave(size: float) -> list[float]:
    """Edges that differ by `size` from one line to the next, without any trend."""
    return [size / 2 * (-1) ** k for k in range(LINES)]


def test_an_even_block_has_none() -> None:
    assert kinds(made.block(rows())) == []
    assert kinds(made.block(rows(left=wave(3.0), right=wave(0.6)))) == []


@pytest.mark.parametrize("size", [6.0, 9.0])
def test_raggedness_is_measured_in_kulmus(size: float) -> None:
    (left,) = found(made.block(rows(left=wave(size))))
    assert (left.kind, left.heading) == ("margin_uneven", "outset")  # L: OC 32:33
    assert f"left edges differ by {size:.1f} kulmus" in left.says
    (right,) = found(made.block(rows(right=wave(size))))
    assert f"right edges differ by {size:.1f} kulmus" in right.says


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(("way", "words"), [(1.0, "outward"), (-1.0, "inward")])
def test_tent_and_tail_even_on_one_side(side: str, way: float, words: str) -> None:
    # Yoreh De'ah 288:9: no tent and no tail, even on one side (Keset 27:6).
    moves = [0.6 * k * way * (1 if side == "right" else -1) for k in range(LINES)]
    (finding,) = found(made.block(rows(**{side: moves})))
    assert (finding.kind, finding.heading) == ("block_narrowing", "question")
    assert f"{side} edge of the column moves {words} line by line" in finding.says


def test_a_circle() -> None:
    bow = [6.0 - 6.0 * ((k - 6.5) / 6.5) ** 2 for k in range(LINES)]
    sides = found(made.block(rows(left=[-b for b in bow], right=bow)))
    assert [f.kind for f in sides] == ["block_narrowing"] * 2
    assert all("in a bow, outward in the middle" in f.says for f in sides)


def test_a_page_hanging_askew_has_no_shape() -> None:
    # Both edges lean alike: a parallelogram, as a picture taken a little turned gives it.
    lean = [0.5 * k for k in range(LINES)]
    assert kinds(made.block(rows(left=lean, right=lean))) == []


def test_of_a_picture_taken_aslant_no_shape_is_said() -> None:
    sizes = np.linspace(1.0, 0.86, LINES)
    middle = 70.0
    shrunk = [(middle - 50.0 * s, middle + 50.0 * s) for s in sizes]
    page = made.block(shrunk, scale=list(sizes))
    assert "block_narrowing" not in kinds(page)
    told = [s for s in unexamined(page, DEFAULT) if "narrows or widens" in s]
    assert len(told) == 1
    flat = made.block(rows())
    assert not [s for s in unexamined(flat, DEFAULT) if "narrows" in s]


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_turned_pages_are_measured_alike(turn: int) -> None:
    page = made.block(rows(left=wave(8.0)))
    (upright,) = found(page)
    (turned,) = found(made.turned(page, turn))
    assert (turned.kind, turned.says) == (upright.kind, upright.says)


def test_one_line_over_the_margin_is_named_and_many_are_an_uneven_edge() -> None:
    over = [0.0] * LINES
    over[4] = -5.5
    (finding,) = found(made.block(rows(left=over)))
    assert (finding.kind, finding.line, finding.heading) == ("line_over_margin", 5, "outset")
    assert "5.5 kulmus past the left edge" in finding.says  # L: YD 273:3
    many = [-7.0 if k % 3 == 0 else 0.0 for k in range(LINES)]
    assert kinds(made.block(rows(left=many))) == ["margin_uneven"]


def test_last_lines_and_short_lines_may_end_where_they_will() -> None:
    ends = rows()
    ends[-1] = (90.0, 120.0)  # the last line of a mezuzah has two words
    ends[6] = (70.0, 120.0)  # a portion ends
    assert kinds(made.block(ends)) == []


def test_letters_cut_by_the_frame_are_no_edge() -> None:
    ragged = made.block(rows(left=wave(8.0)))
    shift = min(g.box[0] for g in ragged.glyphs)
    moved = [
        replace(g, box=(max(0.0, g.box[0] - shift - 70), g.box[1], g.box[2] - shift, g.box[3]))
        for g in ragged.glyphs
    ]  # the left ends of all lines at the frame or over it
    assert kinds(replace(ragged, glyphs=tuple(moved))) == []


def test_few_lines_say_nothing_of_margins() -> None:
    # The four lines of a head tefillin (Keset 20:2) make no edge.
    assert kinds(made.block(rows()[:4])) == []
    assert kinds(made.block([(20.0 + 8 * (k % 2), 120.0) for k in range(4)])) == []


@pytest.mark.parametrize("pitch", [3.4, 4.0])
def test_near_lines(pitch: float) -> None:
    (finding,) = found(made.block(rows(), pitch=pitch))
    # The rule is a white of one line, 3 q (OC 32:32 gloss): what is left is said.
    assert (finding.kind, finding.heading) == ("lines_near", "outset")
    assert f"white of {pitch - 3:.1f} kulmus" in finding.says


def test_lines_by_the_rule_and_one_pair_too_near() -> None:
    assert kinds(made.block(rows(), pitch=6.0)) == []
    pitches = [6.0] * LINES
    pitches[5] = 4.5
    (finding,) = found(made.block(rows(), pitch=pitches))
    assert finding.says.startswith("Line 6 follows the one above with a white of 1.5")
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


def test_two_columns_are_two_blocks() -> None:
    right, left = made.block(rows()), made.block([(a - 200, b - 200) for a, b in rows()])
    shifted = [
        replace(g, glyph=g.glyph + len(right.glyphs), line=g.line + LINES) for g in left.glyphs
    ]
    both = replace(right, glyphs=(*right.glyphs, *shifted))
    assert len(blocks(both)) == 2
    assert kinds(both) == []


def test_nothing_is_said_where_the_picture_does_not_carry_it() -> None:
    page = made.block(rows(left=wave(8.0)))
    assert kinds(replace(page, unresolved=("margin_uneven",))) == []
    assert kinds(made.record([])) == []
    assert findings_of(made.record([made.glyph()]), DEFAULT) == ()


FAULTLESS: dict[str, object] = {
    "split": "heldout", "defect_rate": 0.0, "habit_rate": 0.0, "gap_rate": 0.0, "text_rate": 0.0,
    "morph_rate": 0.0, "oddity_rate": 0.0, "close": 0.0, "augment": NO_AUGMENT,
}  # fmt: skip


@pytest.mark.parametrize("seed", [2, 4, 14, 21, 26])
def test_faultless_mezuzot_are_said_uneven_only_where_they_are(seed: int) -> None:
    """Against the boxes of the renderer itself; seed 21 ends its lines 13 q apart."""
    truth = compose(mezuzah(24.0, **FAULTLESS), seed)
    got = kinds(made.from_truth(truth))
    q = float(np.median([t.q for t in truth.letters]))
    ends = [min(t.box[0] for t in truth.letters if t.line == k) / q for k in range(21) if k != 5]
    low, high = np.percentile(ends, [10, 90])
    assert got == (["margin_uneven"] if high - low > 6.0 else [])
    assert not 4.5 < high - low < 6.0  # the seeds lie off the border


def test_crowded_lines_are_near_and_measured_rightly() -> None:
    truth = compose(mezuzah(24.0, **(FAULTLESS | {"crowded": 1.0})), 1)
    page = made.from_truth(truth)
    lines = blocks(page)[0].lines
    for k, (above, below) in enumerate(pairwise(lines)):
        mine = [t.body[1] for t in truth.letters if t.line == k + 1]
        over = [t.body[1] for t in truth.letters if t.line == k]
        true = float(np.median(mine) - np.median(over)) / below.q
        assert distance(above, below) == pytest.approx(true, abs=0.2)
    assert kinds(page) == ["lines_near"]


def test_edges_do_not_depend_on_the_size_of_the_picture() -> None:
    page = made.block(rows(left=wave(8.0)))
    (_, edge) = edges_of(blocks(page)[0], page.image, frozenset())
    assert edge.spread == pytest.approx(8.0, abs=0.2)
