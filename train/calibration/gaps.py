"""Fit the odds that two words read as one, or one as two, to gaps measured on rendered pages.

    python -m crownlet.train.calibration.gaps [--mezuzot 16] [--fragments 44] [--workers 1]
        [--model FOLDER] [--write]

Pages by hands of the calibration split are seen by the networks and their gaps measured as in
use; pages by held-out hands show how the old and the new odds do. With `--write` the new ones go
into the `gaps` of the `routing.yaml` of the networks' folder. To be run again when the measuring of
gaps or the spacing of rendered pages has changed; some five minutes in one process.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from sklearn.linear_model import LogisticRegression

from crownlet.datasets.coco.truth import GapKind, GapTruth, PageTruth
from crownlet.datasets.files.atomic import write_file
from crownlet.datasets.files.images import PageError, read_page
from crownlet.datasets.render.page.spec import PageSpec, Split, mezuzah, training
from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import weights_folder
from crownlet.infer.pipeline import Stopwatch, detect, order_letters
from crownlet.infer.routing.gaps import logistic
from crownlet.infer.stages import OrderedPage
from crownlet.infer.thresholds import ROUTING_FILE, GapCurve, load_thresholds
from crownlet.train.evaluation.defect_scores import (
    DOUBTFUL_PLAINNESS,
    DefectCases,
    DefectScore,
    score_defect,
)
from crownlet.train.evaluation.matching import Detection, match_page
from crownlet.train.evaluation.workers import PageReader, ReadingJob

GAPS_FIRST_SEED = 720_000_000

GAP_KINDS: dict[str, GapKind] = {"words_joined": "word", "word_parted": "letter"}

GAP_RATE = 0.03

GAPS_CUSTOMS = "unspecified"

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class GapCases:
    """Gaps that can have one fault, each (N,): place and width in yuds as in `infer.gaps`."""

    place: Floats
    yuds: Floats
    plainness: Floats

    def score(self, curve: GapCurve) -> DefectScore:
        """How a curve does on them."""
        return score_defect(DefectCases(logistic(curve, self.place, self.yuds), self.plainness))


Row = tuple[float, float, float]
"""Place, yuds and plainness of a gap."""


def gap_page_jobs(split: Split, mezuzot: int, fragments: int) -> list[ReadingJob]:
    """Whole mezuzot with more faults of spacing than usual, then fragments, one hand per page."""
    whole = mezuzah(48.0, split=split, gap_rate=GAP_RATE, text_rate=0.0)
    specs: list[PageSpec] = [whole] * mezuzot + [training(split=split)] * fragments
    return [ReadingJob(spec, GAPS_FIRST_SEED + k) for k, spec in enumerate(specs)]


def gather_gaps(reader: PageReader, jobs: Sequence[ReadingJob]) -> dict[str, GapCases]:
    """Gaps between letters that were both found, by the fault they can have."""
    rows: dict[str, list[Row]] = {name: [] for name in GAP_KINDS}
    for found in reader.each(_measure_gaps, jobs):
        for name, row in found:
            rows[name].append(row)
    return {
        name: GapCases(*np.array(found, np.float64).reshape(-1, 3).T)
        for name, found in rows.items()
    }


def _measure_gaps(inspector: Inspector, job: ReadingJob) -> list[tuple[str, Row]]:
    """The gaps of one page, each with the name of the fault it can have."""
    truth = job.page()
    try:
        image = read_page(truth.image)
        seen = detect("page", image, inspector.networks, inspector.thresholds, Stopwatch())
    except PageError:
        return []
    if not seen.placement.is_identity:
        return []
    page, rows = order_letters(seen, inspector.thresholds), []
    for k, gap in _matched_gaps(truth, page):
        for name, kind in GAP_KINDS.items():
            if gap.expected == kind:
                measured = page.gap_odds.gaps
                place, yuds = page.gap_odds.place[k], measured.width_q[k] / measured.yud_q
                rows.append((name, (float(place), float(yuds), _plainness(gap, name))))
    return rows


def _matched_gaps(truth: PageTruth, page: OrderedPage) -> Iterator[tuple[int, GapTruth]]:
    """Numbers of the pairs of the layout that are neighbours in truth, with the gap there."""
    boxes = [(float(a), float(b), float(c), float(d)) for a, b, c, d in page.found.box]
    seen = [Detection(c, box) for c, box in zip(page.letters, boxes, strict=True)]
    written = {j: i for i, j in match_page(truth.letters, seen).pairs}
    gaps = {(gap.right, gap.left): gap for gap in truth.gaps}
    for k, (right, left) in enumerate(page.layout.pairs()):
        gap = gaps.get((written.get(right, -1), written.get(left, -1)))
        if gap is not None:
            yield k, gap


def _plainness(gap: GapTruth, name: str) -> float:
    return max((mark.plainness for mark in gap.defects if mark.name == name), default=0.0)


def fit_curve(gaps: GapCases) -> GapCurve:
    """Logistic regression of plain faults against gaps without one; ValueError if either lacks."""
    sure = (gaps.plainness < DOUBTFUL_PLAINNESS[0]) | (gaps.plainness > DOUBTFUL_PLAINNESS[1])
    x = np.stack([gaps.place, gaps.yuds], axis=1)[sure]
    model = LogisticRegression(C=1e4, max_iter=2000).fit(
        x, gaps.plainness[sure] > DOUBTFUL_PLAINNESS[1]
    )
    (place, yud), bias = model.coef_[0], model.intercept_[0]
    return GapCurve(round(float(bias), 1), round(float(place), 1), round(float(yud), 1))


def curve_line(name: str, curve: GapCurve) -> str:
    """The curve as a line of routing.yaml."""
    return f"{name}: {{bias: {curve.bias}, place: {curve.place}, yud: {curve.yud}}}"


def replace_curves(text: str, curves: dict[str, GapCurve]) -> str:
    """The text of a routing.yaml with the curves of its `gaps` exchanged; ValueError without."""
    for name, curve in curves.items():
        text, found = re.subn(
            rf"(?m)^  {name}: \{{bias: .*\}}$", f"  {curve_line(name, curve)}", text
        )
        if found != 1:
            raise ValueError(f"routing.yaml has no single curve for {name!r}")
    return text


def _describe_score(score: DefectScore) -> str:
    values = (score.auroc, score.average_precision, score.calibration_error)
    words = ("AUROC", "AP", "calibration error")
    scores = ", ".join(f"{w} {v:.4f}" for w, v in zip(words, values, strict=True) if v is not None)
    return f"{scores} ({score.positives} of {score.positives + score.negatives})"


def main(arguments: Sequence[str] | None = None) -> None:
    """Gather, fit, print, and with `--write` write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--mezuzot", type=int, default=16)
    parser.add_argument("--fragments", type=int, default=44)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--model", type=Path, default=weights_folder())
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args(arguments)
    reader = PageReader(str(chosen.model), GAPS_CUSTOMS, chosen.workers)
    before = load_thresholds(chosen.model)
    splits: tuple[Split, ...] = ("calibrate", "heldout")
    by_split = {
        s: gather_gaps(reader, gap_page_jobs(s, chosen.mezuzot, chosen.fragments)) for s in splits
    }
    curves = {name: fit_curve(gaps) for name, gaps in by_split["calibrate"].items()}
    for name, curve in curves.items():
        print(curve_line(name, curve))
        for split in splits:
            for word, used in (("before", before.gaps[name]), ("after", curve)):
                print(f"  {split}, {word}: {_describe_score(by_split[split][name].score(used))}")
    if chosen.write:
        path = chosen.model / ROUTING_FILE
        source = path if path.exists() else weights_folder() / ROUTING_FILE
        write_file(path, replace_curves(source.read_text("utf-8"), curves))


if __name__ == "__main__":
    main()
