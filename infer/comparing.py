"""A page laid against its text, which was named or is found by the page's own words."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from crownlet.datasets.texts import portion
from crownlet.infer.foreign import foreign
from crownlet.infer.framing import Frame, frame
from crownlet.infer.line_starts import lines_of_mezuzah
from crownlet.infer.matching import BELONGS, Matched, agreement, match
from crownlet.infer.records import TextMatch
from crownlet.infer.summing import Reading, summary
from crownlet.infer.wanted import AUTO

if TYPE_CHECKING:
    from crownlet.datasets.pentateuch.finding import Found
    from crownlet.datasets.texts import Portion
    from crownlet.infer.wanted import Wanted

SURE = 0.9
"""A passage found with less is told with the others in which the words stand."""
MEZUZAH = "mezuzah"
NAMED = 3
"""Other places that are named in the note; all stand in the record."""

Compared = tuple[Matched | None, TextMatch | None]


def compared(page: Reading, text: Wanted) -> Compared:
    """The page against its text; only the summary where they do not belong together.

    Neither where there is no text, or none was found.
    """
    if text is None or not page.letters:
        return None, None
    view = frame(page.found, page.layout, page.size)
    if text == AUTO:
        return _searched(page, view)
    matched = _laid(page, text, view)
    said = summary(matched, page, view)
    return (matched if agreement(matched, page.letters) >= BELONGS else None), said


def _laid(page: Reading, text: Portion, view: Frame) -> Matched:
    matched = match(page.odds, page.opens, text, view.perhaps)
    return matched.without(foreign(matched.alignment.expected, page.found, page.layout))


def _searched(page: Reading, view: Frame) -> Compared:
    # Loaded only here: the text of the Pentateuch is not needed where the portion is named.
    from crownlet.datasets.pentateuch.finding import find_passage

    found = find_passage(page.letters)
    if found is None:
        return None, None
    matched = _narrowed(_laid(page, found.portion, view), found)
    if MEZUZAH in found.also and lines_of_mezuzah(matched, page.layout):
        whole = portion(MEZUZAH)
        others = (found.portion.name, *(name for name in found.also if name != MEZUZAH))
        found = replace(found, portion=whole, also=others)
        matched = _laid(page, whole, view)
    if agreement(matched, page.letters) < BELONGS:
        return None, None
    said = summary(matched, page, view)
    note = " ".join(filter(None, (_found_words(matched.portion.name, found), said.note)))
    return matched, replace(said, found=round(found.confidence, 3), also=found.also, note=note)


def _narrowed(matched: Matched, found: Found) -> Matched:
    """A found passage without the verses around it that the page does not show."""
    expected = matched.alignment.expected
    answered = expected[expected >= 0]
    if found.verse is None or not len(answered):
        return matched
    from crownlet.datasets.pentateuch.passages import verses
    from crownlet.datasets.pentateuch.text import pentateuch

    text = pentateuch()
    begin = int(text.verse_starts[found.verse])
    first = text.verse_at(begin + int(matched.word_of[answered.min()]))
    last = text.verse_at(begin + int(matched.word_of[answered.max()]))
    before = int(text.word_starts[text.verse_starts[first]] - text.word_starts[begin])
    return matched.part(verses(first, last), before)


def _found_words(name: str, found: Found) -> str:
    """What the page was taken for, by its words."""
    if found.confidence >= SURE or not found.also:
        return f"By its words this is {name!r}."
    others = ", ".join(found.also[:NAMED])
    if len(found.also) > NAMED:
        others += f" and {len(found.also) - NAMED} other places"
    return f"By its words this may be {name!r}; the same words stand in {others}."
