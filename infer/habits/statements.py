"""A habit of a hand in one plain sentence, with its counts."""

from __future__ import annotations

from collections.abc import Sequence

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.infer.findings.messages import defect_phrase
from crownlet.infer.hand_records import HabitKind, HabitLetter
from crownlet.infer.records import GlyphRecord
from crownlet.infer.view.wording import count_of, join_words, latin_name

MIN_SHARE_CALLED_OFTEN = 0.1
"""Share of the letters from which a hand does something often."""

_OPENINGS: dict[HabitKind, str] = {
    "habit": "As a rule of this hand",
    "unsteady": "This hand is unsteady",
    "repeated": "Again and again",
}


def describe_habit(
    defect: str,
    kind: HabitKind,
    letters: Sequence[HabitLetter],
    glyphs: Sequence[GlyphRecord],
    doubted: int,
    exceptions: Sequence[GlyphRecord],
    listed: Sequence[HabitLetter],
    sure: bool = True,
) -> str:
    """One sentence on the letters that show a defect, those in doubt, and exceptions.

    `glyphs` show it, `exceptions` surely do not; those of the forms `listed` are places to look at
    themselves. Unless it is `sure` the whole is a doubt.
    """
    seen, judged = sum(row.seen for row in letters), sum(row.judged for row in letters)
    named = [row for row in letters if row.letter]
    forms = describe_forms(named)
    where = f"{seen} of {count_of(judged, 'letter')}"
    if len(named) == 1:
        where, forms = f"{where} {latin_name(named[0].letter)}", ""
    opening = _OPENINGS[kind]
    if kind == "habit" and 2 * seen <= judged:
        opening = f"{frequency_words(seen, judged)} in this hand"
    if not sure:
        opening = f"Perhaps {opening[0].lower()}{opening[1:]}"
    text = f"{opening}: {habit_phrase(defect, glyphs)} in {where}"
    text += f" ({forms})" if forms else ""
    text += f", in doubt in {doubted} more" if doubted else ""
    if len(listed) == len(letters):
        return text + "; each of them is listed by itself."
    text += f"; not so in {len(exceptions)}" if exceptions else ""
    if listed:
        forms = join_words([latin_name(row.letter) for row in listed])
        text += f"; those of {forms} are listed one by one"
    return text + "."


def describe_forms(letters: Sequence[HabitLetter]) -> str:
    """Of how many letters of each form it is so."""
    return ", ".join(f"{latin_name(row.letter)} {row.seen} of {row.judged}" for row in letters)


def describe_share(count: int, judged: int, letters: Sequence[HabitLetter]) -> str:
    """Of how many letters it is so, and of which forms."""
    return f"{count} of {count_of(judged, 'letter')} ({describe_forms(letters)})"


def count_forms(
    counted: Sequence[GlyphRecord], judged: Sequence[GlyphRecord]
) -> tuple[HabitLetter, ...]:
    """The forms of the letters `counted`, in the order of the alphabet, among those `judged`."""
    return tuple(
        HabitLetter(form, *(sum(g.letter == form for g in rows) for rows in (counted, judged)))
        for form in LETTERS
        if any(glyph.letter == form for glyph in counted)
    )


def frequency_words(seen: int, judged: int) -> str:
    """How often a defect is seen, where that is no rule of the hand: the start of a sentence."""
    return "Often" if seen >= MIN_SHARE_CALLED_OFTEN * judged else "Now and then"


def habit_phrase(defect: str, glyphs: Sequence[GlyphRecord]) -> str:
    """The defect in words; of crowns, how many the letters ask for and how many have none."""
    if defect not in ("tag_missing", "tag_excess"):
        return defect_phrase(defect)
    expected = glyphs[0].tags_expected or 0
    crowns = f"{expected} {'crown' if expected == 1 else 'crowns'} expected"
    if defect == "tag_excess":
        return f"more crowns than expected ({crowns})"
    none = sum(glyph.tags_seen == 0 for glyph in glyphs)
    if none == len(glyphs):
        return f"no crown at all ({crowns})"
    return f"fewer crowns than expected ({crowns}, {none} have none)"
