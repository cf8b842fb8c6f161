"""How good self-made labels are, and how varied a choice: `python -m` this module prints both.

The pages are whole mezuzot with planted faults of text: by held-out hands, the same badly taken,
and in type, which no network was trained on, blurred, small and at last hardly to be read.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import Augment, mezuzah
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.inspector import Inspector
from crownlet.infer.records import PageRecord
from crownlet.train.evaluation.matching import match_boxes
from crownlet.train.evaluation.type_font import FONT_FILES
from crownlet.train.evaluation.type_pages import TypeSpec, compose_type_page
from crownlet.train.labelling.choose import (
    MIN_DOUBT,
    ChosenLetter,
    choose_letters,
    greatest_doubt,
    measure_doubts,
)
from crownlet.train.labelling.self_labels import NoLabelsError, SelfLabelled, self_labels

MEASURE_FIRST_SEED = 77_000

POOR_CAMERA = Augment("camera", 1.6, 1.4, 1.4, 1.8, 1.8, 1.2)


@dataclass(frozen=True)
class LabelTally:
    """Letters of some pages: written, misread or missed, labelled, and labelled wrongly."""

    written: int = 0
    misread: int = 0
    labelled: int = 0
    wrong: int = 0
    """Of another class than its label, or overlapped by less than half."""
    corrected: int = 0
    """Misread, yet labelled as they are written."""

    def __add__(self, other: LabelTally) -> LabelTally:
        return LabelTally(
            *(a + b for a, b in zip(vars(self).values(), vars(other).values(), strict=True))
        )

    def __str__(self) -> str:
        return (
            f"{self.written} letters, misread {self.misread / self.written:.2%}, "
            f"labelled {self.labelled / self.written:.1%}, of these wrong "
            f"{self.wrong / max(self.labelled, 1):.3%}; misread but labelled right {self.corrected}"
        )


def page_kinds(count: int) -> Iterator[tuple[str, list[Callable[[], PageTruth]]]]:
    """Kinds of pages, each with `count` (type: two) makers of pages."""
    plain = mezuzah(40.0, split="heldout", text_rate=0.004, gap_rate=0.03)
    poor = replace(plain, body=(20.0, 20.0), defect_rate=0.2, morph_rate=0.03, augment=POOR_CAMERA)
    numbers = range(count)
    yield "held-out hands", [lambda k=k: compose(plain, MEASURE_FIRST_SEED + k) for k in numbers]  # type: ignore[misc]
    yield "badly taken", [lambda k=k: compose(poor, MEASURE_FIRST_SEED + 1000 + k) for k in numbers]  # type: ignore[misc]
    for name, body, blur in (("type", 32, 0.0), ("type, poor", 20, 1.3), ("type, worst", 16, 1.7)):
        yield (
            name,
            [
                lambda f=f, k=k, b=body, s=blur: _set_type(TypeSpec(f, body=b, degraded=True), s, k)  # type: ignore[misc]
                for k, f in enumerate(FONT_FILES)
            ],
        )


def _set_type(spec: TypeSpec, blur: float, seed: int) -> PageTruth:
    page = compose_type_page(spec, seed)
    if not blur:
        return page
    return replace(page, image=np.asarray(cv2.GaussianBlur(page.image, (0, 0), blur), np.uint8))


def measure_page(inspector: Inspector, page: PageTruth) -> tuple[LabelTally, PageRecord]:
    """A page labels itself against the mezuzah; what came of it."""
    loaded = inspector.load(page.image)
    record = inspector.record(loaded, load_portion("mezuzah"))
    seen = inspector.read(loaded, load_portion("mezuzah")).page
    try:
        found: SelfLabelled | None = self_labels(record, seen.odds, seen.found.score)
    except NoLabelsError:
        found = None
    return tally_labels(page, record, found), record


def tally_labels(page: PageTruth, record: PageRecord, found: SelfLabelled | None) -> LabelTally:
    """Labels against what is written; a form between two letters counts as either."""
    pairs = match_boxes([t.box for t in page.letters], [g.box for g in record.glyphs])
    truth = {k: page.letters[i] for i, k in pairs}
    read = {k: k in truth and truth[k].letter == g.letter for k, g in enumerate(record.glyphs)}
    misread = sum(not right for right in read.values()) + len(page.letters) - len(pairs)
    if found is None:
        return LabelTally(len(page.letters), misread)
    sure = [k for k in read if found.sure[k]]
    label = {k: found.truth.letters[k].letter for k in sure}
    right = [k for k in sure if k in truth and label[k] in (truth[k].letter, truth[k].other)]
    corrected = sum(label[k] == truth[k].letter and not read[k] for k in right)
    return LabelTally(len(page.letters), misread, len(sure), len(sure) - len(right), corrected)


def describe_variety(chosen: list[ChosenLetter] | tuple[ChosenLetter, ...]) -> str:
    """How many different letters, doubts, and pairs of both a choice holds."""
    pairs = [(c.letter, c.kind) for c in chosen]
    most = max(map(pairs.count, set(pairs)))
    letters, kinds = len({a for a, _ in pairs}), len({b for _, b in pairs})
    return (
        f"{letters} of {len(LETTERS)} letters, {kinds} doubts, {len(set(pairs))} pairs, one of "
        f"them {most} times"
    )


def main() -> None:
    """Print both tables."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--pages", type=int, default=4, help="pages by held-out hands (4)")
    options.add_argument("--n", type=int, default=100, help="letters chosen (100)")
    given = options.parse_args()
    inspector = Inspector(customs="beit_yosef", measure="none")
    records: list[PageRecord] = []
    for name, makers in page_kinds(given.pages):
        total = LabelTally()
        for make in makers:
            one, record = measure_page(inspector, make())
            total += one
            records.append(record)
        print(f"{name}: {total}", flush=True)
    known = [(page, glyph, measure_doubts(glyph)) for page in records for glyph in page.glyphs]
    ranked = sorted(known, key=lambda row: -max(row[2]))[: given.n]
    drawn = np.random.default_rng(0).choice(len(known), given.n, replace=False)
    doubted = sum(max(row[2]) >= MIN_DOUBT for row in known)
    print(f"doubted by more than {MIN_DOUBT}: {doubted} of {len(known)}")
    print(f"drawn at random: {describe_variety([greatest_doubt(*known[i]) for i in drawn])}")
    print(f"most doubted: {describe_variety([greatest_doubt(*row) for row in ranked])}")
    print(f"chosen: {describe_variety(choose_letters(records, given.n))}")


if __name__ == "__main__":
    main()
