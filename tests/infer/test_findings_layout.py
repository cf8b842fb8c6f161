"""Margins, shapes and lines: blocks of known raggedness, and renders whose truth is known."""

from __future__ import annotations

from dataclasses import replace

import made
import numpy as np
import pytest
from made_blocks import DEFAULT, FAULTLESS, LINES, found, kinds, rows, wave

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import mezuzah
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.findings.columns import column_edges, columns_of
from crownlet.infer.findings.customs import not_examined_by_customs


def test_an_even_block_has_none() -> None:
    assert kinds(made.block(rows())) == []
    assert kinds(made.block(rows(left=wave(3.0), right=wave(0.6)))) == []


@pytest.mark.parametrize("size", [6.0, 9.0])
def test_raggedness_is_measured_in_kulmus(size: float) -> None:
    (left,) = found(made.block(rows(left=wave(size))))
    assert (left.kind, left.heading) == ("margin_uneven", "outset")  # L: OC 32:33
    assert f"left edges differ by {size:.1f} kulmus" in left.message
    (right,) = found(made.block(rows(right=wave(size))))
    assert f"right edges differ by {size:.1f} kulmus" in right.message


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(("way", "words"), [(1.0, "outward"), (-1.0, "inward")])
def test_tent_and_tail_even_on_one_side(side: str, way: float, words: str) -> None:
    # Yoreh De'ah 288:9: no tent and no tail, even on one side (Keset 27:6).
    moves = [0.6 * k * way * (1 if side == "right" else -1) for k in range(LINES)]
    (finding,) = found(made.block(rows(**{side: moves})))
    assert (finding.kind, finding.heading) == ("block_narrowing", "question")
    assert f"{side} edge of the column moves {words} line by line" in finding.message


def test_a_circle() -> None:
    bow = [6.0 - 6.0 * ((k - 6.5) / 6.5) ** 2 for k in range(LINES)]
    sides = found(made.block(rows(left=[-b for b in bow], right=bow)))
    assert [f.kind for f in sides] == ["block_narrowing"] * 2
    assert all("in a bow, outward in the middle" in f.message for f in sides)


def test_a_page_hanging_askew_has_no_shape() -> None:
    # Both edges lean alike: a parallelogram, as a picture taken a little turned gives it.
    lean = [0.5 * k for k in range(LINES)]
    assert kinds(made.block(rows(left=lean, right=lean))) == []


def test_of_a_picture_taken_aslant_no_shape_is_stated() -> None:
    sizes = np.linspace(1.0, 0.86, LINES)
    middle = 70.0
    shrunk = [(middle - 50.0 * s, middle + 50.0 * s) for s in sizes]
    page = made.block(shrunk, scale=list(sizes))
    assert "block_narrowing" not in kinds(page)
    sentences = [s for s in not_examined_by_customs(page, DEFAULT) if "narrows or widens" in s]
    assert len(sentences) == 1
    flat = made.block(rows())
    assert not [s for s in not_examined_by_customs(flat, DEFAULT) if "narrows" in s]


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_turned_pages_are_measured_alike(turn: int) -> None:
    page = made.block(rows(left=wave(8.0)))
    (upright,) = found(page)
    (turned,) = found(made.turned(page, turn))
    assert (turned.kind, turned.message) == (upright.kind, upright.message)


def test_one_line_over_the_margin_is_named_and_many_are_an_uneven_edge() -> None:
    over = [0.0] * LINES
    over[4] = -5.5
    (finding,) = found(made.block(rows(left=over)))
    assert (finding.kind, finding.line, finding.heading) == ("line_over_margin", 5, "outset")
    assert "5.5 kulmus past the left edge" in finding.message  # L: YD 273:3
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


def test_two_columns_are_two_blocks() -> None:
    right, left = made.block(rows()), made.block([(a - 200, b - 200) for a, b in rows()])
    shifted = [
        replace(g, glyph=g.glyph + len(right.glyphs), line=g.line + LINES) for g in left.glyphs
    ]
    both = replace(right, glyphs=(*right.glyphs, *shifted))
    assert len(columns_of(both)) == 2
    assert kinds(both) == []


def test_nothing_is_stated_where_the_picture_does_not_carry_it() -> None:
    page = made.block(rows(left=wave(8.0)))
    assert kinds(replace(page, unresolved=("margin_uneven",))) == []
    assert kinds(made.record([])) == []
    assert collect_findings(made.record([made.glyph()]), DEFAULT) == ()


@pytest.mark.parametrize("seed", [2, 4, 14, 21, 26])
def test_faultless_mezuzot_are_stated_uneven_only_where_they_are(seed: int) -> None:
    """Against the boxes of the renderer itself; seed 21 ends its lines 13 q apart."""
    truth = compose(mezuzah(24.0, **FAULTLESS), seed)
    got = kinds(made.from_truth(truth))
    q = float(np.median([t.q for t in truth.letters]))
    ends = [min(t.box[0] for t in truth.letters if t.line == k) / q for k in range(21) if k != 5]
    low, high = np.percentile(ends, [10, 90])
    assert got == (["margin_uneven"] if high - low > 6.0 else [])
    assert not 4.5 < high - low < 6.0  # the seeds lie off the border


def test_edges_do_not_depend_on_the_size_of_the_picture() -> None:
    page = made.block(rows(left=wave(8.0)))
    (_, edge) = column_edges(columns_of(page)[0], page.image, frozenset())
    assert edge.spread == pytest.approx(8.0, abs=0.2)
