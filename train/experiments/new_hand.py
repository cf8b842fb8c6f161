"""The experiment of a hand never seen (`configs/experiment/new_hand.yaml`), stage by stage.

base     both networks learn from hands of the other styles
ship     they are exported, calibrated on further hands of those styles
scans    mezuzot by one held-out hand of the style, or in a typeface: with labels, and without
label    the unlabelled pages label their own letters, their text being known
retrain  training continues from the base with either data set, and as long with neither
export   each of them, calibrated on hands of the other styles
gate     each beside the base, on other scrolls of that hand and on all suites

The typeface, whose letters others have drawn, stands for a hand of a family that no render holds.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from omegaconf import OmegaConf
from PIL import Image

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.coco.write import to_coco
from crownlet.datasets.files.atomic import atomic_write, write_file
from crownlet.datasets.render.letterforms.draw_hand import draw_hand
from crownlet.datasets.render.letterforms.hand import STYLES
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import mezuzah
from crownlet.datasets.scans.add import ScanSource, add_scans
from crownlet.train.evaluation.type_pages import TypeSpec, compose_type_page
from crownlet.train.export.onnx import export_networks
from crownlet.train.fit.fit import fit
from crownlet.train.fit.record import ended_as_described, holds_unfinished_run
from crownlet.train.labelling.self_labels import label_folder
from crownlet.train.release.job import run_gate
from crownlet.train.release.pages import tally_suites

NEW_HAND_FIRST_SEED = 960_000_000

NETWORKS = ("locator", "assessor")

DATASET_KINDS = ("labelled", "unlabelled")
"""The data sets; networks that learn from `neither` see the renders alone."""

MODEL_CONFIGS = Path(__file__).parents[2] / "configs" / "model"

Config = Any


def hand_folder(own: Config) -> Path:
    """Where everything of this hand lies (`own`: the `new_hand` of the configuration)."""
    return Path(own.folder) / (own.typeface or f"hand{own.hand}")


def unseen_pages(own: Config) -> Iterator[tuple[str, int, PageTruth]]:
    """Split, seed and page: what is learnt from, watched, and measured on; each its own scroll."""
    parts = (("train", own.pages), ("validation", own.watched), ("test", own.tested))
    seed = NEW_HAND_FIRST_SEED + 1000 * own.hand
    for split, count in parts:
        for _ in range(count):
            yield split, seed, _make_page(own, seed)
            seed += 1


def _make_page(own: Config, seed: int) -> PageTruth:
    return _typeset_page(own, seed) if own.typeface else _handwritten_page(own, seed)


def _typeset_page(own: Config, seed: int) -> PageTruth:
    """Each page framed and ruled in its own way, as scans of different scrolls are."""
    rng = np.random.default_rng(seed)
    margin, pitch = rng.uniform(1.5, 6.0), rng.uniform(2.95, 4.2)
    spec = TypeSpec(own.typeface, "mezuzah", **own.type, margin=margin, pitch=pitch)
    return compose_type_page(spec, seed)


def _handwritten_page(own: Config, seed: int) -> PageTruth:
    changes = {str(key): value for key, value in own.spec.items()}
    manner: dict[str, Any] = {str(key): value for key, value in own.manner.items()}
    seeds = (k for k in range(10**6) if draw_hand(k, "heldout").style == own.style)
    number = [next(seeds) for _ in range(own.hand + 1)][-1]
    spec = replace(mezuzah(48.0, split="heldout", **changes), hand=number, portion=own.portion)
    hand = draw_hand(number, "heldout", spec.own_forms)
    return compose(spec, seed, replace(hand, **manner))


def run_experiment(config: Config) -> Path:
    """Do the stages that the configuration names, in their order; the experiment's folder."""
    own = config.new_hand
    stages = {
        "base": train_base, "ship": export_base, "scans": make_data_sets, "label": label_pages,
        "retrain": train_further, "export": export_retrained, "gate": compare_with_base,
    }  # fmt: skip
    unknown = set(own.stages) - set(stages)
    if unknown:
        raise ValueError(f"no stage is called {min(unknown)!r}: {', '.join(stages)}")
    for name, stage in stages.items():
        if name in own.stages:
            print(f"stage {name}", flush=True)
            stage(config)
    return Path(own.folder)


def train_base(config: Config) -> None:
    """Train on the other styles from nothing."""
    folder = Path(config.new_hand.folder) / "base"
    for name in NETWORKS:
        _fit_or_go_on(_fit_config(config, name, folder / name, start_from=None))


def export_base(config: Config) -> None:
    """Export the base, which may have been trained on another machine."""
    _export_networks(config, Path(config.new_hand.folder) / "base")


def make_data_sets(config: Config) -> None:
    """Draw the hand's mezuzot, and make both data sets of them."""
    folder = hand_folder(config.new_hand)
    for split, seed, page in unseen_pages(config.new_hand):
        picture, labels = _write_scan(page, seed, folder / "came")
        for kind in DATASET_KINDS:
            given = [labels] if kind == "labelled" or split == "test" else []
            source = ScanSource([picture], split, "rendered", given, scroll=picture.stem)
            _, wrong = add_scans(folder / kind, source)
            if wrong:
                raise ValueError(str(wrong[0]))


def label_pages(config: Config) -> None:
    """Have the unlabelled pages label themselves, as read by the base."""
    own = config.new_hand
    model = Path(own.folder) / "base" / "model"
    print(label_folder(hand_folder(own) / "unlabelled", own.portion, model).sentence)


def train_further(config: Config) -> None:
    """Go on from the base with each data set, renders of the other styles mixed in."""
    own, more = config.new_hand, config.new_hand.retrain
    for kind in own.kinds:
        folder = hand_folder(own) / f"from-{kind}"
        for name in NETWORKS:
            start = Path(own.folder) / "base" / name / f"{name}.safetensors"
            changed = _fit_config(config, name, folder / name, start_from=str(start))
            changed.model.lr = more.lr
            if kind in DATASET_KINDS:
                changed.data.scans = str(hand_folder(own) / kind)
                changed.data.scans_share = more.scans_share
            for key in ("max_steps", "max_minutes", "val_every", "patience"):
                changed.trainer[key] = more[key]
            _fit_or_go_on(changed)


def export_retrained(config: Config) -> None:
    """Export what has learnt on."""
    own = config.new_hand
    for kind in own.kinds:
        _export_networks(config, hand_folder(own) / f"from-{kind}")


def compare_with_base(config: Config) -> None:
    """Measure each beside the base; `gate.json` of each in its folder."""
    own = config.new_hand
    old = Path(own.folder) / "base" / "model"
    before = None
    for kind in own.kinds:
        folder = hand_folder(own) / f"from-{kind}"
        tested = OmegaConf.merge(config, {"gate": {
            "old": str(old), "new": str(folder / "model"),
            "scans": str(hand_folder(own) / "labelled"), "to": str(folder / "gate.json"),
        }})  # fmt: skip
        before = before or tally_suites(old, tested.gate)
        print(f"pages of the hand, {kind}:", flush=True)
        run_gate(tested, before)


def _write_scan(page: PageTruth, seed: int, folder: Path) -> tuple[Path, Path]:
    """One page as a picture and a COCO file, named by its seed: a scroll by itself."""
    picture, labels = folder / f"scroll-{seed}.png", folder / f"scroll-{seed}.json"
    with atomic_write(picture) as draft:
        Image.fromarray(page.image).save(draft, "PNG")
    write_file(labels, json.dumps(to_coco([page], [picture.name])))
    return picture, labels


def _fit_or_go_on(config: Config) -> None:
    """Train in the folder of the configuration: anew, on from where it was stopped, or not at all
    where a run of just this configuration has ended there."""
    folder = Path(config.out)
    if ended_as_described(folder, config):
        print(f"{folder} has been trained already", flush=True)
        return
    config.resume = str(folder) if holds_unfinished_run(folder) else None
    fit(config)


def _fit_config(config: Config, name: str, out: Path, start_from: str | None) -> Config:
    """The configuration of one fit: pages of the other styles from the experiment's own pool."""
    styles = [style for style in STYLES if style != config.new_hand.style]
    folder = Path(config.new_hand.folder) / "base" / "pool"
    changed = OmegaConf.merge(config, {
        "out": str(out), "start_from": start_from,
        "data": {"folder": str(folder), "styles": styles},
    })  # fmt: skip
    changed.model = OmegaConf.load(MODEL_CONFIGS / f"{name}.yaml")
    return changed


def _export_networks(config: Config, folder: Path) -> None:
    """Both networks of a folder, calibrated on other hands of the other styles."""
    changed = _fit_config(config, "assessor", folder, None)
    changed.export.to, changed.export.version = str(folder / "model"), folder.name
    for name in NETWORKS:
        changed.export[name] = str(folder / name / f"{name}.safetensors")
    export_networks(changed)
