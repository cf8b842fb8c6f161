"""Which letters of a run a person should label: those that would teach most, and not all alike.

After BADGE (Ash et al., "Deep Batch Active Learning by Diverse, Uncertain Gradient Lower Bounds",
ICLR 2020): each letter is described by the gradient that its own likeliest labels would give, which
is long where the networks are in doubt, and a batch is drawn by k-means++ among these gradients, so
that no two of it teach the same. The gradient of a defect's output is min(p, 1 - p); what it leans
on in the network's last layer is not kept in a run, so the letter stands in its place.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix
from sklearn.cluster import kmeans_plusplus

from crownlet.datasets.files.atomic import atomic_write, write_csv
from crownlet.datasets.files.locks import hold_folder
from crownlet.datasets.scribal.alphabet import LETTERS, index_of
from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.infer.records import SHAPE_DOUBT, GlyphRecord, PageRecord
from crownlet.infer.run.run import open_run

CHOICE_FILE = "choice.csv"

CHOICE_COLUMNS = ("page", "glyph", "letter", "kind", "p")

LETTER_DOUBTS = (*LEARNED_DEFECTS, SHAPE_DOUBT)

MIN_DOUBT = 0.01
"""Smallest doubt from which a letter is a candidate."""

CANDIDATES_PER_PLACE = 3
"""Candidates drawn for each letter to be chosen, so that the quota can leave some out."""


@dataclass(frozen=True)
class ChosenLetter:
    """A letter to be labelled, and the doubt about it that is the greatest."""

    page: str
    glyph: int
    letter: str
    kind: str
    p: float


def choose_from_run(folder: Path, n: int, seed: int = 0) -> str:
    """Choose among all letters of a run and write `choice.csv` into it; a sentence on it.

    RunError for a folder that is no run, OSError if it cannot be written.
    """
    run = open_run(folder)
    chosen = choose_letters((page.record for page in run.pages.values()), n, seed)
    rows = [(c.page, str(c.glyph), c.letter, c.kind, f"{c.p:.4f}") for c in chosen]
    with (
        hold_folder(run.folder, "crownlet-scans choose", "choice"),
        atomic_write(run.folder / CHOICE_FILE) as draft,
    ):
        write_csv(draft, CHOICE_COLUMNS, rows)
    letters, kinds = len({c.letter for c in chosen}), len({c.kind for c in chosen})
    return (
        f"{run.folder / CHOICE_FILE}: {len(chosen)} letters, {letters} of the 27 and {kinds} kinds "
        "of doubt among them; ask about them by "
        f"`crownlet review {run.folder} --only {CHOICE_FILE}`"
    )


def choose_letters(pages: Iterable[PageRecord], n: int, seed: int = 0) -> tuple[ChosenLetter, ...]:
    """Up to `n` letters of the pages, the first chosen first; the same for the same seed."""
    known = [(page, glyph, measure_doubts(glyph)) for page in pages for glyph in page.glyphs]
    doubted = [(page, glyph, asked) for page, glyph, asked in known if max(asked) >= MIN_DOUBT]
    if n < 1 or not doubted:
        return ()
    drawn = _draw_rows(
        [(g, asked) for _, g, asked in doubted], min(CANDIDATES_PER_PLACE * n, len(doubted)), seed
    )
    candidates = [greatest_doubt(*doubted[i]) for i in drawn]
    return _within_quota(candidates, n)


def measure_doubts(glyph: GlyphRecord) -> list[float]:
    """min(p, 1 - p) of each doubt of `ASKED`; 0 where it does not apply or was not examined.

    The letter itself is no doubt where the text gives it: see `self_labels`.
    """
    values = []
    for name in LETTER_DOUBTS:
        p = glyph.p.get(name)
        answered = name == SHAPE_DOUBT and glyph.expected == glyph.letter
        skipped = p is None or answered or name in glyph.not_examined
        values.append(0.0 if skipped or p is None else min(p, 1.0 - p))
    return values


def doubt_gradients(rows: Sequence[tuple[GlyphRecord, list[float]]]) -> csr_matrix:
    """(N, 27 x doubts): the doubts of each letter, in the columns of its class."""
    wide = len(LETTER_DOUBTS)
    values = np.array([asked for _, asked in rows], np.float64)
    i, k = np.nonzero(values)
    classes = np.array([index_of(glyph.letter) for glyph, _ in rows])
    shape = (len(rows), len(LETTERS) * wide)
    return csr_matrix((values[i, k], (i, classes[i] * wide + k)), shape=shape)


def _draw_rows(
    rows: Sequence[tuple[GlyphRecord, list[float]]], count: int, seed: int
) -> npt.NDArray[np.int64]:
    """Rows drawn by k-means++, in the order of drawing, each once."""
    points = doubt_gradients(rows)
    start = np.asarray(points.multiply(points).sum(axis=1)).ravel()
    _, found = kmeans_plusplus(points, count, sample_weight=start, random_state=seed)
    return np.asarray(list(dict.fromkeys(found.tolist())), np.int64)


def greatest_doubt(page: PageRecord, glyph: GlyphRecord, asked: list[float]) -> ChosenLetter:
    """A letter with the greatest of its doubts."""
    kind = LETTER_DOUBTS[int(np.argmax(asked))]
    return ChosenLetter(page.name, glyph.glyph, glyph.letter, kind, float(glyph.p[kind] or 0.0))


def _within_quota(candidates: Sequence[ChosenLetter], n: int) -> tuple[ChosenLetter, ...]:
    """The first `n`, no letter with the same doubt more often than its share unless there is room.

    The share is twice what each pair of letter and doubt would have if all had the same.
    """
    cells = {(c.letter, c.kind) for c in candidates}
    share = math.ceil(2 * n / max(len(cells), 1))
    taken: Counter[tuple[str, str]] = Counter()
    first: list[ChosenLetter] = []
    later: list[ChosenLetter] = []
    for one in candidates:
        taken[one.letter, one.kind] += 1
        (first if taken[one.letter, one.kind] <= share else later).append(one)
    return tuple((first + later)[:n])
