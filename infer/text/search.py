"""A page compared with its text, which was named or is found by the page's own words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeAlias

from crownlet.datasets.scribal.texts import load_portion, read_portion
from crownlet.infer.layout.frame import HiddenText, hidden_by_frame
from crownlet.infer.limits import limits_of
from crownlet.infer.records import PageRecord, TextMatch
from crownlet.infer.text.discrepancies import TextContext
from crownlet.infer.text.line_starts import has_lines_of_mezuzah
from crownlet.infer.text.match import (
    MIN_TEXT_AGREEMENT,
    AlignedText,
    align_to_portion,
    foreign_letters,
    share_agreeing,
)
from crownlet.infer.text.summary import summarise

if TYPE_CHECKING:
    from crownlet.datasets.scribal.pentateuch.search import FoundPassage
    from crownlet.datasets.scribal.portion import Portion

_LIMITS = limits_of("text.search")

AUTO: Literal["auto"] = "auto"
"""In place of a portion: look for the passage in the Pentateuch."""

NOT_COMPARED = "none"

TextChoice: TypeAlias = "Portion | Literal['auto'] | None"


def read_text_choice(name_or_path: str | Path) -> TextChoice:
    """`auto`, `none` or a portion by name or file.

    Errors: a ValueError of `read_portion`, whose message names the fault.
    """
    if name_or_path == AUTO:
        return AUTO
    return None if name_or_path == NOT_COMPARED else read_portion(name_or_path)


MIN_CONFIDENCE_WITHOUT_ALTERNATIVES = _LIMITS.number("min_confidence_without_alternatives")
"""With less confidence the note names the other passages that hold the same words."""

MEZUZAH = "mezuzah"

MAX_ALTERNATIVES_IN_NOTE = 3
"""Other passages named in the note; the record holds all of them."""

TextComparison = tuple[AlignedText | None, TextMatch | None]


def compare_with_text(page: TextContext, text: TextChoice) -> TextComparison:
    """The page aligned to its text, and the summary; the summary alone where the two do not belong
    together, neither where there is no text or none was found.
    """
    if text is None or not page.letters:
        return None, None
    view = hidden_by_frame(page.found, page.layout, page.size, page.frame)
    if text == AUTO:
        return _search_and_compare(page, view)
    matched = _align(page, text, view)
    match = summarise(matched, page, view)
    return (matched if share_agreeing(matched, page.letters) >= MIN_TEXT_AGREEMENT else None), match


def realign(page: TextContext, aligned: AlignedText) -> AlignedText:
    """A page whose letters are read again, aligned to the same passage as before."""
    return _align(page, aligned.portion, hidden_by_frame(page.found, page.layout, page.size))


def summarise_again(page: TextContext, aligned: AlignedText, match: TextMatch) -> TextMatch:
    """The summary of a realigned page; how the passage was found stays as in `match`."""
    again = summarise(aligned, page, hidden_by_frame(page.found, page.layout, page.size))
    if match.found is None:
        return again
    return _with_search(again, match.found, match.also)


def _align(page: TextContext, text: Portion, view: HiddenText) -> AlignedText:
    matched = align_to_portion(page.odds, page.word_start_p, text, view.perhaps, page.thin)
    return matched.without_foreign(
        foreign_letters(matched.alignment.expected, page.found, page.layout)
    )


def _search_and_compare(page: TextContext, view: HiddenText) -> TextComparison:
    # Loaded only here: the text of the Pentateuch is not needed where the portion is named.
    from crownlet.datasets.scribal.pentateuch.search import find_passage

    found = find_passage(page.letters)
    if found is None:
        return None, None
    matched = _trim_to_shown_verses(_align(page, found.portion, view), found)
    if MEZUZAH in found.also and has_lines_of_mezuzah(matched, page.layout):
        whole = load_portion(MEZUZAH)
        others = (found.portion.name, *(name for name in found.also if name != MEZUZAH))
        found = replace(found, portion=whole, also=others)
        matched = _align(page, whole, view)
    if share_agreeing(matched, page.letters) < MIN_TEXT_AGREEMENT:
        return None, None
    return matched, _with_search(summarise(matched, page, view), found.confidence, found.also)


def _with_search(match: TextMatch, confidence: float, also: tuple[str, ...]) -> TextMatch:
    """The summary with how its passage was found."""
    note = " ".join(filter(None, (_search_note(match.portion, confidence, also), match.note)))
    return replace(match, found=round(confidence, 3), also=also, note=note)


def _trim_to_shown_verses(matched: AlignedText, found: FoundPassage) -> AlignedText:
    """A found passage without the verses around it that the page does not show."""
    expected = matched.alignment.expected
    aligned = expected[expected >= 0]
    if found.verse is None or not len(aligned):
        return matched
    from crownlet.datasets.scribal.pentateuch.text import cut_verses, load_pentateuch

    text = load_pentateuch()
    begin = int(text.verse_starts[found.verse])
    first = text.verse_at(begin + int(matched.word_of[aligned.min()]))
    last = text.verse_at(begin + int(matched.word_of[aligned.max()]))
    before = int(text.word_starts[text.verse_starts[first]] - text.word_starts[begin])
    return matched.restricted_to(cut_verses(first, last), before)


def _search_note(name: str, confidence: float, also: tuple[str, ...]) -> str:
    """A sentence on the passage that the page's words were found in."""
    if confidence >= MIN_CONFIDENCE_WITHOUT_ALTERNATIVES or not also:
        return f"By its words this is {name!r}."
    others = ", ".join(also[:MAX_ALTERNATIVES_IN_NOTE])
    if len(also) > MAX_ALTERNATIVES_IN_NOTE:
        others += f" and {len(also) - MAX_ALTERNATIVES_IN_NOTE} other places"
    return f"By its words this may be {name!r}; the same words stand in {others}."


def holds_other_text(record: PageRecord) -> bool:
    """Whether a page was compared with a text and holds another one."""
    return record.match is not None and all(glyph.expected is None for glyph in record.glyphs)


def add_likely_passage(record: PageRecord) -> PageRecord:
    """The record; where the page holds another text, with the name of that text in its note."""
    match = record.match
    if match is None or not holds_other_text(record):
        return record
    # Loaded only here: a page that holds its text does not need the Pentateuch.
    from crownlet.datasets.scribal.pentateuch.search import find_passage

    found = find_passage("".join(glyph.letter for glyph in record.glyphs))
    if found is None or found.portion.name == match.portion:
        return record
    note = f"{match.note} It seems to be {found.portion.name!r}."
    return replace(record, match=replace(match, note=note))
