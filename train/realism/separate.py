"""Two-sample tests by classifiers: renders against photographs that a classifier never saw.

Classifiers are a logistic regression, gradient boosting, and a small convolutional network. Each
photograph is left out in turn, with the renders beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
import torch
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import QuantileTransformer
from torch import nn

Floats = npt.NDArray[np.float64]

Names = npt.NDArray[np.str_]

Classifier = Callable[[Floats, npt.NDArray[np.bool_], Floats, Floats], Floats]
"""(train rows, whether photographs, weights, rows to judge) to scores, high for photographs."""


Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class PatchRows:
    """Patches as numbers, row for row."""

    values: Floats
    """(N, measures), or any array with one row per patch."""
    real: npt.NDArray[np.bool_]
    group: Names
    """The photograph, or that beside which a render stands."""
    picture: Names

    def take(self, index: npt.NDArray[np.bool_]) -> PatchRows:
        """The rows that `index` names."""
        return PatchRows(
            self.values[index], self.real[index], self.group[index], self.picture[index]
        )

    def weights(self) -> Floats:
        """Weights by which each photograph counts alike, and photographs as much as renders."""
        weight = np.zeros(len(self.real))
        for group in np.unique(self.group):
            for real in (False, True):
                here = (self.group == group) & (self.real == real)
                weight[here] = 1.0 / max(1, int(here.sum()))
        for real in (False, True):
            weight[self.real == real] /= max(1e-12, weight[self.real == real].sum())
        return weight * len(weight) / 2


@dataclass(frozen=True)
class Separation:
    """Areas under the curve: 0.5 is chance, 1 is complete separation."""

    scores: Floats
    """(N,) of each patch, by a classifier that saw neither its photograph nor those beside it."""
    by_group: dict[str, float]

    @property
    def auc(self) -> float:
        """Mean over photographs."""
        return float(np.mean(list(self.by_group.values())))

    def interval(self, seed: int = 0, draws: int = 2000) -> tuple[float, float]:
        """95% bootstrap interval of the mean over photographs; too narrow below about ten."""
        values = np.array(list(self.by_group.values()))
        rng = np.random.default_rng(seed)
        means = rng.choice(values, (draws, len(values))).mean(axis=1)
        low, high = np.percentile(means, (2.5, 97.5))
        return float(low), float(high)


def area_under_curve(real: Floats, other: Floats) -> float:
    """Chance that a row of `real` has more than one of `other`, ties half (Mann-Whitney)."""
    both = np.sort(other)
    below = np.searchsorted(both, real, "left") + np.searchsorted(both, real, "right")
    return float(below.mean() / (2 * len(other)))


def cross_validate(rows: PatchRows, fit: Classifier) -> Separation:
    """Leave out each photograph, with the renders beside it, in turn.

    ValueError if there are not at least two photographs with renders beside them.
    """
    groups = sorted(set(rows.group[rows.real]) & set(rows.group[~rows.real]))
    if len(groups) < 2:
        raise ValueError(f"{len(groups)} photographs with renders beside them; two are needed")
    scores = np.full(len(rows.real), np.nan)
    by_group = {}
    for group in groups:
        here = rows.group == group
        seen = rows.take(~here)
        scores[here] = fit(seen.values, seen.real, seen.weights(), rows.values[here])
        by_group[group] = area_under_curve(scores[here & rows.real], scores[here & ~rows.real])
    return Separation(scores, by_group)


def chance_interval(
    rows: PatchRows, fit: Classifier, draws: int, seed: int = 0
) -> tuple[float, float]:
    """95% interval of the area where there is no difference: renders in place of the photographs.

    Patches of one picture are alike, so a few pictures scatter widely about 0.5; an area within
    this range is no evidence of a difference.
    """
    renders = rows.take(~rows.real)
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(draws):
        put = np.zeros(len(renders.real), np.bool_)
        for group in np.unique(renders.group):
            here = renders.group == group
            put |= here & (renders.picture == rng.choice(np.unique(renders.picture[here])))
        drawn = PatchRows(renders.values, put, renders.group, renders.picture)
        found.append(cross_validate(drawn, fit).auc)
    low, high = np.percentile(found, (2.5, 97.5))
    return float(low), float(high)


@dataclass(frozen=True)
class MeasureContrast:
    """One measure: how photographs differ from renders in it, and whether renders cover them."""

    name: str
    by_group: dict[str, float]
    """AUC per photograph: above 0.5 photographs have more of it."""
    coverage: float
    """Share of photograph patches within the 5th to 95th percentile of renders beside them."""
    photo: tuple[float, float, float]
    """10th, 50th and 90th percentile over photographs, each photograph counting alike."""
    render: tuple[float, float, float]

    @property
    def lean(self) -> float:
        """Mean over photographs of 2 AUC - 1: +1 photographs always more, -1 always less."""
        return float(np.mean([2 * a - 1 for a in self.by_group.values()]))

    @property
    def agreed(self) -> int:
        """Photographs that lean the way most do."""
        up = sum(a > 0.5 for a in self.by_group.values())
        return max(up, len(self.by_group) - up)


def rank_measures(rows: PatchRows, names: Sequence[str]) -> list[MeasureContrast]:
    """Every measure, the one by which photographs differ most in one direction first."""
    weight = rows.weights()
    found = []
    for i, name in enumerate(names):
        values = rows.values[:, i]
        by_group, inside = {}, []
        for group in sorted(set(rows.group[rows.real]) & set(rows.group[~rows.real])):
            here = rows.group == group
            real, other = values[here & rows.real], values[here & ~rows.real]
            by_group[group] = area_under_curve(real, other)
            low, high = np.percentile(other, (5, 95))
            inside.append(float(((real >= low) & (real <= high)).mean()))
        spans = [
            _weighted_percentiles(values[rows.real == r], weight[rows.real == r])
            for r in (True, False)
        ]
        found.append(MeasureContrast(name, by_group, float(np.mean(inside)), spans[0], spans[1]))
    return sorted(found, key=lambda mark: -abs(mark.lean))


def _weighted_percentiles(values: Floats, weight: Floats) -> tuple[float, float, float]:
    order = np.argsort(values)
    share = np.cumsum(weight[order]) / weight.sum()
    places = np.minimum(np.searchsorted(share, (0.1, 0.5, 0.9)), len(values) - 1)
    low, half, high = values[order][places].tolist()
    return low, half, high


def classify_by_regression(rows: Floats, real: Bools, weights: Floats, judged: Floats) -> Floats:
    """Logistic regression on ranks, strongly regularised: what agrees over photographs counts."""
    ranks = QuantileTransformer(n_quantiles=min(100, len(rows)), output_distribution="normal")
    model = make_pipeline(ranks, LogisticRegression(C=0.02, max_iter=500))
    model.fit(rows, real, logisticregression__sample_weight=weights)
    return np.asarray(model.decision_function(judged), np.float64)


def classify_by_boosting(rows: Floats, real: Bools, weights: Floats, judged: Floats) -> Floats:
    """Gradient boosting, which uses measures together."""
    model = HistGradientBoostingClassifier(
        max_iter=80, max_depth=3, min_samples_leaf=15, l2_regularization=1.0, random_state=0
    )
    model.fit(rows, real, sample_weight=weights)
    return np.asarray(model.decision_function(judged), np.float64)


def network_classifier(epochs: int, seed: int = 0) -> Classifier:
    """A convolutional network on (planes, 96, 128) patches, trained from the start at each call."""
    return partial(_classify_by_network, epochs, seed)


def _classify_by_network(
    epochs: int, seed: int, rows: Floats, real: Bools, weights: Floats, judged: Floats
) -> Floats:
    torch.manual_seed(seed)
    model = PatchNetwork(rows.shape[1])
    optimiser = torch.optim.AdamW(model.parameters(), 2e-3, weight_decay=0.05)
    images = torch.from_numpy(rows.astype(np.float32))
    truth = torch.from_numpy(real.astype(np.float32))
    chance = torch.from_numpy(weights / weights.sum()).float()
    batch = 48
    steps = max(1, epochs * len(images) // batch)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, 4e-3, total_steps=steps)
    for _ in range(steps):
        drawn = torch.multinomial(chance, batch, replacement=True)
        shown = _augment(images[drawn])
        loss = nn.functional.binary_cross_entropy_with_logits(model(shown), truth[drawn])
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        schedule.step()
    model.eval()
    with torch.no_grad():
        parts = torch.from_numpy(judged.astype(np.float32)).split(256)
        return torch.cat([model(part) for part in parts]).double().numpy()


class PatchNetwork(nn.Module):
    """Four strided convolutions and a mean over places: it sees texture and edge, not layout."""

    def __init__(self, planes: int) -> None:
        super().__init__()
        layers: list[nn.Module] = []
        for wide in (12, 24, 32, 48):
            layers += [nn.Conv2d(planes, wide, 3, 2, 1, bias=False), nn.BatchNorm2d(wide)]
            layers.append(nn.ReLU())
            planes = wide
        self.body = nn.Sequential(*layers)
        self.head = nn.Sequential(nn.Dropout(0.3), nn.Linear(planes, 1))

    def forward(self, images: torch.Tensor) -> torch.Tensor:
        """(N, planes, H, W) to (N,): above 0 for photographs."""
        top: torch.Tensor = self.head(self.body(images).mean(dim=(2, 3)))
        return top[:, 0]


def _augment(images: torch.Tensor) -> torch.Tensor:
    """Shifted and cut a little smaller, levelled a little otherwise."""
    top, left = (int(torch.randint(0, 17, ())) for _ in range(2))
    cut = images[:, :, top : top + 80, left : left + 112]
    return cut * (1 + 0.1 * torch.randn(len(images), 1, 1, 1))
