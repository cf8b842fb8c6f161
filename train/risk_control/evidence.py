"""Evidence for thresholds: each letter's probabilities on calibration pages beside the truth.

Kept letter by letter with the scroll it comes from, so that thresholds can be chosen again in a
second. One page by one hand is one scroll here; of labelled scans, one file is. `page_evidence` is
the evidence of whole pages, on which promises rest. `crop_evidence` is that of stored crops, for
trying things out: the assessor alone, whose letters are given, so nothing is missed or raised.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch

from crownlet.datasets.coco.truth import LetterTruth, PageTruth
from crownlet.datasets.files.atomic import atomic_write
from crownlet.datasets.scribal.catalogue import CATALOGUE, LEARNED_DEFECTS
from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.habits.apply import form_of, is_judged, probability_by_hand
from crownlet.infer.habits.judge import stands_out
from crownlet.infer.records import (
    GLYPH_JUDGEMENTS,
    SHAPE_DOUBT,
    TAG_MISSING,
    TAG_NONE,
    GlyphRecord,
    PageRecord,
)
from crownlet.models.assessor import NO_LETTER_CLASS, Assessor
from crownlet.train.calibration.networks import Calibration, Logits, collect, tag_judgements
from crownlet.train.evaluation.defect_scores import (
    DOUBTFUL_PLAINNESS,
    TAG_COUNT_DEFECTS,
    plainness_of,
    was_looked_for,
)
from crownlet.train.evaluation.held_out import with_expected_tags
from crownlet.train.evaluation.matching import match_boxes, match_page
from crownlet.train.fit.reservoir import read_crops

EVIDENCE_DEFECTS = tuple(name for name in GLYPH_JUDGEMENTS if name != SHAPE_DOUBT)
"""Judgements with thresholds of their own; a doubt of shape follows from the class."""

LOOSE_MATCH_IOU = 0.15
"""IoU from which a box that matches no letter is paired with a letter that matches no box."""

Floats = npt.NDArray[np.float32]

Bools = npt.NDArray[np.bool_]


_ARRAYS: Sequence[str] = ("scroll", "p", "plainness", "usual", "raised", "letter_p", "read")

Float64s = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Evidence:
    """N letters of many scrolls, D defects."""

    names: tuple[str, ...]
    scroll: npt.NDArray[np.int64]
    """(N,) the scroll of each letter, in the order in which scrolls are tested."""
    p: Floats
    """(N, D) probability of each defect; nan where there is none, or none that routes the letter:
    it was not found, was taken for another letter, or the picture does not carry the judgement."""
    plainness: Floats
    """(N, D) 0 (not there) to 1; nan where the defect is not asked of the letter."""
    usual: Bools
    """(N, D) whether the probability is no higher than usual for the hand's letters of that form,
    so that a mere doubt does not send the letter to review (`infer/habits`)."""
    raised: Bools
    """(N,) whether the letter goes to review or finding for its class, its absence or its look,
    whatever its defects."""
    letter_p: Floats
    """(N,) probability of the class read; nan where no glyph is."""
    read: npt.NDArray[np.int8]
    """(N,) 1 read as written, 0 read otherwise, -1 not found, -2 nothing is written there."""
    facts: dict[str, Any] = field(default_factory=dict)
    """What it was gathered with."""

    def __len__(self) -> int:
        return len(self.scroll)

    def columns(self, name: str) -> tuple[Floats, Floats]:
        """Probability and plainness of one defect, (N,) each."""
        k = self.names.index(name)
        return self.p[:, k], self.plainness[:, k]


def page_evidence(page: PageTruth, record: PageRecord, customs: Customs, scroll: int) -> Evidence:
    """The letters of one page against its record, which was made with the page's own text.

    Letters that the frame cuts are left out. Of a letter whose class is itself doubtful only the
    faults that it has are asked, for what else it may seem to have lies in its form. What was
    seen where nothing is written has no fault: whatever is found on it is false.
    """
    truth = [with_expected_tags(letter, customs) for letter in page.letters]
    seen, spurious = _match_letters(truth, record.glyphs)
    usual = _usual_judgements(record)
    nothing = np.zeros(len(EVIDENCE_DEFECTS), np.bool_)
    rows = []
    for i, letter in enumerate(truth):
        if letter.whole:
            glyph = record.glyphs[seen[i]] if i in seen else None
            raised = _is_raised(glyph) if glyph else _is_named_absent(i, letter, seen, record)
            either = (letter.letter, letter.other if letter.share > 0 else letter.letter)
            read = -1 if glyph is None else int(glyph.letter in either)
            rows.append(
                (
                    _probabilities(glyph, record),
                    _true_plainness(letter, glyph, record, customs),
                    raised,
                    glyph,
                    read,
                    nothing if glyph is None else usual[seen[i]],
                )
            )
    for j in spurious:
        glyph = record.glyphs[j]
        p = _probabilities(glyph, record)
        rows.append((p, np.where(np.isnan(p), np.nan, 0.0), _is_raised(glyph), glyph, -2, usual[j]))
    return Evidence(
        EVIDENCE_DEFECTS,
        np.full(len(rows), scroll, np.int64),
        np.array([row[0] for row in rows], np.float32).reshape(-1, len(EVIDENCE_DEFECTS)),
        np.array([row[1] for row in rows], np.float32).reshape(-1, len(EVIDENCE_DEFECTS)),
        np.array([row[5] for row in rows], np.bool_).reshape(-1, len(EVIDENCE_DEFECTS)),
        np.array([row[2] for row in rows], np.bool_),
        np.array([np.nan if row[3] is None else row[3].letter_p for row in rows], np.float32),
        np.array([row[4] for row in rows], np.int8),
    )


def _usual_judgements(record: PageRecord) -> Bools:
    """(N, D) for the N glyphs of a record: see `Evidence.usual`."""
    answer = np.zeros((len(record.glyphs), len(EVIDENCE_DEFECTS)), np.bool_)
    for k, name in enumerate(EVIDENCE_DEFECTS):
        asked = TAG_MISSING if name == TAG_NONE else name
        rows = [i for i, glyph in enumerate(record.glyphs) if is_judged(glyph, asked)]
        if rows:
            glyphs = [record.glyphs[i] for i in rows]
            values = [probability_by_hand(glyph, asked) for glyph in glyphs]
            answer[rows, k] = ~stands_out(values, [form_of(glyph, asked) for glyph in glyphs])
    return answer


def _match_letters(
    truth: Sequence[LetterTruth], glyphs: Sequence[GlyphRecord]
) -> tuple[dict[int, int], list[int]]:
    """Glyph of each letter, and glyphs of none.

    What is left of both is matched once more by less overlap: an examiner sent to a box around
    half of a letter, or one without its crown, sees that letter.
    """
    match = match_page(truth, glyphs)
    pairs = match_boxes(
        [truth[i].box for i in match.missing],
        [glyphs[j].box for j in match.spurious],
        LOOSE_MATCH_IOU,
    )
    more = {match.missing[a]: match.spurious[b] for a, b in pairs}
    taken = set(more.values())
    return dict(match.pairs) | more, [j for j in match.spurious if j not in taken]


def _probabilities(glyph: GlyphRecord | None, record: PageRecord) -> npt.NDArray[np.float64]:
    """What routes the letter, defect by defect."""
    if glyph is None:
        return np.full(len(EVIDENCE_DEFECTS), np.nan)
    values = [
        None if _is_not_examined(name, glyph, record) else glyph.p.get(name)
        for name in EVIDENCE_DEFECTS
    ]
    if glyph.tags_expected == 1:
        # Fewer than one tag is none: the other judgement routes the letter.
        values[EVIDENCE_DEFECTS.index(TAG_MISSING)] = None
    return np.array([np.nan if value is None else value for value in values], np.float64)


def _is_not_examined(name: str, glyph: GlyphRecord | None, record: PageRecord) -> bool:
    """Whether the picture does not carry this judgement, so that it is named as not examined."""
    return name in record.unresolved or (glyph is not None and name in glyph.not_examined)


def _true_plainness(
    letter: LetterTruth, glyph: GlyphRecord | None, record: PageRecord, customs: Customs
) -> npt.NDArray[np.float64]:
    values = []
    for name in EVIDENCE_DEFECTS:
        defect = TAG_MISSING if name == TAG_NONE else name
        asked = CATALOGUE[defect].applies_to(letter.letter) and not _is_not_examined(
            name, glyph, record
        )
        asked &= was_looked_for(letter, defect)
        plainness = plainness_of(letter, defect)
        if defect in TAG_COUNT_DEFECTS:
            # Without an expectation tags are neither too few nor too many.
            expected = customs.tags_expected(letter.letter)
            asked &= expected is not None
            if name == TAG_NONE:
                asked &= bool(expected) and letter.tags >= 0
                # Of stumps it is doubtful whether any tag stands there.
                plainness *= letter.tags == 0 or plainness <= DOUBTFUL_PLAINNESS[1]
            elif name == TAG_MISSING:
                asked &= (expected or 0) > 1 and letter.tags != 0
        asked &= plainness > 0 or letter.share == 0.0
        values.append(plainness if asked else np.nan)
    return np.array(values, np.float64)


def _is_raised(glyph: GlyphRecord) -> bool:
    """Whether anything but the thresholds of defects sends the letter to an examiner."""
    return any(reason not in EVIDENCE_DEFECTS for reason in glyph.reasons)


def _is_named_absent(i: int, letter: LetterTruth, seen: dict[int, int], record: PageRecord) -> bool:
    """Whether a letter that was not found is named as absent within two glyphs of its place."""
    before = next((seen[k] for k in range(i - 1, -1, -1) if k in seen), None)
    place = 0 if before is None else record.glyphs[before].glyph
    absent = record.match.absent if record.match else ()
    return any(a.letter == letter.expected and abs(a.after - place) <= 2 for a in absent)


def join_evidence(parts: Iterable[Evidence], facts: dict[str, Any]) -> Evidence:
    """Several pages' evidence as one, ordered by scroll. ValueError if there is none."""
    found = list(parts)
    if not found:
        raise ValueError("no page gave any evidence")
    order = np.argsort(np.concatenate([part.scroll for part in found]), kind="stable")
    arrays = {key: np.concatenate([getattr(part, key) for part in found])[order] for key in _ARRAYS}
    return Evidence(found[0].names, **arrays, facts=facts)


def save_evidence(evidence: Evidence, path: Path) -> None:
    """Write it as one .npz."""
    about = json.dumps({"names": evidence.names, "facts": evidence.facts}, ensure_ascii=False)
    arrays = {key: getattr(evidence, key) for key in _ARRAYS}
    with atomic_write(path) as draft, draft.open("wb") as file:
        np.savez_compressed(file, about=np.array(about), **arrays)


def load_evidence(path: Path) -> Evidence:
    """Read what `save` wrote; OSError or ValueError if it cannot be read."""
    with np.load(path, allow_pickle=False) as file:
        about = json.loads(str(file["about"]))
        arrays = {key: file[key] for key in _ARRAYS}
    return Evidence(tuple(about["names"]), **arrays, facts=about["facts"])


def crop_evidence(network: Assessor, pool: Path, curves: Calibration) -> Evidence:
    """The evidence of a pool of pages, each by a hand of its own. ValueError for an empty one."""
    parts = []
    for scroll, path in enumerate(sorted(pool.glob("*.npz"))):
        rows = read_crops(path)
        if len(rows["letter"]):
            parts.append(_evidence_of_crops(collect(network, rows), curves, scroll))
    return join_evidence(parts, {"source": "renders", "pages": len(parts), "crops": True})


def _evidence_of_crops(logits: Logits, curves: Calibration, scroll: int) -> Evidence:
    kept = logits.true_letter < NO_LETTER_CLASS
    z = logits.defects * np.array(curves.gain) + np.array(curves.offset)
    p = dict(zip(LEARNED_DEFECTS, (1 / (1 + np.exp(-z))).T, strict=True))
    truth = _plainness_of_target(logits.true_defects)
    # As on whole pages: of a letter whose class is doubtful only the faults that it has.
    truth[(logits.share > 0)[:, None] & ~(truth > 0)] = np.nan
    plainness = dict(zip(LEARNED_DEFECTS, truth.T, strict=True))
    for name, (seen_p, true) in tag_judgements(logits, curves.temperatures[1]).items():
        p[name], plainness[name] = seen_p, true
    letters = torch.softmax(logits.letter / curves.temperatures[0], dim=1).numpy()
    nothing = np.full(len(kept), np.nan)
    asked = np.stack([plainness.get(name, nothing) for name in EVIDENCE_DEFECTS], axis=1)[kept]
    seen = np.stack([p.get(name, nothing) for name in EVIDENCE_DEFECTS], axis=1)[kept]
    count = int(kept.sum())
    return Evidence(
        EVIDENCE_DEFECTS,
        np.full(count, scroll, np.int64),
        np.where(np.isnan(asked), np.nan, seen).astype(np.float32),
        asked.astype(np.float32),
        np.zeros(asked.shape, np.bool_),
        np.zeros(count, np.bool_),
        letters.max(axis=1)[kept].astype(np.float32),
        (letters.argmax(axis=1) == logits.true_letter)[kept].astype(np.int8),
    )


def _plainness_of_target(target: Float64s) -> Float64s:
    """Back from the soft labels of `crop_examples.plainness_target`; 0 and 1 as they are."""
    return np.where((target > 0) & (target < 1), (target + 1) / 3, target)
