"""Calibration of the assessor on hands of their own, and the provisional thresholds for routing.

The calibration hands take no part in training or testing. Defect logits are calibrated by a
logistic curve each (Platt 1999), letters and tags by a temperature (Guo et al. 2017).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import torch
import yaml
from sklearn.linear_model import LogisticRegression
from torch import Tensor

from crownlet.datasets.files.atomic import write_file
from crownlet.datasets.scribal.alphabet import ALPHABET
from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.infer.records import TAG_MISSING, TAG_NONE
from crownlet.models.assessor import NO_LETTER_CLASS, TAGS_UNKNOWN, Assessor
from crownlet.train.fit.modules import network_input
from crownlet.train.fit.reservoir import Batch

Floats = npt.NDArray[np.float64]

MIN_POSITIVES = 30
"""Positives below which a defect's curve is left as the network gives it."""


@dataclass(frozen=True)
class Calibration:
    """What `models.assessor.AssessorExport` bakes in; `gain` and `offset` have D numbers."""

    gain: list[float]
    offset: list[float]
    temperatures: list[float]
    """Of the letter and of the tag logits."""


@dataclass(frozen=True)
class Logits:
    """The network's outputs on N calibration crops beside the truth."""

    letter: Tensor
    defects: Floats
    tags: Tensor
    true_letter: npt.NDArray[np.int64]
    true_defects: Floats
    """(N, D) in 0..1, nan where a defect does not apply; between 0.1 and 0.9 it is doubtful."""
    true_tags: npt.NDArray[np.int64]
    """255 where unknown."""
    other: npt.NDArray[np.int64]
    """The letter it may be taken for, itself if none."""
    share: Floats
    """Chance of that."""


@torch.no_grad()
def collect(network: Assessor, rows: Batch, batch_size: int = 128) -> Logits:
    """Run the network over stored rows (as `reservoir.read_crops` gives them)."""
    network.eval()
    outs = []
    for start in range(0, rows["letter"].shape[0], batch_size):
        part = {key: value[start : start + batch_size] for key, value in rows.items()}
        out = network(network_input(part))
        outs.append((out.letter.float().cpu(), out.defects.float().cpu(), out.tags.float().cpu()))
    letter, defects, tags = (torch.cat(column) for column in zip(*outs, strict=True))
    return Logits(
        letter, defects.numpy().astype(np.float64), tags,
        rows["letter"].cpu().numpy().astype(np.int64),
        rows["defects"].cpu().numpy().astype(np.float64),
        rows["tags"].cpu().numpy().astype(np.int64),
        rows["other"].cpu().numpy().astype(np.int64),
        rows["share"].cpu().numpy().astype(np.float64),
    )  # fmt: skip


def calibrate(logits: Logits) -> Calibration:
    """Fit every curve; a defect with too few cases keeps gain 1 and offset 0."""
    gain, offset = [], []
    for k in range(len(LEARNED_DEFECTS)):
        a, b = _platt(logits.defects[:, k], logits.true_defects[:, k])
        gain.append(a)
        offset.append(b)
    letter = _temperature(logits.letter, _soft_letters(logits))
    counted = torch.from_numpy(
        (logits.true_letter < NO_LETTER_CLASS) & (logits.true_tags < TAGS_UNKNOWN)
    )
    tags = _temperature(logits.tags[counted], torch.from_numpy(logits.true_tags)[counted])
    return Calibration(gain, offset, [letter, tags])


def _soft_letters(logits: Logits) -> Tensor:
    """(N, 28) probability of each class as the truth has it."""
    rows = torch.arange(len(logits.true_letter))
    share = torch.from_numpy(logits.share).to(logits.letter)
    soft = torch.zeros_like(logits.letter)
    soft[rows, torch.from_numpy(logits.true_letter)] = 1 - share
    soft[rows, torch.from_numpy(logits.other)] += share
    return soft


def _platt(logit: Floats, wanted: Floats) -> tuple[float, float]:
    """Gain and offset of a logistic curve; soft labels enter as weighted pairs."""
    asked = ~np.isnan(wanted)
    x, y = logit[asked, None], wanted[asked]
    if (y > 0.5).sum() < MIN_POSITIVES:
        return 1.0, 0.0
    both = np.concatenate([x, x])
    labels = np.concatenate([np.ones(len(y)), np.zeros(len(y))])
    weights = np.concatenate([y, 1 - y])
    used = weights > 0
    curve = LogisticRegression(C=1e6).fit(both[used], labels[used], sample_weight=weights[used])
    a = float(curve.coef_[0, 0])
    # A falling curve would reverse the network's output; that is noise, not calibration.
    return (a, float(curve.intercept_[0])) if a > 0.05 else (1.0, 0.0)


def _temperature(logits: Tensor, labels: Tensor) -> float:
    """The temperature of least negative log likelihood; labels are classes, or shares of them."""
    log_t = torch.zeros(1, requires_grad=True)
    optimizer = torch.optim.LBFGS([log_t], max_iter=50)

    def closure() -> Tensor:
        optimizer.zero_grad()
        loss = torch.nn.functional.cross_entropy(logits / log_t.exp(), labels)
        loss.backward()
        return loss

    optimizer.step(closure)
    return float(log_t.detach().exp().clamp(0.2, 5.0))


def defect_probabilities(
    logits: Logits, calibration: Calibration
) -> dict[str, tuple[Floats, Floats]]:
    """For each defect the calibrated probabilities and the truth, over crops it applies to.

    The tags are compared with the fullest custom: see `tag_judgements`.
    """
    pairs: dict[str, tuple[Floats, Floats]] = {}
    for k, name in enumerate(LEARNED_DEFECTS):
        asked = ~np.isnan(logits.true_defects[:, k])
        z = logits.defects[asked, k] * calibration.gain[k] + calibration.offset[k]
        pairs[name] = (1 / (1 + np.exp(-z)), logits.true_defects[asked, k])
    for name, (p, truth) in tag_judgements(logits, calibration.temperatures[1]).items():
        asked = ~np.isnan(truth)
        pairs[name] = (p[asked], truth[asked])
    return pairs


def tag_judgements(logits: Logits, temperature: float) -> dict[str, tuple[Floats, Floats]]:
    """Probability and truth (N,) of no tag at all, and of fewer tags than the fullest custom asks.

    The truth is nan where a judgement is not asked: without a crown to expect or a count of the
    tags; fewer is asked of letters with several tags, of which one at least stands there.
    """
    crowns = np.array([letter.crown for letter in ALPHABET] + [0])[logits.true_letter]
    odds = torch.softmax(logits.tags / temperature, dim=1).numpy().astype(np.float64)
    fewer = np.arange(odds.shape[1])[None, :] < crowns[:, None]
    counted = (crowns > 0) & (logits.true_tags < TAGS_UNKNOWN)
    none = (logits.true_tags == 0).astype(np.float64)
    short = (logits.true_tags < crowns).astype(np.float64)
    some = counted & (crowns > 1) & (logits.true_tags > 0)
    return {
        TAG_MISSING: ((odds * fewer).sum(axis=1), np.where(some, short, np.nan)),
        TAG_NONE: (odds[:, 0], np.where(counted, none, np.nan)),
    }


def thresholds(
    pairs: dict[str, tuple[Floats, Floats]], missed: float = 0.01, true: float = 0.95
) -> dict[str, dict[str, float]]:
    """Provisional thresholds: `clear` lets `missed` of the plain cases pass, of those above
    `finding` the share `true` are plain cases. Doubtful cases count on neither side.

    No promise rests on them: errors on letters of one hand are correlated, and each letter counts
    here as if it were independent.
    """
    chosen = {}
    for name, (p, wanted) in pairs.items():
        plain, clean = p[wanted > 0.9], p[wanted < 0.1]
        if len(plain) < MIN_POSITIVES:
            chosen[name] = {"clear": 0.02, "finding": 0.95}
            continue
        clear = float(np.quantile(plain, missed))
        order = np.sort(np.concatenate([plain, clean]))[::-1]
        finding = 0.999
        for cut in order[:: max(1, len(order) // 2000)]:
            hits, alarms = (plain >= cut).sum(), (clean >= cut).sum()
            if hits and hits / (hits + alarms) >= true:
                finding = min(finding, float(cut))
        # However well the network ranks, a letter above 0.2 is worth a look.
        clear = min(max(clear, 1e-3), 0.2)
        chosen[name] = {"clear": round(clear, 4), "finding": round(max(finding, clear, 0.5), 4)}
    return chosen


def write_calibration(calibration: Calibration, path: Path) -> None:
    """Write the curves beside the run's weights as YAML."""
    write_file(path, yaml.safe_dump(asdict(calibration), sort_keys=False))
