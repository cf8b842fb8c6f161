"""The 27 letters drawn by a broad pen from named parts, in any hand.

A glyph is a set of parts in units of the pen's width; a hand is one scribe's habits; tags and
outlines become pixels in `raster`.
"""

from __future__ import annotations
