"""Do pages look like one hand? Told by the proportions of the letter forms they share.

Only pages with many letters are compared. The seventeen letters of a reverse are too few: even on
renders, where hands are evener than real ones, a border that hardly any reverse of the same hand
crosses finds less than half of the strange ones; so a reverse is never called another hand's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import expm1, log
from statistics import fmean, median

from crownlet.infer.scrolls.sketch import Letter, Sketch
from crownlet.infer.scrolls.wording import some_of

WIDTHS = "אבגזחטיכמסעפצקש"
"""Forms that no scribe stretches to fill a line; vav and nun are too narrow to measure."""
HEIGHTS = "אהוחכםמסרת"
"""Forms without three tags, whose length differs, and without neck or leg out of the line."""
SHARED, LETTERS = 8, 4
"""Least number of proportions compared, and of a form's letters on each page."""
OTHER = 0.08
"""Mean difference of proportions (of logarithms) from which two hands differ plainly.

Measured on faces of mezuzot by held-out hands as rendered: halves of one page differ by 0.013 at
most (24 hands), a scan and a bent camera picture of two pages by one hand by 0.064 at most (10
hands); 37% of the pairs of two hands (of 276) differ by more than the border. The halves of one
photographed column by a real hand differ by 0.03.
"""

Proportions = Mapping[tuple[str, str], float]
"""Logarithms of the median width and height in q, by form and measure."""


def proportions(letters: Sequence[Letter]) -> Proportions:
    """The proportions of the forms of which there are enough letters."""
    by_form: dict[str, list[Letter]] = {}
    for letter in letters:
        by_form.setdefault(letter.letter, []).append(letter)
    found = {}
    for form, own in by_form.items():
        if len(own) >= LETTERS and form in WIDTHS:
            found[form, "width"] = log(median(letter.width for letter in own))
        if len(own) >= LETTERS and form in HEIGHTS:
            found[form, "height"] = log(median(letter.height for letter in own))
    return found


def apart(a: Proportions, b: Proportions) -> float | None:
    """Mean difference of the proportions that both have; None where those are too few."""
    both = sorted(a.keys() & b.keys())
    return fmean(abs(a[key] - b[key]) for key in both) if len(both) >= SHARED else None


def other_hands(pages: Sequence[Sketch]) -> list[str]:
    """A sentence where pages of one side of one scroll do not look like one hand."""
    own = {page.name: proportions(page.letters) for page in pages}
    usual = _usual(list(own.values())) if len(pages) > 2 else own[pages[-1].name]
    far = {name: gap for name in own if (gap := apart(own[name], usual) or 0.0) > OTHER}
    if not far:
        return []
    most = f"by up to {expm1(max(far.values())):.0%} in the mean"
    if len(pages) == 2:
        said = f"{pages[0].name} and {pages[1].name} differ in the proportions of their letters"
        return [f"{said} ({most}): they may be by two hands, or of two scrolls."]
    differ = "differs" if len(far) == 1 else "differ"
    said = f"{some_of(list(far))} {differ} from the other pages in the proportions of the letters"
    return [f"{said} ({most}): perhaps another hand, or another scroll."]


def _usual(pages: Sequence[Proportions]) -> Proportions:
    """Medians over pages."""
    keys = {key for page in pages for key in page}
    return {key: median(page[key] for page in pages if key in page) for key in keys}
