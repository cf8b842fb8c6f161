"""Faults of form: gimel's feet on one level, a heel or a kotz that is missing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.defects.common import Entry, Family, graded, marked, outlines_but
from crownlet.datasets.letterforms.glyph import Glyph, Part
from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.letterforms.outlines import Region
from crownlet.datasets.letterforms.tags import rails


def foot_level(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """Gimel's right foot not lower than its left (Mishnat Sofrim, gimel).

    Size = by how much the right foot ends higher, against the left one, than it was drawn, in q.
    Below 1/3 it is still the lower one; at 2/3 both end level, above that the right one is higher.
    """
    leg, foot = glyph.part("leg"), glyph.part("foot")
    lower = float(leg.outline[:, 1].max() - foot.outline[:, 1].max())
    if lower <= 0.0:
        return None
    wanted = graded(plainness, lower, min(lower, 0.09), -0.05, -0.34)
    change = lower - wanted
    by_leg = float(rng.uniform(0.35, 0.9))
    shorter = _lifted_end(leg, by_leg * change, float(foot.outline[:, 1].min()))
    dropped = _dropped_end(foot, (1.0 - by_leg) * change)
    changed = glyph.with_parts([shorter, dropped])
    end = float(shorter.outline[:, 1].max() - dropped.outline[:, 1].max())
    return marked(changed, "foot_level", lower - end, plainness, ("leg", "foot"))


def _lifted_end(part: Part, rise: float, above: float) -> Part:
    """The part with its lower end drawn up by `rise`, unchanged above height `above`."""
    y = part.outline[:, 1]
    share = np.clip((y - above) / (y.max() - above + 1e-9), 0.0, 1.0)
    return replace(part, outline=part.outline - np.stack([0 * y, rise * share], axis=1))


def _dropped_end(part: Part, fall: float) -> Part:
    """The part with its left end lowered by `fall`, its right end unmoved."""
    x = part.outline[:, 0]
    share = np.clip((x.max() - x) / (np.ptp(x) * 0.8 + 1e-9), 0.0, 1.0)
    return replace(part, outline=part.outline + np.stack([0 * x, fall * share], axis=1))


def heel_missing(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """The heel behind the corner left out, the corner staying sharp (Mishnat Sofrim, bet, dalet).

    Size = the length of heel that is missing, in q.
    """
    if not glyph.has("heel"):
        return None
    low = glyph.letter == "ב"
    heel = glyph.part("heel")
    edge = _edge_beside(glyph, "wall" if low else "roof", low)
    before = float(heel.outline[:, 0].max())
    if before - edge < 0.08:
        return None
    keep = 1.0 - graded(plainness, 0.0, 0.3, 0.9, 1.0)
    changed = [_held_back(heel, edge, keep)]
    if low:
        changed.append(_held_back(glyph.part("base"), edge, keep))
    after = max(float(part.outline[:, 0].max()) for part in changed)
    return marked(
        glyph.with_parts(changed), "heel_missing", max(0.0, before - after), plainness, ("heel",)
    )


def _edge_beside(glyph: Glyph, name: str, low: bool) -> float:
    """x of the limb's right edge beside the heel."""
    outline = glyph.part(name).outline
    beside = outline[outline[:, 1] > 1.2] if low else outline[outline[:, 1] < 1.2]
    return float(beside[:, 0].max())


def _held_back(part: Part, edge: float, keep: float) -> Part:
    """The part with what passes `edge` to the right shortened to the share `keep`."""
    x = part.outline[:, 0]
    moved = np.where(x > edge, edge + (x - edge) * keep, x)
    return replace(part, outline=np.stack([moved, part.outline[:, 1]], axis=1))


def kotz_missing(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """The lower left point of the yud left out (Mishnat Sofrim, yud; Mishnah Berurah 32:15).

    Size = the length of the point that is missing, in q.
    """
    if not glyph.has("kotz"):
        return None
    kotz = glyph.part("kotz")
    body = Region(outlines_but(glyph, "kotz"))
    before = float(body.clearance(kotz.outline).max())
    if before <= 0.02:
        return None
    if plainness == 1.0:
        return marked(glyph.without("kotz"), "kotz_missing", before, plainness, ("kotz",))
    left, right = rails(kotz.outline)
    inward = left[0] + right[0] - left[-1] - right[-1]
    inward /= float(np.hypot(*inward)) + 1e-9
    sunk = graded(plainness, 0.0, 0.3, 0.9, 1.0) * before
    short = replace(kotz, outline=kotz.outline + sunk * inward)
    after = max(0.0, float(body.clearance(short.outline).max()))
    return marked(glyph.with_parts([short]), "kotz_missing", before - after, plainness, ("kotz",))


FAMILY: Family = {
    "foot_level": Entry("ג", foot_level),
    "heel_missing": Entry("בד", heel_missing),
    "kotz_missing": Entry("י", kotz_missing),
}
