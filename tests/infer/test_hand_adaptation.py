"""The hand of a scroll is learned from letters that its text confirms, and nothing is hidden."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import onnxruntime as ort
import pytest
from scipy.optimize import minimize

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.datasets.scribal.alphabet import LETTERS, index_of
from crownlet.datasets.scribal.texts import portion
from crownlet.infer.hand.adapt import (
    LEAST_LETTERS,
    NO_FEATURES,
    NO_TEXT,
    OFF,
    Learned,
    Letters,
    hand_notes,
    learn,
)
from crownlet.infer.hand.forms import KINDS, own_forms
from crownlet.infer.hand.labels import agreeing, in_step
from crownlet.infer.hand.weights import PRIOR, WRONG_LABELS, fitted
from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import HEADS, HIDDEN, ModelError, Sessions, weights_folder
from crownlet.infer.records import HandForm, HandRecord
from crownlet.infer.run.read import read_record
from crownlet.infer.run.write import write_page
from crownlet.train.export.hand import add_hidden, letter_means, write_letter_means

Floats = npt.NDArray[np.float64]

SIZE = 40
"""Hidden numbers of the letters drawn up here."""

RESH, DALET = index_of("ר"), index_of("ד")

MEANS = np.random.default_rng(3).normal(size=(KINDS, SIZE)) * 2


def written(
    strange: float, count: int = 20, seed: int = 0
) -> tuple[Letters, npt.NDArray[np.int64]]:
    """A page of `count` letters a class by a hand that is `strange`, read by the usual means."""
    rng = np.random.default_rng(seed)
    kinds = rng.permutation(np.repeat(np.arange(KINDS), count))
    moved = MEANS + strange * np.random.default_rng(5).normal(size=MEANS.shape)
    hidden = moved[kinds] + 0.8 * rng.normal(size=(len(kinds), SIZE))
    away = ((hidden[:, None] - MEANS[None]) ** 2).sum(axis=-1) / 2
    odds = np.exp(away.min(axis=1, keepdims=True) - away)
    odds /= odds.sum(axis=1, keepdims=True)
    return Letters(hidden.astype(np.float32), odds, kinds.copy()), kinds


def wrong(odds: Floats, kinds: npt.NDArray[np.int64]) -> int:
    return int((odds.argmax(axis=1) != kinds).sum())


def test_a_strange_hand_is_read_better_by_its_own_letters() -> None:
    page, kinds = written(strange=4.0)
    learned = learn(page, (), MEANS)
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
    learned = learn(page, (), MEANS)
    assert learned.odds is page.odds
    assert not learned.record.learned


def test_few_letters_teach_nothing() -> None:
    page, _ = written(strange=4.0)
    labels = page.labels.copy()
    labels[LEAST_LETTERS - 1 :] = -1
    learned = learn(replace(page, labels=labels), (), MEANS)
    assert learned.odds is page.odds
    assert f"{LEAST_LETTERS - 1} letters" in learned.record.why


def test_other_pages_of_the_scroll_teach() -> None:
    """The page itself labels nothing: what it learns comes from the other page."""
    page, kinds = written(strange=4.0)
    other, _ = written(strange=4.0, seed=1)
    learned = learn(replace(page, labels=np.full(len(kinds), -1)), (other,), MEANS)
    assert learned.record.pages == 2
    assert wrong(learned.odds, kinds) < 0.2 * wrong(page.odds, kinds)


def test_no_share_passes_between_letters_and_no_letter() -> None:
    page, _ = written(strange=4.0)
    shares = np.linspace(0.5, 1.0, len(page.odds))[:, None]
    learned = learn(replace(page, odds=page.odds * shares), (), MEANS)
    np.testing.assert_allclose(learned.odds.sum(axis=1), shares[:, 0])


def test_exchanged_letters_are_noticed() -> None:
    """Of 3% of the labels the letter is another one: each is read as it is written."""
    page, kinds = written(strange=4.0)
    rng = np.random.default_rng(7)
    exchanged = rng.choice(len(kinds), len(kinds) * 3 // 100, replace=False)
    labels = kinds.copy()
    labels[exchanged] = (kinds[exchanged] + rng.integers(1, KINDS, len(exchanged))) % KINDS
    read = learn(replace(page, labels=labels), (), MEANS).odds.argmax(axis=1)
    assert (read[exchanged] != labels[exchanged]).all()


def always_resh(strange: float) -> tuple[Learned, npt.NDArray[np.bool_]]:
    """A scribe whose every dalet is a resh, and which letters those are."""
    page, kinds = written(strange)
    there = np.flatnonzero(kinds == RESH)[::2]
    labels = np.where(kinds == DALET, -1, kinds)
    labels[there] = DALET
    mask = np.zeros(len(kinds), bool)
    mask[there] = True
    return learn(replace(page, labels=labels), (), MEANS), mask


@pytest.mark.parametrize("strange", [3.5, 4.5])
def test_what_the_scribe_always_writes_wrong_is_not_his_form(strange: float) -> None:
    learned, mask = always_resh(strange)
    assert learned.record.learned
    assert (learned.odds[mask].argmax(axis=1) != DALET).mean() >= 0.9
    form = next(form for form in learned.record.forms if form.letter == "ד")
    assert form.held
    assert form.nearest == "ר"
    assert any("dalet" in note for note in hand_notes(learned.record))


def test_a_letter_has_no_part_in_its_own_score() -> None:
    """Its score is the one it has when it is not labelled at all."""
    page, kinds = written(strange=4.0, count=6)
    hidden = page.hidden.astype(np.float64)
    together = own_forms(hidden, kinds, MEANS)
    for i in range(0, len(kinds), 17):
        labels = kinds.copy()
        labels[i] = -1
        alone = own_forms(hidden, labels, MEANS)
        own = kinds[i]
        # What all classes share does not leave it out. With the letter in, 0.13 and more.
        assert together.scores[i, own] == pytest.approx(alone.scores[i, own], abs=0.01)


def test_weights_are_the_likeliest() -> None:
    """Against scipy.optimize.minimize (Nelder and Mead 1965), which knows nothing of ours."""
    page, kinds = written(strange=4.0, count=5)
    logs = np.log(np.maximum(page.odds, 1e-6))
    scores = own_forms(page.hidden.astype(np.float64), kinds, MEANS).scores
    found = fitted(logs, scores, kinds)

    def loss(weights: Floats) -> float:
        z = weights[0] * logs + weights[1] * scores
        p = np.exp(z - z.max(axis=1, keepdims=True))
        right = p[np.arange(len(kinds)), kinds] / p.sum(axis=1)
        likely = np.log((1 - WRONG_LABELS) * right + WRONG_LABELS / KINDS).sum()
        return float(PRIOR / 2 * ((weights - [1.0, 0.0]) ** 2).sum() - likely)

    best = minimize(loss, [0.5, 1.0], method="Nelder-Mead", bounds=[(0, None)] * 2)
    assert found.networks == pytest.approx(min(best.x[0], 1.0), abs=0.01)
    assert found.hand == pytest.approx(best.x[1], rel=0.02)


def test_letters_beside_absent_or_extra_ones_label_nothing() -> None:
    assert in_step(np.array([4, 5, 6, 8, 9, -1, 10, 11])).tolist() == [
        True, True, False, False, False, False, False, True,
    ]  # fmt: skip


def test_neighbours_are_asked_and_the_letter_is_not() -> None:
    shares = agreeing(np.array([False, True, True, True, False, True, True]))
    assert shares[0] == pytest.approx(1.0)
    assert shares[3] == pytest.approx(4 / 6)


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shipped networks with what a hand needs; the means are drawn up."""
    folder = tmp_path_factory.mktemp("hand") / "model"
    folder.mkdir()
    for path in weights_folder().iterdir():
        if path.suffix in (".onnx", ".yaml", ".sha256"):
            shutil.copy(path, folder)
    add_hidden(folder / "assessor.onnx")
    write_letter_means(folder, np.ones((KINDS, 256)))
    return folder


def test_the_hidden_output_changes_no_other(model: Path) -> None:
    crops = np.random.default_rng(0).integers(0, 256, (5, 2, 128, 96), dtype=np.uint8)
    shipped = ort.InferenceSession(weights_folder() / "assessor.onnx")
    mine = ort.InferenceSession(model / "assessor.onnx")
    for a, b in zip(*(s.run(list(HEADS), {"crops": crops}) for s in (shipped, mine)), strict=True):
        np.testing.assert_array_equal(a, b)
    assert mine.run([HIDDEN], {"crops": crops})[0].shape == (5, 256)
    with pytest.raises(ValueError, match="already"):
        add_hidden(model / "assessor.onnx")


def test_means_come_back_from_the_metadata(model: Path) -> None:
    info = Sessions(model).info
    assert info.letter_means is not None
    np.testing.assert_array_equal(info.letter_means, np.ones((KINDS, 256)))
    assert Sessions().info.letter_means is None or HIDDEN in HEADS


def test_means_that_are_none_are_refused(model: Path, tmp_path: Path) -> None:
    folder = tmp_path / "model"
    shutil.copytree(model, folder)
    write_letter_means(folder, np.ones((5, 7)))
    with pytest.raises(ModelError, match="letter_means"):
        Sessions(folder)


def test_means_are_those_of_each_class() -> None:
    page, kinds = written(strange=1.0, count=30)
    means = letter_means([(page.hidden[:400], kinds[:400]), (page.hidden[400:], kinds[400:])])
    np.testing.assert_allclose(means[DALET], page.hidden[kinds == DALET].mean(axis=0), rtol=1e-5)
    with pytest.raises(ValueError, match="letters"):
        letter_means([(page.hidden[:50], kinds[:50])])


def test_the_record_says_why_the_hand_was_not_learned(model: Path) -> None:
    picture = compose(clean(portion="mezuzah_reverse", body=(36.0, 36.0)), 1).image
    text = portion("mezuzah_reverse")
    mine = Inspector(model, measured=False)
    look = mine.look(picture)
    said = mine.record(look, text).hand
    assert said is not None
    assert "letters, and 30 are needed" in said.why
    unknown = mine.record(look).hand
    assert unknown is not None
    assert unknown.why == NO_TEXT
    off = Inspector(model, measured=False, hand=False).record(look, text).hand
    assert off is not None
    assert off.why == OFF
    older = replace(look.seen, assessed=replace(look.seen.assessed, hidden=None))
    silent = mine.record(replace(look, seen=older), text).hand
    assert silent is not None
    assert silent.why == NO_FEATURES


def test_what_was_learned_is_kept_with_the_page(model: Path, tmp_path: Path) -> None:
    picture = compose(clean(portion="mezuzah_reverse", body=(36.0, 36.0)), 1).image
    page = Inspector(model, measured=False).inspect(picture, name="p")
    forms = (HandForm("ד", 20, 12, "ר", 0.25, True),)
    hand = HandRecord(True, "learned", 400, 2, 0.2, 5.5, 0.3, ((3, "ר", "ד"),), forms)
    folder = write_page(replace(page, hand=hand), tmp_path)
    assert read_record(folder).hand == hand
