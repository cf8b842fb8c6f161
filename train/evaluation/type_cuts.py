"""Defects cut into the letters of the two fonts: crowns erased, a part cut loose, a leg joined.

The tables were read off the outlines of each letter by eye (font units, y up); the tests check them
by counting pieces of ink.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crownlet.datasets.coco.truth import DefectMark, Outline
from crownlet.datasets.scribal.alphabet import THREE_TAGS
from crownlet.train.evaluation.type_font import UNITS_PER_Q, FontName, TypeGlyph, in_q

Point = tuple[float, float]

CUT_DEFECTS = ("tag_missing", "tag_bare", "part_loose", "leg_touches_roof")
"""Names of the defects that can be cut into type."""

FONT_TAGS: dict[FontName, dict[str, int]] = {
    "ashkenaz": dict.fromkeys("שעטנןזגצץ", 3) | dict.fromkeys("בדהק", 1) | {"י": 1, "ל": 2},
    "sefarad": dict.fromkeys("שעטנןזגצץ", 3) | dict.fromkeys("בדהקחי", 1),
}
"""How many tags each font sets on a letter; letters not named carry none. The Ashkenaz yud's tag
and lamed's two are points drawn out of the head, not balls on stems: see `DOUBTFUL_CROWNS`."""

DOUBTFUL_CROWNS: dict[FontName, str] = {"ashkenaz": "יחל", "sefarad": "ל"}
"""Letters whose points an examiner could count as tags or as corners: yud's prickle, the corner of
chet (which has a hump but no stick), lamed's horns. They are neither positives nor negatives of
`tag_missing`, and are never cut."""


LEGS: dict[FontName, dict[str, tuple[Point, Point]]] = {
    "ashkenaz": {"ה": ((182, 470), (182, 740)), "ק": ((330, 480), (330, 740))},
    "sefarad": {"ה": ((246, 560), (246, 790)), "ק": ((272, 440), (272, 790))},
}
"""A point in the top of the detached left leg and one in the roof above it."""

_OVERSHOOT_UNITS = 14.0


@dataclass(frozen=True)
class Joint:
    """The narrowest line across a joint, from `a` to `b`, and a point in the part beyond it."""

    part: str
    a: Point
    b: Point
    beyond: Point


JOINTS: dict[FontName, dict[str, tuple[Joint, ...]]] = {
    "ashkenaz": {
        "א": (
            Joint("yud_upper", (610, 729), (768, 566), (780, 720)),
            Joint("yud_lower", (256, 682), (354, 610), (250, 500)),
        ),
        "ג": (Joint("foot", (464, 350), (480, 274), (350, 250)),),
        "ע": (Joint("head", (426, 222), (563, 267), (440, 600)),),
        "ף": (Joint("drop", (92, 600), (212, 600), (200, 450)),),
        "פ": (Joint("drop", (97, 610), (213, 610), (200, 450)),),
        "ץ": (Joint("yud", (349, 367), (346, 240), (450, 330)),),
        "צ": (Joint("yud", (624, 477), (706, 440), (750, 550)),),
        "ש": (Joint("yud_middle", (427, 294), (480, 255), (520, 400)),),
    },
    "sefarad": {
        "א": (
            Joint("yud_upper", (743, 556), (805, 512), (850, 620)),
            Joint("yud_lower", (269, 618), (343, 570), (250, 490)),
        ),
        "ג": (Joint("foot", (542, 300), (570, 246), (450, 200)),),
        "ע": (Joint("head", (396, 152), (481, 180), (430, 400)),),
        "ף": (Joint("drop", (190, 672), (268, 672), (230, 600)),),
        "פ": (Joint("drop", (195, 672), (272, 672), (235, 600)),),
        "ץ": (Joint("yud", (463, 300), (487, 249), (540, 430)),),
        "צ": (Joint("yud", (568, 662), (636, 608), (650, 680)),),
        "ש": (Joint("yud_middle", (356, 318), (408, 294), (430, 380)),),
    },
}


def defects_of(font: FontName, letter: str) -> tuple[str, ...]:
    """Names of the defects that can be cut into this letter of this font."""
    names = []
    if FONT_TAGS[font].get(letter) and letter not in DOUBTFUL_CROWNS[font]:
        names.append("tag_missing")
        if letter in THREE_TAGS:
            names.append("tag_bare")
    if letter in JOINTS[font]:
        names.append("part_loose")
    if letter in LEGS[font]:
        names.append("leg_touches_roof")
    return tuple(names)


def cut_defect(font: FontName, glyph: TypeGlyph, name: str, rng: np.random.Generator) -> TypeGlyph:
    """The letter with one defect of a random size; all sizes are plain to see.

    Raises:
        ValueError: this defect cannot be cut into this letter.
    """
    if name not in defects_of(font, glyph.letter):
        raise ValueError(f"{name} cannot be cut into {glyph.letter!r} of {font}")
    if name == "tag_missing":
        return erase_tags(glyph, rng)
    if name == "tag_bare":
        return bare_tags(glyph, rng)
    if name == "part_loose":
        joints = JOINTS[font][glyph.letter]
        return cut_joint(glyph, joints[rng.integers(len(joints))], rng.uniform(0.1, 0.25))
    return join_leg(glyph, LEGS[font][glyph.letter], rng.uniform(0.12, 0.5))


def erase_tags(glyph: TypeGlyph, rng: np.random.Generator) -> TypeGlyph:
    """Erase all tags, or of three tags half of the time only one."""
    count = len(glyph.tags)
    gone = {int(rng.integers(count))} if count > 1 and rng.random() < 0.5 else set(range(count))
    names = tuple(f"tag_{i + 1}" for i in sorted(gone))
    kept = tuple(tag for i, tag in enumerate(glyph.tags) if i not in gone)
    mark = DefectMark("tag_missing", float(len(gone)), parts=names)
    return replace(glyph, tags=kept, defects=(*glyph.defects, mark))


def bare_tags(glyph: TypeGlyph, rng: np.random.Generator) -> TypeGlyph:
    """Draw all tags, or half of the time one, as a line of even width from seat to top."""
    count = len(glyph.tags)
    bare = {int(rng.integers(count))} if rng.random() < 0.5 else set(range(count))
    width = float(rng.uniform(0.1, 0.16))
    tags = tuple(_bare_stroke(tag, width) if i in bare else tag for i, tag in enumerate(glyph.tags))
    names = tuple(f"tag_{i + 1}" for i in sorted(bare))
    mark = DefectMark("tag_bare", float(len(bare)), parts=names)
    return replace(glyph, tags=tags, defects=(*glyph.defects, mark))


def _bare_stroke(tag: Outline, width: float) -> Outline:
    """A straight stroke from where the tag leaves its head to its farthest point."""
    seat = (tag[0] + tag[-1]) / 2
    top = tag[np.argmax(np.linalg.norm(tag - seat, axis=1))]
    along = (top - seat) / np.linalg.norm(top - seat)
    across = np.array([-along[1], along[0]]) * width / 2
    line: Outline = np.array([seat + across, top + across, top - across, seat - across])
    return line


def cut_joint(glyph: TypeGlyph, joint: Joint, width: float) -> TypeGlyph:
    """Cut a blank band, `width` q wide, through a joint, on the side of the part cut loose."""
    a, b, beyond = (np.array(point, np.float64) for point in (joint.a, joint.b, joint.beyond))
    along = (b - a) / np.linalg.norm(b - a)
    across = np.array([-along[1], along[0]])
    across *= np.sign(across @ (beyond - a))
    a, b = a - along * _OVERSHOOT_UNITS, b + along * _OVERSHOOT_UNITS
    thick = across * width * UNITS_PER_Q
    band = in_q([a, b, b + thick, a + thick])
    mark = DefectMark("part_loose", float(width), parts=(joint.part,))
    return replace(glyph, cuts=(*glyph.cuts, band), defects=(*glyph.defects, mark))


def join_leg(glyph: TypeGlyph, leg: tuple[Point, Point], width: float) -> TypeGlyph:
    """Lengthen the detached leg up into the roof; the contact is `width` q wide."""
    foot, top = leg
    half = width * UNITS_PER_Q / 2
    at_leg = min(half, 20.0)
    bridge: Outline = in_q(
        [
            (foot[0] - at_leg, foot[1]),
            (foot[0] + at_leg, foot[1]),
            (top[0] + half, top[1]),
            (top[0] - half, top[1]),
        ]
    )
    mark = DefectMark("leg_touches_roof", float(width), parts=("leg_left",))
    return replace(glyph, added=(*glyph.added, bridge), defects=(*glyph.defects, mark))
