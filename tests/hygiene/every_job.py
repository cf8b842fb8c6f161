"""Every job of `crownlet-train` at its least size, each on what those before it have written."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

from hydra import compose, initialize_config_module

WEIGHTS = Path(__file__).resolve().parents[2] / "models" / "weights"
"""The shipped networks; those that learning goes on from stand in the repository alone."""

SMALL_FIT = (
    "model=assessor", "model.widths=[8,8,8,8]", "model.hidden=16", "trainer=tiny",
    "trainer.max_steps=2", "trainer.val_every=1", "trainer.progress=false", "data.workers=0",
)  # fmt: skip

SMALL_GATE = (
    "gate.old='{models}/used'", "gate.held_out_pages=1", "gate.mezuzot=0", "gate.type_pages=false",
    "gate.workers=1",
)  # fmt: skip

JOBS: dict[str, tuple[str, ...]] = {
    "render": ("data.workers=1",),
    "fit": SMALL_FIT,
    "export": (
        "export.to='{models}/made'", "export.version=made", "export.calibration_pages=1",
        f"export.locator='{WEIGHTS}/locator.safetensors'",
        f"export.assessor='{WEIGHTS}/assessor.safetensors'",
    ),
    "integers": ("integers.model='{models}/made'", "integers.pages=1", "integers.held_out=1"),
    "promise": (
        "promise.model='{models}/used'", "promise.pages=2", "promise.workers=1",
        "promise.evidence='{train}/promise/evidence.npz'",
    ),
    "reference": (
        "reference.model='{models}/used'", "reference.pages=2", "reference.hard_pages=3",
        "reference.workers=1",
    ),
    "evaluate": (
        "evaluate.model='{models}/used'", "evaluate.card='{models}/used/card.json'",
        "evaluate.held_out_pages=1", "evaluate.mezuzot=0", "evaluate.clean_hands=0",
        "evaluate.habits=0", "evaluate.type_pages=false", "evaluate.speed=false",
        "evaluate.painted_pages=0", "evaluate.workers=1",
    ),
    "proof": (
        "proof.model='{models}/used'", "proof.photographs='{photographs}'", "proof.renders=1",
        "proof.to='{train}/proof/proof.png'",
    ),
    "critic": (
        "critic.model='{models}/used'", "critic.photographs='{photographs}'", "critic.renders=3",
        "critic.to='{train}/critic'", "critic.epochs=0",
    ),
    "gate": (*SMALL_GATE, "gate.new='{models}/used'", "gate.to='{train}/gate/gate.json'"),
    "promote": (
        *SMALL_GATE, "promote.store='{models}/store'", "promote.current='{models}/used'",
        "promote.new='{models}/used'", "promote.steps=[gate]", "promote.because=tried",
        "export.version=tried",
    ),
    "restore": ("promote.store='{models}/store'", "promote.current='{models}/used'"),
    "new_hand": (
        "+experiment=new_hand", "new_hand.folder='{train}/new_hand'",
        "new_hand.stages=[scans,label]", "new_hand.portion=mezuzah_reverse", "new_hand.pages=1",
        "new_hand.watched=1", "new_hand.tested=1",
    ),
}  # fmt: skip
"""The jobs in the order in which they run, with what makes each of them small."""

POOL = ("data.pages=2", "data.watch_pages=1")

LETTER_MEANS_PAGES = 6


def run_job(name: str) -> Callable[[Path, Path], None]:
    """A job of `crownlet-train`, with pages in `scans` for photographs, writing into `out`."""

    def run(scans: Path, out: Path) -> None:
        from crownlet.train.cli import run_job

        train, models = out / "train", out / "models"
        prepare(name, train, models)
        settings = [
            text.format(models=models, train=train, photographs=scans) for text in JOBS[name]
        ]
        places = (f"out='{train / name}'", f"data.folder='{out / 'pool'}'")
        if "+experiment" not in JOBS[name][:1]:
            places = (f"job={name}", *places)
        with initialize_config_module("crownlet.configs", version_base="1.3"):
            config = compose("train", [*settings, *places, *POOL])
        run_job(config)

    return run


def prepare(name: str, train: Path, models: Path) -> None:
    """What a job finds: networks in use, and less to be measured than what is shipped needs."""
    from crownlet.infer.drift import reference
    from crownlet.train.calibration import expected_error
    from crownlet.train.export import hand

    (train / name).mkdir(parents=True)
    if not models.exists():
        models.mkdir()
        ignored = shutil.ignore_patterns("*.safetensors", "__pycache__")
        shutil.copytree(WEIGHTS, models / "used", ignore=ignored)
    if name == "new_hand":
        shutil.copytree(models / "used", train / "new_hand" / "base" / "model")
    hand.add_letter_means.__defaults__ = (LETTER_MEANS_PAGES,)
    hand.MIN_LETTERS_OF_A_CLASS = 1
    reference.MIN_PAGES = expected_error.PAGES_OF_POINT = 1
