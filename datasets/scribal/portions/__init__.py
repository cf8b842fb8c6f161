"""The letters of the portions, as data.

`texts.json` holds words, lines, counts and their provenance. It contains the Divine Name in full:
what is printed of it goes to genizah.
"""

from __future__ import annotations
