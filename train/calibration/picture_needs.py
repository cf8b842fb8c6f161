"""What each judgement needs of a picture: pages made worse step by step, and what is still seen.

    python -m crownlet.train.calibration.picture_needs [--pages 60] [--workers 1] [--model FOLDER]

Rendered pages by calibration hands with forms of their own are brought to fewer px per kulmus,
blurred, made pale and compressed; each goes through the whole tool with its own text and with no
need of the picture, so that every judgement is made. The table has a row for each step: what the
tool measures there, and for each group of judgements the share of plain cases that is named (review
or finding), the share of clean letters that becomes a finding, and the area under the ROC curve.
The `needs` of routing.yaml follow from it: see `train/calibration/picture_needs.md`.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from sklearn.metrics import roc_auc_score

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.files.images import PageError
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import Augment, PageSpec, training
from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import weights_folder
from crownlet.infer.thresholds import PictureNeeds, Thresholds, load_thresholds
from crownlet.train.evaluation.defect_scores import DOUBTFUL_PLAINNESS
from crownlet.train.evaluation.workers import PageReader, text_of
from crownlet.train.risk_control.evidence import Evidence, join_evidence, page_evidence

Image = npt.NDArray[np.uint8]

FIRST_SEED = 720_000_000

CUSTOMS = "beit_yosef"
"""Expects tags on all the letters that any custom asks them of."""

BASE_Q_PX = 24.0
"""Kulmus of the pages before they are made worse."""

EDGE_PER_SIGMA = 2.5631
"""10-90% width of an edge blurred by a Gaussian, in standard deviations."""

CAMERA = Augment("camera", ink=0.35, skin=0.6, light=0.5, blur=0.1, noise=0.5, warp=0.3)
"""A fair picture of sound writing; what is worse is added step by step."""

TABLE_GROUPS: dict[str, tuple[str, ...]] = {
    "no crown": ("tag_none",),
    "fewer": ("tag_missing",),
    "excess": ("tag_excess",),
    "bare": ("tag_bare",),
    "loose, merged": ("tag_loose", "tag_merged"),
    "hairlines": ("part_loose", "heads_touch", "leg_touches_roof", "stroke_broken", "kotz_missing",
                  "ring_open", "ring_closed"),
    "parts": ("head_melted", "yud_misplaced", "ink_lost"),
    "form": ("foot_level", "heel_missing", "corner_rounded", "corner_squared", "leg_short",
             "leg_long", "overstretched"),
}  # fmt: skip
"""Columns of the table."""


@dataclass(frozen=True)
class Degradation:
    """One step: what is done to a page of `BASE_Q_PX` px per kulmus."""

    name: str
    q_px: float = 20.0
    edge_q: float = 0.0
    """10-90% width in kulmus of the blur that is added."""
    contrast: float = 1.0
    """Share of the contrast that is left."""
    jpeg: int = 92
    """Quality of the compression."""
    enlarged: float = 1.0
    """Factor by which the finished picture is enlarged again (cubic)."""

    def apply(self, image: Image) -> Image:
        """The picture (H, W, 3) made worse."""
        worse = image
        if self.edge_q:
            sigma = self.edge_q * BASE_Q_PX / EDGE_PER_SIGMA
            worse = np.asarray(cv2.GaussianBlur(worse, (0, 0), sigma), np.uint8)
        if self.contrast < 1.0:
            skin = float(np.quantile(worse, 0.8))
            worse = np.clip(skin + (worse - skin) * self.contrast, 0, 255).astype(np.uint8)
        worse = _scale(worse, self.q_px / BASE_Q_PX, cv2.INTER_AREA)
        coded = cv2.imencode(".jpg", worse, [cv2.IMWRITE_JPEG_QUALITY, self.jpeg])[1]
        worse = np.asarray(cv2.imdecode(coded, cv2.IMREAD_UNCHANGED), np.uint8)
        return worse if self.enlarged == 1.0 else _scale(worse, self.enlarged, cv2.INTER_CUBIC)


def _scale(image: Image, factor: float, how: int) -> Image:
    return np.asarray(cv2.resize(image, None, fx=factor, fy=factor, interpolation=how), np.uint8)


DEGRADATIONS = (
    *(Degradation(f"{q:g} px", q) for q in (20.0, 16.0, 12.5, 10.0, 8.0, 7.0, 6.0, 5.5, 5.0, 4.0)),
    *(Degradation(f"blur {edge:.2f}", edge_q=edge) for edge in (0.15, 0.22, 0.3, 0.38, 0.5, 0.63)),
    *(Degradation(f"6 px, enlarged {f:g}", 6.0, enlarged=f) for f in (2.0, 3.0)),
    *(Degradation(f"12.5 px, contrast {c:.2f}", 12.5, contrast=c) for c in (0.5, 0.25, 0.15)),
    *(Degradation(f"8 px, JPEG {j}", 8.0, jpeg=j) for j in (60, 30)),
)


@dataclass(frozen=True)
class StepResult:
    """One page at one step."""

    step: int
    measures: tuple[float, float, float, float]
    """Of the page: px per kulmus, what its edges are worth of it, edge in kulmus, contrast."""
    evidence: Evidence


@dataclass(frozen=True)
class GroupScore:
    """What is seen of the judgements of one group at one step."""

    plain: int
    """Plain cases."""
    named: float
    """Share of them that goes to review or finding."""
    false_findings: float
    """Share of the clean letters that becomes a finding, for each judgement by itself."""
    auroc: float
    """Mean of the judgements' areas under the ROC curve; nan without cases."""


@dataclass(frozen=True)
class StepRow:
    """One row of the table: a step, medians of what the tool measures there, and the scores."""

    name: str
    measures: tuple[float, ...]
    """As those of a page."""
    scores: dict[str, GroupScore]


def page_spec(number: int) -> PageSpec:
    """A page with faults, crowned; every other one with faults of the crowns alone."""
    crowns = ("tag_missing", "tag_missing", "tag_excess", "tag_bare", "tag_loose", "tag_merged")
    body = (3 * BASE_Q_PX, 3 * BASE_Q_PX)
    spec = training(split="calibrate", own_forms=True, body=body, crowned=1.0, habit_rate=0.0,
                    text_rate=0.0, gap_rate=0.0, defect_rate=0.35, augment=CAMERA)  # fmt: skip
    return replace(spec, defects=crowns) if number % 2 else spec


def degrade_page(inspector: Inspector, number: int) -> list[StepResult]:
    """One page at all steps; those that are refused are left out."""
    without = replace(inspector.thresholds.picture, needs=PictureNeeds({}, {}, 1.0))
    inspector.thresholds = replace(inspector.thresholds, picture=without)
    page = compose(page_spec(number), FIRST_SEED + number)
    found = []
    for step, worse in enumerate(DEGRADATIONS):
        factor = worse.q_px * worse.enlarged / BASE_Q_PX
        try:
            record = inspector.inspect(worse.apply(page.image), text_of(page))
        except PageError:
            continue
        quality = record.quality
        measures = (
            quality["q_px"], quality["true_q_px"], quality["edge_q"], quality["contrast"],
        )  # fmt: skip
        evidence = page_evidence(_scaled(page, factor), record, inspector.customs, number)
        found.append(StepResult(step, measures, evidence))
    return found


def _scaled(page: PageTruth, factor: float) -> PageTruth:
    """The truth of a page whose picture is enlarged by a factor, for matching letters."""
    letters = []
    for letter in page.letters:
        x, y, height, turn = (*(v * factor for v in letter.body[:3]), letter.body[3])
        x0, y0, x1, y1 = (v * factor for v in letter.box)
        letters.append(replace(letter, body=(x, y, height, turn), box=(x0, y0, x1, y1)))
    return replace(page, letters=tuple(letters))


def step_rows(steps: Iterable[StepResult], limits: Thresholds) -> list[StepRow]:
    """The rows of the table, for the steps of which there are pages, in their order."""
    by_step: dict[int, list[StepResult]] = {}
    for step in steps:
        by_step.setdefault(step.step, []).append(step)
    rows = []
    for number, found in sorted(by_step.items()):
        evidence = join_evidence((part.evidence for part in found), {})
        scores = {
            group: score_group(evidence, names, limits) for group, names in TABLE_GROUPS.items()
        }
        medians = np.median([part.measures for part in found], axis=0)
        rows.append(StepRow(DEGRADATIONS[number].name, tuple(medians.tolist()), scores))
    return rows


def score_group(evidence: Evidence, names: Sequence[str], limits: Thresholds) -> GroupScore:
    """The judgements of a group together, each by its own thresholds; doubtful cases left out."""
    named = plain = alarms = clean = 0
    areas = []
    for name in names:
        p, plainness = (column.astype(np.float64) for column in evidence.columns(name))
        seen = np.nan_to_num(p, nan=0.0)
        with np.errstate(invalid="ignore"):
            is_plain = plainness > DOUBTFUL_PLAINNESS[1]
            is_clean = (plainness < DOUBTFUL_PLAINNESS[0]) & ~np.isnan(p)
        pair = limits.of(name)
        named += int((is_plain & (seen >= pair.clear)).sum())
        plain += int(is_plain.sum())
        alarms += int((is_clean & (seen >= pair.finding)).sum())
        clean += int(is_clean.sum())
        if is_plain.any() and is_clean.any():
            both = is_plain | is_clean
            areas.append(float(roc_auc_score(is_plain[both], seen[both])))
    return GroupScore(
        plain, named / max(1, plain), alarms / max(1, clean), float(np.mean(areas or [np.nan]))
    )


def table_text(rows: Sequence[StepRow]) -> str:
    """The table in Markdown: named / false findings / area, in percent."""
    head = ["step", "q px", "true q px", "edge q", "contrast", *TABLE_GROUPS]
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for row in rows:
        cells = [
            f"{100 * score.named:.0f} / {100 * score.false_findings:.1f} / {100 * score.auroc:.1f}"
            for score in row.scores.values()
        ]
        q_px, true_q_px, edge_q, contrast = row.measures
        start = [row.name, f"{q_px:.1f}", f"{true_q_px:.1f}", f"{edge_q:.2f}", f"{contrast:.2f}"]
        lines.append("| " + " | ".join([*start, *cells]) + " |")
    return "\n".join(lines)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--pages", type=int, default=60)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--model", type=Path, default=weights_folder())
    chosen = parser.parse_args()
    reader = PageReader(str(chosen.model), CUSTOMS, chosen.workers)
    steps = [step for page in reader.each(degrade_page, range(chosen.pages)) for step in page]
    print(table_text(step_rows(steps, load_thresholds(chosen.model))))


if __name__ == "__main__":
    main()
