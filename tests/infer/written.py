"""Pages as the networks leave them, made of letters in lines; no picture is drawn."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crownlet.datasets.scribal.alphabet import LETTERS, index_of
from crownlet.infer.layout.lines import lay_out
from crownlet.infer.records import Located
from crownlet.infer.text.discrepancies import TextContext

BODY, WIDTH, WORD, PITCH = 30.0, 26.0, 22.0, 60.0
"""Height and width of a letter with its gap, gap between words, distance of lines; px."""


def reading(
    lines: Sequence[str],
    *,
    margin: tuple[float, float, float, float] = (90.0, 90.0, 90.0, 90.0),
    sure: float = 0.97,
    column: int = 0,
    between: float = 90.0,
) -> TextContext:
    """A page of `lines`, ranged at the right; `margin` left, top, right, bottom in px.

    With `column` lines in each, columns stand side by side from the right.
    """
    rows = column or len(lines)
    longest = max(len(line.replace(" ", "")) * WIDTH + line.count(" ") * WORD for line in lines)
    columns = -(-len(lines) // rows)
    width = margin[0] + margin[2] + columns * longest + (columns - 1) * between
    height = margin[1] + margin[3] + (min(rows, len(lines)) - 1) * PITCH + BODY
    body, box, text, opens = [], [], "", []
    for number, line in enumerate(lines):
        x = width - margin[2] - (number // rows) * (longest + between)
        y = margin[1] + (number % rows) * PITCH
        begins = True
        for letter in line:
            if letter == " ":
                x, begins = x - WORD, True
                continue
            body.append((x - 11.0, y, BODY, 0.0))
            box.append((x - 22.0, y, x, y + BODY))
            text, begins = text + letter, opens.append(0.99 if begins else 0.01) or False
            x -= WIDTH
    odds = np.full((len(text), 27), (1 - sure) / 26)
    odds[np.arange(len(text)), [index_of(c) for c in text]] = sure
    found = Located(np.array(body), np.array(box), np.full(len(text), 0.99), odds)
    layout = lay_out(found)
    order = layout.order
    letters = "".join(LETTERS[k] for k in odds[order].argmax(axis=1))
    return TextContext(odds[order], np.array(opens)[order], letters, found.take(order), layout,
                   (round(width), round(height)), 0.9)  # fmt: skip


def cropped(page: TextContext, left: float, top: float, right: float, bottom: float) -> TextContext:
    """What a narrower frame shows: letters that it cuts in half or more are lost."""
    found, (width, height) = page.found, page.size
    middle = (found.box[:, :2] + found.box[:, 2:]) / 2
    inside = (middle[:, 0] > left) & (middle[:, 0] < width - right)
    inside &= (middle[:, 1] > top) & (middle[:, 1] < height - bottom)
    rows = np.flatnonzero(inside)
    move = np.array([left, top])
    kept = found.take(rows)
    body, box = kept.body.copy(), kept.box.copy()
    body[:, :2] -= move
    box -= np.tile(move, 2)
    moved = Located(body, box, kept.score, kept.letters)
    layout = lay_out(moved)
    order = layout.order
    odds = page.odds[rows][order]
    return TextContext(
        odds, page.word_start_p[rows][order], "".join(LETTERS[k] for k in odds.argmax(axis=1)),
        moved.take(order), layout, (round(width - left - right), round(height - top - bottom)),
        page.min_sure_p,
    )  # fmt: skip
