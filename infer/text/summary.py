"""What a page's record holds of its text: counts, absent letters, discrepancies, and a note."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.infer.image.upright import Placement
from crownlet.infer.layout.frame import HiddenText
from crownlet.infer.records import AbsentLetter, TextMatch
from crownlet.infer.text.discrepancies import (
    Indel,
    TextContext,
    find_absent,
    find_discrepancies,
    find_extra,
    place_of_absent,
    shown_span,
)
from crownlet.infer.text.match import MIN_TEXT_AGREEMENT, AlignedText, share_agreeing


def summarise(matched: AlignedText, page: TextContext, view: HiddenText) -> TextMatch:
    """Counts, and every discrepancy of the text with the place to look at."""
    name, length = matched.portion.name, matched.alignment.length
    pairs = [(matched.expected(i), letter) for i, letter in enumerate(page.letters)]
    extra = sum(expected == "" for expected, _ in pairs)
    swapped = sum(bool(expected) and expected != letter for expected, letter in pairs)
    aligned = len(pairs) - extra - len(matched.foreign)
    share = share_agreeing(matched, page.letters)
    if share < MIN_TEXT_AGREEMENT:
        note = (
            f"The writing and the portion {name!r} do not belong together: "
            f"{share:.0%} of the letters agree; it was not compared further."
        )
        return TextMatch(name, length, aligned, swapped, extra, note=note)
    absent_runs, hidden = find_absent(matched, page.layout, view)
    absent = tuple(letter for run in absent_runs for letter in absent_letters(matched, run, page))
    return TextMatch(
        name, length, aligned, swapped, extra, absent, _summary_note(matched, hidden),
        find_discrepancies(matched, page, absent_runs, find_extra(matched)),
    )  # fmt: skip


def _summary_note(matched: AlignedText, hidden: int) -> str:
    """Sentences on the part of the portion that the page shows, and on what was not compared."""
    sentences = []
    first, last = shown_span(matched)
    length = matched.alignment.length
    if first > 0 or last < length - 1:
        sentences.append(
            f"The page shows letters {first + 1} to {last + 1} of the {length} of "
            f"{matched.portion.name!r}."
        )
    if hidden:
        letters = "1 letter falls" if hidden == 1 else f"{hidden} letters fall"
        sentences.append(f"{letters} outside the picture.")
    if matched.foreign:
        many = len(matched.foreign)
        letters = "1 letter at the edge is" if many == 1 else f"{many} letters at the edge are"
        verb = "was" if many == 1 else "were"
        sentences.append(
            f"{letters} of another text (of a neighbouring column, or of the other side, showing "
            f"through) and {verb} not compared."
        )
    return " ".join(sentences)


def absent_letters(matched: AlignedText, run: Indel, page: TextContext) -> list[AbsentLetter]:
    """A record for each letter of a run, all with one place to look at."""
    line, at = place_of_absent(matched, run, page.found, page.layout)
    words = {int(matched.word_of[j]) for j in range(run.first, run.last + 1)}
    maybe_outside = run.maybe_outside or bool(words & matched.portion.variant_words)
    return [
        AbsentLetter(
            letter=matched.text[j], line=line, word=int(matched.word_of[j]) + 1,
            place=int(matched.place_of[j]) + 1, after=run.before + 1, at=at,
            route="review" if maybe_outside else "finding", in_name=j in matched.names,
        )
        for j in range(run.first, run.last + 1)
    ]  # fmt: skip


def all_for_review(match: TextMatch) -> TextMatch:
    """The same for a page whose letters the networks do not know: every place is for review."""
    absent = tuple(replace(letter, route="review") for letter in match.absent)
    places = tuple(replace(place, sure=False) for place in match.places)
    return replace(match, absent=absent, places=places)


def places_on_picture(match: TextMatch | None, placement: Placement) -> TextMatch | None:
    """The same with its places moved from the upright page to the picture as given, px."""
    if match is None or not (match.absent or match.places):
        return match
    at = np.array([*(a.at for a in match.absent), *(p.at for p in match.places)])
    back = placement.points_back(at)
    moved = [(float(x), float(y)) for x, y in back]
    count = len(match.absent)
    absent = tuple(replace(a, at=at) for a, at in zip(match.absent, moved[:count], strict=True))
    places = tuple(replace(p, at=at) for p, at in zip(match.places, moved[count:], strict=True))
    return replace(match, absent=absent, places=places)
