"""What goes out of a review: labels for retraining as COCO, and every decision as a table."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crownlet.datasets.coco.write import collect
from crownlet.datasets.files.atomic import atomic_write, write_csv, write_json
from crownlet.datasets.files.errors import FileFault
from crownlet.datasets.scribal.alphabet import index_of
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.records import LETTER_SWAPPED, SHAPE_DOUBT, GapRecord, GlyphRecord, PageRecord
from crownlet.infer.records import UNFAMILIAR as UNFAMILIAR
from crownlet.infer.review.miss_rate import ALL_KINDS, describe_misses, estimate_misses_by_kind
from crownlet.infer.review.models import Decision, ReviewStoreError, StandingDecision
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.review.sync import MIN_SAME_PLACE_IOU, box_iou
from crownlet.infer.run.names import DECISIONS, LABELS, STORE
from crownlet.infer.run.pictures import find_picture
from crownlet.infer.run.run import Run, StoredPage, open_run

JsonLabel = dict[str, Any]

PRESENT_BY_CHOICE = {"present": True, "not_present": False}

UNREADABLE_KINDS = frozenset({SHAPE_DOUBT, UNFAMILIAR})
"""Doubts which, confirmed, say that the letter cannot be told."""

COORDINATE_DIGITS = 2


@dataclass(frozen=True)
class ReaderAnswer:
    """What one reader said of one doubt."""

    kind: str
    letter: str
    """The letter as it was read when the question was asked."""
    decision: Decision


def letter_annotation(glyph: GlyphRecord, words: Sequence[ReaderAnswer]) -> JsonLabel:
    """The annotation of one letter, as yet without ids."""
    letter, known = agreed_letter(glyph, words)
    x0, y0, x1, y1 = (round(v, COORDINATE_DIGITS) for v in glyph.box)
    wide, high = round(x1 - x0, COORDINATE_DIGITS), round(y1 - y0, COORDINATE_DIGITS)
    answers = agreed_defects(words, letter)
    return {
        "category_id": index_of(letter) + 1,
        "bbox": [x0, y0, wide, high],
        "area": round(wide * high, COORDINATE_DIGITS),
        "iscrowd": 0,
        "segmentation": [],
        "attributes": {
            # Absent where no text is known; null where the text has no letter.
            **({} if glyph.expected is None else {"expected": glyph.expected or None}),
            "line": glyph.line - 1,
            "word": glyph.word - 1,
            "place": glyph.place - 1,
            "body": [round(v, COORDINATE_DIGITS) for v in glyph.body],
            "q": round(glyph.q, COORDINATE_DIGITS),
            "letter_known": known,
            "known": sorted(answers),
            "defects": {kind: {"plainness": 1.0} for kind in sorted(answers) if answers[kind]},
            "read_as": glyph.letter,
            "decisions": [provenance(word) for word in words],
        },
    }


def agreed_letter(glyph: GlyphRecord, words: Sequence[ReaderAnswer]) -> tuple[str, bool]:
    """The letter as the readers have it, and whether they say one and the same."""
    said = {letter for word in words if (letter := _letter_of_answer(glyph, word))}
    return (said.pop(), True) if len(said) == 1 else (glyph.letter, False)


def _letter_of_answer(glyph: GlyphRecord, word: ReaderAnswer) -> str | None:
    """Which letter a reader took it for; None if he did not say."""
    choice = word.decision.choice
    if choice == "other_letter":
        return word.decision.right_letter
    if choice not in PRESENT_BY_CHOICE or (
        word.kind in UNREADABLE_KINDS and PRESENT_BY_CHOICE[choice]
    ):
        return None
    # Not another letter than the text has: then it is the one of the text.
    return (
        glyph.expected
        if word.kind == LETTER_SWAPPED and not PRESENT_BY_CHOICE[choice]
        else word.letter
    )


def agreed_defects(words: Sequence[ReaderAnswer], letter: str) -> dict[str, bool]:
    """The faults of which all who answered say the same, and what they say."""
    said: dict[str, set[bool]] = {}
    for word in words:
        defect = CATALOGUE.get(word.kind)
        if defect is None or defect.scope != "glyph" or not defect.applies_to(letter):
            continue
        if word.decision.choice in PRESENT_BY_CHOICE and word.letter == letter:
            said.setdefault(word.kind, set()).add(PRESENT_BY_CHOICE[word.decision.choice])
    return {kind: answers.pop() for kind, answers in said.items() if len(answers) == 1}


def gap_annotation(gap: GapRecord, words: Sequence[ReaderAnswer]) -> JsonLabel:
    """The white between two letters, by their places in the list of annotations."""
    said: dict[str, set[bool]] = {}
    for word in words:
        if word.decision.choice in PRESENT_BY_CHOICE:
            said.setdefault(word.kind, set()).add(PRESENT_BY_CHOICE[word.decision.choice])
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


def provenance(word: ReaderAnswer) -> JsonLabel:
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


Json = dict[str, Any]

AnswersByLetters = dict[tuple[int, ...], list[ReaderAnswer]]


def build_labels(
    run: Run, standing: Sequence[StandingDecision]
) -> tuple[Json, int, tuple[str, ...]]:
    """COCO labels, how many letters are labelled in them, and a sentence for each page left out."""
    by_page: dict[str, list[StandingDecision]] = defaultdict(list)
    for said in standing:
        by_page[said.page].append(said)
    records, left_out, letters = [], [], 0
    for name, told in sorted(by_page.items()):
        try:
            words, lost = _match_answers(run.pages[name], told)
            records.append(_page_labels(run, run.pages[name], words))
        except (KeyError, FileFault) as error:
            why = error.reason if isinstance(error, FileFault) else "it is no longer in the run."
            left_out.append(f"page {name} is left out of the labels: {why}")
            continue
        letters += sum(len(glyphs) == 1 for glyphs in words)
        if lost:
            left_out.append(
                f"page {name}: {lost} decisions on what is no longer read there are left out."
            )
    return collect(records), letters, tuple(left_out)


def _match_answers(
    page: StoredPage, told: Sequence[StandingDecision]
) -> tuple[AnswersByLetters, int]:
    """What was said, by the letters of the page as it is read now, and how many found no place."""
    words: AnswersByLetters = defaultdict(list)
    lost = 0
    for said in told:
        if not said.letter and len(said.glyphs) != 2:
            continue  # A place in the text or the layout of lines: COCO has no label for it.
        glyphs = _current_glyphs(page.record, said) if said.sha256 == page.checksum else ()
        if glyphs:
            words[glyphs].append(ReaderAnswer(said.kind, said.letter, said.decision))
        else:
            lost += 1
    return words, lost


def _current_glyphs(record: PageRecord, said: StandingDecision) -> tuple[int, ...]:
    """The letters that were asked about; of an earlier inspection, the one at the same place."""
    if said.asked or len(said.glyphs) != 1:
        return said.glyphs if said.asked else ()
    best = max(record.glyphs, key=lambda glyph: box_iou(glyph.box, said.box), default=None)
    return (best.glyph,) if best and box_iou(best.box, said.box) >= MIN_SAME_PLACE_IOU else ()


def _page_labels(run: Run, page: StoredPage, words: AnswersByLetters) -> tuple[Json, list[Json]]:
    record = page.record
    gaps = {(gap.right_glyph, gap.left_glyph): gap for gap in record.gaps}
    image: Json = {
        "file_name": _picture_path(run, page),
        "width": record.image.width,
        "height": record.image.height,
        "crownlet": {
            "gaps": [
                gap_annotation(gaps[pair], told)
                for pair, told in sorted(words.items())
                if pair in gaps
            ],
            "missing": [],
            "meta": {
                "page": page.name,
                "scroll": run.scroll_of(page.name).name,
                "labels": "some letters; of the others nothing is known",
                "boxes": "found by the locator",
                "sha256": page.checksum,
                "versions": {part: facts.get("version") for part, facts in record.versions.items()},
            },
        },
    }
    return image, [
        letter_annotation(glyph, words.get((glyph.glyph,), ())) for glyph in record.glyphs
    ]


def _picture_path(run: Run, page: StoredPage) -> str:
    """Where the picture lies, seen from the run; PageError if it has moved or changed."""
    path = find_picture(page.record.image, run.folder)
    try:
        return Path(os.path.relpath(path, run.folder)).as_posix()
    except ValueError:  # another drive
        return str(path.absolute())


DECISION_COLUMNS = (
    "decision", "page", "scroll", "source", "glyphs", "line", "word", "place", "letter", "kind",
    "choice", "right_letter", "note", "reader", "round", "at", "blind", "opinion_shown", "origin",
    "p", "chance", "x0", "y0", "x1", "y1", "still_asked",
)  # fmt: skip


@dataclass(frozen=True)
class ExportSummary:
    """What was written, and what could not go into the labels."""

    labels: Path
    decisions: Path
    decided: int
    """Decisions that stand."""
    letters: int
    """Letters of which somebody said something."""
    left_out: tuple[str, ...] = ()
    """A sentence for each page whose decisions stand in the table only."""
    missed: tuple[str, ...] = ()
    """What each reader's answers say of what the inspection missed."""

    def __str__(self) -> str:
        told = (
            f"{self.labels.name} ({self.letters} letters), "
            f"{self.decisions.name} ({self.decided} decisions)."
        )
        return "\n".join((told, *self.left_out, *self.missed))


def export_review(run: Run | str | Path, store: ReviewStore | None = None) -> ExportSummary:
    """Write labels and decisions into the folder of a run, each file whole or not at all.

    Raises RunError for a folder that is no run, ReviewStoreError where nothing was reviewed or the
    file cannot be read, OSError where the folder cannot be written.
    """
    opened = run if isinstance(run, Run) else open_run(run)
    own = store or open_reviewed(opened)
    try:
        standing = own.standing_decisions()
        told = {
            reader.name: estimate_misses_by_kind(own, reader.name)[ALL_KINDS]
            for reader in own.readers()
            if reader.done
        }
    finally:
        if store is None:
            own.close()
    # A survey mixes no clear letters in: its audit is read by `crownlet survey compare`.
    missed = tuple(f"{name}: {describe_misses(one)}" for name, one in told.items() if one.asked)
    data, letters, left_out = build_labels(opened, standing)
    folder = opened.folder
    with atomic_write(folder / LABELS) as draft:
        write_json(draft, data)
    with atomic_write(folder / DECISIONS) as draft:
        write_csv(draft, DECISION_COLUMNS, map(decision_row, standing))
    return ExportSummary(
        folder / LABELS, folder / DECISIONS, len(standing), letters, left_out, missed
    )


def open_reviewed(run: Run) -> ReviewStore:
    """The file of decisions of a run, its queue in step; ReviewStoreError without any."""
    path = run.folder / STORE
    if not path.is_file():
        raise ReviewStoreError(path, "nothing was reviewed yet; begin with `crownlet review`.")
    return ReviewStore.open(path, run)


def decision_row(said: StandingDecision) -> list[str]:
    """One row of decisions.csv, in the order of `COLUMNS`."""
    told = said.decision
    return [
        str(told.id), said.page, said.scroll, said.source or "", ";".join(map(str, said.glyphs)),
        _number_cell(said.line), _number_cell(said.word), _number_cell(said.place), said.letter, said.kind, told.choice,
        told.right_letter or "", told.note, told.reader, str(told.round), told.at,
        str(int(told.blind)), str(int(told.opinion_shown)), said.origin, _probability_cell(said.p),
        _probability_cell(said.chance), *(f"{v:.1f}" for v in said.box), str(int(said.asked)),
    ]  # fmt: skip


def _number_cell(number: int | None) -> str:
    return "" if number is None else str(number)


def _probability_cell(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"
