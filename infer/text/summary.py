"""What a page's record says of its text: counts, absent letters, mishaps, and a sentence."""

from __future__ import annotations

from dataclasses import dataclass, replace

from crownlet.infer.layout.frame import Frame
from crownlet.infer.layout.lines import Layout
from crownlet.infer.records import AbsentLetter, Floats, Located, TextMatch
from crownlet.infer.text.discrepancies import (
    Indel,
    Teller,
    find_absent,
    find_discrepancies,
    find_extra,
    place_of_absent,
    shown_span,
)
from crownlet.infer.text.match import MIN_TEXT_AGREEMENT, AlignedText, share_agreeing


@dataclass(frozen=True)
class Reading:
    """The letters of a page in reading order, as they are compared with a text."""

    odds: Floats
    """(N, 27) probability of each letter."""
    opens: Floats
    """(N,) how likely a word begins at each."""
    letters: str
    found: Located
    layout: Layout
    size: tuple[int, int]
    """Width and height of the upright page, px."""
    surely: float
    """Probability from which a letter's class is sure."""


def summarise(matched: AlignedText, page: Reading, view: Frame) -> TextMatch:
    """Counts, and every mishap of the text with the place to look at."""
    name, length = matched.portion.name, matched.alignment.length
    pairs = [(matched.expected(i), letter) for i, letter in enumerate(page.letters)]
    extra = sum(expected == "" for expected, _ in pairs)
    swapped = sum(bool(expected) and expected != letter for expected, letter in pairs)
    answered = len(pairs) - extra - len(matched.foreign)
    share = share_agreeing(matched, page.letters)
    if share < MIN_TEXT_AGREEMENT:
        note = (
            f"The writing and the portion {name!r} do not belong together: "
            f"{share:.0%} of the letters agree; it was not compared further."
        )
        return TextMatch(name, length, answered, swapped, extra, note=note)
    gone, hidden = find_absent(matched, page.layout, view)
    absent = tuple(letter for run in gone for letter in absent_letters(matched, run, page))
    teller = Teller(
        matched, page.letters, page.odds, page.opens, page.found, page.layout, page.surely
    )
    return TextMatch(
        name, length, answered, swapped, extra, absent, _summary_note(matched, hidden),
        find_discrepancies(teller, gone, find_extra(matched)),
    )  # fmt: skip


def _summary_note(matched: AlignedText, hidden: int) -> str:
    """Which part of the portion the page shows, and what was not compared."""
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
        sentences.append(
            f"{len(matched.foreign)} letters at the edge are of another text and were not compared."
        )
    return " ".join(sentences)


def absent_letters(matched: AlignedText, run: Indel, page: Reading) -> list[AbsentLetter]:
    """A record for each letter of a run, all with one place to look at."""
    line, at = place_of_absent(matched, run, page.found, page.layout)
    words = {int(matched.word_of[j]) for j in range(run.first, run.last + 1)}
    doubted = run.doubted or bool(words & matched.portion.otherwise)
    return [
        AbsentLetter(
            letter=matched.text[j], line=line, word=int(matched.word_of[j]) + 1,
            place=int(matched.place_of[j]) + 1, after=run.before + 1, at=at,
            route="review" if doubted else "finding", in_name=j in matched.names,
        )
        for j in range(run.first, run.last + 1)
    ]  # fmt: skip


def all_for_review(match: TextMatch) -> TextMatch:
    """The same for a page whose letters the networks do not know: all is for review."""
    absent = tuple(replace(letter, route="review") for letter in match.absent)
    places = tuple(replace(place, sure=False) for place in match.places)
    return replace(match, absent=absent, places=places)
