"""Styles held out of the renders, and the experiment's pages."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from hydra import compose as compose_config
from hydra import initialize_config_module

from crownlet.datasets.coco.truth import LetterTruth
from crownlet.datasets.render.letterforms.draw_hand import draw_hand
from crownlet.datasets.render.letterforms.hand import STYLES
from crownlet.datasets.render.page.spec import training
from crownlet.datasets.scans.manifest import open_scans
from crownlet.train.experiments.new_hand import run_experiment
from crownlet.train.fit.pool import with_style


def test_hands_of_a_style_held_out_never_write() -> None:
    kept = STYLES[:2]
    specs = [with_style(training(), seed, kept) for seed in range(60)]
    hands = [draw_hand(spec.hand, spec.split) for spec in specs if spec.hand is not None]
    assert {hand.style for hand in hands} == set(kept)
    # Every page has a hand of its own, the same each time.
    assert len({spec.hand for spec in specs}) == 60
    assert with_style(training(), 7, kept) == specs[7]
    assert with_style(training(), 7, ()) == training()
    with pytest.raises(ValueError, match="no hand writes"):
        with_style(training(), 7, ("unheard",))


def _scans(folder: Path, *changes: str) -> Path:
    with initialize_config_module("crownlet.configs", version_base="1.3"):
        config = compose_config(
            "train",
            [
                "+experiment=new_hand", f"new_hand.folder='{folder}'", "new_hand.stages=[scans]",
                "new_hand.pages=1", "new_hand.watched=0", "new_hand.tested=1", *changes,
            ],
        )  # fmt: skip
    return run_experiment(config)


def test_either_data_set_has_the_same_pages_but_only_one_has_labels(tmp_path: Path) -> None:
    folder = _scans(tmp_path, "new_hand.portion=mezuzah_reverse") / "hand0"
    labelled, bare = open_scans(folder / "labelled"), open_scans(folder / "unlabelled")
    assert [len(labelled.labelled(split)) for split in ("train", "validation", "test")] == [1, 0, 1]
    assert [len(bare.labelled(split)) for split in ("train", "validation", "test")] == [0, 0, 1]
    one, other = ([scan.sha256 for scan in s.manifest.scans] for s in (labelled, bare))
    assert one == other
    (page,) = labelled.pages("train")
    assert draw_hand(page.meta["hand"], "heldout").style == "vellish"


def test_a_hand_may_be_a_typeface_that_others_have_drawn(tmp_path: Path) -> None:
    """22 lines: Tur YD 288; 713 letters: counted; the font is one of Debian's culmus."""
    folder = _scans(tmp_path, "new_hand.typeface=sefarad", "new_hand.type.body=24") / "sefarad"
    labelled, bare = open_scans(folder / "labelled"), open_scans(folder / "unlabelled")
    assert [len(labelled.labelled(split)) for split in ("train", "test")] == [1, 1]
    assert [len(bare.labelled(split)) for split in ("train", "test")] == [0, 1]
    (page,) = labelled.pages("train")
    assert page.meta["font"] == "sefarad"
    assert (len(page.letters), page.letters[-1].line + 1) == (713, 22)
    assert {mark.name for letter in page.letters for mark in letter.defects} >= {"tag_bare"}


def test_a_hand_may_be_led_beyond_what_is_drawn(tmp_path: Path) -> None:
    plain = _scans(tmp_path / "plain", "new_hand.portion=mezuzah_reverse") / "hand0"
    led = _scans(
        tmp_path / "led", "new_hand.portion=mezuzah_reverse", "+new_hand.manner={width:0.6}"
    )
    (one,), (other,) = (
        open_scans(folder / "labelled").pages("train") for folder in (plain, led / "hand0")
    )
    # The same hand, text and page, its letters narrower.
    assert one.meta["hand"] == other.meta["hand"]
    wide, narrow = (_width(page.letters) for page in (one, other))
    assert 0.5 < narrow / wide < 0.9


def _width(letters: Sequence[LetterTruth]) -> float:
    """Mean width of a letter in bodies."""
    return sum((a.box[2] - a.box[0]) / a.body[2] for a in letters) / len(letters)
