"""Cuts: a yud, head, drop, foot, nose, neck or hump separated from its letter, a stroke broken.

One body is required of every letter but he and kuf; even a separation too fine to notice counts
(Orach Chayim 36:2; Mishnah Berurah 36:8-9). A stroke that is only thin is not broken (Mishnah
Berurah 32:36, 41): below plainness 1/3 the crack does not go through. A ring must be closed on all
sides, even of a hair's opening (Keset HaSofer 5:3).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crownlet.datasets.coco.truth import Outline
from crownlet.datasets.render.defects.common import (
    DOUBTFUL_PLAINNESS,
    DefectFamily,
    RegisteredDefect,
    add_mark,
    bar_outline,
    draw_index,
    grade_size,
    mark_doubtful,
    other_outlines,
    part_outlines,
)
from crownlet.datasets.render.letterforms.glyph import Glyph, Part
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.outlines import Region, retreat
from crownlet.datasets.render.letterforms.pen import Floats
from crownlet.datasets.render.letterforms.tags import rails

_MIN_PART_EXTENT_Q = 0.3
"""A part that would shrink below this extent in q is not cut further."""

BREAKABLE_STROKES: dict[str, tuple[str, ...]] = {
    "א": ("body",), "ב": ("roof", "wall", "base"), "ג": ("leg",), "ד": ("roof", "leg"),
    "ה": ("roof", "leg", "leg_left"), "ו": ("leg",), "ז": ("leg",),
    "ח": ("leg_right", "leg_left", "roof"), "ט": ("wall", "base", "leg_left"), "י": ("leg",),
    "ך": ("roof", "leg"), "כ": ("roof", "wall", "base"), "ל": ("neck", "roof", "leg"),
    "מ": ("roof", "wall", "base", "leg_left"), "ן": ("leg",), "נ": ("neck", "base"),
    "ע": ("leg", "thigh"), "ף": ("roof", "leg"), "פ": ("roof", "wall", "base"),
    "ץ": ("leg",), "צ": ("neck", "base"), "ק": ("roof", "leg", "leg_left"),
    "ר": ("roof", "leg"), "ש": ("leg", "thigh"), "ת": ("roof", "leg", "leg_left"),
}  # fmt: skip
"""By letter, the strokes that may break; a ring that breaks is `ring_open`."""

_MIN_PIECE_LENGTH_Q = 0.35
"""Least length in q of the shorter piece."""

_CRACK_OVERRUN_Q = 0.1
"""How far a crack runs out past the stroke on both sides, in q."""


@dataclass(frozen=True)
class Cut:
    """Which parts come off, and which are shortened to open the gap.

    Shortened parts that belong to the piece draw back from the rest; others draw back from it.
    """

    piece: tuple[str, ...]
    shortened: tuple[str, ...]


def _yud_cuts(yud: str, joint: str, *more: str) -> tuple[Cut, ...]:
    """A yud parted where its joint meets the body, or where the joint leaves the yud."""
    return Cut((yud, joint, *more), (joint,)), Cut((yud, *more), (joint,))


CUTS: dict[str, tuple[Cut, ...]] = {
    "א": (
        *_yud_cuts("yud_upper", "joint_upper", "kotz_upper"),
        *_yud_cuts("yud_lower", "joint_lower", "kotz_lower"),
    ),
    "ג": (Cut(("foot",), ("foot",)),),
    "ח": (
        Cut(("head_left", "leg_left", "tag"), ("hump",)),
        Cut(("head_right", "leg_right"), ("hump",)),
    ),
    "ל": (Cut(("head", "neck", "joint", "tag"), ("neck", "joint")),),
    "מ": (Cut(("head", "leg_left"), ("roof",)),),
    "ע": (Cut(("yud",), ("thigh",)), Cut(("head", "leg", "tag"), ("leg",))),
    "פ": _yud_cuts("drop", "joint"),
    "ף": _yud_cuts("drop", "joint"),
    "צ": _yud_cuts("yud", "joint"),
    "ץ": _yud_cuts("yud", "joint"),
    "ש": (
        *_yud_cuts("yud_middle", "joint_middle"),
        Cut(("yud_right",), ("thigh",)),
        Cut(("head", "leg", "tag"), ("leg",)),
    ),
    "ת": (Cut(("leg_left", "foot"), ("leg_left",)),),
}
"""By letter, the ways in which a part comes loose; "tag" stands for all tags."""


def part_loose(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """A part off its letter; size = the gap's width in q (0 while a hair still holds it)."""
    if plainness == 0.0:
        return add_mark(glyph, "part_loose", 0.0, 0.0)
    ways = CUTS[glyph.letter]
    start = draw_index(rng, len(ways))
    gap = grade_size(plainness, 0.08, 0.06, 0.16, 0.38) * float(rng.uniform(0.9, 1.1))
    for k in range(len(ways)):
        way = ways[(start + k) % len(ways)]
        piece = _expand_names(glyph, way.piece)
        if not all(glyph.has(name) for name in way.shortened):
            continue
        loosened = (
            _detach_nose(glyph, gap)
            if glyph.letter == "מ"
            else _detach(glyph, piece, way.shortened, gap)
        )
        if loosened is None:
            continue
        size, near, far = _narrowest_gap(loosened, piece)
        if size <= 0.0:
            continue
        names = tuple(name for name in piece if loosened.has(name))
        if plainness < DOUBTFUL_PLAINNESS:
            width = grade_size(plainness, hand.joint, 0.06, 0, 0)
            loosened, size = _add_hairline(loosened, near, far, width), 0.0
        # A tav whose left leg hangs free is like a he: Orach Chayim 36:2 on tav.
        loosened = mark_doubtful(loosened, "ה" if glyph.letter == "ת" else None, plainness, 0.4)
        return add_mark(loosened, "part_loose", size, plainness, names)
    return None


def _expand_names(glyph: Glyph, names: tuple[str, ...]) -> tuple[str, ...]:
    """The names with "tag" replaced by those of the tags, less what the glyph lacks."""
    tags = tuple(part.name for part in glyph.of_kind("tag")) if "tag" in names else ()
    return tuple(name for name in names if glyph.has(name)) + tags


def _detach(
    glyph: Glyph, piece: tuple[str, ...], shortened: tuple[str, ...], gap: float
) -> Glyph | None:
    """The glyph with `shortened` drawn back until `gap` q are clear around the piece."""
    own = shortened[0] in piece
    against = other_outlines(glyph, *piece) if own else part_outlines(glyph, *piece)
    region, changed, gone = Region(against), [], []
    # What else of the piece (or of the rest) lies nearer than the gap must draw back as well.
    for part in glyph.parts:
        if part.kind == "tag" or (part.name in piece) != own:
            continue
        if part.name not in shortened and not own:
            continue
        outline = retreat(part.outline, region, gap)
        if outline is None or float(np.ptp(outline, axis=0).max()) < 0.05:
            if part.name not in shortened or part.kind != "joint":
                return None
            gone.append(part.name)
        elif outline is not part.outline:
            if part.kind != "joint" and float(np.ptp(outline, axis=0).max()) < _MIN_PART_EXTENT_Q:
                return None
            changed.append(replace(part, outline=outline))
    return glyph.without(*gone).with_parts(changed)


def _detach_nose(glyph: Glyph, gap: float) -> Glyph:
    """Mem's nose and roof drawn apart, the nose's foot following by half.

    They overlap along their whole height, so that cutting one back would eat it up.
    """
    for _ in range(3):
        roof, nose = glyph.part("roof").outline, [glyph.part("head"), glyph.part("leg_left")]
        y = np.linspace(float(roof[:, 1].min()), 1.6, 24)
        left, _right = Region([roof]).spans(y)
        _left, right = Region([part.outline for part in nose]).spans(y)
        apart = gap * 1.06 - float(np.nanmin(left - right))
        if apart < 0.005:
            break
        x = roof[:, 0] - roof[:, 0].min()
        moved = [_shift_points(glyph.part("roof"), 0.55 * apart * np.clip(1.3 - x, 0.0, 1.0))]
        for part in nose:
            share = np.clip(1.1 - part.outline[:, 1] / 6.0, 0.5, 1.0)
            moved.append(_shift_points(part, -0.5 * apart * share))
        glyph = glyph.with_parts(moved)
    return glyph


def _shift_points(part: Part, shift: Floats) -> Part:
    """The part with each point moved to the right by its `shift`."""
    return replace(part, outline=part.outline + np.stack([shift, 0 * shift], axis=1))


def _narrowest_gap(glyph: Glyph, piece: tuple[str, ...]) -> tuple[float, Floats, Floats]:
    """Width of the gap around the piece, and the two points between which it is narrowest."""
    own, other = part_outlines(glyph, *piece), other_outlines(glyph, *piece)
    loose, rest = Region(own), Region(other)
    points, others = np.concatenate(own), np.concatenate(other)
    clear = rest.clearance(points)
    k = int(clear.argmin())
    # A point of the rest may also run into an edge of the piece.
    near = others[np.hypot(*(others - points[k]).T) < 0.8]
    back = float(loose.clearance(near).min()) if len(near) else float("inf")
    return max(0.0, min(float(clear[k]), back)), points[k], rest.nearest(points[k])


def _add_hairline(glyph: Glyph, near: Floats, far: Floats, width: float) -> Glyph:
    """The glyph with a hair between two points, its ends sunk into the ink."""
    reach = (far - near) / (float(np.hypot(*(far - near))) + 1e-9) * 0.06
    return glyph.with_parts([Part("hair", "joint", bar_outline(near - reach, far + reach, width))])


LOOSE_PARTS: DefectFamily = {"part_loose": RegisteredDefect("".join(CUTS), part_loose)}


def stroke_broken(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """A crack through a whole stroke; size = width of the gap in q (0 while ink still holds)."""
    names = [name for name in BREAKABLE_STROKES[glyph.letter] if glyph.has(name)]
    for k in rng.permutation(len(names)):
        part = glyph.part(names[int(k)])
        chord = _chord(glyph, part, rng)
        if chord is not None:
            return _crack_stroke(glyph, chord, "stroke_broken", rng, plainness, (part.name,))
    return None


def _chord(glyph: Glyph, part: Part, rng: np.random.Generator) -> tuple[Floats, Floats] | None:
    """The two ends of a way across the part where nothing else lies; None if there is none."""
    left, right = _stroke_rails(part)
    axis = (left + right) / 2
    flat = part.kind in ("roof", "base")
    steps = np.diff(axis[:, 0]) if flat else np.hypot(*np.diff(axis, axis=0).T)
    run = np.concatenate([[0.0], np.cumsum(steps)])
    # The crack passes through the edges and ends past the stroke: all of it must be free.
    out = (right - left) / (np.hypot(*(right - left).T)[:, None] + 1e-9) * _CRACK_OVERRUN_Q
    others = Region(other_outlines(glyph, part.name))
    n = len(axis)
    clear = others.clearance(np.concatenate([left - out, axis, right + out]))
    free = clear.reshape(3, n).min(axis=0) > 0.1
    free &= (run > _MIN_PIECE_LENGTH_Q) & (run < run[-1] - _MIN_PIECE_LENGTH_Q)
    free &= np.hypot(*(right - left).T) > 0.05
    if flat:
        # At a slanted end the crack would leave only a tiny piece.
        thick = np.hypot(*(right - left).T)
        thin = run[thick < 0.8 * np.median(thick)]
        free &= (np.abs(run[:, None] - thin) > _MIN_PIECE_LENGTH_Q).all(axis=1)
    where = np.flatnonzero(free)
    if not len(where):
        return None
    k = int(where[draw_index(rng, len(where))])
    return left[k], right[k]


def _stroke_rails(part: Part) -> tuple[Floats, Floats]:
    """Rails of a stroke; of a roof or base its upper and lower edge at even steps."""
    if part.kind not in ("roof", "base"):
        return rails(part.outline)
    region = Region([part.outline])
    x0, x1 = float(part.outline[:, 0].min()), float(part.outline[:, 0].max())
    upper, lower = [], []
    for x in np.linspace(x0 + 0.02, x1 - 0.02, 12):
        hits = region.along(np.array([x, 0.0]), np.array([0.0, 1.0]))
        if len(hits) >= 2:
            upper.append((x, hits[0]))
            lower.append((x, hits[-1]))
    return np.array(upper), np.array(lower)


def _crack_stroke(
    glyph: Glyph, chord: tuple[Floats, Floats], name: str, rng: np.random.Generator,
    plainness: float, parts: tuple[str, ...],
) -> Glyph:  # fmt: skip
    """The glyph with a jagged gap along the chord; through it if doubtful or more."""
    start, end = chord
    if rng.random() < 0.5:
        start, end = end, start
    wide = grade_size(plainness, 0.05, 0.055, 0.15, 0.28) * float(rng.uniform(0.9, 1.1))
    reach = grade_size(plainness, 0.0, 0.75, 1.0, 1.0) if plainness < DOUBTFUL_PLAINNESS else 1.0
    along = end - start
    long = float(np.hypot(*along))
    along = along / long
    across = np.array([-along[1], along[0]])
    far = long + _CRACK_OVERRUN_Q if reach == 1.0 else min(reach * long, long - 0.08)
    place = np.linspace(-_CRACK_OVERRUN_Q, max(far, 0.02), 6)
    drift = 0.03 * float(rng.uniform(-1, 1)) * place
    sides = wide / 2 + 0.07 * wide * rng.uniform(-1.0, 1.0, (2, 6))
    middle = start + place[:, None] * along
    upper = middle + (drift + sides[0])[:, None] * across
    lower = middle + (drift - sides[1])[:, None] * across
    cut: Outline = np.concatenate([upper, lower[::-1]])
    wide = float(sides.sum(axis=0)[1:-1].min())
    size = wide if reach == 1.0 else 0.0
    return add_mark(replace(glyph, cuts=(*glyph.cuts, cut)), name, size, plainness, parts)


def ring_open(glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """The ring of samech or final mem opened; size = width of the opening in q (0 while closed)."""
    wall, right = glyph.part("wall_left").outline, glyph.part("wall").outline
    x0, x1 = float(wall[:, 0].max()) + 0.08, float(right[:, 0].min()) - 0.08
    chance = float(rng.random())
    if chance < 0.65:
        # Where the left wall closes the ring, most often right under the roof.
        place = 1.1 + 0.95 * float(rng.random()) ** 1.5
        origin, way, name = np.array([x0, place]), np.array([-1.0, 0.0]), "wall_left"
    else:
        x = x0 + (x1 - x0) * float(rng.uniform(0.1, 0.6))
        up = chance > 0.85
        origin, way = np.array([x, 1.5]), np.array([0.0, -1.0 if up else 1.0])
        name = "roof" if up else "base"
    hits = Region([part.outline for part in glyph.parts]).along(origin, way)
    hits = hits[hits > 0]
    if len(hits) < 2:
        return None
    chord = origin + way * hits[0], origin + way * hits[-1]
    return _crack_stroke(glyph, chord, "ring_open", rng, plainness, (name,))


BROKEN_STROKES: DefectFamily = {
    "stroke_broken": RegisteredDefect("".join(BREAKABLE_STROKES), stroke_broken),
    "ring_open": RegisteredDefect("סם", ring_open),
}
