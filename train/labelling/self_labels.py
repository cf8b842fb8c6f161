"""A page labels its own letters, since its text is known: those of which there is no doubt.

The class comes from the text, the box from the locator; of faults and tags nothing is said. A
letter that the networks misread is labelled as the text has it, as long as the page's own letters
of that class make it possible (`infer.hand`) and its neighbours agree with the text: on a hand
never seen these teach most. Networks without a hidden output decide alone. What is doubtful is
marked as a letter of which nothing is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import Box, LetterTruth, PageTruth
from crownlet.datasets.coco.write import collect
from crownlet.datasets.coco.write import record as coco_record
from crownlet.datasets.files.errors import FileFault
from crownlet.datasets.files.locks import hold_folder
from crownlet.datasets.scans.add import keep, labelled
from crownlet.datasets.scans.complaint import Complaint
from crownlet.datasets.scans.manifest import Scan, read_manifest
from crownlet.datasets.scribal.alphabet import index_of
from crownlet.infer.inspector import Inspector
from crownlet.infer.records import AbsentLetter, Floats, GlyphRecord, PageRecord
from crownlet.infer.text.search import AUTO, TextChoice, read_text_choice

EXPECTED_P = 0.15
"""Least probability of the letter that the text asks for, by the networks and the hand. By the
networks alone, of 12 mezuzot (four by hands never seen, four of those badly taken, four in type
never seen) 8 315 letters are above it, 2 of them wrong; of those below it about half. By the hand,
1 445 letters are of two pages of the Middle Ages of which before none could be labelled, none of
them wrong, 289 of them misread by the networks."""

SCORE = 0.5
"""Least probability, by the locator, that a letter stands here at all."""

REACH = 3
"""Neighbours on either side that are asked whether they agree with the text."""

DISSENT = 1
"""How many of them may not."""

BELONGS = 0.8
"""Least share of the page's letters that agree with the text; below it nothing is labelled."""


@dataclass(frozen=True)
class SelfLabelled:
    """The labels of one page, without its pixels, and how many letters have one."""

    truth: PageTruth
    sure: npt.NDArray[np.bool_]
    """(N,) which letters of `truth` are labelled; the others are marked as unknown."""

    @property
    def labelled(self) -> int:
        """Letters labelled."""
        return int(self.sure.sum())


class NoLabelsError(FileFault):
    """A page that labels nothing: `path` names it, `reason` says why."""


def label_page(inspector: Inspector, path: Path, text: TextChoice) -> SelfLabelled:
    """Label the page in a picture file; with `auto` as `text` its passage is searched for.

    NoLabelsError where page and text do not belong together or none is found, PageError for a
    picture that cannot be inspected.
    """
    loaded = inspector.load(path)
    record = inspector.record(loaded, text)
    page = inspector.read(loaded, text).page
    return self_labels(record, page.odds, page.found.score)


def self_labels(record: PageRecord, odds: Floats, scores: Floats) -> SelfLabelled:
    """Labels from a record made against a text; `odds` (N, 27) and `scores` (N,) are by glyph."""
    match = record.match
    agree = np.array([g.expected == g.letter for g in record.glyphs], bool)
    if match is None:
        raise NoLabelsError(record.image.path, "its text was not found: name a portion.")
    if not len(agree) or agree.mean() < BELONGS:
        share = f"{agree.mean():.0%}" if len(agree) else "none"
        raise NoLabelsError(record.image.path, f"only {share} of its letters agree with the text.")
    size = (record.image.width, record.image.height)
    sure = _likely(record.glyphs, odds, scores) & _among_friends(agree)
    sure &= _apart(record.glyphs, match.absent)
    sure &= np.array([_inside(g.box, size) for g in record.glyphs], bool)
    letters = [_letter(g, bool(s)) for g, s in zip(record.glyphs, sure, strict=True)]
    # Ink that was not found must not pass for bare skin. Letters that lack one after the other are
    # put in one place, and one box there is enough.
    unseen = _one_a_place([_unseen(absent, record.q, size) for absent in match.absent])
    blank = np.broadcast_to(np.uint8(0), (size[1], size[0]))
    whole = np.concatenate([sure, np.zeros(len(unseen), bool)])
    meta: dict[str, object] = {
        "labels": "letters by the text; defects unknown",
        "portion": match.portion,
        "model": record.versions.get("model", {}).get("version"),
    }
    return SelfLabelled(PageTruth(blank, (*letters, *unseen), meta=meta), whole)


def _likely(glyphs: Sequence[GlyphRecord], odds: Floats, scores: Floats) -> npt.NDArray[np.bool_]:
    asked = [odds[i, index_of(g.expected)] if g.expected else 0.0 for i, g in enumerate(glyphs)]
    return (np.array(asked) >= EXPECTED_P) & (scores >= SCORE)


def _among_friends(agree: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Where nearly all neighbours agree with the text, so that it is not out of step."""
    steps = [k for k in range(-REACH, REACH + 1) if k]
    padded = np.pad(~agree, REACH)
    strangers = sum(padded[REACH + k : REACH + k + len(agree)].astype(int) for k in steps)
    return np.asarray(strangers <= DISSENT)


def _apart(glyphs: Sequence[GlyphRecord], absent: Sequence[AbsentLetter]) -> npt.NDArray[np.bool_]:
    """Letters that do not stand beside a place where the text and the page part ways."""
    apart = np.ones(len(glyphs), bool)
    for letter in absent:
        apart[max(letter.after - 1, 0) : letter.after + 1] = False
    for i, glyph in enumerate(glyphs):
        if glyph.expected == "":
            apart[max(i - 1, 0) : i + 2] = False
    return apart


def _inside(box: Box, size: tuple[int, int]) -> bool:
    return min(box[0], box[1]) >= 1 and box[2] <= size[0] - 1 and box[3] <= size[1] - 1


def _letter(glyph: GlyphRecord, sure: bool) -> LetterTruth:
    return LetterTruth(
        (glyph.expected if sure else None) or glyph.letter, glyph.expected or None,
        glyph.line - 1, glyph.word - 1, glyph.place - 1, glyph.box, glyph.body, -1,
        whole=sure, known=(),
    )  # fmt: skip


def _unseen(absent: AbsentLetter, q: float, size: tuple[int, int]) -> LetterTruth:
    """A letter that the text has and nobody found: where it should be."""
    (x, y), half = absent.at, 2 * q
    box = (
        min(max(x - half, 0.0), size[0] - 2.0), min(max(y - half, 0.0), size[1] - 2.0),
        max(min(x + half, float(size[0])), 2.0), max(min(y + half, float(size[1])), 2.0),
    )  # fmt: skip
    return replace(
        LetterTruth(
            absent.letter, absent.letter, absent.line - 1, absent.word - 1, absent.place - 1, box,
            (x, y - 1.5 * q, 3 * q, 0.0), -1,
        ), whole=False, known=(),
    )  # fmt: skip


def _one_a_place(letters: list[LetterTruth]) -> list[LetterTruth]:
    return list({letter.box: letter for letter in letters}.values())


HOW = "letters by the text, defects by nobody"

TAUGHT = ("train", "validation")
"""Labels that follow from the networks teach, but measure nothing."""


@dataclass(frozen=True)
class LabellingOutcome:
    """What came of it."""

    version: int
    sentence: str
    left_out: list[Complaint] = field(default_factory=list)
    """Scans that labelled nothing, and why."""


def label_folder(
    folder: Path, portion: str | None = None, model: Path | None = None, anew: bool = False
) -> LabellingOutcome:
    """Label the scans of `train` and `validation` that nobody labelled.

    `portion` is the text of those that came without one, by default searched for; `anew` has those
    labelled again that labelled themselves before. ValueError for an unknown text, LabelError for
    no data set, ModelError for networks that cannot be used, FolderBusyError while another process
    writes to the folder.
    """
    read_manifest(folder)
    if portion is not None:
        read_text_choice(portion)
    with hold_folder(folder, "crownlet-scans label"):
        return _label_held_folder(folder, portion, model, anew)


def _label_held_folder(
    folder: Path, portion: str | None, model: Path | None, anew: bool
) -> LabellingOutcome:
    manifest = read_manifest(folder)
    wanted = [
        s for s in manifest.scans if s.split in TAUGHT and (not s.labels or (anew and _self(s)))
    ]
    inspector = Inspector(model, measure="none") if wanted else None
    scans = {scan.file: scan for scan in manifest.scans}
    letters = seen = done = 0
    left_out: list[Complaint] = []
    for scan in wanted:
        text = folder / scan.text if scan.text else portion or AUTO
        try:
            assert inspector is not None
            found = label_page(inspector, folder / scan.file, read_text_choice(text))
        except FileFault as error:
            left_out.append(Complaint(scan.file, "", error.reason.rstrip(".")))
            continue
        scans[scan.file] = labelled(folder, scan, coco(found, scan), HOW)
        letters, seen = letters + found.labelled, seen + len(found.sure)
        done += 1
    if not done:
        return LabellingOutcome(manifest.version, "No scan labelled itself.", left_out)
    what = f"Scans: {done} labelled themselves, {letters} of {seen} letters."
    new = keep(folder, manifest, manifest.changed(tuple(scans.values()), what))
    return LabellingOutcome(new.version, what, left_out)


def _self(scan: Scan) -> bool:
    return scan.labelled == HOW


def coco(found: SelfLabelled, scan: Scan) -> dict[str, Any]:
    """COCO labels of a page that labelled itself; unknown letters say so."""
    image, rows = coco_record(found.truth, Path(scan.file).name)
    for row, sure in zip(rows, found.sure.tolist(), strict=True):
        row["attributes"]["letter_known"] = sure
    return collect([(image, rows)])
