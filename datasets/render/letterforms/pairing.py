"""Outlines set side by side: which part answers which, and which point answers which. In q."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from crownlet.datasets.coco.truth import Outline
from crownlet.datasets.render.letterforms.glyph import Glyph, Part
from crownlet.datasets.render.letterforms.pen import Floats

_STROKE_KINDS = ("leg", "wall", "neck", "joint", "kotz", "foot")

_HALF_CUTS = {"<": (0, 1.0, 0.05), ">": (0, -1.0, 0.05), "^": (1, 1.0, 0.6), "!": (1, -1.0, 0.05)}
"""Axis, direction and how far past the middle a half reaches, in q."""

_HALF_MARKS = "".join(_HALF_CUTS)

_TURN_STEPS = 64


_TURN_SHARES = np.arange(_TURN_STEPS) / _TURN_STEPS


def pair_parts(
    a: Glyph, b: Glyph, named: Sequence[tuple[str, str]]
) -> tuple[list[tuple[Part, Part]], list[Part], list[Part]]:
    """Parts that answer each other, and those that only `a` and only `b` have.

    `named` pairs names that differ, one of `<>^!` behind one asking for its left, right, upper or
    lower half; other parts answer those of their own name.
    """
    pairs = [(_half_part(a, x), _half_part(b, y)) for x, y in named]
    used_a, used_b = (
        {x.rstrip(_HALF_MARKS) for x, _ in named},
        {y.rstrip(_HALF_MARKS) for _, y in named},
    )
    for part in a.parts:
        if part.name not in used_a and part.name not in used_b and b.has(part.name):
            pairs.append((part, b.part(part.name)))
            used_a.add(part.name)
            used_b.add(part.name)
    only_a = [part for part in a.parts if part.name not in used_a]
    only_b = [part for part in b.parts if part.name not in used_b]
    return pairs, only_a, only_b


def _half_part(glyph: Glyph, name: str) -> Part:
    part = glyph.part(name.rstrip(_HALF_MARKS))
    if part.name == name:
        return part
    axis, sign, lap = _HALF_CUTS[name[-1]]
    line = part.outline[:, axis]
    middle = (float(line.min()) + float(line.max())) / 2
    return replace(part, outline=_cut_outline(part.outline, axis, sign, sign * middle + lap))


def _cut_outline(outline: Outline, axis: int, sign: float, limit: float) -> Outline:
    """What of an outline has `sign` times its coordinate on `axis` below `limit`."""
    over = sign * outline[:, axis] - limit
    after = np.roll(over, -1)
    crossed = np.flatnonzero((over < 0) != (after < 0))
    share = (over[crossed] / (over[crossed] - after[crossed]))[:, None]
    ends = outline[(crossed + 1) % len(outline)]
    edge = outline[crossed] * (1 - share) + ends * share
    order = np.concatenate([np.flatnonzero(over < 0), crossed + 0.5])
    kept: Outline = np.concatenate([outline[over < 0], edge])[np.argsort(order)]
    return kept


def match_outlines(a: Part, b: Part) -> tuple[Outline, Outline]:
    """Both outlines with equally many points that answer each other in their order."""
    first, last = a.outline, b.outline
    if len(first) == len(last) and a.kind == b.kind:
        return first, last
    if _is_stroke(a) and _is_stroke(b):
        up, down = (
            _match_open(first[part], last[rest]) for part, rest in _rail_slices(first, last)
        )
        return np.concatenate([up[0], down[0]]), np.concatenate([up[1], down[1]])
    return _match_closed(first, last)


def _is_stroke(part: Part) -> bool:
    """Whether the pen drew it in one movement: such outlines have 12 points a knot, less six."""
    return part.kind in _STROKE_KINDS and (len(part.outline) + 6) % 12 == 0


def _rail_slices(a: Outline, b: Outline) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    m, n = len(a) // 2, len(b) // 2
    return (slice(m), slice(n)), (slice(m, None), slice(n, None))


def _match_open(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """Two open lines at the places of all their points."""
    p, q = _arc_shares(a), _arc_shares(b)
    at = np.union1d(p, q)
    return _line_at(a, p, at), _line_at(b, q, at)


def _match_closed(a: Outline, b: Outline) -> tuple[Outline, Outline]:
    """Two closed outlines at the places of all their points, turned to lie best on each other."""
    ring_a, ring_b = np.concatenate([a, a[:1]]), np.concatenate([b, b[:1]])
    p, q = _arc_shares(ring_a), _arc_shares(ring_b)
    shift = _best_turn(_line_at(ring_a, p, _TURN_SHARES), _line_at(ring_b, q, _TURN_SHARES))
    at = np.union1d(p[:-1], (q[:-1] - shift) % 1.0)
    return _line_at(ring_a, p, at), _line_at(ring_b, q, (at + shift) % 1.0)


def _best_turn(a: Floats, b: Floats) -> float:
    """By how much of its length `b` must be read ahead to lie best on `a`, sizes made equal."""
    u, v = (((c - c.min(axis=0)) / (np.ptp(c, axis=0) + 1e-9)) @ [1.0, 1.0j] for c in (a, b))
    likeness = np.fft.ifft(np.conj(np.fft.fft(u - u.mean())) * np.fft.fft(v - v.mean())).real
    return int(likeness.argmax()) / _TURN_STEPS


def _arc_shares(line: Floats) -> Floats:
    """How far along a line its points lie, 0 to 1."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    places: Floats = length / length[-1]
    return places


def _line_at(line: Floats, places: Floats, at: Floats) -> Floats:
    return np.stack([np.interp(at, places, line[:, 0]), np.interp(at, places, line[:, 1])], axis=1)
