"""Habits of a hand over all pages of a scroll, face beside reverse."""

from __future__ import annotations

from collections.abc import Sequence

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.infer.findings.messages import defect_phrase
from crownlet.infer.scrolls.scroll import ScrollHabit
from crownlet.infer.scrolls.sketch import PageSketch
from crownlet.infer.view.wording import join_words, latin_name

Group = tuple[str, int | None]


def scroll_habits(
    faces: Sequence[PageSketch], reverses: Sequence[PageSketch]
) -> tuple[ScrollHabit, ...]:
    """What the pages state of their hand, each once, with the counts of both sides.

    In the order in which the pages state it, which is the gravest first.
    """
    forms: dict[Group, set[str]] = {}
    for page in (*faces, *reverses):
        for habit in page.habits:
            if not habit.sure:
                continue  # Its letters do not count as seen.
            group = habit.defect, habit.tags_expected
            forms.setdefault(group, set()).update(row.letter for row in habit.letters)
    return tuple(_habit(group, own, faces, reverses) for group, own in forms.items())


def _habit(
    group: Group, forms: set[str], faces: Sequence[PageSketch], reverses: Sequence[PageSketch]
) -> ScrollHabit:
    letters = "".join(letter for letter in LETTERS if letter in forms)
    face, reverse = (_count(pages, group, forms) for pages in (faces, reverses))
    sides = [
        f"on the {side} {seen} of {judged}"
        for side, (seen, judged) in (("face", face), ("reverse", reverse))
        if judged
    ]
    names = f" ({join_words(map(latin_name, letters))})" if letters else ""
    says = f"{_phrase(*group)}{names}: {', '.join(sides)}."
    return ScrollHabit(*group, letters, face, reverse, says[0].upper() + says[1:])


def _phrase(defect: str, tags_expected: int | None) -> str:
    if tags_expected is None:
        return defect_phrase(defect)
    many = "more" if defect == "tag_excess" else "fewer"
    return f"{many} crowns than the {tags_expected} expected"


def _count(pages: Sequence[PageSketch], group: Group, forms: set[str]) -> tuple[int, int]:
    """Letters that show a defect, and letters judged."""
    keys = [(*group, form) for form in forms]
    counts = [page.counts[key] for page in pages for key in keys if key in page.counts]
    return sum(c.seen for c in counts), sum(c.judged for c in counts)
