"""Matching, letter errors and defect scores against torchvision, SciPy, scikit-learn and COCO."""

from __future__ import annotations

import contextlib
import io
from collections import Counter
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
import torch
from faster_coco_eval import COCO, COCOeval_faster
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment
from scipy.stats import mannwhitneyu
from sklearn.calibration import calibration_curve
from sklearn.metrics import precision_recall_curve
from torchvision.ops import box_iou

from crownlet.datasets.coco.truth import Box, DefectMark, LetterTruth
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.train.evaluation.defect_scores import (
    NO_CASES,
    DefectCases,
    calibration_error,
    gather_cases,
    score_defect,
)
from crownlet.train.evaluation.matching import (
    Detection,
    LetterErrors,
    count_letter_errors,
    match_boxes,
    match_page,
    pairwise_iou,
)

Floats = npt.NDArray[np.float64]


def page(rng: np.random.Generator, rows: int = 12, columns: int = 25) -> list[LetterTruth]:
    """Letters in a grid, boxes of various sizes, a few cut by the frame."""
    letters = []
    for i in range(rows * columns):
        x, y = 50.0 * (i % columns), 120.0 * (i // columns)
        width, height = rng.uniform(18, 48), rng.uniform(30, 100)
        letter = str(rng.choice(list(LETTERS)))
        box = (x, y, x + width, y + height)
        body = (x + width / 2, y, 40.0, 0.0)
        letters.append(
            LetterTruth(letter, letter, i // columns, i, 0, box, body, 0, whole=rng.random() > 0.1)
        )
    return letters


def jittered(box: Box, rng: np.random.Generator, share: float = 0.15) -> Box:
    width, height = box[2] - box[0], box[3] - box[1]
    shift = rng.uniform(-share, share, 4) * (width, height, width, height)
    x0, y0, x1, y1 = np.add(box, shift)
    return float(x0), float(y0), float(x1), float(y1)


def random_boxes(rng: np.random.Generator, count: int) -> Floats:
    corner, size = rng.uniform(0, 200, (count, 2)), rng.uniform(1, 80, (count, 2))
    return np.concatenate([corner, corner + size], axis=1)


def test_iou_is_that_of_torchvision() -> None:
    rng = np.random.default_rng(0)
    a, b = random_boxes(rng, 40), random_boxes(rng, 60)
    theirs = box_iou(torch.from_numpy(a), torch.from_numpy(b)).numpy()
    np.testing.assert_allclose(pairwise_iou(a, b), theirs, atol=1e-12)


def test_empty_pages_match_nothing() -> None:
    assert pairwise_iou([], [[0, 0, 1, 1]]).shape == (0, 1)
    assert match_boxes([], []) == []
    assert np.isnan(count_letter_errors([], []).rate)


@pytest.mark.parametrize("seed", range(5))
def test_as_many_pairs_as_the_best_assignment(seed: int) -> None:
    # Kuhn's Hungarian method, by SciPy, over the pairs of IoU 0.5 and more.
    rng = np.random.default_rng(seed)
    truth = np.array([letter.box for letter in page(rng)])
    seen = np.array([jittered(tuple(box), rng, 0.3) for box in truth.tolist()])
    overlap = pairwise_iou(truth, seen)
    rows, columns = linear_sum_assignment(np.where(overlap >= 0.5, -1.0 - overlap, 0.0))
    best = [(r, c) for r, c in zip(rows, columns, strict=True) if overlap[r, c] >= 0.5]
    assert match_boxes(truth, seen) == best
    assert 0 < len(best) < len(truth)


def test_planted_errors_are_counted_by_kind() -> None:
    rng = np.random.default_rng(1)
    truth = page(rng)
    whole = [i for i, letter in enumerate(truth) if letter.whole]
    lost, changed = set(whole[:7]), set(whole[20:31])
    seen = []
    for i, letter in enumerate(truth):
        if i in lost:
            continue
        name = LETTERS[(LETTERS.index(letter.letter) + 1) % 27] if i in changed else letter.letter
        seen.append(Detection(name, jittered(letter.box, rng, 0.05)))
    seen += [Detection("י", (2000.0, 40.0 * i, 2010.0, 40.0 * i + 20)) for i in range(4)]
    order = rng.permutation(len(seen))
    errors = count_letter_errors(truth, [seen[i] for i in order])
    assert errors.true == len(whole) < len(truth)
    assert errors.missing == Counter(truth[i].letter for i in lost)
    assert errors.spurious == Counter({"י": 4})
    pairs = Counter(
        (truth[i].letter, LETTERS[(LETTERS.index(truth[i].letter) + 1) % 27]) for i in changed
    )
    assert errors.substituted == pairs
    assert errors.rate == pytest.approx((7 + 11 + 4) / len(whole))
    twice = errors + errors
    assert (twice.true, twice.errors, twice.rate) == (2 * errors.true, 44, errors.rate)
    assert sum(errors.written[k] * v for k, v in errors.by_letter().items()) == pytest.approx(18)


def test_cut_letters_are_neither_missing_nor_spurious() -> None:
    cut = LetterTruth("ש", "ש", 0, 0, 0, (0, 0, 20, 40), (10, 0, 40, 0), 3, whole=False)
    near = replace(cut, letter="ב", box=(30, 0, 60, 40), whole=True)
    for box in ((0, 0, 20, 40), (0, 0, 8, 10)):  # matched, and too small to match
        errors = count_letter_errors([cut, near], [Detection("ע", box), Detection("ב", near.box)])  # type: ignore[arg-type]
        assert (errors.true, errors.errors) == (1, 0)
    errors = count_letter_errors(
        [cut, near], [Detection("ב", near.box), Detection("ב", (80, 0, 99, 40))]
    )
    assert errors.spurious == Counter({"ב": 1})
    assert not errors.missing


def test_second_box_on_one_letter_is_spurious() -> None:
    letter = LetterTruth("ש", "ש", 0, 0, 0, (0, 0, 20, 40), (10, 0, 40, 0), 3)
    seen = [Detection("ע", (0, 0, 20, 36)), Detection("ש", (0, 0, 20, 39))]
    errors = count_letter_errors([letter], seen)
    assert (errors.substituted.total(), errors.spurious) == (0, Counter({"ע": 1}))


@pytest.mark.parametrize("seed", range(3))
def test_recall_is_that_of_coco_evaluation(seed: int) -> None:
    """COCO's recall at IoU 0.5 (faster-coco-eval), cut letters as regions to be ignored."""
    rng = np.random.default_rng(seed)
    truth = page(rng)
    boxes = [jittered(letter.box, rng, 0.25) for letter in truth if rng.random() > 0.05]
    boxes += [tuple(box) for box in (random_boxes(rng, 20) + 3000).tolist()]
    match = match_page(truth, [Detection("א", box) for box in boxes])
    whole = sum(letter.whole for letter in truth)
    assert coco_recall(truth, boxes) == pytest.approx(len(match.pairs) / whole)
    assert len(match.spurious) >= 20


def coco_recall(truth: list[LetterTruth], boxes: list[Box]) -> float:
    def xywh(box: Box) -> list[float]:
        return [box[0], box[1], box[2] - box[0], box[3] - box[1]]

    annotations = [
        {"id": i + 1, "image_id": 1, "category_id": 1, "bbox": xywh(letter.box),
         "area": float(np.prod(xywh(letter.box)[2:])), "iscrowd": int(not letter.whole)}
        for i, letter in enumerate(truth)
    ]  # fmt: skip
    found = [
        {"image_id": 1, "category_id": 1, "bbox": xywh(box), "score": 1 - 1e-4 * i}
        for i, box in enumerate(boxes)
    ]
    with contextlib.redirect_stdout(io.StringIO()):
        gold = COCO({
            "images": [{"id": 1, "width": 5000, "height": 5000}],
            "annotations": annotations, "categories": [{"id": 1, "name": "letter"}],
        })  # fmt: skip
        evaluation = COCOeval_faster(gold, gold.loadRes(found), iouType="bbox")
        evaluation.params.iouThrs = np.array([0.5])
        evaluation.params.maxDets = [1, 10, 2000]
        evaluation.evaluate()
        evaluation.accumulate()
    return float(np.asarray(evaluation.eval["recall"])[0, 0, 0, -1])


def cases(seed: int, count: int = 4000) -> DefectCases:
    rng = np.random.default_rng(seed)
    plainness = np.where(rng.random(count) < 0.1, rng.uniform(0, 1, count), 0.0)
    p = np.clip(rng.normal(0.25 + 0.4 * plainness, 0.15), 0, 1).round(2)  # with ties
    return DefectCases(p, plainness)


@pytest.mark.parametrize("seed", range(3))
def test_scores_agree_with_their_definitions(seed: int) -> None:
    found = cases(seed)
    score = score_defect(found)
    positive, negative = found.plainness > 2 / 3, found.plainness < 1 / 3
    assert (score.positives, score.negatives) == (positive.sum(), negative.sum())
    assert score.doubtful == len(found.p) - score.positives - score.negatives > 0
    a, b = found.p[positive], found.p[negative]
    # AUROC is the Mann-Whitney statistic (Hanley & McNeil 1982), here SciPy's.
    assert score.auroc == pytest.approx(mannwhitneyu(a, b).statistic / len(a) / len(b))
    y, p = np.r_[np.ones(len(a)), np.zeros(len(b))], np.r_[a, b]
    precision, recall, _ = precision_recall_curve(y, p)
    assert score.average_precision == pytest.approx(-(np.diff(recall) * precision[:-1]).sum())
    allowed = [t for t in np.r_[np.unique(p), 2] if (b >= t).mean() <= 0.01]
    assert score.recall_at_1_percent == pytest.approx((a >= min(allowed)).mean())


@pytest.mark.parametrize("seed", range(3))
def test_calibration_error_is_that_of_scikit_learn_bins(seed: int) -> None:
    # Guo et al. 2017, equation 3: gaps of scikit-learn's curve, weighted by the size of each bin.
    rng = np.random.default_rng(seed)
    p = rng.beta(0.5, 2, 3000)
    y = rng.random(3000) < p**1.5
    share, mean = calibration_curve(y, p, n_bins=15)
    sizes = np.histogram(p, np.linspace(0, 1, 16))[0]
    expected = (np.abs(share - mean) * sizes[sizes > 0]).sum() / len(p)
    assert calibration_error(y, p) == pytest.approx(expected, rel=1e-9)


def test_calibrated_probabilities_have_little_calibration_error() -> None:
    rng = np.random.default_rng(0)
    p = rng.random(200_000)
    y = rng.random(200_000) < p
    assert calibration_error(y, p) == pytest.approx(0, abs=0.01)
    assert calibration_error(y, np.clip(p + 0.1, 0, 1)) == pytest.approx(0.095, abs=0.01)
    assert calibration_error(np.empty(0, bool), np.empty(0)) is None


def test_one_sided_cases_have_no_ranking() -> None:
    score = score_defect(DefectCases(np.array([0.2, 0.3]), np.array([0.0, 0.5])))
    assert (score.positives, score.negatives, score.doubtful) == (0, 1, 1)
    assert score.auroc is score.average_precision is score.recall_at_1_percent is None
    assert score_defect(NO_CASES).calibration_error is None


def test_cases_are_gathered_from_matched_letters() -> None:
    box, body = (0.0, 0.0, 20.0, 40.0), (10.0, 0.0, 40.0, 0.0)
    plain = DefectMark("tag_missing", 3)
    clean = LetterTruth("ש", "ש", 0, 0, 0, box, body, 3)
    hurt = replace(clean, box=(50.0, 0.0, 70.0, 40.0), tags=0, defects=(plain,))
    doubtful = replace(
        hurt, box=(100.0, 0.0, 120.0, 40.0), defects=(replace(plain, plainness=0.5),)
    )
    unread = replace(hurt, box=(150.0, 0.0, 170.0, 40.0))
    absent = replace(hurt, box=(200.0, 0.0, 220.0, 40.0))
    truth = [clean, hurt, doubtful, unread, absent]
    seen = [
        Detection("ש", clean.box, {"tag_missing": 0.1}),
        Detection("ש", hurt.box, {"tag_missing": 0.9}),
        Detection("ש", doubtful.box, {"tag_missing": 0.6}),
        Detection("ם", unread.box, {"tag_missing": None}),
    ]
    found = gather_cases(truth, seen, "tag_missing")
    assert found.p.tolist() == [0.1, 0.9, 0.6]
    assert found.plainness.tolist() == [0.0, 1.0, 0.5]
    assert found.unseen == 2
    score = score_defect(found + found)
    assert score.auroc == 1.0
    assert (score.positives, score.unseen) == (2, 4)
    loose = score_defect(gather_cases(truth, seen, "part_loose"))
    assert loose.positives == loose.negatives == 0


@given(st.integers(0, 10_000), st.floats(0, 0.5))
@settings(max_examples=30, deadline=None)
def test_errors_add_up(seed: int, share: float) -> None:
    """Each true letter is right, wrong or missing; each one seen right, wrong or spurious."""
    rng = np.random.default_rng(seed)
    truth = [replace(letter, whole=True) for letter in page(rng, 3, 8)]
    seen = [
        Detection(str(rng.choice(list(LETTERS[:3]))), jittered(letter.box, rng, share))
        for letter in truth
        if rng.random() > 0.2
    ]
    errors: LetterErrors = count_letter_errors(truth, seen)
    match = match_page(truth, seen)
    assert errors.true - errors.missing.total() == len(match.pairs)
    assert len(seen) - errors.spurious.total() == len(match.pairs)
    assert len({i for i, _ in match.pairs}) == len({j for _, j in match.pairs}) == len(match.pairs)
