"""Habits of a hand over all pages of a scroll, face beside reverse."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.infer.findings.finding import HEADING_RANK
from crownlet.infer.findings.messages import defect_phrase
from crownlet.infer.habits.apply import Group, kinds_of_counts
from crownlet.infer.habits.judge import Count
from crownlet.infer.hand_records import HabitRecord
from crownlet.infer.records import LETTER_EXTRA
from crownlet.infer.scrolls.scroll import ScrollHabit
from crownlet.infer.scrolls.sketch import DefectCount, PageSketch
from crownlet.infer.view.wording import join_words, latin_name


def scroll_habits(
    faces: Sequence[PageSketch], reverses: Sequence[PageSketch]
) -> tuple[ScrollHabit, ...]:
    """Statements on the hand, each once, with the counts of both sides.

    Those that pages make come first, in the order in which they stand there, which is the gravest
    first; then what only the letters of all pages together show.
    """
    pages = (*faces, *reverses)
    forms: dict[Group, set[str]] = {}
    headings: dict[Group, list[str]] = {}
    for page in pages:
        for habit in page.habits:
            if not habit.sure:
                continue  # Its letters do not count as seen.
            group = habit.defect, habit.tags_expected
            forms.setdefault(group, set()).update(row.letter for row in habit.letters)
            headings.setdefault(group, []).append(habit.heading)
    stated = [
        _habit(group, own, faces, reverses, _gravest(headings[group]))
        for group, own in forms.items()
    ]
    return (*stated, *_habits_of_all_pages(faces, reverses, forms.keys()))


def _habits_of_all_pages(
    faces: Sequence[PageSketch], reverses: Sequence[PageSketch], stated: Collection[Group]
) -> list[ScrollHabit]:
    """What no page has letters enough to state; only of faults that the customs list."""
    pages = (*faces, *reverses)
    by_group: dict[Group, dict[str, list[tuple[str, DefectCount]]]] = {}
    for page in pages:
        for (defect, tags, form), count in page.counts.items():
            by_group.setdefault((defect, tags), {}).setdefault(form, []).append((page.name, count))
    found = []
    for group, rows in by_group.items():
        headings = [page.headings[group[0]] for page in pages if group[0] in page.headings]
        if group in stated or not headings or len(pages) == 1:
            continue
        kinds = kinds_of_counts(
            group[0],
            {form: _sum_of([count for _, count in counts]) for form, counts in rows.items()},
            {form: sum(len(count.seen) for _, count in counts) for form, counts in rows.items()},
        )
        if not kinds:
            continue
        glyphs: dict[str, list[int]] = {}
        for page_name, count in (each for form in kinds for each in rows[form]):
            glyphs.setdefault(page_name, []).extend(count.seen)
        evidence = {name: tuple(sorted(seen)) for name, seen in glyphs.items() if seen}
        found.append(_habit(group, {*kinds}, faces, reverses, _gravest(headings), evidence))
    return sorted(found, key=lambda habit: HEADING_RANK[habit.heading])  # type: ignore[index]


def _sum_of(counts: Iterable[DefectCount]) -> Count:
    likely, judged, clear = zip(*((c.likely, c.judged, c.clear) for c in counts), strict=True)
    return Count(sum(likely), sum(judged), sum(clear))


def _gravest(headings: Iterable[str]) -> str:
    return min(headings, key=HEADING_RANK.__getitem__)  # type: ignore[arg-type]


def _habit(
    group: Group,
    forms: set[str],
    faces: Sequence[PageSketch],
    reverses: Sequence[PageSketch],
    heading: str,
    glyphs: Mapping[str, tuple[int, ...]] | None = None,
) -> ScrollHabit:
    letters = "".join(letter for letter in LETTERS if letter in forms)
    face, reverse = (_count(pages, group, forms) for pages in (faces, reverses))
    sides = [
        f"on the {side} {seen} of {judged}"
        for side, (seen, judged) in (("face", face), ("reverse", reverse))
        if judged
    ]
    names = f" ({join_words(map(latin_name, letters))})" if letters else ""
    phrase = f"{_phrase(*group)}{names}: {', '.join(sides)}."
    message = f"all pages together: {phrase}" if glyphs else phrase
    return ScrollHabit(
        *group, letters, face, reverse, message[0].upper() + message[1:], heading, glyphs or {}
    )


def _phrase(defect: str, tags_expected: int | None) -> str:
    if tags_expected is None:
        return defect_phrase(defect)
    many = "more" if defect == "tag_excess" else "fewer"
    return f"{many} crowns than the {tags_expected} expected"


def _count(pages: Sequence[PageSketch], group: Group, forms: set[str]) -> tuple[int, int]:
    """Letters that show a defect, and letters judged; of what is no defect of a letter, those of
    the pages' own statements."""
    if group[0] == LETTER_EXTRA:
        own = [habit for page in pages for habit in page.habits if habit.defect == LETTER_EXTRA]
        return sum(habit.seen for habit in own), sum(habit.judged for habit in own)
    seen = judged = 0
    for page in pages:
        stated = _statement_on(page, group, forms)
        if stated is not None:
            seen, judged = seen + stated.seen, judged + stated.judged
            continue
        keys = [(*group, form) for form in forms]
        counts = [page.counts[key] for key in keys if key in page.counts]
        seen += sum(len(c.seen) for c in counts)
        judged += sum(c.judged for c in counts)
    return seen, judged


def _statement_on(page: PageSketch, group: Group, forms: set[str]) -> HabitRecord | None:
    """The page's own statement on all these forms, whose counts leave out what the customs accept,
    so that page and scroll name the same numbers."""
    return next(
        (
            habit
            for habit in page.habits
            if habit.sure
            and (habit.defect, habit.tags_expected) == group
            and {row.letter for row in habit.letters} == forms
        ),
        None,
    )
