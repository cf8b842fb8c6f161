"""Measures drawn over a window, as the review page draws them (`measuring/drawing.py`)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from crownlet.infer.measuring import Measurement
from crownlet.infer.measuring.drawing import overlay
from crownlet.infer.run.crops import BODY
from crownlet.infer.sheet import words
from crownlet.infer.sheet.pictures import Window

_LETTERS = 0.085
"""Height of the figures against the picture's width."""


def rulers(window: Window, q: float, measurements: Sequence[Measurement]) -> str:
    """A fragment of SVG in px of the window, empty without measures; `q` in px of the page.

    Rulers are drawn for bodies of `BODY` px and enlarged with the picture; lengths stand in the
    corner below, where they hide no ink.
    """
    if not measurements:
        return ""
    # As seen: a turned page has turned rulers, upright figures.
    seen = [
        replace(m, start=window.point(*m.start), end=window.point(*m.end)) for m in measurements
    ]
    grow = 3 * q * window.affine.scale / BODY
    size = round(window.picture.width / grow), round(window.picture.height / grow)
    drawn = overlay((1 / grow, 0.0, 0.0), size, seen, lettered=False)
    return f'<g transform="scale({grow:.4f})">{drawn}</g>{_lengths(window, measurements)}'


def _lengths(window: Window, measurements: Sequence[Measurement]) -> str:
    high = _LETTERS * min(window.picture.width, window.picture.height)
    foot = window.picture.height - 0.4 * high
    return "".join(
        f'<text class="length" x="{0.4 * high:.1f}" y="{foot - k * 1.15 * high:.1f}" '
        f'font-size="{high:.1f}" stroke-width="{0.28 * high:.1f}">{words.length(m.q)}</text>'
        for k, m in enumerate(reversed(measurements))
    )
