"""Crowns: tags missing, bare, loose, in excess and merged.

Tags must stand, be formed and be attached (Mishnah Berurah 36:12-15; Keset HaSofer 5:4). More tags
than the rule do no harm while attached, but change a vav or yud easily (Mishnah Berurah 36:13-14).
Tags of one crown that touch do not read as separate strokes (Mishnah Berurah 36:13).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.render.defects.common import (
    DOUBTFUL_PLAINNESS,
    PLAIN_PLAINNESS,
    DefectFamily,
    RegisteredDefect,
    add_mark,
    bar_outline,
    draw_index,
    grade_size,
    other_outlines,
    remove_marks,
)
from crownlet.datasets.render.letterforms.glyph import Crown, Glyph, Part
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.outlines import Region, retreat
from crownlet.datasets.render.letterforms.pen import Floats
from crownlet.datasets.render.letterforms.tags import THREE_TAGGED, crown_letter, rails

_STUMP_STROKE_PLAINNESS = 0.5
"""Plainness below which what is left of a tag still counts as a stroke."""

_ALL_BARE_SHARE = 0.5
"""How often all tags of a letter lose their heads; else some do, and the others show what a tag of
this hand is."""

_MAX_BARE_WIDTH_SHARE = 0.62
"""Width of a bare line at most, as a share of the tag's own head."""

_HEADLESS_TAG_Q = 0.09
"""Tags nowhere wider than this in q have no head that could be seen to be missing."""

CROWNED_LETTERS = THREE_TAGGED + "בדקחיה" + "ל"

_SEAT_PARTS = ("head", "head_left", "yud_upper", "roof", "body")

_MAX_TAGS = 5

_POINT_STROKE_PLAINNESS = 0.5
"""Plainness below which a point is no stroke yet."""

_SUNK_ROOT_Q = 0.11
"""Length in q from the end of a tag's root to where it surely stands free of the letter."""


def tag_missing(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """Some or all tags left out or worn down to stumps; size = how many.

    Below 1/3 the tags are only short, up to 2/3 stumps remain, above nothing.
    """
    tags = glyph.of_kind("tag")
    if not tags:
        return None
    every = rng.random() < 0.5
    lost = len(tags) if every else 1 + draw_index(rng, len(tags))
    names = tuple(tags[int(k)].name for k in np.sort(rng.permutation(len(tags))[:lost]))
    if plainness >= PLAIN_PLAINNESS:
        left = glyph.without(*names)
        if 0 < lost < len(tags) and rng.random() < 0.5:
            left = _rewrite_crown(glyph, hand, rng, len(tags) - lost)
    else:
        left = _shorten_to_stumps(glyph, names, plainness)
    counted = plainness >= _STUMP_STROKE_PLAINNESS
    left = replace(left, tags=glyph.tags - lost if counted else glyph.tags)
    if counted and lost == len(tags):
        left = remove_marks(left, "tag_bare")
    return add_mark(left, "tag_missing", lost, plainness, names)


def _rewrite_crown(glyph: Glyph, hand: Hand, rng: np.random.Generator, count: int) -> Glyph:
    """The crown as a scribe writes it who makes fewer tags: evenly spaced."""
    names = tuple(tag.name for tag in glyph.of_kind("tag"))
    plain = replace(glyph.without(*names), tags=0, defects=())
    crowned = crown_letter(plain, hand, rng, count)
    return replace(crowned, defects=glyph.defects)


def _shorten_to_stumps(glyph: Glyph, names: tuple[str, ...], plainness: float) -> Glyph:
    """These tags shortened toward their roots; what no longer counts is called a kotz."""
    short = []
    for name in names:
        part = glyph.part(name)
        left, right = rails(part.outline)
        root = (left[0] + right[0]) / 2
        height = float(root[1] - part.outline[:, 1].min())
        wanted = grade_size(plainness, height, min(height, 0.42), 0.12, 0.0)
        factor = wanted / max(height, 1e-6)
        outline = root + (part.outline - root) * (max(factor, 0.35), factor)
        kind = "kotz" if plainness >= _STUMP_STROKE_PLAINNESS else part.kind
        short.append(replace(part, outline=outline, kind=kind))
    return glyph.with_parts(short)


def tag_bare(glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """Formed tags, all or some, become lines of even width; size = how many.

    None on a hand of bare lines: there `crown_letter` has marked the letter already.
    """
    tags = glyph.of_kind("tag")
    if not tags or hand.tag_form == "bare":
        return None
    width = float(rng.uniform(0.06, 0.2))
    every = rng.random() < _ALL_BARE_SHARE
    count = len(tags) if every else 1 + draw_index(rng, max(1, len(tags) - 1))
    chosen = {int(k) for k in rng.permutation(len(tags))[:count]}
    widest = max(float(np.hypot(*np.subtract(*rails(part.outline)).T).max()) for part in tags)
    if widest < _HEADLESS_TAG_Q:
        return None
    # A crown set so close that its heads are slight leaves lines that are slighter still.
    width = min(width, _MAX_BARE_WIDTH_SHARE * widest)
    thinned = []
    for k in sorted(chosen):
        part = tags[k]
        left, right = rails(part.outline)
        axis, half = (left + right) / 2, (right - left) / 2
        length = np.hypot(half[:, 0], half[:, 1])[:, None] + 1e-9
        # One stroke of the pen, perhaps broader than the stem, always slighter than the head.
        bare = half / length * (width / 2)
        half = half + (bare - half) * grade_size(plainness, 0.0, 0.35, 0.85, 1.0)
        thinned.append(replace(part, outline=np.concatenate([axis - half, (axis + half)[::-1]])))
    names = tuple(part.name for part in thinned)
    return add_mark(glyph.with_parts(thinned), "tag_bare", len(names), plainness, names)


def tag_loose(glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """Gap between a tag and its letter; size = the gap's width in q (0 while they touch)."""
    tags = glyph.of_kind("tag")
    if not tags:
        return None
    if plainness == 0.0:
        return add_mark(glyph, "tag_loose", 0.0, 0.0)
    count = len(tags) if rng.random() < 0.3 else 1
    chosen = [tags[int(k)] for k in np.sort(rng.permutation(len(tags))[:count])]
    body = other_outlines(glyph, *(tag.name for tag in tags))
    gap = grade_size(plainness, 0.05, 0.06, 0.16, 0.38) * float(rng.uniform(0.9, 1.1))
    region, freed = Region(body), []
    for part in chosen:
        loose = _lift_tag(part, region, gap, share=float(rng.uniform(0.2, 1.0)))
        if loose is None:
            return None
        freed.append(loose)
    loosened = glyph.with_parts(freed)
    names = tuple(part.name for part in chosen)
    size = float(region.clearance(np.concatenate([part.outline for part in freed])).min())
    if plainness < DOUBTFUL_PLAINNESS:
        # Near it, not it: the tag hangs by a hair, thinner the nearer to the defect.
        threads = [
            _hairline_outline(part, grade_size(plainness, 0.1, 0.045, 0, 0)) for part in chosen
        ]
        loosened, size = loosened.with_parts(threads), 0.0
    return add_mark(loosened, "tag_loose", size, plainness, names)


def _lift_tag(part: Part, region: Region, gap: float, share: float) -> Part | None:
    """The tag off its letter: lifted by a share of the gap, the rest cut from its root."""
    left, right = rails(part.outline)
    axis = (left + right) / 2
    up = axis[3] - axis[0]
    up = up / (float(np.hypot(*up)) + 1e-9)
    outline = retreat(part.outline + up * gap * share, region, gap)
    if outline is None or float(np.ptp(outline[:, 1])) < 0.15:
        return None
    return replace(part, outline=outline)


def _hairline_outline(part: Part, width: float) -> Part:
    """A hair along the lower part of a tag's axis."""
    left, right = rails(part.outline)
    axis = (left + right) / 2
    return Part(f"{part.name}_hair", "joint", bar_outline(axis[0], axis[4], width))


TAG_LOSSES: DefectFamily = {
    "tag_missing": RegisteredDefect(CROWNED_LETTERS, tag_missing),
    "tag_bare": RegisteredDefect(THREE_TAGGED, tag_bare),
    "tag_loose": RegisteredDefect(CROWNED_LETTERS, tag_loose),
}


def tag_excess(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """Further tags beside the expected ones, or tags on a letter of none; size = how many.

    Below a half they are no more than points, which do not count as tags.
    """
    if plainness == 0.0:
        return add_mark(glyph, "tag_excess", 0.0, 0.0)
    seat = glyph.crown or seat_of(glyph)
    extra = 1 + draw_index(rng, 2)
    if seat is None or glyph.tags + extra > _MAX_TAGS:
        return None
    old = tuple(tag.name for tag in glyph.of_kind("tag"))
    bare = replace(
        glyph.without(*old), tags=0, defects=(), crown=_widen_seat(glyph, seat, glyph.tags + extra)
    )
    crowned = crown_letter(bare, hand, rng, glyph.tags + extra)
    tags = crowned.of_kind("tag")
    added = tags[:extra] if rng.random() < 0.5 else tags[-extra:]
    if plainness < 1.0:
        share = grade_size(plainness, 0.02, 0.12, 0.6, 1.0)
        short = []
        for part in added:
            left, right = rails(part.outline)
            root = (left[0] + right[0]) / 2
            kind = "kotz" if plainness < _POINT_STROKE_PLAINNESS else part.kind
            outline = root + (part.outline - root) * (max(share, 0.6), share)
            short.append(replace(part, outline=outline, kind=kind))
        crowned = crowned.with_parts(short)
    counted = extra if plainness >= _POINT_STROKE_PLAINNESS else 0
    crowned = replace(crowned, crown=glyph.crown, tags=glyph.tags + counted, defects=glyph.defects)
    names = tuple(part.name for part in added)
    return add_mark(crowned, "tag_excess", extra, plainness, names)


def _widen_seat(glyph: Glyph, seat: Crown, count: int) -> Crown:
    """The seat with room for `count` tags, still over the head or roof that carries it."""
    tops = [part.outline for part in glyph.parts if part.name in _SEAT_PARTS]
    carrier = min(tops, key=lambda top: abs(float(top[:, 1].min()) - seat.y))
    x0, x1 = float(carrier[:, 0].min()) + 0.12, float(carrier[:, 0].max()) - 0.12
    half = min(max((seat.x1 - seat.x0) / 2, 0.13 * count), (x1 - x0) / 2)
    middle = min(max((seat.x0 + seat.x1) / 2, x0 + half), x1 - half)
    return replace(seat, x0=middle - half, x1=middle + half)


def seat_of(glyph: Glyph) -> Crown | None:
    """A seat on the head or roof of a letter that takes no tags."""
    for name in _SEAT_PARTS:
        if glyph.has(name):
            outline = glyph.part(name).outline
            x0, x1 = float(outline[:, 0].min()), float(outline[:, 0].max())
            start, end = x0 + 0.2, min(x1 - 0.2, x0 + 0.9)
            top = Region([outline]).tops(np.array([(start + end) / 2]))
            return Crown(start, end, float(top[0]))
    return None


TAG_EXCESSES: DefectFamily = {
    "tag_excess": RegisteredDefect("".join(chr(c) for c in range(0x5D0, 0x5EB)), tag_excess)
}


def tag_merged(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """Neighbouring tags touch at their heads, sides or roots; size = length of the contact in q.

    Below 1/3 they come near without touching: size 0.
    """
    tags = glyph.of_kind("tag")
    if len(tags) < 2:
        return None
    first = draw_index(rng, len(tags) - 1)
    fixed, moving = tags[first], tags[first + 1]
    if rng.random() < 0.5:
        fixed, moving = moving, fixed
    near = plainness < DOUBTFUL_PLAINNESS
    overlap = -0.1 if near else grade_size(plainness, 0, 0.012, 0.05, 0.16)
    share = plainness / DOUBTFUL_PLAINNESS if near else 1.0
    low = rng.random() < 0.3
    brought = _bring_together(fixed, moving, overlap, low, share)
    if brought is None:
        return None
    changed, size = [brought], _contact_length(fixed, brought)
    if len(tags) == 3 and rng.random() < 0.35:
        other = next(tag for tag in tags if tag not in (fixed, moving))
        middle = brought if moving is tags[1] else fixed
        third = _bring_together(middle, other, overlap, low, share)
        if third is not None:
            changed.append(third)
            size = max(size, _contact_length(middle, third))
    if (size > 0) != (plainness >= DOUBTFUL_PLAINNESS):
        return None
    names = tuple(sorted({fixed.name, *(part.name for part in changed)}))
    return add_mark(glyph.with_parts(changed), "tag_merged", size, plainness, names)


def _gaps_between(a: Part, b: Part, count: int = 33) -> tuple[Floats, Floats]:
    """Heights (y, from below up) at which both tags stand, and the gap between them there."""
    if a.outline[:, 0].mean() > b.outline[:, 0].mean():
        a, b = b, a
    top = max(float(a.outline[:, 1].min()), float(b.outline[:, 1].min())) + 1e-3
    # Not within the ink of the letter, in which the roots are sunk.
    root = min(float(a.outline[:, 1].max()), float(b.outline[:, 1].max())) - _SUNK_ROOT_Q
    y = np.linspace(root, top, count)
    _left, right = Region([a.outline]).spans(y)
    left, _right = Region([b.outline]).spans(y)
    return y, np.nan_to_num(left - right, nan=9.0)


def _contact_length(a: Part, b: Part) -> float:
    """Length along which two tags touch, in q."""
    y, gap = _gaps_between(a, b, 97)
    return float((gap <= 0).mean() * (y[0] - y[-1]))


def _bring_together(
    fixed: Part, moving: Part, overlap: float, low: bool, share: float
) -> Part | None:
    """`moving` leaned, or moved at its root, until it overlaps `fixed` by `overlap` q.

    It goes only a `share` of that way.
    """
    y, gap = _gaps_between(fixed, moving)
    root, top = float(moving.outline[:, 1].max()), float(y[-1])
    if root - top < 0.2:
        return None
    height = (root - y) / (root - top)
    # How much of a shift at the tip (or at the root) arrives at each height.
    arrives = np.clip(1.0 - height, 0.0, 1.0) if low else height
    zone = arrives > 0.2
    if not zone.any():  # the other tag stands wholly above what can be moved
        return None
    shift = share * max(0.0, float(((gap + overlap)[zone] / arrives[zone]).min()))
    side = 1.0 if fixed.outline[:, 0].mean() > moving.outline[:, 0].mean() else -1.0
    level = (root - moving.outline[:, 1]) / (root - top)
    move = side * shift * (np.clip(1.0 - level, 0.0, 1.0) if low else np.clip(level, 0.0, 1.3))
    return replace(moving, outline=moving.outline + np.stack([move, 0 * move], axis=1))


TAG_MERGERS: DefectFamily = {"tag_merged": RegisteredDefect(THREE_TAGGED + "ל", tag_merged)}
