"""Pages made worse by a known amount, and the table of what is still seen."""

from __future__ import annotations

import numpy as np
import pytest

from crownlet.infer.networks import weights_folder
from crownlet.infer.quality.blur import measure_edge_widths
from crownlet.infer.thresholds import load_thresholds
from crownlet.train.calibration.picture_needs import (
    BASE_Q_PX,
    DEGRADATIONS,
    TABLE_GROUPS,
    Degradation,
    StepResult,
    score_group,
    step_rows,
    table_text,
)
from crownlet.train.risk_control.evidence import EVIDENCE_DEFECTS, Evidence

LIMITS = load_thresholds(weights_folder())


def bar_page() -> np.ndarray:
    image = np.full((240, 480, 3), 224, np.uint8)
    image[60:180, 100:160] = image[60:180, 300:360] = 32
    return image


@pytest.mark.parametrize(
    "worse", [Degradation("half", 12.0), Degradation("large", 6.0, enlarged=2)]
)
def test_a_step_changes_the_size_by_its_factor(worse: Degradation) -> None:
    factor = worse.q_px * worse.enlarged / BASE_Q_PX
    assert worse.apply(bar_page()).shape == (240 * factor, 480 * factor, 3)


def test_a_blur_is_as_wide_as_its_step_has_it() -> None:
    # A Gaussian edge rises from 10 to 90% over 2.563 of its deviations (normal distribution).
    worse = Degradation("blur", BASE_Q_PX, edge_q=0.5)
    gray = worse.apply(bar_page())[..., 0]
    box = np.array([[90.0, 50.0, 170.0, 190.0]])
    assert measure_edge_widths(gray, box, BASE_Q_PX)[0] == pytest.approx(0.5 * BASE_Q_PX, rel=0.15)


def test_a_step_pales_the_ink_by_its_share() -> None:
    pale = Degradation("pale", BASE_Q_PX, contrast=0.25, jpeg=95).apply(bar_page())
    assert float(pale.max()) - float(pale.min()) == pytest.approx(0.25 * 192, abs=8)


def evidence(p: list[float], plainness: list[float]) -> Evidence:
    count, names = len(p), EVIDENCE_DEFECTS
    column = names.index("tag_none")
    table = np.full((2, count, len(names)), np.nan, np.float32)
    table[0, :, column], table[1, :, column] = p, plainness
    return Evidence(
        names, np.zeros(count, np.int64), table[0], table[1],
        np.zeros((count, len(names)), np.bool_), np.zeros(count, np.bool_),
        np.ones(count, np.float32), np.ones(count, np.int8),
    )  # fmt: skip


def test_scores_count_named_cases_and_false_findings() -> None:
    pair = LIMITS.of("tag_none")
    sure, doubt = pair.finding + 0.01, (pair.clear + pair.finding) / 2
    found = evidence([sure, doubt, 0.0, sure, 0.0, 0.0, doubt], [1, 1, 1, 0, 0, 0, 0.5])
    score = score_group(found, ("tag_none",), LIMITS)
    assert (score.plain, score.named, score.false_findings) == (3, 2 / 3, 1 / 3)
    rows = step_rows([StepResult(2, (12.0, 11.0, 0.15, 0.5), found)], LIMITS)
    lines = table_text(rows).splitlines()
    assert lines[2].startswith(
        f"| {DEGRADATIONS[2].name} | 12.0 | 11.0 | 0.15 | 0.50 | 67 / 33.3 / "
    )
    assert all(line.count("|") == len(TABLE_GROUPS) + 6 for line in lines)
