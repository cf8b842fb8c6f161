"""Ink of a glyph as shapely sees it: the measure for every test of letters and defects."""

from __future__ import annotations

import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from crownlet.datasets.render.letterforms.glyph import Glyph, Part


def polygon(part: Part) -> BaseGeometry:
    return shapely.make_valid(Polygon(part.outline))


def ink(glyph: Glyph, *names: str) -> BaseGeometry:
    """Union of the parts, or of those named, less what is cut out of the glyph."""
    parts = [part for part in glyph.parts if not names or part.name in names]
    union = shapely.union_all([polygon(part) for part in parts])
    cuts = [shapely.make_valid(Polygon(cut)) for cut in glyph.cuts]
    return union.difference(shapely.union_all(cuts)) if cuts else union
