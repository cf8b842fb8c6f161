"""Evenness of each letter form of a hand, and its change from the first lines to the last.

Widths and heights are of the letter's box, tags included, in q; a form is described by its median
and by 1.4826 times the median deviation from it, on which a few stretched letters have no effect.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import erfc, sqrt
from statistics import median

from crownlet.datasets.scribal.alphabet import ALPHABET
from crownlet.infer.routing.judgement import Crown
from crownlet.infer.scrolls.crowns import tail_probabilities
from crownlet.infer.scrolls.scroll import Consistency, FormEvenness, FormInThird
from crownlet.infer.scrolls.sketch import SketchedLetter, crowned_at_all, tags_are_counted
from crownlet.infer.scrolls.wording import CROWN_WORDS, describe_size_change, describe_uneven_form

MAX_CHANCE = 0.001
"""Probability by chance up to which a difference is listed: some eighty tests are made of a
scroll."""

SEEN_CROWNS: frozenset[Crown] = frozenset({"full", "part", "none"})
"""Crowns that are no doubt and were examined."""

MIN_WIDTH_DIFFERENCE_Q, MIN_HEIGHT_DIFFERENCE_Q = 0.25, 0.15
"""Differences of medians, in q, from which they are listed."""


def differences_between_thirds(
    first: Sequence[SketchedLetter],
    last: Sequence[SketchedLetter],
    crown: int,
    counted: bool = True,
) -> list[str]:
    """Differences between the letters of one form in the first and in the last lines, in words.

    `crown` are the tags of its crown; unless they are `counted`, any tag is one.
    """
    found = []
    if crown:
        found += _count_difference(
            "crowned as the form asks" if counted else "crowned",
            [x.crown == "full" for x in first if x.crown in SEEN_CROWNS],
            [x.crown == "full" for x in last if x.crown in SEEN_CROWNS],
        )
    found += _count_difference("findings", [x.finding for x in first], [x.finding for x in last])
    found += _length_difference(
        "width", MIN_WIDTH_DIFFERENCE_Q, [x.width for x in first], [x.width for x in last]
    )
    found += _length_difference(
        "height", MIN_HEIGHT_DIFFERENCE_Q, [x.height for x in first], [x.height for x in last]
    )
    return found


def _count_difference(what: str, first: list[bool], last: list[bool]) -> list[str]:
    if not first or not last:
        return []
    a, b = sum(first), sum(last)
    if 2 * min(tail_probabilities([(len(first), a, len(last), b)])) > MAX_CHANCE:
        return []
    return [f"{what}: {a} of {len(first)} in the first lines, {b} of {len(last)} in the last"]


def _length_difference(
    name: str, min_difference: float, first: list[float], last: list[float]
) -> list[str]:
    a, b = median(first), median(last)
    if abs(a - b) < min_difference or rank_sum_test(first, last) > MAX_CHANCE:
        return []
    return [f"{name} {a:.1f} kulmus in the first lines, {b:.1f} in the last"]


def rank_sum_test(a: Sequence[float], b: Sequence[float]) -> float:
    """Two-sided probability that two samples differ as much by chance.

    The rank sum test of Wilcoxon, Mann and Whitney in its normal approximation, with the correction
    for ties and for continuity.
    """
    both = sorted([*a, *b])
    n, m, total = len(a), len(b), len(a) + len(b)
    rank: dict[float, float] = {}
    ties = 0
    start = 0
    while start < total:
        end = start
        while end < total and both[end] == both[start]:
            end += 1
        rank[both[start]] = (start + 1 + end) / 2
        ties += (end - start) ** 3 - (end - start)
        start = end
    u = sum(rank[x] for x in a) - n * (n + 1) / 2
    variance = n * m / 12 * (total + 1 - ties / (total * (total - 1)))
    if variance <= 0:
        return 1.0
    z = max(0.0, abs(u - n * m / 2) - 0.5) / sqrt(variance)
    return erfc(z / sqrt(2))


MIN_LETTERS_OF_FORM = 5
"""With fewer letters the evenness of a form is unknown."""

MIN_LINES_FOR_THIRDS = 6
"""A page of fewer lines has no first and last third."""

MAD_TO_STANDARD_DEVIATION = 1.4826
"""Median deviation to standard deviation, for a normal spread."""

STRETCHED_FORMS = "דהחלםרת"
"""Forms that scribes stretch to fill a line."""

MAX_WIDTH_DISPERSION, MAX_STRETCHED_WIDTH_DISPERSION, MAX_HEIGHT_DISPERSION = 0.16, 0.30, 0.20
"""Dispersions above which a form is uneven: more than any form with five letters or more in
seven photographs of old scrolls (0.13, 0.22, 0.14) or by 24 rendered hands (0.07, 0.06, 0.16)."""

MAX_ODD_CROWNS, MAX_ODD_CROWNS_SHARE = 1, 0.1
"""A form is crowned unevenly if more letters than this number, and than this share, differ from the
others."""

MAX_SIZE_CHANGE_SHARE = 0.05
"""Change of size between first and last lines above which it is listed; scanned rendered hands stay
below 0.01."""


def measure_evenness(pages: Sequence[tuple[int, Sequence[SketchedLetter]]]) -> Consistency:
    """Evenness over the pages of a face, each given as its lines and its letters."""
    letters: list[SketchedLetter] = []
    lines = 0
    for count, page in pages:
        letters += [letter._replace(line=lines + letter.line) for letter in page]
        lines += count
    thirds = _thirds(letters, lines)
    forms = tuple(
        _form_evenness(form.char, form.crown, own, thirds)
        for form in ALPHABET
        if len(own := [letter for letter in letters if letter.letter == form.char])
        >= MIN_LETTERS_OF_FORM
    )
    ranked = sorted((f for f in forms if f.uneven), key=lambda f: (-len(f.uneven), -f.letters))
    first, last = (_relative_size(third, letters) for third in thirds or ([], []))
    messages = [describe_uneven_form(form) for form in ranked]
    if first and last and abs(last / first - 1) > MAX_SIZE_CHANGE_SHARE:
        messages.append(describe_size_change(first, last))
    return Consistency(
        lines=lines,
        forms=forms,
        size_first=first,
        size_last=last,
        messages=tuple(messages),
    )


Thirds = tuple[list[SketchedLetter], list[SketchedLetter]]


def _thirds(letters: list[SketchedLetter], lines: int) -> Thirds | None:
    """Letters of the first and of the last third of the lines."""
    if lines < MIN_LINES_FOR_THIRDS:
        return None
    return (
        [letter for letter in letters if 3 * letter.line <= lines],
        [letter for letter in letters if 3 * (lines - letter.line) < lines],
    )


def _relative_size(third: list[SketchedLetter], letters: list[SketchedLetter]) -> float | None:
    if not third:
        return None
    return round(median(x.q for x in third) / median(x.q for x in letters), 4)


def _form_evenness(
    form: str, crown: int, own: list[SketchedLetter], thirds: Thirds | None
) -> FormEvenness:
    widths, heights = [x.width for x in own], [x.height for x in own]
    counted = tags_are_counted(own)
    own = own if counted else crowned_at_all(own)
    judged = [x.crown for x in own if x.crown in SEEN_CROWNS]
    first = last = None
    uneven: list[str] = []
    if crown and len(judged) >= MIN_LETTERS_OF_FORM:
        with_it = judged.count("full")
        few = min(with_it, len(judged) - with_it)
        if few > max(MAX_ODD_CROWNS, MAX_ODD_CROWNS_SHARE * len(judged)):
            uneven.append(f"{with_it} of {len(judged)} with {CROWN_WORDS[crown if counted else 0]}")
    width_limit = (
        MAX_STRETCHED_WIDTH_DISPERSION if form in STRETCHED_FORMS else MAX_WIDTH_DISPERSION
    )
    for name, values, limit in (
        ("width", widths, width_limit),
        ("height", heights, MAX_HEIGHT_DISPERSION),
    ):
        if dispersion(values) > limit:
            uneven.append(
                f"{name} {median(values):.1f} kulmus in the middle, half of them "
                f"{_median_deviation(values):.2f} kulmus or more off it"
            )
    if thirds:
        parts = [[x for x in third if x.letter == form] for third in thirds]
        parts = parts if counted else [crowned_at_all(part) for part in parts]
        if all(parts):
            first, last = (_third(part, crown) for part in parts)
            uneven += differences_between_thirds(parts[0], parts[1], crown, counted)
    return FormEvenness(
        letter=form,
        letters=len(own),
        judged=len(judged),
        crowned=judged.count("full") if crown else None,
        width=round(median(widths), 3),
        width_spread=round(dispersion(widths), 3),
        height=round(median(heights), 3),
        height_spread=round(dispersion(heights), 3),
        findings=sum(x.finding for x in own),
        first=first,
        last=last,
        uneven=tuple(uneven),
    )


def _median_deviation(values: Sequence[float]) -> float:
    middle = median(values)
    return median(abs(value - middle) for value in values)


def dispersion(values: Sequence[float]) -> float:
    """1.4826 times the median deviation from the median, over the median."""
    return MAD_TO_STANDARD_DEVIATION * _median_deviation(values) / median(values)


def _third(part: list[SketchedLetter], crown: int) -> FormInThird:
    return FormInThird(
        letters=len(part),
        crowned=sum(x.crown == "full" for x in part) if crown else None,
        width=round(median(x.width for x in part), 3),
        height=round(median(x.height for x in part), 3),
        findings=sum(x.finding for x in part),
    )
