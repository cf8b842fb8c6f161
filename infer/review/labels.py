"""Decisions gathered by letter, as COCO annotations: what is known of it, from whom, and no more.

`attributes.known` names the faults that were looked for, `attributes.letter_known` says whether
the letter itself was; all else is unknown, which is not absent. Readers who contradict each other
leave a fault unknown. The other letters of the page stand there too, with nothing known of them, so
that a letter without a label is never taken for bare skin.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from crownlet.datasets.alphabet import index_of
from crownlet.datasets.catalogue import CATALOGUE
from crownlet.infer.quality.unfamiliar import REASON as UNFAMILIAR
from crownlet.infer.records import GapRecord, GlyphRecord
from crownlet.infer.review.entries import Decision
from crownlet.infer.routing import DOUBT, SWAPPED

Json = dict[str, Any]
ANSWERS = {"present": True, "not_present": False}
DOUBTFUL = frozenset({DOUBT, UNFAMILIAR})
"""Doubts which, confirmed, say that the letter cannot be told."""
DIGITS = 2


@dataclass(frozen=True)
class Word:
    """What one reader said of one doubt."""

    kind: str
    letter: str
    """The letter as it was read when the question was asked."""
    decision: Decision


def annotation(glyph: GlyphRecord, words: Sequence[Word]) -> Json:
    """The annotation of one letter, as yet without ids."""
    letter, known = class_of(glyph, words)
    x0, y0, x1, y1 = (round(v, DIGITS) for v in glyph.box)
    wide, high = round(x1 - x0, DIGITS), round(y1 - y0, DIGITS)
    answers = agreed(words, letter)
    return {
        "category_id": index_of(letter) + 1,
        "bbox": [x0, y0, wide, high],
        "area": round(wide * high, DIGITS),
        "iscrowd": 0,
        "segmentation": [],
        "attributes": {
            # Absent where no text is known; null where the text has no letter.
            **({} if glyph.expected is None else {"expected": glyph.expected or None}),
            "line": glyph.line - 1,
            "word": glyph.word - 1,
            "place": glyph.place - 1,
            "body": [round(v, DIGITS) for v in glyph.body],
            "q": round(glyph.q, DIGITS),
            "letter_known": known,
            "known": sorted(answers),
            "defects": {kind: {"plainness": 1.0} for kind in sorted(answers) if answers[kind]},
            "read_as": glyph.letter,
            "decisions": [provenance(word) for word in words],
        },
    }


def class_of(glyph: GlyphRecord, words: Sequence[Word]) -> tuple[str, bool]:
    """The letter as the readers have it, and whether they say one and the same."""
    said = {letter for word in words if (letter := _meant(glyph, word))}
    return (said.pop(), True) if len(said) == 1 else (glyph.letter, False)


def _meant(glyph: GlyphRecord, word: Word) -> str | None:
    """Which letter a reader took it for; None if he did not say."""
    choice = word.decision.choice
    if choice == "other_letter":
        return word.decision.right_letter
    if choice not in ANSWERS or (word.kind in DOUBTFUL and ANSWERS[choice]):
        return None
    # Not another letter than the text has: then it is the one of the text.
    return glyph.expected if word.kind == SWAPPED and not ANSWERS[choice] else word.letter


def agreed(words: Sequence[Word], letter: str) -> dict[str, bool]:
    """The faults of which all who answered say the same, and what they say."""
    said: dict[str, set[bool]] = {}
    for word in words:
        defect = CATALOGUE.get(word.kind)
        if defect is None or defect.scope != "glyph" or not defect.applies_to(letter):
            continue
        if word.decision.choice in ANSWERS and word.letter == letter:
            said.setdefault(word.kind, set()).add(ANSWERS[word.decision.choice])
    return {kind: answers.pop() for kind, answers in said.items() if len(answers) == 1}


def gap_label(gap: GapRecord, words: Sequence[Word]) -> Json:
    """The white between two letters, by their places in the list of annotations."""
    said: dict[str, set[bool]] = {}
    for word in words:
        if word.decision.choice in ANSWERS:
            said.setdefault(word.kind, set()).add(ANSWERS[word.decision.choice])
    answers = {kind: told.pop() for kind, told in sorted(said.items()) if len(told) == 1}
    return {
        "right": gap.right_glyph - 1,
        "left": gap.left_glyph - 1,
        "expected": gap.expected,
        "width_q": gap.width_q,
        "known": list(answers),
        "defects": {kind: {"plainness": 1.0} for kind, present in answers.items() if present},
        "decisions": [provenance(word) for word in words],
    }


def provenance(word: Word) -> Json:
    """Who said what, when, and what he had seen before."""
    said = word.decision
    return {
        "kind": word.kind,
        "choice": said.choice,
        "right_letter": said.right_letter,
        "reader": said.reader,
        "at": said.at,
        "blind": said.blind,
        "opinion_shown": said.opinion_shown,
        "round": said.round,
    }
