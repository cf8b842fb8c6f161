"""The class means by which `crownlet.infer.hand` learns a hand, written into the assessor.

They are taken with the very network that is shipped, in integers or not: its hidden numbers are its
own. They change none of its answers.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import onnx

from crownlet.datasets.coco.truth import LetterTruth, PageTruth
from crownlet.datasets.files.atomic import atomic_write
from crownlet.datasets.files.images import PageError
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import training
from crownlet.datasets.scribal.alphabet import index_of
from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import LETTER_CLASSES, LETTER_MEANS_KEY
from crownlet.train.evaluation.matching import match_boxes
from crownlet.train.export.onnx import export_networks, write_checksums

LETTER_MEANS_PAGES = 120
"""Rendered pages, of 60 to 110 letters each, by hands of the calibration split."""

LETTER_MEANS_FIRST_SEED = 970_000_000

MIN_LETTERS_OF_A_CLASS = 30
"""Letters of each class below which its mean is not known."""

Hidden = npt.NDArray[np.float32]

Classes = npt.NDArray[np.int64]


def export_with_letter_means(config: Any) -> Path:
    """The job `export`: both ONNX files with what they need beside them; their folder."""
    folder = export_networks(config)
    add_letter_means(folder)
    return folder


def add_letter_means(model: Path, pages: int = LETTER_MEANS_PAGES) -> None:
    """Measure the class means of the model folder's assessor on rendered pages, and keep them in
    its metadata. Networks without the hidden output stay as they are.

    ValueError if a class has too few letters.
    """
    inspector = Inspector(model, measure="none", hand=False)
    rows = list(_classified_letters(inspector, pages))
    if rows:
        write_letter_means(model, mean_by_class(rows))


def mean_by_class(rows: Iterable[tuple[Hidden, Classes]]) -> npt.NDArray[np.float64]:
    """(27, H) means of hidden numbers (N, H) by class (N,); ValueError if a class has too few
    letters."""
    pairs = list(rows)
    hidden = np.concatenate([h for h, _ in pairs]).astype(np.float64)
    classes = np.concatenate([c for _, c in pairs])
    counts = np.bincount(classes, minlength=LETTER_CLASSES)
    if counts.min() < MIN_LETTERS_OF_A_CLASS:
        raise ValueError(f"class {int(counts.argmin())} has only {int(counts.min())} letters.")
    return np.stack([hidden[classes == k].mean(axis=0) for k in range(LETTER_CLASSES)])


def write_letter_means(folder: Path, means: npt.NDArray[np.float64]) -> None:
    """Put class means (27, H) into the assessor of a model folder, in the place of earlier ones."""
    assessor = folder / "assessor.onnx"
    model = onnx.load(assessor)
    others = [entry for entry in model.metadata_props if entry.key != LETTER_MEANS_KEY]
    del model.metadata_props[:]
    model.metadata_props.extend(others)
    entry = model.metadata_props.add()
    entry.key = LETTER_MEANS_KEY
    entry.value = base64.b64encode(means.astype("<f2").tobytes()).decode("ascii")
    with atomic_write(assessor) as draft:
        onnx.save(model, draft)
    write_checksums(folder)


def _classified_letters(inspector: Inspector, pages: int) -> Iterator[tuple[Hidden, Classes]]:
    """Hidden numbers and true class of the letters found on each of `pages` rendered pages."""
    for seed in range(LETTER_MEANS_FIRST_SEED, LETTER_MEANS_FIRST_SEED + pages):
        page: PageTruth = compose(training(split="calibrate"), seed)
        try:
            detected = inspector.load(page.image).detected
        except PageError:
            continue
        if detected.assessed.hidden is None:
            return
        pairs = match_boxes([t.box for t in page.letters], detected.found.box)
        # Boxes are of the upright page: on one that was turned or straightened they match nothing.
        same = detected.placement.is_identity
        plain = [(i, k) for i, k in pairs if _is_plain(page.letters[i]) and same]
        if plain:
            classes = [index_of(page.letters[i].letter) for i, _ in plain]
            yield detected.assessed.hidden[[k for _, k in plain]], np.array(classes, np.int64)


def _is_plain(letter: LetterTruth) -> bool:
    """Whether a letter shows the form of its class: whole, and like no other letter."""
    return letter.whole and letter.share == 0.0
