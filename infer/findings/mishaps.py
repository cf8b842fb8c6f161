"""Findings on the text: letters and words absent, extra or exchanged; a run is one place.

A single letter that is read otherwise than the text has it is listed with all else that is said of
it (`letters.py`), so that one letter is one place.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from crownlet.datasets.customs import Customs
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.gravity import weigh
from crownlet.infer.findings.paging import around
from crownlet.infer.findings.reverse import accepted_absence
from crownlet.infer.findings.sentences import absent_says
from crownlet.infer.records import AbsentLetter, Box, PageRecord
from crownlet.infer.text_places import TextPlace

_ABSENT = "letter_absent"


def mishap_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """A finding for each place where page and text part company."""
    match = record.match
    if match is None or accepted_absence(record, customs):
        return []
    if match.places:
        return [_place(place, record, customs) for place in match.places if _own(place)]
    runs = groupby(match.absent, key=lambda letter: (letter.after, letter.word))
    return [_absent(list(run), record, customs) for _, run in runs]


def told(record: PageRecord) -> frozenset[int]:
    """Letters of which a place of the text already says that they are extra or exchanged."""
    places = record.match.places if record.match is not None else ()
    return frozenset(glyph for place in places if _own(place) for glyph in place.glyphs)


def _own(place: TextPlace) -> bool:
    return len(place.glyphs) != 1


def _place(place: TextPlace, record: PageRecord, customs: Customs) -> Finding:
    weight = weigh(place.defect, None, customs)
    inside = set(place.glyphs)
    boxes = [glyph.box for glyph in record.glyphs if glyph.glyph in inside]
    absent = not boxes
    return Finding(
        number=0, kind=place.defect, scope="text",
        glyphs=place.glyphs or ((place.after,) if place.after else ()), line=place.line,
        letter=None, expected=place.letters if absent else None,
        box=_about(place.at, record.q) if absent else around(boxes),
        route="finding" if place.sure else "review", p=None, heading=weight.heading,
        code=weight.code, opinions=weight.opinions, measurements=(), in_name=place.in_name,
        says=f"{place.says[:1].upper()}{place.says[1:].rstrip('.')}.", sure=place.sure,
    )  # fmt: skip


def _absent(run: Sequence[AbsentLetter], record: PageRecord, customs: Customs) -> Finding:
    """The same from letters one by one, as records without places have them."""
    first = run[0]
    letters = "".join(letter.letter for letter in run)
    whole = not any(glyph.word == first.word for glyph in record.glyphs)
    weight = weigh(_ABSENT, None, customs)
    return Finding(
        number=0, kind=_ABSENT, scope="text", glyphs=(first.after,) if first.after else (),
        line=first.line, letter=None, expected=letters, box=_about(first.at, record.q),
        route=first.route, p=None, heading=weight.heading, code=weight.code,
        opinions=weight.opinions, measurements=(), in_name=any(a.in_name for a in run),
        says=absent_says(letters, first.word, whole), sure=first.route == "finding",
    )  # fmt: skip


def _about(at: tuple[float, float], q: float) -> Box:
    """A letter's room around a point."""
    half = 1.5 * q
    return at[0] - half, at[1] - half, at[0] + half, at[1] + half
