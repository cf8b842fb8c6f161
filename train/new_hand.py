"""The experiment of a hand never seen (`configs/experiment/new_hand.yaml`), stage by stage.

base     both networks learn from hands of the other styles, and are exported
scans    mezuzot by one held-out hand of the style: a data set with labels, one without
label    the unlabelled pages label their own letters, their text being known
retrain  the base learns on from either data set, and as long from neither: what did they bring?
export   each of them, calibrated on hands of the other styles
gate     each beside the base, on other scrolls of that hand and on all suites
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

from omegaconf import OmegaConf
from PIL import Image

from crownlet.datasets.coco import to_coco
from crownlet.datasets.letterforms.hands import draw_hand
from crownlet.datasets.page.compose import compose
from crownlet.datasets.page.spec import PageSpec, mezuzah
from crownlet.datasets.scans.adding import Source, add
from crownlet.train.fit import fit
from crownlet.train.gate.job import gate
from crownlet.train.labelling.folders import label_folder
from crownlet.train.ship import ship

NETWORKS = ("locator", "assessor")
KINDS = ("labelled", "unlabelled")
"""The data sets; whoever learns from `neither` sees the renders alone."""
STYLES = ("beit_yosef", "arizal", "vellish")
FIRST_SEED = 960_000_000
MODELS = Path(__file__).parents[1] / "configs" / "model"
Config = Any


def new_hand(config: Config) -> Path:
    """Do the stages that the configuration names, in their order; the experiment's folder."""
    own = config.new_hand
    stages = {
        "base": base, "scans": scans, "label": label, "retrain": retrain, "export": exports,
        "gate": gates,
    }  # fmt: skip
    unknown = set(own.stages) - set(stages)
    if unknown:
        raise ValueError(f"no stage is called {min(unknown)!r}: {', '.join(stages)}")
    for name, stage in stages.items():
        if name in own.stages:
            print(f"stage {name}", flush=True)
            stage(config)
    return Path(own.folder)


def base(config: Config) -> None:
    """Train on the other styles from nothing, and export."""
    folder = Path(config.new_hand.folder) / "base"
    for name in NETWORKS:
        fit(_of(config, name, folder / name, start_from=None))
    _export(config, folder, {name: folder / name for name in NETWORKS})


def scans(config: Config) -> None:
    """Render the hand's mezuzot, and make both data sets of them."""
    own = config.new_hand
    spec = _spec(own)
    parts = (("train", own.pages), ("validation", own.watched), ("test", own.tested))
    seed = FIRST_SEED + 1000 * own.hand
    for split, count in parts:
        for _ in range(count):
            picture, labels = _page(spec, seed, _hand_folder(own) / "came")
            for kind in KINDS:
                given = [labels] if kind == "labelled" or split == "test" else []
                source = Source([picture], split, "rendered", given, scroll=picture.stem)
                _, wrong = add(_hand_folder(own) / kind, source)
                if wrong:
                    raise ValueError(str(wrong[0]))
            seed += 1


def label(config: Config) -> None:
    """Have the unlabelled pages label themselves, as read by the base."""
    own = config.new_hand
    model = Path(own.folder) / "base" / "model"
    print(label_folder(_hand_folder(own) / "unlabelled", own.portion, model).sentence)


def retrain(config: Config) -> None:
    """Go on from the base with each data set, renders of the other styles mixed in."""
    own, more = config.new_hand, config.new_hand.retrain
    for kind in own.kinds:
        folder = _hand_folder(own) / f"from-{kind}"
        for name in NETWORKS:
            start = Path(own.folder) / "base" / name / f"{name}.safetensors"
            changed = _of(config, name, folder / name, start_from=str(start))
            changed.model.lr = more.lr
            if kind in KINDS:
                changed.data.scans = str(_hand_folder(own) / kind)
                changed.data.scans_share = more.scans_share
            for key in ("max_steps", "max_minutes", "val_every", "patience"):
                changed.trainer[key] = more[key]
            fit(changed)


def exports(config: Config) -> None:
    """Export what has learnt on."""
    own = config.new_hand
    for kind in own.kinds:
        folder = _hand_folder(own) / f"from-{kind}"
        _export(config, folder, {name: folder / name for name in NETWORKS})


def gates(config: Config) -> None:
    """Measure each beside the base; `gate.json` of each in its folder."""
    own = config.new_hand
    for kind in own.kinds:
        folder = _hand_folder(own) / f"from-{kind}"
        tested = OmegaConf.merge(config, {"gate": {
            "old": str(Path(own.folder) / "base" / "model"), "new": str(folder / "model"),
            "scans": str(_hand_folder(own) / "labelled"), "to": str(folder / "gate.json"),
        }})  # fmt: skip
        print(f"five pages, {kind}:")
        gate(tested)


def _spec(own: Config) -> PageSpec:
    changes = {str(key): value for key, value in own.spec.items()}
    seeds = (k for k in range(10**6) if draw_hand(k, "heldout").style == own.style)
    hand = [next(seeds) for _ in range(own.hand + 1)][-1]
    return replace(mezuzah(48.0, split="heldout", **changes), hand=hand, portion=own.portion)


def _page(spec: PageSpec, seed: int, folder: Path) -> tuple[Path, Path]:
    """One page as a picture and a COCO file, named by its seed: a scroll by itself."""
    folder.mkdir(parents=True, exist_ok=True)
    page = compose(spec, seed)
    picture, labels = folder / f"scroll-{seed}.png", folder / f"scroll-{seed}.json"
    Image.fromarray(page.image).save(picture)
    labels.write_text(json.dumps(to_coco([page], [picture.name])), "utf-8")
    return picture, labels


def _hand_folder(own: Config) -> Path:
    return Path(own.folder) / f"hand{own.hand}"


def _of(config: Config, name: str, out: Path, start_from: str | None) -> Config:
    """The configuration of one fit: pages of the other styles from the experiment's own pool."""
    styles = [style for style in STYLES if style != config.new_hand.style]
    folder = Path(config.new_hand.folder) / "base" / "pool"
    changed = OmegaConf.merge(config, {
        "out": str(out), "start_from": start_from,
        "data": {"folder": str(folder), "styles": styles},
    })  # fmt: skip
    changed.model = OmegaConf.load(MODELS / f"{name}.yaml")
    return changed


def _export(config: Config, folder: Path, weights: dict[str, Path]) -> None:
    """Calibrated on other hands of the other styles."""
    changed = _of(config, "assessor", folder, None)
    changed.export.to, changed.export.version = str(folder / "model"), folder.name
    for name, place in weights.items():
        changed.export[name] = str(place / f"{name}.safetensors")
    ship(changed)
