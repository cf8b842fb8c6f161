"""Records of whole portions by line, with gaps and sizes as asked for."""

from __future__ import annotations

import made

from crownlet.datasets.scribal.portion import Portion
from crownlet.datasets.scribal.texts import verse_ends
from crownlet.infer.records import GapRecord, GlyphRecord, PageRecord, TextMatch

Q, YUD = made.Q, 1.1
FOURTH = "vehaya_im_shamoa"
"""The portion of tefillin before which customs differ; its first word opens it."""


def written(
    text: Portion, lines: list[list[str]], *, first: int = 0, indent: float = 0.0,
    short: float = 0.0, verse: float = 1.0, **letters: object,
) -> PageRecord:  # fmt: skip
    """The words of a text by line, from word `first` on, all lines brought to one width.

    `indent` and `short` are the gaps in q before the word that opens a portion, and at the end of
    the line before it; the gap after a verse is `verse` times that between words. `letters` gives
    changes by "word_place".
    """
    ends, opens = verse_ends(text.name), {0, *text.opens}
    glyphs: list[GlyphRecord] = []
    gaps: list[GapRecord] = []
    word = first
    for number, row in enumerate(lines, start=1):
        opening = word in opens and (number > 1 or text.name == FOURTH)
        before_opening = word + len(row) in text.opens
        right = 110.0 - (indent if opening else 0.0)
        left = 10.0 + (short if before_opening else 0.0)
        count = sum(map(len, row))
        widths = [verse if word + k in ends else 1.0 for k in range(len(row) - 1)]
        pitch = (right - left - sum(widths)) / count
        x = right
        for k, chars in enumerate(row):
            for place, char in enumerate(chars):
                box = ((x - 0.9 * pitch) * Q, 60.0 * number, x * Q, 60.0 * number + 30)
                changes = dict(letters.get(f"{word + k}_{place}", {}))  # type: ignore[call-overload]
                tall = changes.pop("tall", 1.0)
                box = (box[0], box[1], box[2], box[1] + 30.0 * tall)
                glyphs.append(
                    made.glyph(
                        len(glyphs) + 1, char, line=number, word=word + k + 1, place=place + 1,
                        box=box, body=((box[0] + box[2]) / 2, box[1], 30.0, 0.0), **changes,
                    )
                )  # fmt: skip
                x -= pitch
            if k < len(row) - 1:
                x -= widths[k]
                gaps.append(
                    GapRecord(number, len(glyphs), len(glyphs) + 1, "word", widths[k] * Q,
                              widths[k], widths[k] / YUD, None, None, None)
                )  # fmt: skip
        word += len(row)
    match = TextMatch(text.name, len(text.letters), len(glyphs), 0, 0)
    return made.record(glyphs, gaps, match)
