"""Evidence from a pool of stored crops agrees with the truth of the pages it was made of."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import torch

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import training
from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.models.assessor import Assessor
from crownlet.train.calibration.networks import Calibration
from crownlet.train.evaluation.defect_scores import plainness_of
from crownlet.train.fit.pool import fill_from_pages
from crownlet.train.risk_control.choose import DefectEvidence
from crownlet.train.risk_control.evidence import crop_evidence


def test_cases_are_those_of_the_pages(tmp_path: Path) -> None:
    spec = training(split="calibrate", letters=(40, 60), morph_rate=0.0)
    pages = [compose(spec, seed) for seed in (1, 2)]
    fill_from_pages(tmp_path, ((f"r{k}", page) for k, page in enumerate(pages)))
    torch.manual_seed(0)
    d = len(LEARNED_DEFECTS)
    network = Assessor(d, (8, 8, 8, 8), 16)
    evidence = crop_evidence(network, tmp_path, Calibration([1.0] * d, [0.0] * d, [1.0, 1.0]))
    assert set(evidence.scroll.tolist()) == {0, 1}
    assert np.isnan(evidence.p[np.isnan(evidence.plainness)]).all()
    plain = 0
    for name in LEARNED_DEFECTS:
        cases = DefectEvidence(evidence, name)
        for scroll, page in enumerate(pages):
            true = [plainness_of(letter, name) for letter in page.letters if letter.whole]
            here = cases.scroll == scroll
            # Plain above 2/3, doubtful between the thirds: brief for defects, issue 3, 3.
            assert cases.plain[here].sum() == sum(value > 2 / 3 for value in true)
            plain += int(cases.plain[here].sum())
            doubtful = here & ~cases.plain & ~cases.clean & ~np.isnan(cases.p)
            assert doubtful.sum() == sum(1 / 3 < value < 2 / 3 for value in true)
    assert plain >= 5
