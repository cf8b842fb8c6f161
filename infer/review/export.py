"""Export of a review: labels for retraining as COCO, and every decision as a table.

A letter of a reviewed page is labelled only as far as readers decided on it: `letter_known` says
whether they agree on the letter, `known` lists the defects about which all answers agree, and a
defect that is not in `known` is not labelled as absent. Places in the text or the layout of lines
have no label in COCO; their decisions stand in the table.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crownlet.datasets.coco.write import collect
from crownlet.datasets.files.atomic import atomic_write, write_csv, write_json
from crownlet.datasets.files.errors import FileFault
from crownlet.datasets.files.locks import hold_folder
from crownlet.datasets.scribal.alphabet import index_of
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.records import (
    LETTER_SWAPPED,
    SHAPE_DOUBT,
    UNFAMILIAR,
    GapRecord,
    GlyphRecord,
    PageRecord,
)
from crownlet.infer.review.decision_table import DECISION_COLUMNS, decision_rows
from crownlet.infer.review.letter_audit import (
    LetterAudit,
    audit_scrolls,
    describe_audit,
    drawn_letters,
)
from crownlet.infer.review.miss_rate import describe_misses, estimate_misses_by_kind
from crownlet.infer.review.models import ALL_KINDS, Decision, ReviewStoreError, StandingDecision
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.review.sync import MIN_SAME_PLACE_IOU, box_iou
from crownlet.infer.run.names import (
    REVIEW_AUDIT_FILE,
    REVIEW_DECISIONS_FILE,
    REVIEW_LABELS_FILE,
    REVIEW_STORE_FILE,
)
from crownlet.infer.run.pictures import find_picture
from crownlet.infer.run.run import Run, StoredPage, open_run
from crownlet.infer.view.language import ENGLISH, use_locale

Json = dict[str, Any]

PRESENT_BY_CHOICE = {"present": True, "not_present": False}

UNREADABLE_KINDS = frozenset({SHAPE_DOUBT, UNFAMILIAR})
"""Doubts which, confirmed, mean that the letter cannot be recognised."""

COORDINATE_DIGITS = 2


@dataclass(frozen=True)
class ReaderAnswer:
    """One reader's decision on one doubt."""

    kind: str
    letter: str
    """The letter as it was read when the question was asked."""
    decision: Decision


AnswersByLetters = dict[tuple[int, ...], list[ReaderAnswer]]


@dataclass(frozen=True)
class ExportSummary:
    """What was written, and what could not go into the labels."""

    labels: Path
    decisions: Path
    decided: int
    """Decisions that stand."""
    letters: int
    """Letters with an answer."""
    left_out: tuple[str, ...] = ()
    """A sentence for each page whose decisions stand in the table only."""
    missed: tuple[str, ...] = ()
    """For each reader, the estimate of what the inspection missed."""
    audit: str = ""
    """What the letters judged whole bound, in the whole run."""

    def __str__(self) -> str:
        files = (
            f"{self.labels.name} ({self.letters} letters), "
            f"{self.decisions.name} ({self.decided} decisions)."
        )
        return "\n".join((files, *self.left_out, *self.missed, *filter(None, (self.audit,))))


def export_review(run: Run | str | Path, store: ReviewStore | None = None) -> ExportSummary:
    """Write labels and decisions into the folder of a run, each file whole or not at all.

    Raises RunError for a folder that is no run, ReviewStoreError where nothing was reviewed or the
    file cannot be read, FolderBusyError while another process exports, OSError where the folder
    cannot be written.
    """
    opened = run if isinstance(run, Run) else open_run(run)
    # What is written stays English, whatever page asks for it.
    with hold_folder(opened.folder, "crownlet review", "decisions"), use_locale(ENGLISH):
        return _export_held(opened, store)


def _export_held(opened: Run, store: ReviewStore | None) -> ExportSummary:
    own = store or open_reviewed(opened)
    try:
        standing, drawn = own.standing_decisions(), drawn_letters(own)
        estimates = {
            reader.name: estimate_misses_by_kind(own, reader.name)[ALL_KINDS]
            for reader in own.readers()
            if reader.done
        }
    finally:
        if store is None:
            own.close()
    # A survey mixes no clear letters in: its audit is read by `crownlet survey compare`.
    missed = tuple(f"{name}: {describe_misses(m)}" for name, m in estimates.items() if m.asked)
    data, letters, left_out = build_labels(opened, standing)
    folder = opened.folder
    with atomic_write(folder / REVIEW_LABELS_FILE) as draft:
        write_json(draft, data)
    with atomic_write(folder / REVIEW_DECISIONS_FILE) as draft:
        write_csv(draft, DECISION_COLUMNS, decision_rows(opened, standing))
    audits = audit_scrolls(opened, drawn)
    stack = sum(audits.values(), LetterAudit())
    with atomic_write(folder / REVIEW_AUDIT_FILE) as draft:
        write_json(draft, _audit_record(opened, audits, stack))
    return ExportSummary(
        folder / REVIEW_LABELS_FILE,
        folder / REVIEW_DECISIONS_FILE,
        len(standing),
        letters,
        left_out,
        missed,
        describe_audit(stack, "run"),
    )


def _audit_record(run: Run, audits: Mapping[str, LetterAudit], stack: LetterAudit) -> Json:
    """Both promises: what the thresholds keep over rendered hands, and the audit of this run."""
    versions = [page.record.versions.get("thresholds", {}) for page in run.pages.values()]
    promises = {str(made.get("sha256", "")): made.get("promise") for made in versions}
    return {
        "rendered_hands": promises,
        "run": stack.record("run"),
        "scrolls": {name: audit.record() for name, audit in audits.items()},
    }


def open_reviewed(run: Run) -> ReviewStore:
    """The file of decisions of a run, its queue in step; ReviewStoreError without any."""
    path = run.folder / REVIEW_STORE_FILE
    if not path.is_file():
        raise ReviewStoreError(path, "nothing was reviewed yet; begin with `crownlet review`.")
    return ReviewStore.open(path, run)


def build_labels(
    run: Run, standing: Sequence[StandingDecision]
) -> tuple[Json, int, tuple[str, ...]]:
    """COCO labels, how many letters are labelled in them, and a sentence for each page left out."""
    by_page: dict[str, list[StandingDecision]] = defaultdict(list)
    for decision in standing:
        by_page[decision.page].append(decision)
    records, left_out, letters = [], [], 0
    for name, decisions in sorted(by_page.items()):
        try:
            page = run.pages[name]
            # Without the measures, the longest table, and not kept: a run's pages fill the memory.
            record, _ = page.brief()
            answers, lost = _match_answers(page, record, decisions)
            records.append(_page_labels(run, page, record, answers))
        except (KeyError, FileFault) as error:
            why = error.reason if isinstance(error, FileFault) else "it is no longer in the run."
            left_out.append(f"page {name} is left out of the labels: {why}")
            continue
        letters += sum(len(glyphs) == 1 for glyphs in answers)
        if lost:
            left_out.append(
                f"page {name}: {lost} decisions on what is no longer read there are left out."
            )
    return collect(records), letters, tuple(left_out)


def letter_annotation(glyph: GlyphRecord, given: Sequence[ReaderAnswer]) -> Json:
    """The annotation of one letter, without the ids that COCO needs."""
    letter, known = agreed_letter(glyph, given)
    x0, y0, x1, y1 = (round(v, COORDINATE_DIGITS) for v in glyph.box)
    wide, high = round(x1 - x0, COORDINATE_DIGITS), round(y1 - y0, COORDINATE_DIGITS)
    answers = agreed_defects(given, letter)
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
            "decisions": [provenance(answer) for answer in given],
        },
    }


def agreed_letter(glyph: GlyphRecord, given: Sequence[ReaderAnswer]) -> tuple[str, bool]:
    """The letter as the readers have it, and whether all who answered agree on one."""
    letters = {letter for answer in given if (letter := _letter_of_answer(glyph, answer))}
    return (letters.pop(), True) if len(letters) == 1 else (glyph.letter, False)


def _letter_of_answer(glyph: GlyphRecord, answer: ReaderAnswer) -> str | None:
    """Which letter a reader took it for; None if the answer leaves it open."""
    choice = answer.decision.choice
    if choice == "other_letter":
        return answer.decision.right_letter
    if choice not in PRESENT_BY_CHOICE or (
        answer.kind in UNREADABLE_KINDS and PRESENT_BY_CHOICE[choice]
    ):
        return None
    # Not another letter than the text has: then it is the one of the text.
    swap_denied = answer.kind == LETTER_SWAPPED and not PRESENT_BY_CHOICE[choice]
    return glyph.expected if swap_denied else answer.letter


def agreed_defects(given: Sequence[ReaderAnswer], letter: str) -> dict[str, bool]:
    """The defects of a letter on which all answers agree, and whether they are present."""
    return _agreed_answers(
        answer
        for answer in given
        if answer.letter == letter
        and (defect := CATALOGUE.get(answer.kind)) is not None
        and defect.scope == "glyph"
        and defect.applies_to(letter)
    )


def _agreed_answers(given: Iterable[ReaderAnswer]) -> dict[str, bool]:
    """Doubts on which all answers agree, and whether it is present; in the order of the answers."""
    answers: dict[str, set[bool]] = {}
    for answer in given:
        if answer.decision.choice in PRESENT_BY_CHOICE:
            present = PRESENT_BY_CHOICE[answer.decision.choice]
            answers.setdefault(answer.kind, set()).add(present)
    return {kind: found.pop() for kind, found in answers.items() if len(found) == 1}


def gap_annotation(gap: GapRecord, given: Sequence[ReaderAnswer]) -> Json:
    """The gap between two letters, by their indices in the list of annotations."""
    answers = dict(sorted(_agreed_answers(given).items()))
    return {
        "right": gap.right_glyph - 1,
        "left": gap.left_glyph - 1,
        "expected": gap.expected,
        "width_q": gap.width_q,
        "known": list(answers),
        "defects": {kind: {"plainness": 1.0} for kind, present in answers.items() if present},
        "decisions": [provenance(answer) for answer in given],
    }


def provenance(answer: ReaderAnswer) -> Json:
    """Who decided what, when, and what they had been shown before."""
    made = answer.decision
    return {
        "kind": answer.kind,
        "choice": made.choice,
        "right_letter": made.right_letter,
        "reader": made.reader,
        "at": made.at,
        "blind": made.blind,
        "opinion_shown": made.opinion_shown,
        "round": made.round,
    }


def _match_answers(
    page: StoredPage, record: PageRecord, standing: Sequence[StandingDecision]
) -> tuple[AnswersByLetters, int]:
    """Answers by the letters of the page as it is read now, and how many match no letter."""
    answers: AnswersByLetters = defaultdict(list)
    lost = 0
    for made in standing:
        if not made.letter and len(made.glyphs) != 2:
            continue  # A place in the text or the layout of lines: COCO has no label for it.
        glyphs = _current_glyphs(record, made) if made.sha256 == page.checksum else ()
        if glyphs:
            answers[glyphs].append(ReaderAnswer(made.kind, made.letter, made.decision))
        else:
            lost += 1
    return answers, lost


def _current_glyphs(record: PageRecord, made: StandingDecision) -> tuple[int, ...]:
    """The letters that were asked about; of an earlier inspection, the one at the same place."""
    if made.still_asked or len(made.glyphs) != 1:
        return made.glyphs if made.still_asked else ()
    best = max(record.glyphs, key=lambda glyph: box_iou(glyph.box, made.box), default=None)
    return (best.glyph,) if best and box_iou(best.box, made.box) >= MIN_SAME_PLACE_IOU else ()


def _page_labels(
    run: Run, page: StoredPage, record: PageRecord, answers: AnswersByLetters
) -> tuple[Json, list[Json]]:
    gaps = {(gap.right_glyph, gap.left_glyph): gap for gap in record.gaps}
    image: Json = {
        "file_name": _picture_path(run, record),
        "width": record.image.width,
        "height": record.image.height,
        "crownlet": {
            "gaps": [
                gap_annotation(gaps[pair], given)
                for pair, given in sorted(answers.items())
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
        letter_annotation(glyph, answers.get((glyph.glyph,), ())) for glyph in record.glyphs
    ]


def _picture_path(run: Run, record: PageRecord) -> str:
    """Where the picture lies, seen from the run; PageError if it has moved or changed."""
    path = find_picture(record.image, run.folder)
    try:
        return Path(os.path.relpath(path, run.folder)).as_posix()
    except ValueError:  # another drive
        return str(path.absolute())
