"""Evidence from stored crops: quick, for trying things out while networks are being made.

The assessor alone is asked, and told which letter each crop shows; so nothing is missed, misread or
raised. What users are promised comes from whole pages: `crownlet.train.promise.gather`.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import torch

from crownlet.datasets.alphabet import ALPHABET
from crownlet.datasets.catalogue import LEARNED_DEFECTS
from crownlet.models.assessor import NO_LETTER, TAGS_UNKNOWN, Assessor
from crownlet.train.calibrate import Calibration, Logits, collect
from crownlet.train.promise.evidence import NAMES, Evidence, joined
from crownlet.train.reservoir import read_crops

Floats = npt.NDArray[np.float64]


def crop_evidence(network: Assessor, pool: Path, curves: Calibration) -> Evidence:
    """The evidence of a pool of pages, each by a hand of its own. ValueError for an empty one."""
    parts = []
    for scroll, path in enumerate(sorted(pool.glob("*.npz"))):
        rows = read_crops(path)
        if len(rows["letter"]):
            parts.append(_evidence(collect(network, rows), curves, scroll))
    return joined(parts, {"source": "renders", "pages": len(parts), "crops": True})


def _evidence(logits: Logits, curves: Calibration, scroll: int) -> Evidence:
    kept = logits.true_letter < NO_LETTER
    z = logits.defects * np.array(curves.gain) + np.array(curves.offset)
    p = dict(zip(LEARNED_DEFECTS, (1 / (1 + np.exp(-z))).T, strict=True))
    truth = _plainness(logits.true_defects)
    # As on whole pages: of a letter whose class is doubtful only the faults that it bears.
    truth[(logits.share > 0)[:, None] & ~(truth > 0)] = np.nan
    plainness = dict(zip(LEARNED_DEFECTS, truth.T, strict=True))
    p["tag_missing"], plainness["tag_missing"] = _tags(logits, curves.temperatures[1])
    letters = torch.softmax(logits.letter / curves.temperatures[0], dim=1).numpy()
    nothing = np.full(len(kept), np.nan)
    asked = np.stack([plainness.get(name, nothing) for name in NAMES], axis=1)[kept]
    seen = np.stack([p.get(name, nothing) for name in NAMES], axis=1)[kept]
    count = int(kept.sum())
    return Evidence(
        NAMES,
        np.full(count, scroll, np.int64),
        np.where(np.isnan(asked), np.nan, seen).astype(np.float32),
        asked.astype(np.float32),
        np.zeros(count, np.bool_),
        letters.max(axis=1)[kept].astype(np.float32),
        (letters.argmax(axis=1) == logits.true_letter)[kept].astype(np.int8),
    )


def _plainness(target: Floats) -> Floats:
    """Back from the soft labels of `crop_examples.plainness_target`; 0 and 1 as they are."""
    return np.where((target > 0) & (target < 1), (target + 1) / 3, target)


def _tags(logits: Logits, temperature: float) -> tuple[Floats, Floats]:
    """Fewer tags than the fullest custom asks: probability and truth, nan where none is asked."""
    crowns = np.array([letter.crown for letter in ALPHABET] + [0])[logits.true_letter]
    odds = torch.softmax(logits.tags / temperature, dim=1).numpy()
    fewer = np.arange(odds.shape[1])[None, :] < crowns[:, None]
    asked = (crowns > 0) & (logits.true_tags < TAGS_UNKNOWN)
    short = (logits.true_tags < crowns).astype(np.float64)
    return (odds * fewer).sum(axis=1), np.where(asked, short, np.nan)
