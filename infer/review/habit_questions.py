"""Questions that are asked once of a hand: all letters of one statement of habit together.

A statement (`habits` of page.json) says what a hand does as a rule, or again and again. A reader is
shown all its letters at once and answers for all of them, exceptions by a click; every letter gets
a decision of its own, and so does the statement. Doubts about the same thing on letters of the same
forms are shown beside them, and the letters that depart from the habit.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from crownlet.infer.findings.messages import defect_phrase
from crownlet.infer.habits.apply import form_of, group_of, is_judged
from crownlet.infer.hand_records import DOUBTED, HabitRecord
from crownlet.infer.records import GlyphRecord, PageRecord
from crownlet.infer.review.models import HabitGroup, Origin
from crownlet.infer.review.queue import MAX_QUESTION_LETTERS, Question, page_questions
from crownlet.infer.run.names import SCROLLS_FILE
from crownlet.infer.run.tables import read_json
from crownlet.infer.view.language import translate
from crownlet.infer.view.sentences import localize
from crownlet.infer.view.wording import count_of, latin_name

if TYPE_CHECKING:
    from crownlet.infer.findings.finding import Finding
    from crownlet.infer.run.run import Run

MIN_SHOWN_P = 0.5
"""Probability from which a letter in doubt is shown as one that has it, in an unsteady hand."""


def habit_key(habit: HabitRecord) -> str:
    """The statements of one scroll that have this key are asked as one."""
    return _key(habit.defect, habit.tags_expected)


def _key(defect: str, tags_expected: int | None) -> str:
    return f"{defect}:{'' if tags_expected is None else tags_expected}"


def parse_habit_key(key: str) -> tuple[str, int | None]:
    """The defect of a key, and for crowns how many the letters ask for."""
    defect, _, tags = key.partition(":")
    return defect, int(tags) if tags else None


def raised_questions(
    record: PageRecord, found: tuple[Finding, ...], listed: bool = True
) -> tuple[Question, ...]:
    """The questions that the inspection raised on a page, without any audit; those that a statement
    asks together have its key.

    Letters of a statement that have no finding of their own come last. `listed` is false for runs
    made before findings were listed.
    """
    raised = page_questions(record, found, listed)
    if not record.habits:
        return raised
    joined = {question.key: question for question in raised}
    for habit in record.habits:
        joined |= {each.key: each for each in _questions_of_habit(record, habit, joined)}
    return tuple(joined.values())


@dataclass(frozen=True)
class ScrollStatement:
    """Letters of one page that show what only all pages of their scroll together state."""

    key: str
    glyphs: tuple[int, ...]


def scroll_statements(run: Run) -> Mapping[str, tuple[ScrollStatement, ...]]:
    """By page, the statements of scrolls.json that no page makes; RunError for a damaged file."""
    path = run.folder / SCROLLS_FILE
    table: dict[str, tuple[ScrollStatement, ...]] = {}
    for scroll in read_json(path).get("scrolls", ()) if path.is_file() else ():
        for habit in scroll.get("habits", ()):
            key = _key(str(habit["defect"]), habit.get("tags_expected"))
            for page, numbers in habit.get("glyphs", {}).items():
                made = ScrollStatement(key, tuple(numbers))
                table[page] = (*table.get(page, ()), made)
    return table


def _questions_of_habit(
    record: PageRecord, habit: HabitRecord, asked: Mapping[str, Question]
) -> Iterator[Question]:
    key, evidence = habit_key(habit), set(habit.glyphs)
    doubted = {glyph.glyph for glyph in _doubted_letters(record, habit)}
    exceptions = set(habit.exceptions)
    known: set[int] = set()
    for question in asked.values():
        if question.kind != habit.defect:
            continue
        if question.glyphs == habit.glyphs and len(habit.glyphs) > MAX_QUESTION_LETTERS:
            yield replace(question, origin="statement", habit=key)
        elif len(question.glyphs) <= MAX_QUESTION_LETTERS and not (
            (evidence | doubted).isdisjoint(question.glyphs)
        ):
            known.update(question.glyphs)
            yield replace(question, habit=key)
    groups: tuple[tuple[set[int], Origin], ...] = (
        (evidence, "review" if habit.kind == DOUBTED else "habit"),
        (doubted, "habit_doubt" if habit.kind == "habit" else "review"),
        (exceptions, "habit_exception"),
    )  # fmt: skip
    for letters, origin in groups:
        for number in sorted(letters - known):
            glyph = record.glyphs[number - 1]
            yield Question(
                habit.defect, glyph.judged_as, (number,), glyph.box, origin,
                glyph.p.get(habit.defect), glyph, habit=key,
            )  # fmt: skip


def _doubted_letters(record: PageRecord, habit: HabitRecord) -> list[GlyphRecord]:
    """Letters of the forms concerned that are in doubt.

    Where the counts of the statement leave no others, all that do not show it; else those that have
    the doubt among their own reasons.
    """
    if habit.kind == DOUBTED:
        return []  # They are what it is about.
    forms = {row.letter for row in habit.letters}
    group = habit.defect, habit.tags_expected
    others = [
        glyph
        for glyph in record.glyphs
        if glyph.glyph not in habit.glyphs
        and is_judged(glyph, habit.defect)
        and group_of(glyph, habit.defect) == group
        and form_of(glyph, habit.defect) in forms
    ]
    rest = [glyph for glyph in others if glyph.glyph not in habit.exceptions]
    if len(rest) == habit.doubted:
        return rest
    return [glyph for glyph in others if habit.defect in (*glyph.reasons, *glyph.shared_doubts)]


def is_claimed(origin: Origin | None, p: float | None) -> bool:
    """Whether a letter is shown as one that has it.

    As the statement says; in doubt as its hand does, and where that is unsteady, as the networks
    hold more probable.
    """
    if origin == "review":
        return (p or 0.0) >= MIN_SHOWN_P
    return origin != "habit_exception"


def habit_claim(key: str, forms: str, count: int, none: bool = False) -> str:
    """What a statement says of `count` letters of some forms, as a sentence to agree with or not.

    Such as "None of these 67 bets has a crown.", where `none` of them has one.
    """
    defect, tags = parse_habit_key(key)
    name = latin_name(forms) if len(forms) == 1 else ""
    these = _these_letters(name, count)
    if tags is None:
        return translate("On {these}: {what}.", these=these, what=localize(defect_phrase(defect)))
    if none and count > 1:
        return translate("None of {these} has a crown.", these=these)
    if none:
        return translate("On {these}: no crown.", these=these)
    crowns, more = count_of(tags, "crown"), defect == "tag_excess"
    if more and not tags:
        return translate("On {these}: more crowns than expected (none expected).", these=these)
    if more:
        return translate(
            "On {these}: more crowns than expected ({crowns} expected).", these=these, crowns=crowns
        )
    return translate(
        "On {these}: fewer crowns than expected ({crowns} expected).", these=these, crowns=crowns
    )


def group_claim(group: HabitGroup, none: bool = False) -> str:
    """The sentence of what is asked once of a hand; of what is only in doubt it claims nothing."""
    if not group.seen:
        return doubt_claim(group.key, group.letters)
    return habit_claim(group.key, group.forms, group.seen, none)


def doubt_claim(key: str, count: int) -> str:
    """What is in doubt on `count` letters of a hand, of which none is seen to have it."""
    defect, tags = parse_habit_key(key)
    what = defect_phrase(defect)
    if tags is not None:
        what = f"more crowns than expected ({tags} {'crown' if tags == 1 else 'crowns'} expected)"
    these = _these_letters("", count)
    return translate("In doubt on {these}: {what}.", these=these, what=localize(what))


def _these_letters(name: str, count: int) -> str:
    """Such as "these 67 bets", or "this letter" where no form is named."""
    if count == 1:
        return translate("this {letter}", letter=name or translate("letter"))
    if not name:
        return translate("these {letters}", letters=count_of(count, "letter"))
    return translate("these {n} {letter}s", n=f"{count:,}", letter=name)
