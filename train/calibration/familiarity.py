"""Measure letters on faultless rendered pages: sizes, surprise, stretch, light.

    python -m crownlet.train.calibration.familiarity [--pages 160] [--workers 1] [--model FOLDER]
        [--write]

Renders by hands of the calibration split go through both networks. With `--write` the sizes go to
`infer/quality/usual.yaml` and the bounds into the `unfamiliar` and `overstretched` lines of the
`routing.yaml` of the networks' folder; without, they are only printed. To be run again when the
networks or the letterforms have changed; about a minute.
"""

from __future__ import annotations

import argparse
import re
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import numpy as np
import numpy.typing as npt

from crownlet.datasets.files.atomic import write_file
from crownlet.datasets.files.images import PageError, read_page
from crownlet.datasets.render.page.spec import PageSpec, training
from crownlet.datasets.scribal.alphabet import ALPHABET, index_of
from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import weights_folder
from crownlet.infer.pipeline import Stopwatch, detect, order_letters
from crownlet.infer.quality.familiarity import (
    LetterExtent,
    letter_surprise,
    load_usual_sizes,
    measure_extent,
    shape_deviation,
    stretch_ratios,
)
from crownlet.infer.stages import OrderedPage
from crownlet.infer.thresholds import ROUTING_FILE, FamiliarityBounds, StretchCurve
from crownlet.train.evaluation.matching import Detection, match_page
from crownlet.train.evaluation.workers import PageReader, ReadingJob

Floats = npt.NDArray[np.float64]

UNFAMILIAR_SHARE = 0.005
"""Share of the letters of faultless pages beyond the bounds: half by surprise, half by shape."""

SURPRISING_SHARE = 0.05
"""A page is unfamiliar when half its letters reach the most surprising twentieth of those."""

DOUBTFUL_STRETCH = (1.2, 1.5)
"""A letter is doubtfully drawn out from the first, plainly from the second of its usual width on
(`defects/stretched.py`)."""


FAMILIARITY_FIRST_SEED = 700_000_000

FAMILIARITY_CUSTOMS = "unspecified"


@dataclass(frozen=True)
class MeasuredLetters:
    """Letters of faultless pages that were read right, one row each."""

    letter: npt.NDArray[np.int64]
    page: npt.NDArray[np.int64]
    sizes: Floats
    """(N, 2): width, and depth below the ruled line, in q."""
    surprise: Floats
    drawn: Floats
    """How far the letter was drawn out, 1 for not at all."""
    picture: Floats
    """(N, 3): edge in q, contrast, glare."""

    def ratios(self) -> Floats:
        """(N,) widths over the usual ones, page by page."""
        answer = np.ones(len(self.letter))
        for k in np.unique(self.page):
            here = self.page == k
            answer[here] = stretch_ratios(self.sizes[here, 0], self.letter[here])
        return answer


def usual_sizes_yaml(letters: MeasuredLetters) -> str:
    """`usual.yaml`: median and spread (half of the middle 68%) of the sizes, letter by letter."""
    plain = letters.drawn <= 1.0
    lines = [
        f"# Sizes in q of {int(plain.sum())} faultless letters by rendered hands of the",
        "# calibration split, as located: width of the box and depth of its ink below the ruled",
        "# line, each with its spread (half of the middle 68%; of widths, of the logarithm).",
        "# Written by `python -m crownlet.train.calibration.familiarity --write`.",
        "letters:",
    ]
    for letter in ALPHABET:
        rows = letters.sizes[plain & (letters.letter == index_of(letter.char))]
        if len(rows) < 20:
            raise SystemExit(f"only {len(rows)} examples of {letter.slug}: take more pages")
        width, below = rows.T
        parts = [
            f"width: [{np.median(width):.3f}, {max(_spread(np.log(width)), 0.03):.3f}]",
            f"below: [{np.median(below):.3f}, {max(_spread(below), 0.06):.3f}]",
        ]
        lines.append(f"  {letter.slug}: {{{', '.join(parts)}}}")
    return "\n".join(lines) + "\n"


def _spread(values: Floats) -> float:
    low, high = np.quantile(values, (0.16, 0.84))
    return float(high - low) / 2


def fit_bounds(letters: MeasuredLetters) -> FamiliarityBounds:
    """Quantiles over the letters."""
    plain = letters.drawn <= 1.0
    size = LetterExtent(*letters.sizes.T)
    odd = shape_deviation(size, letters.letter)
    # Errors of the scale search affect whole pages; their letters count as well.
    nats = float(np.quantile(letters.surprise[plain], 1 - UNFAMILIAR_SHARE / 2))
    shape = float(np.quantile(odd[plain], 1 - UNFAMILIAR_SHARE / 2))
    page = float(np.quantile(letters.surprise[plain], 1 - SURPRISING_SHARE))
    return FamiliarityBounds(nats, shape, page)


def fit_stretch_curve(letters: MeasuredLetters) -> StretchCurve:
    """Logistic regression of being drawn out on ln(ratio), doubtful cases counted in part."""
    x = np.stack([np.ones(len(letters.letter)), np.log(letters.ratios())], axis=1)
    y = np.interp(letters.drawn, DOUBTFUL_STRETCH, (0.0, 1.0))
    w = np.array([-6.0, 15.0])
    for _ in range(50):
        p = 1.0 / (1.0 + np.exp(-np.clip(x @ w, -30, 30)))
        curve = (x * (p * (1 - p))[:, None]).T @ x + 1e-3 * np.eye(2)
        w += np.linalg.solve(curve, x.T @ (y - p) - 1e-3 * w)
    return StretchCurve(float(w[0]), float(w[1]))


def page_jobs(count: int) -> list[ReadingJob]:
    """Faultless pages and, every other one, pages on which letters are drawn out."""
    return [
        ReadingJob(_page_spec(0.12 if k % 2 else 0.0), FAMILIARITY_FIRST_SEED + k)
        for k in range(count)
    ]


def _page_spec(stretch: float) -> PageSpec:
    return training(
        split="calibrate", defect_rate=stretch, defects=("overstretched",), habit_rate=0.0,
        second_rate=0.0, gap_rate=0.0, text_rate=0.0, morph_rate=0.0, oddity_rate=0.0,
    )  # fmt: skip


def gather_letters(reader: PageReader, count: int) -> MeasuredLetters:
    """See `count` pages and keep what was read right."""
    rows = [found for found in reader.each(_measure_page, page_jobs(count)) if found]
    return MeasuredLetters(*(np.concatenate(column) for column in zip(*rows, strict=True)))


def _measure_page(inspector: Inspector, job: ReadingJob) -> tuple[Floats, ...] | None:
    """The letters of one page read right, as columns of `MeasuredLetters`; None without any."""
    truth = job.page()
    try:
        image = read_page(truth.image)
        seen = detect("page", image, inspector.networks, inspector.thresholds, Stopwatch())
    except PageError:
        return None
    page = order_letters(seen, inspector.thresholds)
    boxes = [(float(a), float(b), float(c), float(d)) for a, b, c, d in page.found.box]
    found = [Detection(c, box) for c, box in zip(page.letters, boxes, strict=True)]
    pairs = match_page(truth.letters, found).pairs
    right = [(i, j) for i, j in pairs if truth.letters[i].letter == page.letters[j]]
    if not seen.placement.is_identity or not right:
        return None
    drawn = [_stretch_of(truth.letters[i].defects) for i, _ in right]
    return _letter_rows(job.seed, page, np.array([j for _, j in right]), np.array(drawn))


def _stretch_of(marks: tuple[object, ...]) -> float:
    sizes = [float(m.size) for m in marks if getattr(m, "name", "") == "overstretched"]  # type: ignore[attr-defined]
    return max(sizes, default=1.0)


def _letter_rows(
    k: int, page: OrderedPage, index: npt.NDArray[np.int64], drawn: Floats
) -> tuple[Floats, ...]:
    size = measure_extent(page.found)
    letter = page.odds.argmax(axis=1)
    nats = letter_surprise(page.found, page.assessed, page.odds)
    light = page.measures
    return (
        letter[index], np.full(len(index), k),
        np.stack([size.width, size.below], axis=1)[index], nats[index],
        drawn,
        np.stack([light.edge_q, light.contrast, light.glare], axis=1)[index],
    )  # fmt: skip


def describe_letters(letters: MeasuredLetters) -> str:
    """What the pages gave, for the comments of routing.yaml."""
    edge, contrast, glare = letters.picture.T
    ratio, drawn = letters.ratios(), letters.drawn >= DOUBTFUL_STRETCH[1]
    return "\n".join(
        [
            f"{len(letters.letter)} letters on {len(np.unique(letters.page))} pages",
            f"edge_q   50, 95, 99.5%: {np.quantile(edge, (0.5, 0.95, 0.995)).round(3)}",
            f"contrast 50, 5, 0.5%:   {np.quantile(contrast, (0.5, 0.05, 0.005)).round(3)}",
            f"glare    95, 99.5%:     {np.quantile(glare, (0.95, 0.995)).round(3)}",
            f"surprise 95, 99.75%:    {np.quantile(letters.surprise, (0.95, 0.9975)).round(2)}",
            f"stretched {int(drawn.sum())}, their ratios 5, 50%: "
            f"{np.quantile(ratio[drawn], (0.05, 0.5)).round(2)}; of others 95, 99.5%: "
            f"{np.quantile(ratio[letters.drawn <= 1], (0.95, 0.995)).round(2)}",
        ]
    )


def main() -> None:
    """Measure, print, and with `--write` write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--pages", type=int, default=160)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--model", type=Path, default=weights_folder())
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    reader = PageReader(str(chosen.model), FAMILIARITY_CUSTOMS, chosen.workers)
    letters = gather_letters(reader, chosen.pages)
    table = Path(str(resources.files("crownlet.infer.quality"))) / "usual.yaml"
    if chosen.write:
        write_file(table, usual_sizes_yaml(letters))
        load_usual_sizes.cache_clear()
    new = routing_lines(letters)
    print(describe_letters(letters), *new, sep="\n")
    if chosen.write:
        write_routing_lines(chosen.model, new)


def routing_lines(letters: MeasuredLetters) -> list[str]:
    """What is familiar to these networks, as lines of routing.yaml."""
    found, curve = fit_bounds(letters), fit_stretch_curve(letters)
    return [
        f"unfamiliar: {{surprise: {found.surprise:.2f}, shape: {found.shape:.2f}, "
        f"page: {found.page:.4f}}}",
        f"overstretched: {{bias: {curve.bias:.2f}, slope: {curve.slope:.2f}}}",
    ]


def write_routing_lines(model: Path, new: list[str]) -> None:
    """Exchange lines of the routing.yaml of a model folder, or begin one from the shipped file."""
    path = model / ROUTING_FILE
    source = path if path.exists() else weights_folder() / ROUTING_FILE
    write_file(path, replace_routing_lines(source.read_text("utf-8"), new))


def replace_routing_lines(text: str, new: list[str]) -> str:
    """The text of a routing.yaml with some one-line mappings of its `picture` exchanged."""
    for line in new:
        old = rf"(?m)^  {line.split(':')[0]}: \{{.*\}}$"
        if len(re.findall(old, text)) != 1:
            raise SystemExit(f"routing.yaml has no single line for {line.split(':')[0]!r}")
        text = re.sub(old, f"  {line}", text)
    return text


if __name__ == "__main__":
    main()
