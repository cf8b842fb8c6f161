"""The hand of a scroll is learned from letters that its text confirms, and nothing is concealed.

Common practice, no source, where no check names one.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import onnx
import pytest
import tiny
from scipy.linalg import solve, solve_triangular
from scipy.optimize import minimize
from scipy.spatial.distance import cdist

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.datasets.scribal.alphabet import LETTERS, index_of
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer import cli
from crownlet.infer.batch.worker import PageJob, group_pages
from crownlet.infer.hand.adapt import (
    MIN_GAIN_OF_STRANGE_HAND_NATS,
    MIN_LABELLED_LETTERS,
    NO_HIDDEN_OUTPUT,
    NO_TEXT,
    SWITCHED_OFF,
    HandReading,
    LabelledLetters,
    hand_notes,
    in_sequence,
    learn_hand,
    share_of_agreeing_neighbours,
)
from crownlet.infer.hand.forms import PRIOR_STRENGTH, WRONG_LABEL_SHARE, fit_weights
from crownlet.infer.hand.kernel import (
    KERNEL_WIDTH,
    LOCATOR_WEIGHT,
    MAX_LETTERS_OF_CLASS,
    MAX_ROWS_INVERTED_AT_ONCE,
    RIDGE,
    SCORE_SCALE,
    LetterDescriptors,
    choose_voters,
    class_scores,
    invert_lower,
)
from crownlet.infer.hand_records import HandForm, HandRecord
from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import (
    HIDDEN_OUTPUT,
    LETTER_CLASSES,
    ModelError,
    OnnxNetworks,
    weights_folder,
)
from crownlet.infer.run.read import read_record
from crownlet.infer.run.write import write_page
from crownlet.infer.scrolls.members import place_by_name
from crownlet.train.export.hand import mean_by_class, write_letter_means

Floats = npt.NDArray[np.float64]

SIZE = 40
"""Hidden numbers of the letters drawn up here."""

RESH, DALET = index_of("ר"), index_of("ד")

MEANS = np.random.default_rng(3).normal(size=(LETTER_CLASSES, SIZE)) * 2


def written(
    strange: float, count: int = 20, seed: int = 0
) -> tuple[LabelledLetters, npt.NDArray[np.int64]]:
    """A page of `count` letters a class by a hand that is `strange`, read by the usual means."""
    rng = np.random.default_rng(seed)
    kinds = rng.permutation(np.repeat(np.arange(LETTER_CLASSES), count))
    moved = MEANS + strange * np.random.default_rng(5).normal(size=MEANS.shape)
    hidden = moved[kinds] + 0.8 * rng.normal(size=(len(kinds), SIZE))
    away = ((hidden[:, None] - MEANS[None]) ** 2).sum(axis=-1) / 2
    odds = np.exp(away.min(axis=1, keepdims=True) - away)
    odds /= odds.sum(axis=1, keepdims=True)
    nothing = np.zeros((len(kinds), 1), np.float32)
    letters = LetterDescriptors(hidden.astype(np.float32), nothing, nothing)
    return LabelledLetters(letters, odds, kinds.copy()), kinds


def wrong(odds: Floats, kinds: npt.NDArray[np.int64]) -> int:
    return int((odds.argmax(axis=1) != kinds).sum())


def test_a_strange_hand_is_read_better_by_its_own_letters() -> None:
    page, kinds = written(strange=4.0)
    learned = learn_hand(page)
    assert wrong(page.odds, kinds) > 100
    assert wrong(learned.odds, kinds) < 0.2 * wrong(page.odds, kinds)
    record = learned.record
    assert record.learned
    assert (record.letters, record.pages) == (len(kinds), 1)
    before, after = page.odds.argmax(axis=1), learned.odds.argmax(axis=1)
    assert record.changed == tuple(
        (int(i) + 1, LETTERS[before[i]], LETTERS[after[i]]) for i in np.flatnonzero(before != after)
    )


def test_a_hand_that_is_known_is_left_as_it_is() -> None:
    page, _ = written(strange=0.1)
    learned = learn_hand(page)
    assert learned.odds is page.odds
    assert not learned.record.learned


def test_a_letter_in_doubt_of_a_known_hand_is_read_by_its_sisters() -> None:
    """One resh of twenty alike is doubted: the other nineteen outweigh a narrow lead of dalet."""
    page, kinds = written(strange=0.1)
    odds, doubted = page.odds.copy(), int(np.flatnonzero(kinds == RESH)[0])
    odds[doubted, [RESH, DALET]] = 0.45, 0.55
    learned = learn_hand(replace(page, odds=odds / odds.sum(axis=1, keepdims=True)))
    assert learned.record.changed == ((doubted + 1, LETTERS[DALET], LETTERS[RESH]),)
    assert learned.record.gain < MIN_GAIN_OF_STRANGE_HAND_NATS


def test_what_a_known_hand_exchanges_stays_as_sure() -> None:
    """Six reshes stand where the text has dalet, and one is in doubt, by which the hand is learned:
    of a strange hand so many would be in doubt themselves."""
    page, kinds = written(strange=0.1)
    labels, odds = page.labels.copy(), page.odds.copy()
    reshes = np.flatnonzero(kinds == RESH)
    exchanged, doubted = reshes[:6], int(reshes[10])
    labels[exchanged] = DALET
    odds[doubted, [RESH, DALET]] = 0.45, 0.55
    odds /= odds.sum(axis=1, keepdims=True)
    learned = learn_hand(replace(page, labels=labels, odds=odds))
    assert learned.record.learned
    assert learned.record.gain < MIN_GAIN_OF_STRANGE_HAND_NATS
    assert (learned.odds[exchanged].argmax(axis=1) == RESH).all()
    assert learned.odds[exchanged, RESH].min() > 0.9


def test_few_letters_teach_nothing() -> None:
    page, _ = written(strange=4.0)
    labels = page.labels.copy()
    labels[MIN_LABELLED_LETTERS - 1 :] = -1
    learned = learn_hand(replace(page, labels=labels))
    assert learned.odds is page.odds
    assert f"{MIN_LABELLED_LETTERS - 1} letters" in learned.record.why


def test_other_pages_of_the_scroll_teach() -> None:
    """The page itself labels nothing: what it learns comes from the other page."""
    page, kinds = written(strange=4.0)
    other, _ = written(strange=4.0, seed=1)
    learned = learn_hand(replace(page, labels=np.full(len(kinds), -1)), (other,))
    assert learned.record.pages == 2
    assert wrong(learned.odds, kinds) < 0.2 * wrong(page.odds, kinds)


def test_no_share_passes_between_letters_and_no_letter() -> None:
    page, _ = written(strange=4.0)
    shares = np.linspace(0.5, 1.0, len(page.odds))[:, None]
    learned = learn_hand(replace(page, odds=page.odds * shares))
    np.testing.assert_allclose(learned.odds.sum(axis=1), shares[:, 0])


def test_exchanged_letters_are_noticed() -> None:
    """Of 3% of the labels the letter is another one: each is read as it is written."""
    page, kinds = written(strange=4.0)
    rng = np.random.default_rng(7)
    exchanged = rng.choice(len(kinds), len(kinds) * 3 // 100, replace=False)
    labels = kinds.copy()
    shift = rng.integers(1, LETTER_CLASSES, len(exchanged))
    labels[exchanged] = (kinds[exchanged] + shift) % LETTER_CLASSES
    read = learn_hand(replace(page, labels=labels)).odds.argmax(axis=1)
    assert (read[exchanged] != labels[exchanged]).all()


def always_resh(strange: float) -> tuple[HandReading, npt.NDArray[np.bool_]]:
    """A scribe whose every dalet is a resh, and which letters those are."""
    page, kinds = written(strange)
    there = np.flatnonzero(kinds == RESH)[::2]
    labels = np.where(kinds == DALET, -1, kinds)
    labels[there] = DALET
    mask = np.zeros(len(kinds), bool)
    mask[there] = True
    return learn_hand(replace(page, labels=labels)), mask


@pytest.mark.parametrize("strange", [3.5, 4.5])
def test_what_the_scribe_always_writes_wrong_is_not_his_form(strange: float) -> None:
    learned, mask = always_resh(strange)
    assert learned.record.learned
    assert (learned.odds[mask].argmax(axis=1) != DALET).mean() >= 0.9
    form = next(form for form in learned.record.forms if form.letter == "ד")
    assert form.taken_for == "ר"
    assert form.still_misread >= 0.9 * form.letters
    assert any("dalet" in note for note in hand_notes(learned.record))


def test_a_letter_has_no_part_in_its_own_score() -> None:
    """Its scores are those it has when it is not labelled at all."""
    page, kinds = written(strange=4.0, count=6)
    together = class_scores(page.letters, kinds)
    for i in range(0, len(kinds), 17):
        labels = kinds.copy()
        labels[i] = -1
        np.testing.assert_allclose(together[i], class_scores(page.letters, labels)[i], atol=1e-5)


def test_votes_are_those_of_a_ridge_regression() -> None:
    """Against the normal equations, solved by scipy: a letter without a
    label has the prediction of the regression of the labels on the kernel."""
    page, kinds = written(strange=4.0, count=4)
    labels = np.where(np.arange(len(kinds)) % 5 == 0, -1, kinds)
    x = page.letters.hidden.astype(np.float64)
    squared = cdist(x, x, "sqeuclidean")
    squared /= (2.0 + LOCATOR_WEIGHT) * squared.mean()
    kernel = np.exp(-squared / (2 * KERNEL_WIDTH**2))
    rows = np.flatnonzero(labels >= 0)
    among = kernel[np.ix_(rows, rows)] + RIDGE * np.eye(len(rows))
    wanted = kernel[:, rows] @ solve(among, np.eye(LETTER_CLASSES)[labels[rows]], assume_a="pos")
    free = labels < 0
    found = class_scores(page.letters, labels)
    np.testing.assert_allclose(found[free], SCORE_SCALE * wanted[free], atol=1e-3)


@pytest.mark.parametrize("rows", [1, MAX_ROWS_INVERTED_AT_ONCE, MAX_ROWS_INVERTED_AT_ONCE + 1, 201])
def test_a_triangle_is_inverted_as_by_scipy(rows: int) -> None:
    """Against `scipy.linalg.solve_triangular`."""
    lower = np.tril(np.random.default_rng(rows).normal(size=(rows, rows)) / rows, -1) + np.eye(rows)
    wanted = solve_triangular(lower, np.eye(rows), lower=True)
    np.testing.assert_allclose(invert_lower(lower), wanted, atol=1e-12)


def test_no_more_letters_of_a_class_vote_than_may() -> None:
    labels = np.repeat([3, 5, -1], [MAX_LETTERS_OF_CLASS * 3, 4, 10])
    voters = choose_voters(labels)
    assert np.bincount(labels[voters])[[3, 5]].tolist() == [MAX_LETTERS_OF_CLASS, 4]
    assert voters[0] == 0
    assert (np.diff(voters) > 0).all()


def test_weights_are_the_likeliest() -> None:
    """Against scipy.optimize.minimize (Nelder and Mead 1965), which knows nothing of ours."""
    page, kinds = written(strange=4.0, count=5)
    logs = np.log(np.maximum(page.odds, 1e-6))
    scores = class_scores(page.letters, kinds)
    found = fit_weights(logs, scores, kinds)

    def loss(weights: Floats) -> float:
        z = weights[0] * logs + weights[1] * scores
        p = np.exp(z - z.max(axis=1, keepdims=True))
        right = p[np.arange(len(kinds)), kinds] / p.sum(axis=1)
        likely = np.log((1 - WRONG_LABEL_SHARE) * right + WRONG_LABEL_SHARE / LETTER_CLASSES).sum()
        return float(PRIOR_STRENGTH / 2 * ((weights - [1.0, 0.0]) ** 2).sum() - likely)

    best = minimize(loss, [0.5, 1.0], method="Nelder-Mead", bounds=[(0, None)] * 2)
    assert found.networks == pytest.approx(min(best.x[0], 1.0), abs=0.01)
    assert found.hand == pytest.approx(best.x[1], rel=0.02)


def test_letters_beside_absent_or_extra_ones_label_nothing() -> None:
    assert in_sequence(np.array([4, 5, 6, 8, 9, -1, 10, 11])).tolist() == [
        True, True, False, False, False, False, False, True,
    ]  # fmt: skip


def test_neighbours_are_asked_and_the_letter_is_not() -> None:
    shares = share_of_agreeing_neighbours(np.array([False, True, True, True, False, True, True]))
    assert shares[0] == pytest.approx(1.0)
    assert shares[3] == pytest.approx(4 / 6)


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shipped networks with what a hand needs; the means are made up."""
    folder = tmp_path_factory.mktemp("hand") / "model"
    folder.mkdir()
    for path in weights_folder().iterdir():
        if path.suffix in (".onnx", ".yaml", ".sha256"):
            shutil.copy(path, folder)
    write_letter_means(folder, made_up_means(add_hidden_output(folder)))
    return folder


def made_up_means(size: int) -> Floats:
    return np.eye(LETTER_CLASSES, size)


def add_hidden_output(folder: Path) -> int:
    """Number of hidden numbers; networks older than the output are given it."""
    path = folder / "assessor.onnx"
    network = onnx.load(path)
    weight = next(w for w in network.graph.initializer if w.name == "assessor.letter.weight")
    size = int(max(weight.dims))
    if all(output.name != HIDDEN_OUTPUT for output in network.graph.output):
        head = next(node for node in network.graph.node if weight.name in node.input)
        network.graph.node.append(
            onnx.helper.make_node("Identity", [head.input[0]], [HIDDEN_OUTPUT])
        )
        network.graph.output.append(
            onnx.helper.make_tensor_value_info(
                HIDDEN_OUTPUT, onnx.TensorProto.FLOAT, ["letters", size]
            )
        )
        onnx.save(network, path)
    return size


def test_the_metadata_change_no_answer(model: Path) -> None:
    crops = np.random.default_rng(0).integers(0, 256, (5, 2, 128, 96), dtype=np.uint8)
    shipped, mine = OnnxNetworks().assess(crops), OnnxNetworks(model).assess(crops)
    for a, b in zip((*shipped[:3], *shipped.features), (*mine[:3], *mine.features), strict=True):
        np.testing.assert_array_equal(a, b)
    assert mine.hidden is not None
    assert len(mine.hidden) == 5


def test_means_come_back_from_the_metadata(model: Path) -> None:
    means = OnnxNetworks(model).info.letter_means
    assert means is not None
    np.testing.assert_array_equal(means, made_up_means(means.shape[1]))


def test_means_that_are_none_are_refused(model: Path, tmp_path: Path) -> None:
    folder = tmp_path / "model"
    shutil.copytree(model, folder)
    write_letter_means(folder, np.ones((5, 7)))
    with pytest.raises(ModelError, match="letter_means"):
        OnnxNetworks(folder)


def test_means_are_those_of_each_class() -> None:
    page, kinds = written(strange=1.0, count=30)
    hidden = page.letters.hidden
    means = mean_by_class([(hidden[:400], kinds[:400]), (hidden[400:], kinds[400:])])
    np.testing.assert_allclose(means[DALET], hidden[kinds == DALET].mean(axis=0), rtol=1e-5)
    with pytest.raises(ValueError, match="letters"):
        mean_by_class([(hidden[:50], kinds[:50])])


def test_the_record_says_why_the_hand_was_not_learned(model: Path) -> None:
    picture = compose(clean(portion="mezuzah_reverse", body=(36.0, 36.0)), 1).image
    text = load_portion("mezuzah_reverse")
    mine = Inspector(model, measure="none")
    page = mine.load(picture)
    few = mine.record(page, text).hand
    assert few is not None
    assert "letters, and 30 are needed" in few.why
    unknown = mine.record(page).hand
    assert unknown is not None
    assert unknown.why == NO_TEXT
    off = Inspector(model, measure="none", hand=False).record(page, text).hand
    assert off is not None
    assert off.why == SWITCHED_OFF
    assessed = replace(page.detected.assessed, hidden=None)
    older = replace(page, detected=replace(page.detected, assessed=assessed))
    without = mine.record(older, text).hand
    assert without is not None
    assert without.why == NO_HIDDEN_OUTPUT


def test_what_was_learned_is_kept_with_the_page(model: Path, tmp_path: Path) -> None:
    picture = compose(clean(portion="mezuzah_reverse", body=(36.0, 36.0)), 1).image
    page = Inspector(model, measure="none").inspect(picture, name="p")
    forms = (HandForm("ד", 20, 12, "ר", 3),)
    hand = HandRecord(True, "learned", 400, 2, 0.2, 5.5, 0.3, ((3, "ר", "ד"),), forms)
    folder = write_page(replace(page, hand=hand), tmp_path)
    assert read_record(folder).hand == hand


def jobs(*names: str) -> list[PageJob]:
    return [PageJob(Path(f"{name}.png"), place_by_name(name)) for name in names]


def test_pages_of_one_scroll_are_grouped_whatever_their_order() -> None:
    tasks = jobs("a-face", "b", "a-reverse", *(f"c-face-{k}" for k in range(1, 7)))
    names = [[t.place.page for t in g.pages] for g in group_pages(tasks, pooled=True)]
    assert names == [
        ["a-face", "a-reverse"], ["b"], ["c-face-1", "c-face-2", "c-face-3"],
        ["c-face-4", "c-face-5", "c-face-6"],
    ]  # fmt: skip
    turned = group_pages(tasks[::-1], pooled=True)
    assert set(turned) == set(group_pages(tasks, pooled=True))
    assert all(len(g.pages) == 1 for g in group_pages(tasks, pooled=False))


def test_a_page_is_kept_while_no_page_of_its_scroll_changes(model: Path, tmp_path: Path) -> None:
    scans, run, several = tmp_path / "scans", tmp_path / "run", tmp_path / "several"
    first, second = tiny.pages(scans, 2)
    face, reverse = first.rename(scans / "a-face.png"), second.rename(scans / "a-reverse.png")
    command = ["inspect", str(scans), "--model", str(model), "--portion", "mezuzah_reverse"]

    def times() -> dict[str, int]:
        return {path.parent.name: path.stat().st_mtime_ns for path in run.glob("*/page.json")}

    assert cli.main([*command, "--out", str(run)]) == 0
    before = times()
    asked = json.loads((run / "a-face" / "page.json").read_text("utf-8"))["asked"]
    assert len(asked["pages_of_hand"]) == 64
    assert cli.main([*command, "--out", str(run)]) == 0
    assert times() == before
    assert cli.main([*command, "--out", str(several), "--workers", "2"]) == 0
    assert tiny.contents(run) == tiny.contents(several)
    shutil.copy(face, reverse)
    assert cli.main([*command, "--out", str(run)]) == 0
    assert all(times()[name] > old for name, old in before.items())
    assert cli.main([*command, "--out", str(run), "--hand", "off"]) == 0
    asked = json.loads((run / "a-face" / "page.json").read_text("utf-8"))["asked"]
    assert asked["hand"] == "off"
    assert "pages_of_hand" not in asked
