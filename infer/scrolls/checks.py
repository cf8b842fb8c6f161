"""Notes, one sentence each, on pages that do not belong together as they were given."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations
from math import expm1, log
from statistics import fmean, median

from crownlet.infer.scrolls.sketch import PageSketch, SketchedLetter
from crownlet.infer.scrolls.wording import name_pages
from crownlet.infer.text.side import GIVEN_AS_OPENING, Side

TEXT_RUN_LETTERS = 8
"""Length of the runs by which texts are compared: a page of a Torah scroll repeats few of them."""

MIN_UNFAMILIAR_SHARE = 0.2
"""Share of letters left out of comparisons from which a note is written."""

MIN_SHARED_RUNS_SHARE = 0.4
"""Two pages that share at least this part of the shorter one's runs hold the same text."""


def same_pictures(checksums: Iterable[tuple[str, str]]) -> dict[str, str]:
    """A sentence for each page whose picture was given more than once, by page and SHA-256."""
    by_sum: dict[str, list[str]] = {}
    for name, checksum in checksums:
        if checksum:
            by_sum.setdefault(checksum, []).append(name)
    notes: dict[str, str] = {}
    for names in by_sum.values():
        if len(names) > 1:
            text = f"The same picture was given {len(names)} times: {name_pages(sorted(names))}."
            notes |= dict.fromkeys(names, text)
    return notes


def same_texts(pages: Sequence[PageSketch]) -> list[str]:
    """A sentence for each two pages of one side of one scroll that hold the same text."""
    own = {page.name: text_runs(page.text) for page in pages}
    sums = {page.name: page.sha256 for page in pages}
    holders: dict[str, list[str]] = {}
    for name, texts in own.items():
        for text in texts:
            holders.setdefault(text, []).append(name)
    shared = Counter(pair for names in holders.values() for pair in combinations(names, 2))
    return [
        f"{a} and {b} are given as one side of one scroll and hold the same text: two pictures of "
        "one page, or pages of two scrolls put together."
        for (a, b), count in sorted(shared.items())
        if count >= MIN_SHARED_RUNS_SHARE * min(len(own[a]), len(own[b]))
        and (not sums[a] or sums[a] != sums[b])
    ]


def text_runs(text: str) -> set[str]:
    """All runs of `RUN` letters; a shorter text is one run."""
    return {
        text[i : i + TEXT_RUN_LETTERS]
        for i in range(max(len(text) - TEXT_RUN_LETTERS + 1, min(len(text), 1)))
    }


def exchanged_side(page: PageSketch, given: Side | None) -> list[str]:
    """A sentence where a page reads as the other side, unless its own notes hold it already."""
    if given is None or page.side in (None, given):
        return []
    opening = GIVEN_AS_OPENING.format(given)
    if any(note.startswith(opening) for note in page.notes):
        return []
    return [f"{opening} as {'a reverse' if page.side == 'reverse' else 'a face'}."]


def not_compared(pages: Sequence[PageSketch]) -> list[str]:
    """A sentence where many letters are of no kind that the networks know."""
    unlike, letters = sum(page.unlike for page in pages), sum(len(page.text) for page in pages)
    if unlike < MIN_UNFAMILIAR_SHARE * max(letters, 1):
        return []
    return [
        f"{unlike} of {letters} letters are unlike those that the networks know; what is said of "
        "crowns and of evenness leaves them out."
    ]


WIDTH_FORMS = "אבגזחטיכמסעפצקש"
"""Forms that no scribe stretches to fill a line; vav and nun are too narrow to measure."""

HEIGHT_FORMS = "אהוחכםמסרת"
"""Forms without three tags, whose length differs, and without neck or leg out of the line."""

MIN_SHARED_PROPORTIONS, MIN_LETTERS_OF_FORM = 8, 4
"""Proportions that are compared at least, and letters of a form on each page."""

MAX_SAME_HAND_LOG_DIFFERENCE = 0.08
"""Mean difference of proportions (natural logarithms) above which two hands differ plainly.

Measured on faces of mezuzot by held-out hands as rendered: halves of one page differ by 0.013 at
most (24 hands), a scan and a bent camera picture of two pages by one hand by 0.064 at most (10
hands); 37% of the pairs of two hands (of 276) differ by more than the limit. The halves of one
photographed column by a real hand differ by 0.03.
"""

Proportions = Mapping[tuple[str, str], float]
"""Logarithms of the median width and height in q, by form and measure."""


def measure_proportions(letters: Sequence[SketchedLetter]) -> Proportions:
    """The proportions of the forms of which there are enough letters."""
    by_form: dict[str, list[SketchedLetter]] = {}
    for letter in letters:
        by_form.setdefault(letter.letter, []).append(letter)
    found = {}
    for form, own in by_form.items():
        if len(own) >= MIN_LETTERS_OF_FORM and form in WIDTH_FORMS:
            found[form, "width"] = log(median(letter.width for letter in own))
        if len(own) >= MIN_LETTERS_OF_FORM and form in HEIGHT_FORMS:
            found[form, "height"] = log(median(letter.height for letter in own))
    return found


def proportion_difference(a: Proportions, b: Proportions) -> float | None:
    """Mean difference of the proportions that both have; None where those are too few."""
    both = sorted(a.keys() & b.keys())
    return (
        fmean(abs(a[key] - b[key]) for key in both) if len(both) >= MIN_SHARED_PROPORTIONS else None
    )


def other_hands(pages: Sequence[PageSketch]) -> list[str]:
    """A sentence where pages of one side of one scroll do not look like one hand."""
    own = {page.name: measure_proportions(page.letters) for page in pages}
    usual = _median_proportions(list(own.values())) if len(pages) > 2 else own[pages[-1].name]
    far = {
        name: gap
        for name in own
        if (gap := proportion_difference(own[name], usual) or 0.0) > MAX_SAME_HAND_LOG_DIFFERENCE
    }
    if not far:
        return []
    size = f"by up to {expm1(max(far.values())):.0%} in the mean"
    if len(pages) == 2:
        text = f"{pages[0].name} and {pages[1].name} differ in the proportions of their letters"
        return [f"{text} ({size}): they may be by two hands, or of two scrolls."]
    differ = "differs" if len(far) == 1 else "differ"
    text = (
        f"{name_pages(list(far))} {differ} from the other pages in the proportions of the letters"
    )
    return [f"{text} ({size}): perhaps another hand, or another scroll."]


def _median_proportions(pages: Sequence[Proportions]) -> Proportions:
    """Medians over pages."""
    keys = {key for page in pages for key in page}
    return {key: median(page[key] for page in pages if key in page) for key in keys}
