"""Sentences on crowns and on evenness, with the counts behind them."""

from __future__ import annotations

from collections.abc import Sequence

from crownlet.infer.scrolls.scroll import CrownCounts, FormCrowns, FormEvenness
from crownlet.infer.view.wording import join_words, latin_name

MAX_CHANCE_FOR_HABIT = 0.05
"""A difference more probable than this by chance is listed as no habit."""

MAX_PAGES_NAMED = 6
"""Pages named in one sentence."""

CROWN_WORDS = {0: "a crown", 1: "its crown", 3: "three crowns"}


def name_pages(pages: Sequence[str]) -> str:
    """Names of pages, of many only the first few."""
    more = len(pages) - MAX_PAGES_NAMED
    return join_words([*pages[:MAX_PAGES_NAMED], f"{more} more"] if more > 0 else pages)


def name_forms(forms: Sequence[FormCrowns]) -> str:
    """Names of letter forms, such as "shin, dalet and yud"."""
    return join_words([latin_name(form.letter) for form in forms])


def describe_form(letter: str, wanted: int, face: CrownCounts, reverse: CrownCounts) -> str:
    """One form on both sides: "shin: on the face 6 of 6 without three crowns; ...".

    `wanted` are the tags of a crown, 0 for any.
    """
    crown = CROWN_WORDS[wanted]
    here, there = _describe_side(face, crown), _describe_side(reverse, crown)
    return f"{latin_name(letter)}: on the face {here}; on the reverse {there}"


def _describe_side(side: CrownCounts, crown: str) -> str:
    if not side.letters:
        return f"{side.doubted} in doubt" if side.doubted else "none that can be judged"
    with_it = side.crowned * 2 > side.letters
    count = side.crowned if with_it else side.letters - side.crowned
    words = f"{count} of {side.letters} {'with' if with_it else 'without'} {crown}"
    if side.some:
        words += f", {side.some} with fewer"
    if side.doubted:
        words += f", {side.doubted} more in doubt"
    if side.bare:
        words += f", {side.bare} with plain lines"
    if side.bare_doubted:
        words += f", {side.bare_doubted}{' more' if side.bare else ''} perhaps with plain lines"
    return words


def describe_comparison(forms: Sequence[FormCrowns], more: float, fewer: float) -> tuple[str, ...]:
    """Sentences on all forms together; `more` and `fewer` are the probabilities of either
    direction."""
    if not forms:
        return ("No letter form stands on both sides so that its crowns could be compared.",)
    sentences = []
    for kind, one, other, odds in (
        ("reverse_only", "reverse", "face", more),
        ("face_only", "face", "reverse", fewer),
    ):
        found = [form for form in forms if form.sides == kind]
        if found:
            sure = (
                ""
                if odds <= MAX_CHANCE_FOR_HABIT
                else " That is too little to tell a habit from chance."
            )
            sentences.append(
                f"Look here: {name_forms(found)} {_are(found)} crowned on the {one} and not on the "
                f"{other} ({_counts(found)}).{sure}"
            )
    if not sentences:
        alike = {"both": "crowned on both sides", "neither": "without crowns on both sides"}
        for kind, words in alike.items():
            found = [form for form in forms if form.sides == kind and form.wanted]
            if found:
                sentences.append(
                    f"Alike: {name_forms(found)} {_are(found)} {words} ({_counts(found)})."
                )
    mixed = [form for form in forms if form.wanted and form.sides == "mixed"]
    if mixed and not sentences:
        sentences.append(
            f"No plain difference: {name_forms(mixed)} {_are(mixed)} crowned at times "
            f"({_counts(mixed)})."
        )
    return (*sentences, _reverse_letters(forms))


def _are(forms: Sequence[FormCrowns]) -> str:
    return "is" if len(forms) == 1 else "are"


def _counts(forms: Sequence[FormCrowns]) -> str:
    """Crowned letters over letters of both sides, all forms together, and those in doubt."""
    sides = {"face": [f.face for f in forms], "reverse": [f.reverse for f in forms]}
    return ", ".join(
        f"{name} {sum(s.crowned for s in side)} of {sum(s.letters for s in side)}"
        + (f" and {doubted} in doubt" if (doubted := sum(s.doubted for s in side)) else "")
        for name, side in sides.items()
    )


def _reverse_letters(forms: Sequence[FormCrowns]) -> str:
    count = sum(form.reverse.letters for form in forms)
    asking = sum(form.reverse.letters for form in forms if form.wanted)
    return (
        f"A reverse has few letters: {count} could be compared, {asking} of forms that bear crowns."
    )


def describe_uncounted(letters: str) -> tuple[str, ...]:
    """A sentence on the forms whose tags cannot be counted."""
    if not letters:
        return ()
    forms = join_words([*map(latin_name, letters)])
    return (f"The pictures are too poor to count the crowns of {forms}.",)


def describe_uneven_form(form: FormEvenness) -> str:
    """One uneven form: its name, how many letters, and what is uneven."""
    return f"{latin_name(form.letter)} ({form.letters} letters): {'; '.join(form.uneven)}."


def describe_size_change(first: float, last: float) -> str:
    """A sentence on the change of size from the first lines to the last."""
    way = "larger" if last > first else "smaller"
    return (
        f"The writing of the last lines is {abs(last / first - 1):.0%} {way} than that of the "
        "first; a camera held askew shows the same."
    )
