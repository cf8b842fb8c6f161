"""The critics: logistic regression, gradient boosting, and a small convolutional network."""

from __future__ import annotations

from functools import partial

import numpy as np
import numpy.typing as npt
import torch
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import QuantileTransformer
from torch import nn

from crownlet.train.critic.separate import Fit, Floats

Bools = npt.NDArray[np.bool_]


def logistic(rows: Floats, real: Bools, weights: Floats, judged: Floats) -> Floats:
    """Logistic regression on ranks, strongly held back: what agrees over photographs counts."""
    ranks = QuantileTransformer(n_quantiles=min(100, len(rows)), output_distribution="normal")
    model = make_pipeline(ranks, LogisticRegression(C=0.02, max_iter=500))
    model.fit(rows, real, logisticregression__sample_weight=weights)
    return np.asarray(model.decision_function(judged), np.float64)


def boosted(rows: Floats, real: Bools, weights: Floats, judged: Floats) -> Floats:
    """Gradient boosting: sees measures together."""
    model = HistGradientBoostingClassifier(
        max_iter=80, max_depth=3, min_samples_leaf=15, l2_regularization=1.0, random_state=0
    )
    model.fit(rows, real, sample_weight=weights)
    return np.asarray(model.decision_function(judged), np.float64)


def network(epochs: int, seed: int = 0) -> Fit:
    """A convolutional network on (planes, 96, 128) patches, trained afresh at each call."""
    return partial(_learned, epochs, seed)


def _learned(
    epochs: int, seed: int, rows: Floats, real: Bools, weights: Floats, judged: Floats
) -> Floats:
    torch.manual_seed(seed)
    model = Critic(rows.shape[1])
    optimiser = torch.optim.AdamW(model.parameters(), 2e-3, weight_decay=0.05)
    images = torch.from_numpy(rows.astype(np.float32))
    truth = torch.from_numpy(real.astype(np.float32))
    chance = torch.from_numpy(weights / weights.sum()).float()
    batch = 48
    steps = max(1, epochs * len(images) // batch)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, 4e-3, total_steps=steps)
    for _ in range(steps):
        drawn = torch.multinomial(chance, batch, replacement=True)
        shown = _varied(images[drawn])
        loss = nn.functional.binary_cross_entropy_with_logits(model(shown), truth[drawn])
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        schedule.step()
    model.eval()
    with torch.no_grad():
        parts = torch.from_numpy(judged.astype(np.float32)).split(256)
        return torch.cat([model(part) for part in parts]).double().numpy()


class Critic(nn.Module):
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


def _varied(images: torch.Tensor) -> torch.Tensor:
    """Shifted and cut a little smaller, levelled a little otherwise."""
    top, left = (int(torch.randint(0, 17, ())) for _ in range(2))
    cut = images[:, :, top : top + 80, left : left + 112]
    return cut * (1 + 0.1 * torch.randn(len(images), 1, 1, 1))
