"""The reverse of a mezuzah whose picture stands on its head, set right.

The writing there goes both ways: fourteen letters upside down behind line 1, and the Name of three
letters upright behind the gap (Keset HaSofer 27:7). Which way up most letters stand therefore says
nothing; what stands upright does.
"""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.infer import crops
from crownlet.infer.glyphs import letter_odds, read_letters
from crownlet.infer.layout import lay_out
from crownlet.infer.records import Located
from crownlet.infer.seeing import Seen
from crownlet.infer.sides import LIKE, MANY, likeness, reverse_lines
from crownlet.infer.turning import letters_back

_NAME_LIKE = 0.5
"""Two of the three letters of the Name will do, with a speck or two read as letters."""
_LOCATOR = 0.5
"""Weight of the locator's opinion of a letter beside the assessor's."""


def righted(seen: Seen) -> Seen:
    """The same page, turned over where it is a reverse that stands on its head."""
    if not 0 < len(seen.found) <= MANY:
        return seen
    letters = read_letters(letter_odds(seen.found, seen.assessed, _LOCATOR))
    if not on_its_head(seen.found, letters):
        return seen
    height, width = seen.flat.shape
    flat = np.asarray(cv2.rotate(seen.flat, cv2.ROTATE_180), np.uint8)
    found = letters_back(seen.found, 180, (width, height))
    return Seen(
        flat=flat,
        fitted=crops.fitted(flat, found),
        found=found,
        assessed=seen.assessed,
        turn=(seen.turn + 180) % 360,
        measures=seen.measures,
        agreement=seen.agreement,
    )


def on_its_head(found: Located, letters: str) -> bool:
    """Whether these letters are a reverse of which the wrong line stands upright."""
    order = lay_out(found).order
    over = np.abs(found.body[order, 3] % 360 - 180) < 45
    upright = "".join(letters[i] for i in order[~over])
    turned = "".join(letters[i] for i in order[over])
    behind_line_1, name = reverse_lines()
    return likeness(upright, behind_line_1) >= LIKE and likeness(turned, name) >= _NAME_LIKE
