"""True lengths of rendered letters in q, from the outlines of their parts by shapely."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon, box
from shapely.geometry.base import BaseGeometry

from crownlet.datasets.coco.truth import LetterTruth

WIDE = 99.0
HEADS = {
    "ט": ((("head_left", "leg_left"), ("head_right", "wall")),),
    "ע": ((("head", "leg"), ("yud", "thigh")),),
    "צ": ((("head", "neck"), ("yud", "joint")),),
    "ץ": ((("head", "leg"), ("yud", "joint")),),
    "ש": (
        (("head", "leg"), ("yud_middle", "joint_middle")),
        (("yud_middle", "joint_middle"), ("yud_right", "thigh")),
    ),
}


def true_lengths(letter: LetterTruth) -> dict[str, list[float]]:
    """Lengths in q by measure, from the outlines of the letter's parts."""
    ink = _Ink(letter)
    found = {**_levels(ink), **_whites(ink), **_crowns(ink)}
    return {name: values for name, values in found.items() if values}


class _Ink:
    """Parts of a letter as polygons in its own frame, q."""

    def __init__(self, letter: LetterTruth) -> None:
        self.letter = letter.letter
        self.marks = {mark.name: mark for mark in letter.defects}
        x, y, height, _ = letter.body
        self.outlines = {
            part.name: (part.polygon.astype(float) - (x, y)) / (height / 3) for part in letter.parts
        }
        self.kinds = {part.name: part.kind for part in letter.parts}

    def of(self, *names: str) -> BaseGeometry:
        return shapely.union_all(
            [shapely.make_valid(Polygon(self.outlines[n])) for n in names if n in self.outlines]
        )

    def but(self, *names: str) -> BaseGeometry:
        return self.of(*(n for n in self.outlines if n not in names))

    def named(self, *kinds: str) -> list[str]:
        return [n for n, kind in self.kinds.items() if kind in kinds]


def _column(ink: BaseGeometry, x: float) -> tuple[float, float] | None:
    cut = ink.intersection(LineString([(x, -WIDE), (x, WIDE)]))
    return None if cut.is_empty else (cut.bounds[1], cut.bounds[3])


def _levels(ink: _Ink) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    c = ink.letter
    if c == "ג":
        found["foot_drop"] = [ink.of("leg").bounds[3] - ink.of("foot").bounds[3]]
    if c in "דהךרףת":
        found["leg_length"] = _under_roof(ink)
    if c in "וזיןץ":
        cap = ink.of(*ink.named("head", "yud"))
        columns = np.linspace(cap.bounds[0] + 0.02, cap.bounds[2] - 0.02, 60)
        tops = [edge[0] for x in columns if (edge := _column(cap, float(x)))]
        found["length"] = [ink.of("leg").bounds[3] - float(np.median(tops))]
    if c in "הק":
        leg = ink.of("leg_left").bounds
        found["left_leg_length"] = [leg[3] - leg[1]]
    if c in "בד" and "heel" in ink.outlines:
        found["heel"] = _heel(ink)
    if c == "י":
        body = ink.of(*(n for n in ink.outlines if n != "kotz" and ink.kinds[n] != "tag"))
        tip = ink.outlines.get("kotz")
        points = [] if tip is None else [shapely.Point(p) for p in tip]
        found["kotz"] = [max((body.distance(p) for p in points), default=0.0)]
    return found


def _under_roof(ink: _Ink) -> list[float]:
    leg = "leg_left" if ink.letter == "ת" else "leg"
    roof, limb = ink.of("roof"), ink.of(leg)
    left, _, right, low = roof.bounds
    zone = limb.intersection(box(-WIDE, low - 0.1, WIDE, low + 0.3)).bounds
    middle = (left + right) / 2
    near, far = (zone[2] + 0.05, middle) if ink.letter == "ת" else (middle, zone[0] - 0.05)
    under = [edge[1] for x in np.linspace(near, far, 12) if (edge := _column(roof, float(x)))]
    end = max(limb.bounds[3], ink.of("foot").bounds[3] if ink.letter == "ת" else -WIDE)
    return [end - float(np.median(under))] if under else []


def _heel(ink: _Ink) -> list[float]:
    if ink.letter == "ב":
        rows, limb, name = (2.05, 3.1), (1.15, 1.85), "wall"
    else:
        rows, limb, name = (0.0, 1.1), (1.45, 2.1), "leg"
    body = ink.of(*(n for n in ink.outlines if ink.kinds[n] not in ("tag", "kotz")))
    edges = [
        ink.of(name).intersection(LineString([(-WIDE, y), (WIDE, y)])).bounds[2]
        for y in np.linspace(*limb, 9)
    ]
    out = body.intersection(box(-WIDE, rows[0], WIDE, rows[1])).bounds[2]
    return [out - float(np.nanmedian(edges))]


def _whites(ink: _Ink) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    c = ink.letter
    if c in "הק":
        found["leg_gap"] = [ink.of("leg_left").distance(ink.but("leg_left"))]
    if "part_loose" in ink.marks and ink.marks["part_loose"].size > 0:
        found["part_gap"] = [ink.marks["part_loose"].size]
    heads = box(-WIDE, 0.05, WIDE, 0.9)
    if c in HEADS:
        found["head_gap"] = [
            ink.of(*a).intersection(heads).distance(ink.of(*b).intersection(heads))
            for a, b in HEADS[c]
        ]
    if c in "סם":
        found["opening"] = [ink.marks["ring_open"].size if "ring_open" in ink.marks else 0.0]
    low = box(-WIDE, 1.9, WIDE, WIDE)
    if c == "מ":
        nose, rest = (ink.of(*n).intersection(low) for n in (("leg_left",), ("base", "wall")))
        found["opening"] = [nose.distance(rest)]
    if c in "פף":
        frame = ink.of("wall", "base", "leg")
        joined = "bridge" in ink.outlines and ink.of("bridge").intersects(frame)
        if joined or "bridge" not in ink.outlines:
            found["opening"] = [0.0 if joined else ink.of("drop").distance(frame)]
    return found


def _crowns(ink: _Ink) -> dict[str, list[float]]:
    tags = ink.named("tag")
    fine = ("tag", "kotz", "joint", "hump")
    body = ink.of(*(n for n in ink.outlines if ink.kinds[n] not in fine))
    heights = []
    for outline in (ink.outlines[name] for name in tags):
        # A tag's outline runs up its left rail from the root and down its right one.
        root = float(outline[0, 0] + outline[-1, 0]) / 2
        tops = [e[0] for x in (root - 0.05, root, root + 0.05) if (e := _column(body, x))]
        if tops:
            heights.append((root, float(np.mean(tops) - outline[:, 1].min())))
    loose = ink.but(*tags) if tags else None
    gaps = [ink.of(name).distance(loose) for name in tags] if loose is not None else []
    return {
        "tag_height": [height for _, height in sorted(heights)],
        "tag_gap": [gap for gap in gaps if gap > 0],
    }
