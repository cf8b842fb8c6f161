"""How evenly a hand writes each letter form, and whether it tires from the first lines to the last.

Widths and heights are of the letter's box, tags included, in q; a form is described by its median
and by 1.4826 times the median deviation from it, which a few stretched letters do not move.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from crownlet.datasets.alphabet import ALPHABET
from crownlet.infer.scrolls.drift import drifts
from crownlet.infer.scrolls.scroll import Consistency, FormEvenness, Third
from crownlet.infer.scrolls.sketch import Letter
from crownlet.infer.scrolls.wording import CROWN_WORDS, resized, uneven_form

LEAST = 5
"""Fewer letters of a form say nothing of how evenly it is written."""
LINES = 6
"""A page of fewer lines has no first and last third."""
SIGMA = 1.4826
"""Median deviation to standard deviation, for a normal spread."""
STRETCHED = "דהחלםרת"
"""Forms that scribes stretch to fill a line."""
WIDTHS, STRETCHED_WIDTHS, HEIGHTS = 0.16, 0.30, 0.20
"""Dispersions from which a form is called uneven: more than any form with five letters or more in
seven photographs of old scrolls (0.13, 0.22, 0.14) or by 24 rendered hands (0.07, 0.06, 0.16)."""
ODD, SHARE = 1, 0.1
"""A form is crowned at one time, at another not, if more letters than these are unlike the rest."""
RESIZED = 0.05
"""Difference of size between first and last lines that is worth a word; rendered hands, scanned,
stay below 0.01."""


def evenness(pages: Sequence[tuple[int, Sequence[Letter]]]) -> Consistency:
    """Evenness over the pages of a face, each given as its lines and its letters."""
    letters: list[Letter] = []
    lines = 0
    for count, page in pages:
        letters += [letter._replace(line=lines + letter.line) for letter in page]
        lines += count
    thirds = _thirds(letters, lines)
    forms = tuple(
        _form(form.char, form.crown, own, thirds)
        for form in ALPHABET
        if len(own := [letter for letter in letters if letter.letter == form.char]) >= LEAST
    )
    ranked = sorted((f for f in forms if f.uneven), key=lambda f: (-len(f.uneven), -f.letters))
    first, last = (_size(third, letters) for third in thirds or ([], []))
    says = [uneven_form(form) for form in ranked]
    if first and last and abs(last / first - 1) > RESIZED:
        says.append(resized(first, last))
    return Consistency(
        lines=lines,
        forms=forms,
        size_first=first,
        size_last=last,
        says=tuple(says),
    )


Thirds = tuple[list[Letter], list[Letter]]


def _thirds(letters: list[Letter], lines: int) -> Thirds | None:
    """Letters of the first and of the last third of the lines."""
    if lines < LINES:
        return None
    return (
        [letter for letter in letters if 3 * letter.line <= lines],
        [letter for letter in letters if 3 * (lines - letter.line) < lines],
    )


def _size(third: list[Letter], letters: list[Letter]) -> float | None:
    if not third:
        return None
    return round(median(x.q for x in third) / median(x.q for x in letters), 4)


def _form(form: str, crown: int, own: list[Letter], thirds: Thirds | None) -> FormEvenness:
    widths, heights = [x.width for x in own], [x.height for x in own]
    judged = [x.tags for x in own if x.tags is not None]
    first = last = None
    uneven: list[str] = []
    if crown and len(judged) >= LEAST:
        with_it = sum(tags >= crown for tags in judged)
        few = min(with_it, len(judged) - with_it)
        if few > max(ODD, SHARE * len(judged)):
            uneven.append(f"{with_it} of {len(judged)} with {CROWN_WORDS[crown]}")
    widest = STRETCHED_WIDTHS if form in STRETCHED else WIDTHS
    for name, values, most in (("width", widths, widest), ("height", heights, HEIGHTS)):
        if dispersion(values) > most:
            uneven.append(
                f"{name} {median(values):.1f} kulmus in the middle, half of them "
                f"{_deviation(values):.2f} kulmus or more off it"
            )
    if thirds:
        parts = [[x for x in third if x.letter == form] for third in thirds]
        if all(parts):
            first, last = (_third(part, crown) for part in parts)
            uneven += drifts(parts[0], parts[1], crown)
    return FormEvenness(
        letter=form,
        letters=len(own),
        judged=len(judged),
        crowned=sum(tags >= crown for tags in judged) if crown else None,
        width=round(median(widths), 3),
        width_spread=round(dispersion(widths), 3),
        height=round(median(heights), 3),
        height_spread=round(dispersion(heights), 3),
        findings=sum(x.finding for x in own),
        first=first,
        last=last,
        uneven=tuple(uneven),
    )


def _deviation(values: Sequence[float]) -> float:
    middle = median(values)
    return median(abs(value - middle) for value in values)


def dispersion(values: Sequence[float]) -> float:
    """1.4826 times the median deviation from the median, over the median."""
    return SIGMA * _deviation(values) / median(values)


def _third(part: list[Letter], crown: int) -> Third:
    judged = [x.tags for x in part if x.tags is not None]
    return Third(
        letters=len(part),
        crowned=sum(tags >= crown for tags in judged) if crown else None,
        width=round(median(x.width for x in part), 3),
        height=round(median(x.height for x in part), 3),
        findings=sum(x.finding for x in part),
    )
