"""Crowns: tags missing, bare, loose and merged (Mishnah Berurah 36:12-15; Keset HaSofer 5:4)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.defects.common import (
    DOUBTFUL,
    PLAIN,
    Entry,
    Family,
    bar,
    graded,
    marked,
    outlines_but,
    pick,
    unmarked,
)
from crownlet.datasets.letterforms.glyph import Glyph, Part
from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.letterforms.outlines import Region, retreat
from crownlet.datasets.letterforms.tags import THREE_TAGGED, crown_letter, rails

_STUMP_COUNTS = 0.5
"""Plainness below which what is left of a tag still counts as a stroke."""
_HAIR = 0.09
"""Tags nowhere wider than this in q have no head that could be seen to be missing."""
CROWNED = THREE_TAGGED + "בדקחיה" + "ל"


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
    lost = len(tags) if every else 1 + pick(rng, len(tags))
    names = tuple(tags[int(k)].name for k in np.sort(rng.permutation(len(tags))[:lost]))
    if plainness >= PLAIN:
        left = glyph.without(*names)
        if 0 < lost < len(tags) and rng.random() < 0.5:
            left = _rewritten(glyph, hand, rng, len(tags) - lost)
    else:
        left = _stumped(glyph, names, plainness)
    counted = plainness >= _STUMP_COUNTS
    left = replace(left, tags=glyph.tags - lost if counted else glyph.tags)
    if counted and lost == len(tags):
        left = unmarked(left, "tag_bare")
    return marked(left, "tag_missing", lost, plainness, names)


def _rewritten(glyph: Glyph, hand: Hand, rng: np.random.Generator, count: int) -> Glyph:
    """The crown as a scribe writes it who makes fewer tags: evenly set anew."""
    names = tuple(tag.name for tag in glyph.of_kind("tag"))
    plain = replace(glyph.without(*names), tags=0, defects=())
    crowned = crown_letter(plain, hand, rng, count)
    return replace(crowned, defects=glyph.defects)


def _stumped(glyph: Glyph, names: tuple[str, ...], plainness: float) -> Glyph:
    """These tags shortened toward their roots; what no longer counts is called a kotz."""
    short = []
    for name in names:
        part = glyph.part(name)
        left, right = rails(part.outline)
        root = (left[0] + right[0]) / 2
        height = float(root[1] - part.outline[:, 1].min())
        wanted = graded(plainness, height, min(height, 0.42), 0.12, 0.0)
        factor = wanted / max(height, 1e-6)
        outline = root + (part.outline - root) * (max(factor, 0.35), factor)
        kind = "kotz" if plainness >= _STUMP_COUNTS else part.kind
        short.append(replace(part, outline=outline, kind=kind))
    return glyph.with_parts(short)


def tag_bare(glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """Formed tags, all or some, become lines of even width; size = how many.

    None on a hand of bare lines: there `crown_letter` has marked the letter already.
    """
    tags = glyph.of_kind("tag")
    if not tags or hand.tag_form == "bare":
        return None
    width = float(rng.uniform(0.06, 0.16))
    count = len(tags) if rng.random() < 0.6 else 1 + pick(rng, len(tags))
    chosen = {int(k) for k in rng.permutation(len(tags))[:count]}
    widest = max(float(np.hypot(*np.subtract(*rails(part.outline)).T).max()) for part in tags)
    if widest < _HAIR:
        return None
    # A crown set so close that its heads are slight leaves lines that are slighter still.
    width = min(width, 0.5 * widest)
    thinned = []
    for k in sorted(chosen):
        part = tags[k]
        left, right = rails(part.outline)
        axis, half = (left + right) / 2, (right - left) / 2
        length = np.hypot(half[:, 0], half[:, 1])[:, None] + 1e-9
        # Only what stands out above the hairline goes: a bare line is never thicker than the tag.
        bare = half / length * np.minimum(width / 2, max(float(length.mean()), 0.03))
        half = half + (bare - half) * graded(plainness, 0.0, 0.35, 0.85, 1.0)
        thinned.append(replace(part, outline=np.concatenate([axis - half, (axis + half)[::-1]])))
    names = tuple(part.name for part in thinned)
    return marked(glyph.with_parts(thinned), "tag_bare", len(names), plainness, names)


def tag_loose(glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """White between a tag and its letter; size = the white's width in q (0 while they touch)."""
    tags = glyph.of_kind("tag")
    if not tags:
        return None
    if plainness == 0.0:
        return marked(glyph, "tag_loose", 0.0, 0.0)
    count = len(tags) if rng.random() < 0.3 else 1
    chosen = [tags[int(k)] for k in np.sort(rng.permutation(len(tags))[:count])]
    body = outlines_but(glyph, *(tag.name for tag in tags))
    gap = graded(plainness, 0.05, 0.06, 0.16, 0.38) * float(rng.uniform(0.9, 1.1))
    region, freed = Region(body), []
    for part in chosen:
        loose = _lifted(part, region, gap, share=float(rng.uniform(0.2, 1.0)))
        if loose is None:
            return None
        freed.append(loose)
    loosened = glyph.with_parts(freed)
    names = tuple(part.name for part in chosen)
    size = float(region.clearance(np.concatenate([part.outline for part in freed])).min())
    if plainness < DOUBTFUL:
        # Near it, not it: the tag hangs by a hair, thinner the nearer to the defect.
        threads = [_thread(part, graded(plainness, 0.1, 0.045, 0, 0)) for part in chosen]
        loosened, size = loosened.with_parts(threads), 0.0
    return marked(loosened, "tag_loose", size, plainness, names)


def _lifted(part: Part, region: Region, gap: float, share: float) -> Part | None:
    """The tag off its letter: lifted by a share of the gap, the rest cut from its root."""
    left, right = rails(part.outline)
    axis = (left + right) / 2
    up = axis[3] - axis[0]
    up = up / (float(np.hypot(*up)) + 1e-9)
    outline = retreat(part.outline + up * gap * share, region, gap)
    if outline is None or float(np.ptp(outline[:, 1])) < 0.15:
        return None
    return replace(part, outline=outline)


def _thread(part: Part, width: float) -> Part:
    """A hair along the lower part of a tag's axis."""
    left, right = rails(part.outline)
    axis = (left + right) / 2
    return Part(f"{part.name}_hair", "joint", bar(axis[0], axis[4], width))


FAMILY: Family = {
    "tag_missing": Entry(CROWNED, tag_missing),
    "tag_bare": Entry(THREE_TAGGED, tag_bare),
    "tag_loose": Entry(CROWNED, tag_loose),
}
