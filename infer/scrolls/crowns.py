"""Crowns of face and reverse compared: the letter forms that a hand crowns on each side, with
counts.

The comparison is exact: counts of crowned letters follow hypergeometric distributions, form by
form.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from math import comb
from statistics import fmean

from crownlet.datasets.scribal.alphabet import BY_CHAR
from crownlet.infer.routing.judgement import tally
from crownlet.infer.scrolls.scroll import CrownComparison, CrownCounts, CrownedSides, FormCrowns
from crownlet.infer.scrolls.sketch import SketchedLetter, crowned_at_all, tags_are_counted
from crownlet.infer.scrolls.wording import describe_comparison, describe_form, describe_uncounted

COMPARED_FORMS = "שדיוזכמסב"
"""Letters that stand on both sides of a mezuzah, the Name's first."""

MAX_UNCROWNED_SHARE, MIN_CROWNED_SHARE = 0.2, 0.8
"""Shares of crowned letters up to which a side is uncrowned and from which it is crowned."""

MAX_DOUBTED_SHARE = 0.5
"""Share of letters in doubt above which nothing is said of a side: those seen may be no fair sample
of it. This project's own decision; no outside source."""


def hypergeometric(letters: int, crowned: int, drawn: int) -> list[float]:
    """Probabilities of 0, 1, ... `drawn` crowned letters among `drawn` of `letters`.

    Of `letters`, both sides together, `crowned` are crowned; `drawn` are those of the reverse.
    """
    total = comb(letters, drawn)
    return [comb(crowned, k) * comb(letters - crowned, drawn - k) / total for k in range(drawn + 1)]


def tail_probabilities(tables: Sequence[tuple[int, int, int, int]]) -> tuple[float, float]:
    """Probability of as many crowned letters on the reverse or more, and of as many or fewer.

    A table is one form: letters and crowned of the face, letters and crowned of the reverse. The
    forms are independent and the margins fixed (Fisher's exact test, with the statistics of the
    forms added).
    """
    spread = [1.0]
    seen = 0
    for face, face_crowned, back, back_crowned in tables:
        seen += back_crowned
        one = hypergeometric(face + back, face_crowned + back_crowned, back)
        spread = _convolve(spread, one)
    return min(1.0, sum(spread[seen:])), min(1.0, sum(spread[: seen + 1]))


def _convolve(a: list[float], b: list[float]) -> list[float]:
    """Distribution of the sum of two independent counts."""
    result = [0.0] * (len(a) + len(b) - 1)
    for i, x in enumerate(a):
        for j, y in enumerate(b):
            result[i + j] += x * y
    return result


def compare_crowns(
    face: Iterable[SketchedLetter], reverse: Iterable[SketchedLetter]
) -> CrownComparison:
    """The crowns of both sides of one scroll, form by form and over all."""
    face, reverse = list(face), list(reverse)
    here, there = _by_form(face), _by_form(reverse)
    forms = tuple(_compare_form(form, here[form], there[form]) for form in COMPARED_FORMS)
    seen = [form for form in forms if form.face.letters and form.reverse.letters]
    # Two-sided: either direction may occur, so the probability of one counts twice.
    more, fewer = (
        min(1.0, 2 * odds)
        for odds in tail_probabilities(
            [(f.face.letters, f.face.crowned, f.reverse.letters, f.reverse.crowned) for f in seen]
        )
    )
    return CrownComparison(
        forms=tuple(form for form in forms if form.face.letters or form.reverse.letters),
        reverse_letters=sum(form.reverse.letters for form in seen),
        chance=min(more, fewer) if seen else None,
        messages=describe_comparison(seen, more, fewer)
        + describe_uncounted(_uncounted(face, reverse)),
    )


def _uncounted(*sides: Sequence[SketchedLetter]) -> str:
    """Forms on both sides whose tags cannot be counted in the picture of one side."""
    standing = set.intersection(*({x.letter for x in side} for side in sides))
    counted = set.intersection(
        *({x.letter for x in side if x.crown != "not_examined"} for side in sides)
    )
    return "".join(form for form in COMPARED_FORMS if form in standing - counted)


def _by_form(letters: Iterable[SketchedLetter]) -> dict[str, list[SketchedLetter]]:
    found: dict[str, list[SketchedLetter]] = {form: [] for form in COMPARED_FORMS}
    for letter in letters:
        if letter.letter in found and letter.crown != "not_examined":
            found[letter.letter].append(letter)
    return found


def _compare_form(
    form: str, face: Sequence[SketchedLetter], reverse: Sequence[SketchedLetter]
) -> FormCrowns:
    wanted, counted = BY_CHAR[form].crown, tags_are_counted([*face, *reverse])
    if not counted:
        face, reverse = crowned_at_all(face), crowned_at_all(reverse)
    here, there = count_crowns(face), count_crowns(reverse)
    message = describe_form(form, wanted if counted else 0, here, there)
    return FormCrowns(form, wanted, here, there, crowned_sides(here, there), message, counted)


def count_crowns(letters: Sequence[SketchedLetter]) -> CrownCounts:
    """Counts over the letters of one form whose crowns the picture shows."""
    crowns = Counter(letter.crown for letter in letters)
    lines = tally(letter.bare for letter in letters)
    bare = [letter.p_bare for letter in letters if letter.p_bare is not None]
    missing = [letter.p_missing for letter in letters if letter.p_missing is not None]
    return CrownCounts(
        letters=crowns["full"] + crowns["part"] + crowns["none"],
        crowned=crowns["full"],
        some=crowns["part"],
        doubted=crowns["doubted"],
        bare=lines.seen,
        bare_doubted=lines.doubted,
        p_missing=round(fmean(missing), 4) if missing else None,
        p_bare=round(fmean(bare), 4) if bare else None,
    )


def crowned_sides(face: CrownCounts, reverse: CrownCounts) -> CrownedSides:
    """The sides on which a form is crowned, by the shares of crowned letters."""
    if any(
        not side.letters or side.doubted > MAX_DOUBTED_SHARE * (side.letters + side.doubted)
        for side in (face, reverse)
    ):
        return "mixed"
    here, there = face.crowned / face.letters, reverse.crowned / reverse.letters
    if here <= MAX_UNCROWNED_SHARE:
        return (
            "reverse_only"
            if there >= MIN_CROWNED_SHARE
            else "neither"
            if there <= MAX_UNCROWNED_SHARE
            else "mixed"
        )
    if here >= MIN_CROWNED_SHARE:
        return (
            "both"
            if there >= MIN_CROWNED_SHARE
            else "face_only"
            if there <= MAX_UNCROWNED_SHARE
            else "mixed"
        )
    return "mixed"
