"""Measured lengths against the true ones of rendered letters, from their outlines by shapely.

As a script it prints the errors by measure: `python tests/infer/measure_truth.py --pages 20`.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from measure_outlines import true_lengths

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.infer.inspector import Inspector
from crownlet.infer.records import PageRecord

DEFECTS = (
    "part_loose", "leg_touches_roof", "foot_level", "heel_missing", "kotz_missing", "leg_short",
    "leg_long", "tag_loose", "tag_missing", "ring_open", "ring_closed", "heads_touch",
)  # fmt: skip


@dataclass(frozen=True)
class Pair:
    """One length: as measured and as drawn, in q."""

    name: str
    letter: str
    measured: float
    true: float


def page(defect: str | None, seed: int, body: float = 64.0, letters: int = 120) -> PageTruth:
    """A clean page by a held-out hand on which every letter that can have the defect has it."""
    spec = clean(
        defects=(defect,) if defect else (), defect_rate=1.0 if defect else 0.0,
        letters=(letters, letters + 20), body=(body, body), split="heldout", max_side=4096,
        plainness=(0.0, 1.0),
    )  # fmt: skip
    return compose(spec, seed)


def compare(truth: PageTruth, record: PageRecord) -> Iterator[Pair]:
    """Measured and true lengths of the letters that were read as they were written."""
    anchors = np.array([letter.body[:2] for letter in truth.letters])
    taken: dict[int, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for m in record.measurements:
        taken[m.glyph][m.name].append(m.q)
    for glyph in record.glyphs:
        away = np.hypot(*(anchors - glyph.body[:2]).T)
        letter = truth.letters[int(away.argmin())]
        if away.min() > 0.6 * letter.q or letter.letter != glyph.letter or not letter.whole:
            continue
        for name, true in true_lengths(letter).items():
            measured = taken[glyph.glyph].get(name, [])
            if name != "tag_height":
                measured, true = sorted(measured), sorted(true)
            if len(measured) == len(true):
                pairs = zip(measured, true, strict=True)
                yield from (Pair(name, glyph.letter, a, b) for a, b in pairs)


def errors(seeds: range, defects: tuple[str | None, ...], body: float) -> dict[str, list[float]]:
    """Errors in q by measure."""
    inspector = Inspector(measure="all")
    found: dict[str, list[float]] = defaultdict(list)
    for seed in seeds:
        for defect in defects:
            truth = page(defect, seed, body)
            for pair in compare(truth, inspector.inspect(truth.image)):
                found[pair.name].append(pair.measured - pair.true)
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pages", type=int, default=10, help="pages by held-out hands a defect")
    parser.add_argument("--body", type=float, default=64.0, help="body height, px")
    given = parser.parse_args()
    found = errors(range(given.pages), (None, *DEFECTS), given.body)
    print(f"{'measure':18}{'letters':>8}{'bias':>8}{'median':>8}{'95%':>8}{'over 0.1':>10}")
    for name, values in sorted(found.items()):
        size = np.abs(values)
        print(
            f"{name:18}{len(values):8}{np.median(values):8.3f}{np.median(size):8.3f}"
            f"{np.percentile(size, 95):8.3f}{np.mean(size > 0.1):10.1%}"
        )


if __name__ == "__main__":
    main()
