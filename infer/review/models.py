"""Records and errors of the review store: items, decisions, groups, progress, the audit."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from crownlet.datasets.files.errors import CrownletError, FileFault
from crownlet.infer.records import Box

Choice = Literal["present", "not_present", "cannot_tell", "authority", "other_letter"]

CHOICES: tuple[Choice, ...] = (
    "present", "not_present", "cannot_tell", "authority", "other_letter",
)  # fmt: skip
"""The answers to a question; `authority` keeps it as a question for an authority."""

UNDONE = "taken_back"
"""The choice in the row of an undo."""

ALL_KINDS = ""
"""Key of all doubts together in tables by kind."""

Origin = Literal[
    "finding", "review", "audit", "survey", "letter", "habit", "habit_doubt", "habit_exception",
    "statement",
]  # fmt: skip
"""Why a question is asked; `survey`: drawn at random for a survey; `letter`:
drawn at random among all letters, to be judged whole; `habit`, `habit_doubt`, `habit_exception`: a
letter that shows a habit of its hand, is in doubt, or departs from it; `statement`: the habit."""

LETTER_KIND = "whole_letter"
"""The question about a whole letter, whatever may be amiss with it; no defect of the catalogue."""

State = Literal["open", "done", "all"]


class ReviewStoreError(FileFault):
    """A file of decisions that cannot be used: `path` names it, `reason` says why."""


class StaleError(CrownletError):
    """A decision on an item that has changed since the page showed it; nothing was kept."""


class ChoiceError(CrownletError, ValueError):
    """A decision that is not clear, or a reader's name that is none; nothing was kept."""


class ItemError(CrownletError, LookupError):
    """An item that is not in the queue."""


@dataclass(frozen=True)
class Decision:
    """One row of the table of decisions; never changed and never deleted."""

    id: int
    item: int
    reader: str
    choice: str
    """One of `CHOICES`, or `UNDONE` in the row of an undo."""
    right_letter: str | None
    """With `other_letter`: the letter that is written."""
    note: str
    at: str
    """UTC, ISO 8601 with microseconds."""
    blind: bool
    """Whether the source was hidden."""
    opinion_shown: bool
    """Whether the network's opinion was shown before."""
    round: int
    """1 for the first reader of the store, 2 for every other."""
    version: int
    """Version of the item, for this reader, after the decision."""
    undoes: int | None = None
    """Id of the decision that this row takes back."""


@dataclass(frozen=True)
class Item:
    """One doubt about one place, as one reader meets it."""

    id: int
    page: str
    scroll: str
    glyphs: tuple[int, ...]
    """Numbers of the letters on the page; the first is the one asked about."""
    kind: str
    """The doubt: a name of the catalogue, or `unfamiliar`."""
    letter: str
    """The letter as read; "" where the doubt is of no single letter."""
    box: Box
    """px of the picture as given."""
    version: int
    """To be sent back with a decision: how often this reader decided or took back here."""
    decision: Decision | None
    """This reader's last decision that is not taken back."""
    origin: Origin | None = None
    """Why it is in the queue; None unless asked for, as it shows what the networks think."""
    p: float | None = None
    """The networks' probability; None unless asked for, or where there is none."""
    source: str | None = None
    """Where the scroll comes from; None unless asked for, or not known."""
    body: tuple[float, float, float, float] | None = None
    """Of the letter in question: middle of its ruled line, height of its body (px), degrees
    clockwise; None where the doubt is of no single letter."""


@dataclass(frozen=True)
class ItemGroup:
    """How many items of one letter and one doubt a reader has."""

    letter: str
    kind: str
    open: int
    done: int


@dataclass(frozen=True)
class HabitGroup:
    """The letters of one statement on a hand, asked together."""

    number: int
    """Number of its first item, by which it is known."""
    scroll: str
    key: str
    """Defect and crowns asked for; see `habit_questions.habit_key`."""
    forms: str
    """The forms of the letters that show it."""
    seen: int
    """Letters that show it."""
    letters: int
    """All that are shown: also those in doubt, and those that depart from it."""
    open: int
    """Letters without a decision."""


@dataclass(frozen=True)
class Progress:
    """How far one reader has come; letters that are asked together count as one question."""

    reader: str
    open: int
    done: int
    choices: dict[str, int]
    """Number of items by choice."""

    @property
    def total(self) -> int:
        """Questions in this reader's queue."""
        return self.open + self.done


@dataclass(frozen=True)
class Reader:
    """Someone who has a queue in this store."""

    name: str
    round: int
    since: str
    """UTC, ISO 8601."""
    done: int


@dataclass(frozen=True)
class Disagreement:
    """An item on which the decisions of two readers differ."""

    item: Item
    first: Decision
    second: Decision


@dataclass(frozen=True)
class AuditedQuestion:
    """A question of the audit, and a reader's answer."""

    scroll: str
    kind: str
    chance: float
    """Chance with which it was drawn."""
    choice: str | None
    """None while it is open, or was decided only after a disclosure of what others think."""


@dataclass(frozen=True)
class Audit:
    """The audit of the run as it stands."""

    letters: int
    """Clear letters from which it was drawn."""
    questions: int
    """Doubts that these letters were cleared of, all together."""
    asked: tuple[AuditedQuestion, ...]
    """The audit in one reader's queue."""


@dataclass(frozen=True)
class StandingDecision:
    """A decision that stands, with all that is known of its question; for exports."""

    page: str
    scroll: str
    source: str | None
    sha256: str
    """Checksum of the picture that was judged."""
    still_asked: bool
    """False once the page was inspected again and no longer raises the doubt."""
    kind: str
    letter: str
    glyphs: tuple[int, ...]
    box: Box
    line: int | None
    word: int | None
    place: int | None
    origin: Origin
    p: float | None
    chance: float | None
    decision: Decision


def utc_now() -> str:
    """This moment, UTC, ISO 8601 with microseconds."""
    return datetime.now(UTC).isoformat(timespec="microseconds")
