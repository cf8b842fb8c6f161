"""Letters in an order of which any beginning shows all forms, from all over the pages."""

from __future__ import annotations

from collections.abc import Mapping

from crownlet.infer.records import GlyphRecord

CropKey = tuple[str, int]
"""A letter by its page and number."""


def spread_letters(evidence: Mapping[CropKey, GlyphRecord]) -> list[CropKey]:
    """Keys so ordered that letter forms take turns, each from all over the pages."""
    forms: dict[str, list[CropKey]] = {}
    for key, glyph in evidence.items():
        forms.setdefault(glyph.letter, []).append(key)
    scattered = {form: _scatter(keys) for form, keys in forms.items()}
    ordered: list[CropKey] = []
    for turn in range(max(map(len, scattered.values()), default=0)):
        ordered += [keys[turn] for keys in scattered.values() if turn < len(keys)]
    return list(dict.fromkeys(ordered))


def _scatter(keys: list[CropKey]) -> list[CropKey]:
    """The same keys from all over: first, last, middle, and the middles of what lies between."""
    by_depth = sorted(range(len(keys)), key=lambda k: (k & -k).bit_length() if k else 99)
    return [keys[k] for k in reversed(by_depth)]
