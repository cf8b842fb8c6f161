"""Pages of a hand that the base never saw, for the experiment `new_hand`.

A drawn hand of the style held out; or a typeface, whose letters others have drawn, for a hand of a
family that no render holds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from crownlet.datasets.letterforms.hands import draw_hand
from crownlet.datasets.page.compose import compose
from crownlet.datasets.page.spec import mezuzah
from crownlet.datasets.page.truth import PageTruth
from crownlet.train.suites.type_pages import TypeSpec, compose_type_page

FIRST_SEED = 960_000_000
Config = Any


def hand_folder(own: Config) -> Path:
    """Where everything of this hand lies (`own`: the `new_hand` of the configuration)."""
    return Path(own.folder) / (own.typeface or f"hand{own.hand}")


def unseen_pages(own: Config) -> Iterator[tuple[str, int, PageTruth]]:
    """Split, seed and page: what is learnt from, watched, and measured on; each its own scroll."""
    parts = (("train", own.pages), ("validation", own.watched), ("test", own.tested))
    seed = FIRST_SEED + 1000 * own.hand
    for split, count in parts:
        for _ in range(count):
            yield split, seed, _page(own, seed)
            seed += 1


def _page(own: Config, seed: int) -> PageTruth:
    return _typeset(own, seed) if own.typeface else _written(own, seed)


def _typeset(own: Config, seed: int) -> PageTruth:
    """Each page framed and ruled in its own way, as scans of different scrolls are."""
    rng = np.random.default_rng(seed)
    margin, pitch = rng.uniform(1.5, 6.0), rng.uniform(2.95, 4.2)
    spec = TypeSpec(own.typeface, "mezuzah", **own.type, margin=margin, pitch=pitch)
    return compose_type_page(spec, seed)


def _written(own: Config, seed: int) -> PageTruth:
    changes = {str(key): value for key, value in own.spec.items()}
    manner: dict[str, Any] = {str(key): value for key, value in own.manner.items()}
    seeds = (k for k in range(10**6) if draw_hand(k, "heldout").style == own.style)
    number = [next(seeds) for _ in range(own.hand + 1)][-1]
    spec = replace(mezuzah(48.0, split="heldout", **changes), hand=number, portion=own.portion)
    return compose(spec, seed, replace(draw_hand(number, "heldout"), **manner))
