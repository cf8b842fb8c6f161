"""The heading under which a finding is listed, by the sources' opinions on the letter and by
customs.

The gravest opinion on the letter sets the heading; all opinions stay with the finding, so that a
disagreement shows. A heading orders a list; it is no judgement of a scroll.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import cast

from crownlet.datasets.scribal.alphabet import THREE_TAGS
from crownlet.datasets.scribal.catalogue import CATALOGUE, GRAVITIES, Opinion
from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.findings.finding import HEADING_RANK, HEADINGS, Heading
from crownlet.infer.hand_records import HabitRecord

_CODE_ORDER = tuple(GRAVITIES)

_HEADING_OF_CODE: dict[str, Heading] = {
    code: heading
    for code, gravity in GRAVITIES.items()
    for heading, words in HEADINGS.items()
    if words == gravity.heading
}

_BARE_OF_TAGS_ONLY = frozenset({"P", "P+", "D", "ch"})
"""Codes of the opinions on missing tags that concern only a letter without any (OC 36:3; MB
36:15)."""


@dataclass(frozen=True)
class Severity:
    """How a kind of finding is listed."""

    heading: Heading
    opinions: tuple[Opinion, ...]


def severity_of(
    kind: str, letter: str | None, customs: Customs, tags_seen: int | None = None
) -> Severity:
    """The severity of `kind` on a letter, or on a place of no single letter (None).

    `tags_seen` distinguishes a letter without any tags from one that lacks some.
    """
    opinions = opinions_on(kind, letter)
    moved = _heading_by_customs(kind, letter, customs, tags_seen)
    if moved is not None:
        return Severity(moved, opinions)
    if not opinions:
        return Severity("information", ())
    some = kind == "tag_missing" and (tags_seen or 0) > 0
    asked = [o for o in opinions if not (some and o.code in _BARE_OF_TAGS_ONLY)] or [*opinions]
    code = min((o.code for o in asked), key=_CODE_ORDER.index)
    return Severity(_HEADING_OF_CODE[code], opinions)


def opinions_on(kind: str, letter: str | None) -> tuple[Opinion, ...]:
    """The catalogue's opinions on `kind` on this letter; all of them where there is no letter."""
    defect = CATALOGUE.get(kind)
    if defect is None:
        return ()
    return defect.opinions_on(letter) if letter else defect.gravity


def opinions_on_habit(habit: HabitRecord) -> tuple[Opinion, ...]:
    """The opinions on the letters that a statement on a hand names, each once."""
    every = [o for row in habit.letters for o in opinions_on(habit.defect, row.letter or None)]
    return tuple(dict.fromkeys(every))


def habit_order(habit: HabitRecord) -> tuple[int, int, int]:
    """Sorts statements: by heading, the gravest first, then those of the most letters."""
    heading = HEADING_RANK[cast(Heading, habit.heading)]
    return heading, gravity_rank(opinions_on_habit(habit)), -habit.seen


def gravity_rank(opinions: Iterable[Opinion]) -> int:
    """The place of the gravest of some opinions among the codes of gravity, the gravest being 0."""
    return min((_CODE_ORDER.index(o.code) for o in opinions), default=len(_CODE_ORDER))


def _heading_by_customs(
    kind: str, letter: str | None, customs: Customs, tags_seen: int | None
) -> Heading | None:
    """The heading that customs give in place of the catalogue's; None where they give none."""
    if kind == "tag_missing" and tags_seen == 0 and letter is not None and letter in THREE_TAGS:
        return _heading_of_setting(customs.tags_absent)
    if kind == "kotz_missing":
        return _heading_of_setting(customs.yud_kotz)
    if kind == "tag_bare":
        return "custom"  # It is listed only where the customs ask for tiny zayins.
    if kind == "tag_excess" and letter is not None and customs.tags_expected(letter) == 0:
        asked = {"ל": customs.lamed_tags}.get(letter, customs.bedek_chaya)
        crowned = letter in CATALOGUE["tag_missing"].letters
        return "custom" if crowned and asked == "not_expected" else None
    return None


def _heading_of_setting(setting: str) -> Heading | None:
    headings: dict[str, Heading] = {
        "question": "question", "outset": "outset", "information": "information",
    }  # fmt: skip
    return headings.get(setting)
