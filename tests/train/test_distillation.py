"""A learner learns its teacher's answers: known formulas, a batch by heart, gradients at every
head, and what is refused.

The stated losses of the batch are the project's own: about half as much again as was measured, a
tenth of where learning begins; learning one batch by heart is common practice (see
`test_learning.py`).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import torch
from torch import Tensor, nn
from torch.distributions import Bernoulli, Categorical, kl_divergence

from crownlet.datasets.scribal.alphabet import index_of
from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.models.assessor import NO_LETTER_CLASS, TAGS_UNKNOWN, Assessor
from crownlet.models.distillation import binary_divergence, class_divergence
from crownlet.models.locator import Locator
from crownlet.models.losses import assessor_loss
from crownlet.train.fit.augment import Strengths
from crownlet.train.fit.distil import (
    DistilledAssessorModule,
    DistilledLocatorModule,
    Teaching,
    applicable_defects,
)
from crownlet.train.fit.errors import TrainingError
from crownlet.train.fit.fit import fit, make_module, make_network
from crownlet.train.fit.modules import network_input, targets_of, tile_input, weigh_defects
from crownlet.train.fit.record import RECORD_FILE
from crownlet.train.fit.reservoir import Batch
from crownlet.train.fit.weights import open_assessor, save_weights
from tests.train.conftest import small_run
from tests.train.test_learning import make, one_batch, seen_by

WIDTHS = {"assessor": (8, 16, 16, 24), "locator": (8, 16, 16, 24)}

HEADS = {
    "assessor": {"teacher_letter": "letter", "teacher_defects": "defects", "teacher_tags": "tags",
                 "teacher_parts": "parts", "teacher_hidden": "hidden"},
    "locator": {"teacher_centre": "centre", "teacher_letter": "letter", "teacher_turn": "turn",
                "teacher_shape": "shape", "teacher_scale": "scale"},
}  # fmt: skip
"""Which child each part of the loss must reach."""

STILL = Strengths(bent=0.0, harsh=0.0)


@pytest.fixture(scope="module", autouse=True)
def one_thread() -> Iterator[None]:
    """For the teachers too: on networks this small, threads wait for each other."""
    before = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(before)


@pytest.fixture(autouse=True)
def seed() -> None:
    torch.manual_seed(1)


@pytest.fixture(scope="module")
def teachers(tmp_path_factory: pytest.TempPathFactory, small_pool: Path) -> dict[str, Path]:
    """Weights of both networks after some steps on one batch."""
    torch.manual_seed(7)
    paths = {}
    for name in ("assessor", "locator"):
        module, batch = make(name), one_batch(name, small_pool)
        learn(module.train(), batch, 45)
        paths[name] = tmp_path_factory.mktemp("teacher") / f"{name}.safetensors"
        save_weights(module.network, paths[name], {})
    return paths


def learn(module: Any, batch: Batch, steps: int) -> list[float]:
    """The loss of each of some steps on the same batch, shown the same way each time."""
    chosen = module.configure_optimizers()
    optimizer, rates = chosen["optimizer"], chosen["lr_scheduler"]["scheduler"]
    losses = []
    for step in range(steps):
        torch.manual_seed(0)
        loss = module.training_step(batch, step)
        optimizer.zero_grad()
        loss.backward()
        optimizer.step()
        rates.step()
        losses.append(float(loss.detach()))
    return losses


def learner(
    name: str, teacher: Path, share: float = 1.0, changes: Strengths = STILL, **how: float
) -> DistilledAssessorModule | DistilledLocatorModule:
    budget = {
        "lr": 6e-3, "weight_decay": 0.0, "max_steps": 100, "max_minutes": 0.0, "warmup": 5
    }  # fmt: skip
    teaching = Teaching(str(teacher), share=share, **how)
    if name == "locator":
        return DistilledLocatorModule(
            Locator(WIDTHS[name], 12), teaching, strength=0.0, changes=changes, **budget
        )
    network = Assessor(len(LEARNED_DEFECTS), WIDTHS[name], 32)
    network.hidden[0].p = 0.0  # No dropout: the batch shall be learned by heart.
    return DistilledAssessorModule(network, teaching, strength=0.0, changes=changes, **budget)


def without_labels(batch: Batch) -> Batch:
    """Crops of which only the letter is known."""
    return batch | {
        "defects": torch.full_like(batch["defects"], float("nan")),
        "tags": torch.full_like(batch["tags"], TAGS_UNKNOWN),
        "parts": torch.zeros_like(batch["parts"]),
    }


@pytest.mark.parametrize("temperature", [1.0, 2.0, 5.0])
def test_divergences_are_those_of_the_reference_library(temperature: float) -> None:
    """`torch.distributions.kl_divergence` of Categorical and Bernoulli, and 0 where both agree."""
    ours, theirs = torch.randn(6, 5) * 3, torch.randn(6, 5) * 3
    t = temperature
    known = kl_divergence(Categorical(logits=theirs / t), Categorical(logits=ours / t))
    torch.testing.assert_close(class_divergence(ours, theirs, t), t * t * known)
    known = kl_divergence(Bernoulli(logits=theirs / t), Bernoulli(logits=ours / t))
    torch.testing.assert_close(binary_divergence(ours, theirs, t), t * t * known)
    for divergence in (class_divergence, binary_divergence):
        assert divergence(ours, ours, t).abs().max() < 1e-5


def test_at_high_temperature_logits_are_matched() -> None:
    """Hinton, Vinyals and Dean 2015, equation 4: the gradient of a class's logit z against the
    teacher's v is (z - v) / (N T^2) for N classes of zero mean; here T^2 times that."""
    z, v = torch.randn(1, 5), torch.randn(1, 5)
    z, v = (z - z.mean()).requires_grad_(), v - v.mean()
    class_divergence(z, v, 500.0).sum().backward()
    torch.testing.assert_close(z.grad, ((z - v) / 5).detach(), rtol=0.02, atol=1e-3)


@pytest.mark.filterwarnings("ignore::UserWarning")
@pytest.mark.parametrize("name", ["assessor", "locator"])
def test_the_answers_of_a_teacher_are_learned_by_heart_without_labels(
    name: str, teachers: dict[str, Path], small_pool: Path
) -> None:
    batch = one_batch(name, small_pool)
    batch = without_labels(batch) if name == "assessor" else batch
    module = learner(name, teachers[name])
    module.train()
    losses = learn(module, batch, 75)
    # Over five draws at most a sixteenth was left.
    assert 0.0 <= losses[-1] < losses[0] / 7, losses
    if isinstance(module, DistilledAssessorModule):
        out, wanted = (n(network_input(batch)) for n in (module.network, module.teacher.network))
        assert (out.letter.argmax(1) == wanted.letter.argmax(1)).float().mean() > 0.9
        away = (out.hidden - wanted.hidden).square().mean() / wanted.hidden.square().mean()
        # Over five draws 0.36 to 0.74; of a learner whom no loss leads there, 1.2 to 1.4.
        assert away < 0.95


@pytest.mark.filterwarnings("ignore::UserWarning")
@pytest.mark.parametrize("name", ["assessor", "locator"])
def test_every_part_of_the_loss_reaches_its_head_and_the_trunk(
    name: str, teachers: dict[str, Path], small_pool: Path
) -> None:
    module: Any = learner(name, teachers[name])
    for block in module.network.modules():
        if isinstance(block, nn.BatchNorm2d):  # Fresh residual blocks are the identity.
            nn.init.ones_(block.weight)
    losses = teacher_losses_of(module, one_batch(name, small_pool))
    assert set(losses) == set(HEADS[name])
    for part, loss in losses.items():
        assert float(loss.detach()) > 0, part
        module.zero_grad()
        loss.backward(retain_graph=True)
        for child in (HEADS[name][part], "stem", "coarse"):
            grads = [p.grad for p in module.network.get_submodule(child).parameters()]
            assert all(grad is not None and grad.any() for grad in grads), (part, child)


def teacher_losses_of(module: Any, batch: Batch) -> dict[str, Tensor]:
    if isinstance(module, DistilledAssessorModule):
        shown, targets = network_input(batch), targets_of(batch)
        return module.teacher_losses(shown, module.network(shown), targets)
    shown, seen = tile_input(batch)
    losses: dict[str, Tensor] = module.teacher_losses(shown, module.network(shown), seen)
    return losses


@pytest.mark.filterwarnings("ignore::UserWarning")
@pytest.mark.parametrize("name", ["assessor", "locator"])
def test_the_teacher_sees_what_the_learner_sees_and_stays_as_it_is(
    name: str, teachers: dict[str, Path], small_pool: Path
) -> None:
    module: Any = learner(name, teachers[name], changes=Strengths(bent=1.0, harsh=1.0))
    module.strength = 1.0
    module.train()
    shown: list[Tensor] = []
    hook = module.teacher.network.register_forward_pre_hook(lambda _, x: shown.append(x[0]))
    before = {key: value.clone() for key, value in module.teacher.network.state_dict().items()}
    batch = one_batch(name, small_pool)
    assert torch.equal(seen_by(module, batch), shown[0][:, 0])
    hook.remove()
    learn(module, batch, 2)
    assert not module.teacher.network.training
    after = module.teacher.network.state_dict()
    assert all(torch.equal(value, after[key]) for key, value in before.items())
    # Neither checkpoints nor averages hold it.
    assert len(list(module.parameters())) == len(list(module.network.parameters()))


@pytest.mark.filterwarnings("ignore::UserWarning")
def test_shares_of_labels_and_teacher(teachers: dict[str, Path], small_pool: Path) -> None:
    module: Any = learner("assessor", teachers["assessor"], share=0.25)
    batch = one_batch("assessor", small_pool)
    shown, targets = network_input(batch), targets_of(batch)
    out = module.network(shown)
    parts = module.losses(shown, out, targets)
    labelled = assessor_loss(out, targets, module.masks, module.smoothing, module.defect_weights)
    taught = module.teacher_losses(shown, out, targets)
    assert set(parts) == {*labelled, *taught}
    for losses, share in ((labelled, 0.75), (taught, 0.25)):
        for name, loss in losses.items():
            torch.testing.assert_close(parts[name], share * loss)


@pytest.mark.filterwarnings("ignore::UserWarning")
@pytest.mark.parametrize("share", [0.0, 1.0])
def test_a_defect_learns_by_its_weight_from_labels_and_from_the_teacher(
    share: float, teachers: dict[str, Path], small_pool: Path
) -> None:
    """A weight multiplies the gradient at its own defect, and no other."""
    place = LEARNED_DEFECTS.index("tag_bare")
    gradients = []
    for weights in ({}, {"tag_bare": 3.0}):
        torch.manual_seed(3)
        module: Any = learner("assessor", teachers["assessor"], share=share)
        module.network.eval()
        module.defect_weights = weigh_defects(weights)
        batch = one_batch("assessor", small_pool)
        out = module.network(network_input(batch))
        out.defects.retain_grad()
        losses = module.losses(network_input(batch), out, targets_of(batch))
        torch.stack(list(losses.values())).sum().backward()
        gradients.append(out.defects.grad)
    assert gradients[0][:, place].abs().sum() > 0
    wanted = gradients[0].clone()
    wanted[:, place] *= 3
    torch.testing.assert_close(gradients[1], wanted)


@pytest.mark.filterwarnings("ignore::UserWarning")
def test_only_defects_that_a_letter_can_have_are_asked(
    teachers: dict[str, Path], small_pool: Path
) -> None:
    """Catalogue: a leg that touches the roof is a fault of he and kuf; a bet has no such leg."""
    table, place = applicable_defects(), LEARNED_DEFECTS.index("leg_touches_roof")
    assert table[index_of("ה"), place]
    assert not table[index_of("ב"), place]
    assert not table[NO_LETTER_CLASS].any()
    module: Any = learner("assessor", teachers["assessor"])
    batch = without_labels(one_batch("assessor", small_pool))
    kind = torch.full_like(batch["letter"], index_of("ב"))
    batch |= {"letter": kind, "other": kind}
    shown, targets = network_input(batch), targets_of(batch)
    out = module.network(shown)
    out.defects.retain_grad()
    module.teacher_losses(shown, out, targets)["teacher_defects"].backward()
    assert out.defects.grad is not None
    asked = out.defects.grad.abs().sum(dim=0) > 0
    assert torch.equal(asked, table[index_of("ב")])


@pytest.mark.filterwarnings("ignore::UserWarning")
def test_a_defect_learned_from_labels_only_learns_nothing_from_the_teacher(
    teachers: dict[str, Path], small_pool: Path
) -> None:
    place = LEARNED_DEFECTS.index("tag_bare")
    module: Any = learner("assessor", teachers["assessor"], share=0.5, labels_only=("tag_bare",))
    batch = one_batch("assessor", small_pool)
    shown, targets = network_input(batch), targets_of(batch)
    out = module.network(shown)
    out.defects.retain_grad()
    module.teacher_losses(shown, out, targets)["teacher_defects"].backward(retain_graph=True)
    assert not out.defects.grad[:, place].any()
    assert out.defects.grad.any()
    torch.stack(list(module.losses(shown, out, targets).values())).sum().backward()
    assert out.defects.grad[:, place].any()


def test_what_cannot_teach_is_refused_in_one_sentence(
    teachers: dict[str, Path], small_pool: Path, tmp_path: Path
) -> None:
    def begin(*settings: str) -> None:
        fit(taught_run(small_pool, tmp_path / "run", teachers["assessor"], *settings))

    for settings, message in (
        (["model.defect_weights={crown_bare: 2}"],
         r"model\.defect_weights: crown_bare: not among tag_[^\n]+$"),
        (["model.defect_weights={tag_bare: -1}"],
         r"model\.defect_weights\.tag_bare=-1: must be a number from 0 up$"),
        (["model.teacher.weights=nowhere.safetensors"],
         r"model\.teacher\.weights=nowhere\.safetensors: there is no such file, seen from [^\n]+$"),
        ([f"model.teacher.weights='{teachers['locator']}'"], r"locator of widths .* assessor is"),
        (["model.hidden=16"], r"has 32 hidden numbers and the learner 16: set model\.hidden=32"),
        (["model.teacher.temperature=0"], r"model\.teacher\.temperature=0: must be above 0"),
        (["model.teacher.labels_only=[crown_bare]"],
         r"model\.teacher\.labels_only: no learned defect is 'crown_bare'"),
        (["model.teacher.share=1.5"], r"model\.teacher\.share=1\.5: must be between 0 and 1"),
    ):  # fmt: skip
        with pytest.raises(TrainingError, match=message) as caught:
            begin(*settings)
        assert "\n" not in str(caught.value)
    # Hidden numbers that are left free may be fewer.
    config = taught_run(
        small_pool, tmp_path, teachers["assessor"], "model.hidden=16", "model.teacher.hidden=0"
    )
    module: Any = make_module(config, make_network(config.model))
    assert "teacher_hidden" not in teacher_losses_of(module, one_batch("assessor", small_pool))


def taught_run(pool: Path, out: Path, teacher: Path, *more: str) -> Any:
    return small_run(
        pool, out, "+experiment=distil", f"model.teacher.weights='{teacher}'", "model.hidden=32",
        *more,
    )  # fmt: skip


def test_a_run_with_a_teacher_is_recorded_and_goes_on_only_with_the_same(
    teachers: dict[str, Path], small_pool: Path, tmp_path: Path
) -> None:
    """From the start to weights of the learner's own widths, begun from given weights."""
    start = tmp_path / "start.safetensors"
    save_weights(Assessor(len(LEARNED_DEFECTS), (8, 8, 8, 8), 32), start, {})
    out = tmp_path / "run"
    settings = (f"start_from='{start}'", "logger=csv", "model.lr=1e-3")
    path = fit(taught_run(small_pool, out, teachers["assessor"], *settings))
    assert open_assessor(path).letter.in_features == 32
    record = json.loads((out / RECORD_FILE).read_text("utf-8"))
    assert record["teacher"]
    # Scored by the labels as a run without a teacher, the distance from it beside.
    assert {"val/loss", "val/letter", "val/teacher_hidden"} <= set(record["metrics"])
    del record["ended"]
    (out / RECORD_FILE).write_text(json.dumps(record), "utf-8")
    other = tmp_path / "other.safetensors"
    save_weights(open_assessor(teachers["assessor"]), other, {"other": True})
    with pytest.raises(TrainingError, match=r"weights of teacher was .*, is "):
        fit(taught_run(small_pool, out, other, *settings, f"resume='{out}'"))
