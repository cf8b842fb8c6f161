"""The jobs `promote` and `restore`: from trained weights to the model in use, and back.

Each step may be left out, so that it can be done by itself before (`promote.steps`): `export`,
`means` (of each letter, by which a hand is learned), `integers`, `bounds` (familiarity),
`promise` (thresholds), `reference` (for drift), `evaluate`, `gate`. The store is a folder with
one folder per version and `history.json`; the model in use is a folder of its own
(`models/weights`, or one that the user names), exchanged in one step.
"""

from __future__ import annotations

import datetime
import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from omegaconf import OmegaConf

from crownlet.datasets.files.atomic import (
    atomic_write,
    make_draft_folder,
    replace_folder,
    write_json,
)
from crownlet.datasets.files.errors import CrownletError
from crownlet.datasets.files.locks import hold_folder
from crownlet.infer.networks import read_verified_files
from crownlet.infer.thresholds import ROUTING_FILE
from crownlet.train.calibration.drift_reference import write_reference
from crownlet.train.calibration.familiarity import (
    FAMILIARITY_CUSTOMS,
    gather_letters,
    routing_lines,
    write_routing_lines,
)
from crownlet.train.evaluation.evaluate import evaluate
from crownlet.train.evaluation.workers import PageReader
from crownlet.train.export.hand import add_letter_means
from crownlet.train.export.onnx import export_networks
from crownlet.train.export.quantise import quantise_in_place
from crownlet.train.fit.scans import paths_of, require_pages
from crownlet.train.fit.weights import facts_of, version_named
from crownlet.train.release.job import compare_models, model_identity, outcome_table
from crownlet.train.risk_control.gather import control_risk

HISTORY_FILE = "history.json"

PACKAGE_FILE = "__init__.py"


PROMOTION_STEPS = (
    "export",
    "means",
    "integers",
    "bounds",
    "promise",
    "reference",
    "evaluate",
    "gate",
)

CARD_FILE = "card.json"


class ModelStoreError(CrownletError, ValueError):
    """A version that cannot be kept or brought back; the message holds the reason."""


@dataclass(frozen=True)
class ModelStore:
    """Versions kept in `folder`; `current` is the folder of the model in use."""

    folder: Path
    current: Path

    def keep(self, model: Path, version: str) -> Path:
        """Keep a copy of a model under its version; ModelStoreError if it names another already."""
        place = self.folder / version
        if place.exists():
            if read_verified_files(place) != read_verified_files(model):
                raise ModelStoreError(
                    f"{place} holds other networks; choose another export.version."
                )
            return place
        self.folder.mkdir(parents=True, exist_ok=True)
        draft = _copy_model(model, self.folder)
        read_verified_files(draft)
        draft.replace(place)
        return place

    def use(self, version: str, replaced: str, because: str) -> None:
        """Put a kept version in the place of the model in use, in one step, and note it."""
        place = self.folder / version
        read_verified_files(place)
        draft = _copy_model(place, self.current.parent)
        package = self.current / PACKAGE_FILE
        if package.exists():
            shutil.copy2(package, draft / PACKAGE_FILE)
        replace_folder(draft, self.current.resolve())
        shutil.rmtree(draft, ignore_errors=True)
        today = datetime.date.today().isoformat()
        entry = {"date": today, "from": replaced, "to": version, "because": because}
        self._note([*self.history(), entry])

    def history(self) -> list[dict[str, Any]]:
        """Every exchange, the oldest first."""
        path = self.folder / HISTORY_FILE
        return list(json.loads(path.read_text("utf-8"))) if path.exists() else []

    def restore(self) -> str:
        """Bring back the version that the last exchange put aside; its name.

        ModelStoreError if nothing was exchanged yet.
        """
        history = self.history()
        if not history:
            raise ModelStoreError(f"{self.folder}: no model was put aside yet.")
        last = history[-1]
        self.use(last["from"], last["to"], "brought back")
        return str(last["from"])

    def _note(self, entries: list[dict[str, Any]]) -> None:
        with atomic_write(self.folder / HISTORY_FILE) as draft:
            write_json(draft, entries)


def _copy_model(model: Path, beside: Path) -> Path:
    """The files of a model in a fresh folder of the same file system as `beside`."""
    draft = make_draft_folder(beside)
    for path in sorted(model.iterdir()):
        if path.is_file() and path.name != PACKAGE_FILE:
            shutil.copy2(path, draft / path.name)
    return draft


class PromotionRefused(CrownletError):
    """The gate speaks against the new model; the message holds its reasons."""


def promote(config: Any) -> Path:
    """Make, measure and promote a model; the folder in use.

    PromotionRefused says which numbers speak against it; it is promoted all the same where
    `promote.because` gives a reason."""
    own = config.promote
    unknown = set(own.steps) - set(PROMOTION_STEPS)
    if unknown:
        raise ValueError(
            f"promote.steps: no step is called {min(unknown)!r}: {', '.join(PROMOTION_STEPS)}"
        )
    _check_settings(config)
    store = ModelStore(Path(own.store), Path(own.current))
    with hold_folder(store.folder, "crownlet-train job=promote"):
        return _promote_into(store, config)


def _check_settings(config: Any) -> None:
    """TrainingError for what would end a step hours after the first one began."""
    steps = config.promote.steps
    version_named(config.export.version)
    if "promise" in steps:
        for source in paths_of(config.promise.scans):
            require_pages(source, "calibrate", "promise.scans")
    if "gate" in steps and config.gate.scans:
        require_pages(Path(config.gate.scans), "test", "gate.scans")


def _promote_into(store: ModelStore, config: Any) -> Path:
    own = config.promote
    kept = make_model(config, store)
    before = model_identity(store.current)
    outcome = _earlier_outcome(kept)
    if "gate" in own.steps:
        outcome = compare_models(store.current, kept, config.gate)
        print(outcome_table(outcome))
    write_origin(kept, before, outcome, own.because)
    if outcome["against"] and not own.because:
        raise PromotionRefused(
            "not promoted: " + "; ".join(outcome["against"]) + f". It lies in {kept}; with"
            ' promote.steps=[] promote.because="why" it is promoted all the same.'
        )
    replaced = _keep_current(store, before["version"])
    store.use(kept.name, replaced, own.because or "the gate spoke for it")
    print(f"{store.current}: {replaced} replaced by {kept.name}; back with job=restore")
    return store.current


def restore(config: Any) -> Path:
    """Bring the model back that the last promotion put aside; the folder in use."""
    store = ModelStore(Path(config.promote.store), Path(config.promote.current))
    with hold_folder(store.folder, "crownlet-train job=restore"):
        print(f"{store.current}: brought back {store.restore()}")
    return store.current


def make_model(config: Any, store: ModelStore) -> Path:
    """The new model in the store, with all that the steps write beside its networks."""
    own = config.promote
    folder: Path = store.folder / config.export.version
    if own.new:
        folder = store.keep(Path(own.new), config.export.version)
    elif "export" in own.steps:
        if folder.exists():
            rest = ",".join(step for step in PROMOTION_STEPS if step != "export")
            raise ModelStoreError(
                f"{folder} is there already; promote.steps=[{rest}] goes on from it, another"
                " export.version begins anew."
            )
        export_networks(_override(config, "export", to=str(folder)))
        for name in ("locator", "assessor"):
            shutil.copy2(config.export[name], folder / f"{name}.safetensors")
        shutil.copy2(store.current / ROUTING_FILE, folder / ROUTING_FILE)
    elif not folder.exists():
        raise ModelStoreError(f"{folder}: there is no such version; the step export makes it.")
    if "means" in own.steps:
        add_letter_means(folder)
    if "integers" in own.steps:
        quantise_in_place(folder, config.integers.pages, config.integers.held_out)
    if "bounds" in own.steps:
        reader = PageReader(str(folder), FAMILIARITY_CUSTOMS, config.promise.workers)
        write_routing_lines(folder, routing_lines(gather_letters(reader, own.bounds_pages)))
    if "promise" in own.steps:
        evidence = str(store.folder / f".{folder.name}-evidence.npz")
        control_risk(_override(config, "promise", model=str(folder), evidence=evidence))
    if "reference" in own.steps:
        write_reference(folder, config.reference)
    if "evaluate" in own.steps:
        evaluate(_override(config, "evaluate", model=str(folder), card=str(folder / CARD_FILE)))
    return folder


def write_origin(model: Path, parent: dict[str, str], outcome: Any, because: str | None) -> None:
    """Add to the card where the model comes from, and the outcome of the gate."""
    path = model / CARD_FILE
    card = json.loads(path.read_text("utf-8")) if path.exists() else {}
    weights = {name: model / f"{name}.safetensors" for name in ("locator", "assessor")}
    card["origin"] = {
        "parent": parent,
        "trained": {name: facts_of(path) for name, path in weights.items() if path.exists()},
        "gate": outcome,
        "because": because,
    }
    with atomic_write(path) as draft:
        write_json(draft, card)


def _earlier_outcome(model: Path) -> dict[str, Any]:
    """The outcome of the gate that a model carries from an earlier offer."""
    path = model / CARD_FILE
    card = json.loads(path.read_text("utf-8")) if path.exists() else {}
    outcome = card.get("origin", {}).get("gate")
    return dict(outcome) if outcome else {"against": ["the gate was left out"]}


def _override(config: Any, part: str, **values: str) -> Any:
    """The configuration with other values in one of its parts."""
    return OmegaConf.merge(config, {part: values})


def _keep_current(store: ModelStore, version: str) -> str:
    """Keep the model in use; under a longer name where its version names another already."""
    try:
        return store.keep(store.current, version).name
    except ModelStoreError:
        digest = model_identity(store.current)["assessor.onnx"][:8]
        return store.keep(store.current, f"{version}-{digest}").name
