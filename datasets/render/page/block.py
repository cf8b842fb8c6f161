"""The writing of a page in q: one block of lines, and the visible part of the columns beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crownlet.datasets.render.letterforms.glyph import BODY_HEIGHT_Q, copy_with
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.own_forms import manner_of
from crownlet.datasets.render.page.faults import Slot, plan_page
from crownlet.datasets.render.page.layout import (
    PlacedLetter,
    SpacingHabits,
    draw_spacing_habits,
    line_width,
    set_line,
    write_line,
)
from crownlet.datasets.render.page.marks import MARKED_GAP_Q, Points, draw_marks
from crownlet.datasets.render.page.scribe import Crowning, draw_crowning
from crownlet.datasets.render.page.spacing import justify_line, separate_lines
from crownlet.datasets.render.page.spec import PageSpec
from crownlet.datasets.render.page.text import PageText, draw_text_line

COLUMN_GAP_Q = (3.0, 8.0)
"""Gap between columns in q: two fingers by Keset HaSofer 14:1, often less."""

MIN_LINE_PITCH_Q = 4.0
"""Least distance of lines in q: a body and a gap of one pen."""


@dataclass(frozen=True)
class Block:
    """Letters of a page in reading order; lengths in q, the text's right edge at x = 0."""

    letters: tuple[PlacedLetter, ...]
    missing: tuple[tuple[int, str], ...]
    ruled: tuple[float, ...]
    """y of the ruled lines."""
    edges: tuple[float, float]
    """Left and right edge of the main column."""
    marks: tuple[Points, ...] = ()
    """Ink between words that is no letter."""


@dataclass(frozen=True)
class Writing:
    """The scribe of this page: their hand, crowns and spacing."""

    spec: PageSpec
    hand: Hand
    crowning: Crowning
    habits: SpacingHabits


def write_block(
    text: PageText, spec: PageSpec, hand: Hand, scale: float, rng: np.random.Generator
) -> Block:
    """Write `text` at `scale` px a q: letters that do not touch stay apart by 1.5 px at least.

    Below 0 `spec.tightest` is how far letters may overlap.
    """
    tightest = spec.tightest if spec.tightest < 0.0 else max(spec.tightest, 1.5 / scale)
    pitch = _draw_line_pitch(spec, hand, rng)
    if rng.random() < 0.5:  # the scribe who fits their letters to the room between the lines
        hand = copy_with(hand, line_pitch=pitch)
    habits = draw_spacing_habits(hand, tightest, spec.close, rng)
    marked = spec.marks > 0.0 and rng.random() < spec.marks
    if marked:
        habits = copy_with(habits, word_gap=max(habits.word_gap, float(rng.uniform(*MARKED_GAP_Q))))
    writing = Writing(spec, hand, draw_crowning(spec, rng), habits)
    plan = plan_page(text.lines, spec, rng)
    lines = [write_line(row, hand, writing.crowning, habits, rng) for row in plan.lines]
    indents = [_indent(text, i, rng) for i in range(len(lines))]
    lines = _set_lines(lines, indents, writing, rng)
    width = max((-line[-1].body[0] for line in lines if line), default=0.0)
    ruled = tuple(i * pitch for i in (text.rows or range(len(lines))))
    columns = [_lower_lines(lines, ruled, writing, rng)]
    missing = list(plan.missing)
    if rng.random() < spec.columns:
        gap = float(rng.uniform(*COLUMN_GAP_Q))
        right = bool(rng.random() < 0.5)
        beside, lost = _write_neighbour_columns(writing, len(lines), len(text.lines), rng)
        edge = gap + max(map(line_width, beside)) if right else -width - gap
        moved = [[copy_with(p, x=p.x + edge) for p in line] for line in beside]
        columns.insert(0 if right else 1, _lower_lines(moved, ruled, writing, rng))
        missing = _merge_missing(missing, lost, columns, right)
    letters = _renumber_letters([line for column in columns for line in column])
    letters = _turn_lines(separate_lines(letters), text, ruled)
    edges = (-width, 0.0)
    marks = draw_marks(letters, edges, rng) if marked else ()
    return Block(tuple(letters), tuple(missing), ruled, edges, marks)


def _draw_line_pitch(spec: PageSpec, hand: Hand, rng: np.random.Generator) -> float:
    """Distance of lines in q; on crowded pages lamed and the finals enter their neighbours."""
    # Hands that push letters into each other's space do so with lines.
    pack = manner_of(hand.form_seed, hand.style).pack
    if rng.random() < spec.crowded * (1.0 + pack):
        return min(hand.line_pitch, float(rng.uniform(MIN_LINE_PITCH_Q, 4.8)))
    return hand.line_pitch


def _turn_lines(
    letters: list[PlacedLetter], text: PageText, ruled: tuple[float, ...]
) -> list[PlacedLetter]:
    """Turn the lines that the text wants upside down about their own middle."""
    turned = list(letters)
    for number in text.upside_down:
        ends = [edge for p in letters if p.slot.line == number for edge in p.body]
        middle = ((min(ends) + max(ends)) / 2, ruled[number] + BODY_HEIGHT_Q / 2)
        turned = [copy_with(p, about=middle) if p.slot.line == number else p for p in turned]
    return turned


def _indent(text: PageText, line: int, rng: np.random.Generator) -> float:
    """Indent in q of a line that opens a portion: none, or up to about nine yuds (custom)."""
    opens = line > 0 and line in text.opens
    return float(rng.uniform(8.0, 12.0)) if opens and rng.random() < 0.5 else 0.0


def _set_lines(
    lines: list[list[PlacedLetter]],
    indents: list[float],
    writing: Writing,
    rng: np.random.Generator,
) -> list[list[PlacedLetter]]:
    habits = writing.habits
    seeds = rng.integers(1 << 62, size=len(lines))
    natural = [set_line(line, habits, int(s)) for line, s in zip(lines, seeds, strict=True)]
    uneven = rng.normal(0, 0.4 * writing.hand.jitter, len(lines))
    indents = [i + float(e) for i, e in zip(indents, uneven, strict=True)]
    if rng.random() >= writing.spec.justify or len(lines) < 2:
        return [_shift_line(line, -i) for line, i in zip(natural, indents, strict=True)]
    widths = [line_width(line) for line in natural]
    typical = float(np.quantile(widths, rng.uniform(0.35, 1.0)))
    if rng.random() < 0.3:
        typical *= float(rng.uniform(1.0, 1.25))
    done: list[list[PlacedLetter]] = []
    for line, width, indent in zip(natural, widths, indents, strict=True):
        if width < 0.5 * typical:  # a last line of few words stays at its head
            done.append(_shift_line(line, -indent))
            continue
        room = typical - indent
        set_to = justify_line(line, room, writing.hand, writing.crowning, habits, rng)
        done.append(_shift_line(set_to, -indent))
    return done


def _shift_line(line: list[PlacedLetter], dx: float) -> list[PlacedLetter]:
    return [copy_with(p, x=p.x + dx) for p in line] if dx else line


def _lower_lines(
    lines: list[list[PlacedLetter]],
    ruled: tuple[float, ...],
    writing: Writing,
    rng: np.random.Generator,
) -> list[list[PlacedLetter]]:
    """Bring lines down to their ruled lines, which no scribe follows quite: they wave and drift."""
    unsteady = 0.05 * writing.hand.jitter
    lowered = []
    for line, y in zip(lines, ruled, strict=False):
        along = np.arange(len(line))
        slow = rng.normal(0, unsteady) * np.sin(along * rng.uniform(0.1, 0.5))
        slow += np.clip(rng.normal(0, 0.3 * unsteady), -0.02, 0.02) * along
        lowered.append([copy_with(p, y=y + float(dy)) for p, dy in zip(line, slow, strict=True)])
    return lowered


def _write_neighbour_columns(
    writing: Writing, count: int, first: int, rng: np.random.Generator
) -> tuple[list[list[PlacedLetter]], tuple[tuple[int, str], ...]]:
    """The near words of a neighbouring column."""
    text = tuple(draw_text_line(rng, int(rng.integers(3, 7))) for _ in range(count))
    plan = plan_page(text, writing.spec, rng)
    rows = [tuple(copy_with(s, line=s.line + first) for s in row) for row in plan.lines]
    set_rows = [
        set_line(
            write_line(row, writing.hand, writing.crowning, writing.habits, rng), writing.habits,
            int(rng.integers(1 << 62)),
        )
        for row in rows
    ]  # fmt: skip
    return set_rows, plan.missing


def _merge_missing(
    missing: list[tuple[int, str]],
    lost: tuple[tuple[int, str], ...],
    columns: list[list[list[PlacedLetter]]],
    right: bool,
) -> list[tuple[int, str]]:
    first = sum(map(len, columns[0]))
    if right:
        return [*lost, *((i + first, char) for i, char in missing)]
    return [*missing, *((i + first, char) for i, char in lost)]


def _renumber_letters(lines: list[list[PlacedLetter]]) -> list[PlacedLetter]:
    """Lines and words numbered through all columns."""
    letters: list[PlacedLetter] = []
    words = -1
    for number, line in enumerate(lines):
        last: tuple[int, int] | None = None
        for p in line:
            key = (p.slot.line, p.slot.word)
            words += key != last
            last = key
            letters.append(copy_with(p, slot=_renumber_slot(p.slot, number, words)))
    return letters


def _renumber_slot(slot: Slot, line: int, word: int) -> Slot:
    return copy_with(slot, line=line, word=word)
