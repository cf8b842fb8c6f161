"""Findings on the text: letters and words absent, extra or exchanged; a run is one place.

A single letter that is read otherwise than in the text is listed with all other claims on it
(`letters.py`), so that one letter is one place.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from crownlet.datasets.scribal.customs import Customs
from crownlet.datasets.scribal.texts import TEFILLIN
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.messages import absent_message
from crownlet.infer.findings.page import enclosing_box, name_lines, page_finding, portion_of
from crownlet.infer.findings.severity import severity_of
from crownlet.infer.records import AbsentLetter, Box, PageRecord, TextPlace
from crownlet.infer.text.line_starts import unlisted_line_starts


def start_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """One finding for all lines of a page that begin with another word than in the list."""
    text = portion_of(record)
    setting = None
    if text is not None and text.name == "mezuzah":
        setting = customs.mezuzah_lines
    elif text is not None and text.name in (*TEFILLIN, "tefillin"):
        setting = customs.tefillin_lines
    if text is None or setting != "tur":
        return []
    starts = unlisted_line_starts(record, text)
    if not starts:
        return []
    numbers = {start.glyph for start in starts}
    glyphs = tuple(glyph for glyph in record.glyphs if glyph.glyph in numbers)
    where = name_lines([start.line for start in starts]).capitalize()
    verb = "begins with another word" if len(starts) == 1 else "begin with other words"
    message = f"{where} {verb} than in the list of the Tur."
    return [page_finding("line_start", glyphs, message, customs)]


REVERSE = "mezuzah_reverse"


def reverse_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """A finding on a back that has the fourteen letters, or lacks them, contrary to the customs."""
    text = portion_of(record)
    if text is None or text.name != REVERSE or customs.reverse_text == "unspecified":
        return []
    name = max(text.name_words)
    fourteen = tuple(g for g in record.glyphs if g.expected and g.word - 1 < name)
    there = 2 * len(fourteen) >= sum(len(word) for word in text.words[:name])
    if there == (customs.reverse_text == "both"):
        return []
    if there:
        message = "The fourteen letters are on the back; the custom chosen is the Name alone."
        return [page_finding("reverse_text", fourteen, message, customs)]
    message = "The fourteen letters are not seen on the back; the custom chosen has them."
    return [page_finding("reverse_text", record.glyphs, message, customs)]


def accepted_absence(record: PageRecord, customs: Customs) -> bool:
    """Whether absent letters of the fourteen are accepted: unless the customs ask for both."""
    text = portion_of(record)
    return text is not None and text.name == REVERSE and customs.reverse_text != "both"


_LETTER_ABSENT = "letter_absent"


def discrepancy_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """A finding for each place where page and text differ."""
    match = record.match
    if match is None or accepted_absence(record, customs):
        return []
    if match.places:
        return [
            _place_finding(place, record, customs)
            for place in match.places
            if _is_place_of_its_own(place)
        ]
    runs = groupby(match.absent, key=lambda letter: (letter.after, letter.word))
    return [_absent_finding(list(run), record, customs) for _, run in runs]


def glyphs_in_text_places(record: PageRecord) -> frozenset[int]:
    """Numbers of the letters that a place of the text already lists as extra or exchanged."""
    places = record.match.places if record.match is not None else ()
    return frozenset(
        glyph for place in places if _is_place_of_its_own(place) for glyph in place.glyphs
    )


def _is_place_of_its_own(place: TextPlace) -> bool:
    return len(place.glyphs) != 1


def _place_finding(place: TextPlace, record: PageRecord, customs: Customs) -> Finding:
    severity = severity_of(place.defect, None, customs)
    inside = set(place.glyphs)
    boxes = [glyph.box for glyph in record.glyphs if glyph.glyph in inside]
    absent = not boxes
    return Finding(
        number=0, kind=place.defect, scope="text",
        glyphs=place.glyphs or ((place.after,) if place.after else ()), line=place.line,
        letter=None, expected=place.letters if absent else None,
        box=_box_around_point(place.at, record.q) if absent else enclosing_box(boxes),
        route="finding" if place.sure else "review", p=None, heading=severity.heading,
        opinions=severity.opinions, measurements=(), in_name=place.in_name,
        message=f"{place.message[:1].upper()}{place.message[1:].rstrip('.')}.", sure=place.sure,
    )  # fmt: skip


def _absent_finding(run: Sequence[AbsentLetter], record: PageRecord, customs: Customs) -> Finding:
    """The finding for a run of absent letters in a record without places."""
    first = run[0]
    letters = "".join(letter.letter for letter in run)
    whole = not any(glyph.word == first.word for glyph in record.glyphs)
    severity = severity_of(_LETTER_ABSENT, None, customs)
    return Finding(
        number=0, kind=_LETTER_ABSENT, scope="text", glyphs=(first.after,) if first.after else (),
        line=first.line, letter=None, expected=letters, box=_box_around_point(first.at, record.q),
        route=first.route, p=None, heading=severity.heading,
        opinions=severity.opinions, measurements=(), in_name=any(a.in_name for a in run),
        message=absent_message(letters, first.word, whole), sure=first.route == "finding",
    )  # fmt: skip


def _box_around_point(at: tuple[float, float], q: float) -> Box:
    """A box of a letter's size around a point, px; `q` is the kulmus in px."""
    half = 1.5 * q
    return at[0] - half, at[1] - half, at[0] + half, at[1] + half
