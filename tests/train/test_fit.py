"""A tiny run of each network: renders and labelled scans mixed, resumed, weights written."""

import json
from pathlib import Path

import pytest
import torch
from hydra import compose as compose_config
from hydra import initialize_config_module
from omegaconf import DictConfig
from PIL import Image

from crownlet.datasets.coco.write import to_coco
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.models.assessor import Assessor
from crownlet.models.locator import Locator
from crownlet.train.fit.architecture import architecture_of_file
from crownlet.train.fit.fit import fit, make_network
from crownlet.train.fit.pruning import load_wider
from crownlet.train.fit.reservoir import Reservoir
from crownlet.train.fit.weights import load_narrower, load_weights, save_weights


def configured(folder: Path, model: str, *more: str) -> DictConfig:
    with initialize_config_module("crownlet.configs", version_base="1.3"):
        return compose_config(
            "train",
            [
                f"model={model}", "trainer=tiny", "trainer.progress=false", f"out={folder / model}",
                f"data.folder={folder / 'pool'}", "data.pages=4", "data.watch_pages=2",
                "data.workers=1", "+data.spec.letters=[20,30]", *more,
            ],
        )  # fmt: skip


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two labelled pages in COCO form, as a user would bring them."""
    folder = tmp_path_factory.mktemp("scans")
    pages = [compose(clean(letters=(20, 30)), seed) for seed in (1, 2)]
    document = to_coco(pages)
    for page, image in zip(pages, document["images"], strict=True):
        Image.fromarray(page.image).save(folder / image["file_name"])
    (folder / "labels.json").write_text(json.dumps(document), encoding="utf-8")
    return folder / "labels.json"


@pytest.mark.parametrize("model", ["assessor", "locator"])
def test_a_run_learns_from_renders_and_scans(tmp_path: Path, scans: Path, model: str) -> None:
    mixed = (f"data.scans=[{scans}]", "data.scans_share=0.5", "model.widths=[8,16,16,24]")
    path = fit(configured(tmp_path, model, *mixed))
    assert path.suffix == ".safetensors"
    fresh = make_network(configured(tmp_path, model, *mixed).model)
    assert isinstance(fresh, Assessor | Locator)
    before = {key: value.clone() for key, value in fresh.state_dict().items()}
    facts = load_weights(fresh, path)
    assert facts["steps"] == 6
    assert architecture_of_file(path).widths == (8, 16, 16, 24)
    moved = [
        key for key, value in fresh.state_dict().items() if not torch.equal(value, before[key])
    ]
    assert len(moved) > len(before) / 2
    assert facts["seen"]["rendered_pages"] > 0
    # Two pages, eight cuts of each before the first step, and more while it trained.
    (cuts,) = facts["seen"]["scan_pages"]
    assert cuts >= 16
    assert facts["scans"][0]["name"] == scans.name
    assert (tmp_path / model / "last.ckpt").exists()
    assert list((tmp_path / model / "csv").rglob("metrics.csv"))
    pool = sorted(p.name.split("-")[0] for p in (tmp_path / "pool").iterdir())
    assert pool == ["pool.json", "scans", "train", "watch"]


def test_weights_of_another_network_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "w.safetensors"
    save_weights(Locator((8, 16, 16, 24), 16), path, {})
    with pytest.raises(ValueError, match="does not fit"):
        load_weights(Locator(), path)


def test_a_new_defect_keeps_what_was_learned_of_the_others(tmp_path: Path) -> None:
    """The rows of defects are found by name when the catalogue has grown or was sorted anew."""
    old, path = Assessor(len(LEARNED_DEFECTS)), tmp_path / "old.safetensors"
    names = [*reversed(LEARNED_DEFECTS[1:]), "no longer learned"]
    save_weights(old, path, {"defects": names})
    new = Assessor(len(LEARNED_DEFECTS))
    fresh = new.defects.weight[0].clone()
    load_weights(new, path)
    for k, name in enumerate(LEARNED_DEFECTS[1:], start=1):
        assert torch.equal(new.defects.weight[k], old.defects.weight[names.index(name)])
        assert torch.equal(new.defects.bias[k], old.defects.bias[names.index(name)])
    assert torch.equal(new.defects.weight[0], fresh)


def draw_norms(network: torch.nn.Module) -> None:
    """Bring norms to where they are after learning: none is the identity any more."""
    for module in network.modules():
        if isinstance(module, torch.nn.BatchNorm2d):
            torch.nn.init.uniform_(module.weight, 0.5, 1.5)
            torch.nn.init.uniform_(module.bias, -0.5, 0.5)
            module.running_mean.uniform_(-0.5, 0.5)


@pytest.mark.parametrize("kind", ["assessor", "locator"])
def test_a_narrow_network_grown_wider_answers_as_before_and_learns_on(
    tmp_path: Path, kind: str
) -> None:
    """Function-preserving growth, as Net2Net (Chen et al. 2016) asks of it."""
    path = tmp_path / "narrow.safetensors"
    narrow: Assessor | Locator
    wide: Assessor | Locator
    if kind == "assessor":
        narrow, wide = (
            Assessor(len(LEARNED_DEFECTS), (8, 16, 16, 24), 32),
            Assessor(len(LEARNED_DEFECTS), (8, 16, 24, 40), 48),
        )
        shown = torch.rand(4, 2, 128, 96)
    else:
        narrow, wide = Locator((8, 16, 16, 24), 16), Locator((8, 24, 24, 32), 24)
        shown = torch.rand(4, 1, 64, 64)
    draw_norms(narrow)
    save_weights(narrow, path, {})
    load_narrower(wide, path)
    before, after = narrow.eval()(shown), wide.eval()(shown)
    for old, new in zip(before, after, strict=True):
        torch.testing.assert_close(new[:, : old.shape[1]], old)
    sum(answer.square().mean() for answer in wide.train()(shown)).backward()
    still = [name for name, p in wide.named_parameters() if p.grad is None or not p.grad.any()]
    assert not still
    with pytest.raises(ValueError, match="does not fit"):
        save_weights(wide, path, {})
        load_narrower(narrow, path)


@pytest.mark.parametrize("kind", ["assessor", "locator"])
def test_channels_that_nothing_writes_or_reads_are_pruned_first(tmp_path: Path, kind: str) -> None:
    """A narrow network grown wider by silent channels is found again in it, whatever their order.

    Importance by the norm of the weights: Li et al. 2017, groups: Fang et al. 2023."""
    path = tmp_path / "wide.safetensors"
    narrow: Assessor | Locator
    wide: Assessor | Locator
    if kind == "assessor":
        count = len(LEARNED_DEFECTS)
        narrow, wide, again = (
            Assessor(count, widths, 32)
            for widths in ((8, 16, 16, 24), (12, 20, 24, 40), (8, 16, 16, 24))
        )
        shown = torch.rand(4, 2, 128, 96)
    else:
        narrow, wide, again = (
            Locator(widths, head)
            for widths, head in (
                ((8, 16, 16, 24), 16), ((12, 24, 24, 32), 24), ((8, 16, 16, 24), 16),
            )
        )  # fmt: skip
        shown = torch.rand(4, 1, 64, 64)
    draw_norms(narrow)
    for value in wide.state_dict().values():
        value.zero_()
    save_weights(narrow, tmp_path / "narrow.safetensors", {})
    load_narrower(wide, tmp_path / "narrow.safetensors")
    # Silent channels: grown, and never learned. The group's order is turned about.
    for parameter in (wide.fine[0][0].weight, *wide.fine[0][1].parameters()):
        parameter.data = parameter.data.flip(0)
    for buffer in (wide.fine[0][1].running_mean, wide.fine[0][1].running_var):
        buffer.copy_(buffer.flip(0))
    for block in wide.fine[1:]:
        block.body[0][0].weight.data = block.body[0][0].weight.data.flip(1)
        block.body[1].weight.data = block.body[1].weight.data.flip(0)
        for parameter in block.body[2].parameters():
            parameter.data = parameter.data.flip(0)
        for buffer in (block.body[2].running_mean, block.body[2].running_var):
            buffer.copy_(buffer.flip(0))
    for reader in (wide.middle[0][0], wide.rise_fine.fine[0]):
        reader.weight.data = reader.weight.data.flip(1)
    save_weights(wide, path, {})
    load_wider(again, path)
    for old, new in zip(narrow.eval()(shown), again.eval()(shown), strict=True):
        assert {*old.shape} == {*new.shape}
        torch.testing.assert_close(new, old)
    with pytest.raises(ValueError, match="grow=true"):
        load_wider(wide, tmp_path / "narrow.safetensors")
    if kind == "assessor":
        with pytest.raises(ValueError, match=r"hidden\.1 has 32 outputs"):
            load_wider(Assessor(len(LEARNED_DEFECTS), (8, 16, 16, 24), 16), path)


def test_balanced_draws_show_rare_letters_as_often_as_common_ones(tmp_path: Path) -> None:
    letters = torch.tensor([3] * 90 + [5] * 9 + [7])
    reservoir = Reservoir(tmp_path, lambda path: {"letter": letters}, 200, torch.device("cpu"))
    (tmp_path / "one.npz").touch()
    reservoir.top_up()
    generator = torch.Generator().manual_seed(1)
    for balance, expected in ((1.0, [1 / 3, 1 / 3, 1 / 3]), (0.0, [0.9, 0.09, 0.01])):
        drawn = reservoir.draw(6000, generator, balance)["letter"]
        shares = [float((drawn == k).float().mean()) for k in (3, 5, 7)]
        assert shares == pytest.approx(expected, abs=0.03)
