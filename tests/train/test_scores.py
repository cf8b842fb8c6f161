"""Scores of the watched pages: joined over batches, as scikit-learn and the suites have them."""

from __future__ import annotations

import numpy as np
import pytest
import torch
from sklearn.metrics import roc_auc_score

from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.models.assessor import NO_LETTER_CLASS, TAGS_UNKNOWN, AssessorOutput
from crownlet.models.locator import LocatorOutput
from crownlet.models.losses import AssessorTargets, LocatorTargets
from crownlet.train.evaluation.defect_scores import DefectCases, score_defect
from crownlet.train.fit.scores import AssessorScores, DefectAUROC, LocatorScores

MANY = len(LEARNED_DEFECTS)


def batch(rng: torch.Generator, count: int) -> tuple[AssessorOutput, AssessorTargets]:
    letter = torch.randint(0, NO_LETTER_CLASS + 1, (count,), generator=rng)
    defects = torch.rand(count, MANY, generator=rng)
    defects[torch.rand(count, MANY, generator=rng) < 0.3] = float("nan")
    tags = torch.randint(0, 5, (count,), generator=rng)
    tags[::3] = TAGS_UNKNOWN
    share = (torch.rand(count, generator=rng) < 0.2).float() * 0.4
    out = AssessorOutput(
        torch.randn(count, 28, generator=rng), torch.randn(count, MANY, generator=rng),
        torch.randn(count, 5, generator=rng), torch.zeros(count, 6, 32, 24), torch.zeros(count, 8),
    )  # fmt: skip
    return out, AssessorTargets(letter, letter, share, defects, tags, torch.zeros(count, 6, 32, 24))


def test_scores_of_batches_are_those_of_scikit_learn_and_of_the_suites() -> None:
    rng, scores = torch.Generator().manual_seed(3), AssessorScores()
    batches = [batch(rng, count) for count in (40, 7, 90)]
    for out, targets in batches:
        scores.update(out, targets)
    found = scores.take()
    letter, defects, tags = (torch.cat([o[k] for o, _ in batches]) for k in range(3))
    true, _, share, wanted, count = (torch.cat([t[k] for _, t in batches]) for k in range(5))
    wrong = (letter.argmax(1) != true)[share == 0].float().mean()
    assert found["letter_error"].item() == pytest.approx(wrong.item())
    counted = (true < NO_LETTER_CLASS) & (count != TAGS_UNKNOWN)
    wrong = (tags.argmax(1) != count)[counted].float().mean()
    assert found["tag_error"].item() == pytest.approx(wrong.item())
    for k, name in enumerate(LEARNED_DEFECTS):
        asked = (true < NO_LETTER_CLASS) & ~torch.isnan(wanted[:, k])
        p = defects[asked, k].sigmoid().double().numpy()
        plainness = np.round(wanted[asked, k].double().numpy() * 2) / 2
        sure = plainness != 0.5
        assert found[f"auroc_{name}"].item() == pytest.approx(
            roc_auc_score(plainness[sure] == 1, p[sure]), abs=1e-6
        )
        of_suites = score_defect(DefectCases(p, plainness)).auroc
        assert found[f"auroc_{name}"].item() == pytest.approx(of_suites, abs=1e-6)


def test_scores_begin_again_after_each_look_and_leave_out_what_nobody_asked() -> None:
    scores = AssessorScores()
    out, targets = batch(torch.Generator().manual_seed(1), 12)
    scores.update(out, targets._replace(letter=torch.full((12,), NO_LETTER_CLASS)))
    assert set(scores.take()) == {"letter_error"}
    scores.update(out, targets._replace(share=torch.ones(12)))
    assert "letter_error" not in scores.take()
    curve = DefectAUROC()
    curve.update(torch.tensor([0.2, 0.9]), torch.tensor([0.0, 0.1]))
    assert curve.compute() is None  # no plain case yet
    curve.update(torch.tensor([0.8]), torch.tensor([1.0]))
    assert curve.compute() == pytest.approx(0.5)


def test_the_locator_is_scored_letter_by_letter_not_batch_by_batch() -> None:
    scores = LocatorScores()
    for wrong, many in ((1, 1), (0, 3)):
        maps = torch.zeros(1, 28, 4, 4)
        maps[0, 5] = 1.0
        out = LocatorOutput(
            torch.full((1, 1, 4, 4), -5.0 if wrong else 5.0), maps, torch.zeros(1, 4, 4, 4),
            torch.zeros(1, 6, 4, 4), torch.zeros(1, 1, 4, 4),
        )  # fmt: skip
        cells = torch.tensor([[0, 0, k] for k in range(many)])
        letter = torch.full((many,), 4 if wrong else 5)
        none = torch.zeros(0)
        scores.update(
            out, LocatorTargets(none, none, cells, letter, letter, none, none, none, none)
        )
    assert {k: v.item() for k, v in scores.take().items()} == {"letter_error": 0.25, "missed": 0.25}
