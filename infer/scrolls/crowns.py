"""Face against reverse: which letter forms the hand crowns on which side, with counts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import comb
from statistics import fmean

from crownlet.datasets.scribal.alphabet import BY_CHAR
from crownlet.infer.scrolls.scroll import Comparison, Crowned, FormOnSides, Sides
from crownlet.infer.scrolls.sketch import Letter
from crownlet.infer.scrolls.wording import both_sides, overall, unjudged


def draws(letters: int, crowned: int, drawn: int) -> list[float]:
    """Probability of 0, 1, ... crowned among `drawn` of `letters`, of which `crowned` are crowned.

    The hypergeometric distribution: `drawn` letters, the reverse, taken from both sides' together.
    """
    total = comb(letters, drawn)
    return [comb(crowned, k) * comb(letters - crowned, drawn - k) / total for k in range(drawn + 1)]


def tail(tables: Sequence[tuple[int, int, int, int]]) -> tuple[float, float]:
    """Probability of as many crowned letters on the reverse or more, and of as many or fewer.

    A table is one form: letters and crowned of the face, letters and crowned of the reverse. The
    forms are independent and the margins fixed (Fisher's exact test, its statistics added up).
    """
    spread = [1.0]
    seen = 0
    for face, face_crowned, back, back_crowned in tables:
        seen += back_crowned
        one = draws(face + back, face_crowned + back_crowned, back)
        spread = _added(spread, one)
    return min(1.0, sum(spread[seen:])), min(1.0, sum(spread[: seen + 1]))


def _added(a: list[float], b: list[float]) -> list[float]:
    """Distribution of the sum of two independent counts."""
    result = [0.0] * (len(a) + len(b) - 1)
    for i, x in enumerate(a):
        for j, y in enumerate(b):
            result[i + j] += x * y
    return result


FORMS = "שדיוזכמסב"
"""Letters that stand on both sides of a mezuzah, the Name's first."""

FEW, MOST = 0.2, 0.8
"""Shares of crowned letters up to which a side is uncrowned and from which it is crowned."""


def compare(face: Iterable[Letter], reverse: Iterable[Letter]) -> Comparison:
    """The crowns of both sides of one scroll, form by form and over all."""
    face, reverse = list(face), list(reverse)
    here, there = _by_form(face), _by_form(reverse)
    forms = tuple(_form(form, here[form], there[form]) for form in FORMS)
    seen = [form for form in forms if form.face.letters and form.reverse.letters]
    # Either direction may turn up, so the odds of one count twice.
    more, fewer = (
        min(1.0, 2 * odds)
        for odds in tail(
            [(f.face.letters, f.face.crowned, f.reverse.letters, f.reverse.crowned) for f in seen]
        )
    )
    return Comparison(
        forms=tuple(form for form in forms if form.face.letters or form.reverse.letters),
        reverse_letters=sum(form.reverse.letters for form in seen),
        chance=min(more, fewer) if seen else None,
        says=overall(seen, more, fewer) + unjudged(_uncounted(face, reverse)),
    )


def _uncounted(*sides: Sequence[Letter]) -> str:
    """Forms on both sides whose tags the picture does not let count on one of them."""
    standing = set.intersection(*({x.letter for x in side} for side in sides))
    counted = set.intersection(*({x.letter for x in side if x.tags is not None} for side in sides))
    return "".join(form for form in FORMS if form in standing - counted)


def _by_form(letters: Iterable[Letter]) -> dict[str, list[Letter]]:
    found: dict[str, list[Letter]] = {form: [] for form in FORMS}
    for letter in letters:
        if letter.letter in found and letter.tags is not None:
            found[letter.letter].append(letter)
    return found


def _form(form: str, face: Sequence[Letter], reverse: Sequence[Letter]) -> FormOnSides:
    wanted = BY_CHAR[form].crown
    here, there = crowned(face, wanted), crowned(reverse, wanted)
    sides = which_sides(here, there)
    return FormOnSides(form, wanted, here, there, sides, both_sides(form, wanted, here, there))


def crowned(letters: Sequence[Letter], wanted: int) -> Crowned:
    """How the letters of one form, whose crowns were judged, are crowned."""
    counts = [letter.tags or 0 for letter in letters]
    least = max(wanted, 1)
    full = sum(count >= least for count in counts)
    bare = [letter.p_bare for letter in letters if letter.p_bare is not None]
    missing = [letter.p_missing for letter in letters if letter.p_missing is not None]
    return Crowned(
        letters=len(letters),
        crowned=full,
        some=sum(0 < count < least for count in counts),
        bare=sum(p >= 0.5 for p in bare),
        p_missing=round(fmean(missing), 4) if missing else None,
        p_bare=round(fmean(bare), 4) if bare else None,
    )


def which_sides(face: Crowned, reverse: Crowned) -> Sides:
    """On which sides a form is crowned, by the shares `FEW` and `MOST`."""
    if not face.letters or not reverse.letters:
        return "mixed"
    here, there = face.crowned / face.letters, reverse.crowned / reverse.letters
    if here <= FEW:
        return "reverse_only" if there >= MOST else "neither" if there <= FEW else "mixed"
    if here >= MOST:
        return "both" if there >= MOST else "face_only" if there <= FEW else "mixed"
    return "mixed"
