"""Letters between two: a continuous way from one letter to another in one hand.

Both letters are drawn by the same hand with the same unsteadiness, their parts are set side by side
and each outline moves from the one to the other. What only one of them has grows out of its ink.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from crownlet.datasets.coco.truth import DefectMark, Outline
from crownlet.datasets.render.letterforms.build import STRETCHABLE_Q_BY_LETTER, build_letter
from crownlet.datasets.render.letterforms.glyph import BODY_HEIGHT_Q, Crown, Glyph, Part
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.letters_heads import flat_chet
from crownlet.datasets.render.letterforms.morph_ways import (
    DOUBTFUL_DEFECTS,
    MORPH_WAYS,
    MorphWay,
    morph_course,
    morph_partners,
    narrow_neck,
    neck_share,
    touching_pairs,
)
from crownlet.datasets.render.letterforms.outlines import Region
from crownlet.datasets.render.letterforms.pairing import match_outlines, pair_parts
from crownlet.datasets.render.letterforms.pen import Floats
from crownlet.datasets.render.letterforms.sketch import Sketch

SHAPE_DOUBT = "shape_doubt"

DOUBT_START_SHARE, DOUBT_END_SHARE = 1 / 3, 2 / 3
"""Between these the form is doubtful; before and after it is one letter and the other."""

MAX_UNSEEN_SHARE = 0.08
"""Share of the way up to which no reader sees a change; from there on the form is doubtful."""

_MAX_PACE_LOG = 0.8
"""How far, as a logarithm, small signs may run ahead of the form or behind it."""

_COURSE_SHARES = (0.0, DOUBT_START_SHARE, 0.5, DOUBT_END_SHARE, 1.0)


def share_at(t: float) -> float:
    """Chance that the form at `t` of the way is taken for the farther letter: half at the middle,
    none outside the doubtful third."""
    return max(0.0, 0.5 - 3.0 * abs(t - 0.5))


def build_between(
    letter: str, other: str, hand: Hand, rng: np.random.Generator, t: float, stretch: float = 0.0
) -> Glyph:
    """`letter` on its way to `other`, drawn clean without tags; at t = 0 and 1 it is one of them.

    Named after the nearer one; in the doubtful third `other` and `share` hold the doubt, and a mark
    `shape_doubt` its size. Defects that the form begins to show (`morph_ways.DOUBTFUL_DEFECTS`)
    are marked doubtful, without a size.

    Raises KeyError for a pair without a way (`morph_partners`), ValueError for a t outside 0..1.
    """
    if not 0.0 <= t <= 1.0:
        raise ValueError(f"a form lies between two letters at 0 to 1, got {t}")
    if other not in morph_partners(letter):
        raise KeyError(f"no way is drawn between {letter!r} and {other!r}")
    seed = int(rng.integers(1 << 62))
    if not (letter in STRETCHABLE_Q_BY_LETTER and other in STRETCHABLE_Q_BY_LETTER):
        stretch = 0.0
    a, b = (
        _build_flat(char, hand, np.random.default_rng(seed), stretch) for char in (letter, other)
    )
    return morph(a, b, t, float(np.exp(rng.uniform(-_MAX_PACE_LOG, _MAX_PACE_LOG))))


def _build_flat(letter: str, hand: Hand, rng: np.random.Generator, stretch: float) -> Glyph:
    """As `build_letter`, but chet always has its flat roof: a peaked one has no morph."""
    if letter != "ח":
        return build_letter(letter, hand, rng, stretch)
    sketch = Sketch(letter, hand, rng, 0.0)
    flat_chet(sketch)
    return sketch.finish()


def morph(a: Glyph, b: Glyph, t: float, pace: float = 1.0) -> Glyph:
    """The form at `t` of the way from `a` to `b`, both clean and untagged.

    Heels and prickles that one of them lacks grow early or late: by the power `pace` of their due
    size, so that no small sign goes with the form in every letter.

    Raises KeyError for a pair without a way.
    """
    pair = a.letter + b.letter
    if pair not in MORPH_WAYS:
        way, first, last, t_way = MORPH_WAYS[pair[::-1]], b, a, 1.0 - t
    else:
        way, first, last, t_way = MORPH_WAYS[pair], a, b, t
    parts = _morph_parts(first, last, way, t_way, pace)
    return _name_glyph(a, b, t, _finish_glyph(first, last, parts, t_way))


def _morph_parts(a: Glyph, b: Glyph, way: MorphWay, t: float, pace: float) -> list[Part]:
    """The parts at `t` of the way, those that both have and those of one."""
    pairs, only_a, only_b = pair_parts(a, b, way.parts)
    twins = [match_outlines(first, last) for first, last in pairs]
    s = float(np.interp(t, _COURSE_SHARES, (0.0, *morph_course(way, pairs, twins), 1.0)))
    moved = [(1 - s) * first + s * last for first, last in twins]
    if way.necked:
        leg, roof = touching_pairs(way, pairs)
        moved[leg] = narrow_neck(moved[leg], moved[roof], neck_share(t))
        # What joins leg and roof at the other end comes when they have met.
        only_b = [part for part in only_b if part.kind != "kotz" or t > 0.5]
    near = 0 if t < 0.5 else 1
    names = _part_names(pairs, near)
    parts = [
        replace(pair[near], name=name, outline=outline)
        for pair, name, outline in zip(pairs, names, moved, strict=True)
    ]
    for own, ends, grown in ((only_a, 0, 1 - s), (only_b, 1, s)):
        if own and grown > 0:
            still = [twin[ends] for twin in twins]
            parts += _grow_parts(own, still, moved, (grown, grown**pace), way.shrinks)
    return parts


def _part_names(pairs: list[tuple[Part, Part]], near: int) -> list[str]:
    """Names from the nearer letter, or from the other where halves would share one."""
    names = [pair[near].name for pair in pairs]
    return [
        pair[1 - near].name if names.count(name) > 1 else name
        for pair, name in zip(pairs, names, strict=True)
    ]


def _grow_parts(
    own: list[Part],
    still: list[Outline],
    moved: list[Outline],
    grown: tuple[float, float],
    alone: str | None,
) -> list[Part]:
    """Parts of one letter on the ink of the parts that both have, `grown` of their size: limbs, and
    heels and prickles."""
    points, now = np.concatenate(still), np.concatenate(moved)
    root: tuple[Floats, Floats] | None = None
    out = []
    reach = [((part.outline[:, None] - points) ** 2).sum(axis=2).min() ** 0.5 for part in own]
    for k in sorted(range(len(own)), key=reach.__getitem__):
        if own[k].name == alone:
            middle = own[k].outline.mean(axis=0)
            foot, here = middle, middle
        else:
            if root is None or reach[k] < 0.1:
                at = int(((points - own[k].outline.mean(axis=0)) ** 2).sum(axis=1).argmin())
                root = points[at], now[at]
            foot, here = root
        size = grown[own[k].kind in ("heel", "kotz")]
        out.append(replace(own[k], outline=here + size * (own[k].outline - foot)))
    return out


def _extent(parts: Sequence[Part]) -> Floats:
    """Leftmost and rightmost x of the ink between ruled line and base line."""
    region = Region([part.outline for part in parts])
    points = np.concatenate([part.outline for part in parts])
    inside = points[(points[:, 1] >= 0.0) & (points[:, 1] <= BODY_HEIGHT_Q), 0]
    left, right = region.spans(np.array([0.0, BODY_HEIGHT_Q]))
    return np.array([np.nanmin([*left, inside.min()]), np.nanmax([*right, inside.max()])])


def _finish_glyph(a: Glyph, b: Glyph, parts: list[Part], t: float) -> Glyph:
    """The glyph of these parts, its body from x = 0 as that of both ends."""
    off_a, off_b = (_extent(end.parts) - (0.0, end.advance) for end in (a, b))
    shift, right = _extent(parts) - (1 - t) * off_a - t * off_b
    advance = float(right - shift)
    stretch = None
    if a.stretch is not None and b.stretch is not None:
        low, high = ((1 - t) * p + t * q - shift for p, q in zip(a.stretch, b.stretch, strict=True))
        stretch = (low, high)
    return Glyph(
        letter=a.letter,
        parts=tuple(part.moved(-shift, 0.0) for part in parts),
        advance=advance,
        crown=_morph_seat(a, b, t, advance),
        stretch=stretch,
    )


def _morph_seat(a: Glyph, b: Glyph, t: float, advance: float) -> Crown | None:
    """Where tags stand: between both seats, or on the only one, as far along the letter."""
    if a.crown is not None and b.crown is not None:
        p, q = a.crown, b.crown
        return Crown((1 - t) * p.x0 + t * q.x0, (1 - t) * p.x1 + t * q.x1, (1 - t) * p.y + t * q.y)
    one = a if a.crown is not None else b
    if one.crown is None:
        return None
    scale = advance / one.advance
    return replace(one.crown, x0=one.crown.x0 * scale, x1=one.crown.x1 * scale)


def _name_glyph(a: Glyph, b: Glyph, t: float, glyph: Glyph) -> Glyph:
    """The glyph named after the nearer letter, with its doubtful marks."""
    near, far = (a.letter, b.letter) if t < 0.5 else (b.letter, a.letter)
    share, off = share_at(t), min(t, 1.0 - t)
    signs = DOUBTFUL_DEFECTS.get((near, far), ()) if off > MAX_UNSEEN_SHARE else ()
    marks = tuple(DefectMark(name, 0.0, plainness=0.5) for name in signs)
    if share <= 0.0:
        return replace(glyph, letter=near, defects=marks)
    plainness = DOUBT_START_SHARE + (1 - DOUBT_START_SHARE) * share / 0.5
    mark = DefectMark(SHAPE_DOUBT, share, plainness)
    return replace(glyph, letter=near, other=far, share=share, defects=(mark, *marks))
