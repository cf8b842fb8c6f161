"""A page in a few numbers: how sure the networks are on it, and what its picture is like."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from crownlet.datasets.catalogue import LEARNED_DEFECTS
from crownlet.infer.records import PageRecord

Floats = npt.NDArray[np.float64]
Side = Literal["high", "low", "both"]


@dataclass(frozen=True)
class Feature:
    """One number of a page; `side` says in which direction it may be strange."""

    name: str
    side: Side
    words: str
    score: bool = False
    """Whether the networks say it, else the picture does."""


FEATURES = (
    Feature("doubt", "high", "letters read with doubt", score=True),
    Feature("disagreement", "high", "disagreement of the two networks", score=True),
    Feature("unfamiliar", "high", "letters unlike those known", score=True),
    Feature("undecided", "high", "letters with a fault neither there nor not there", score=True),
    Feature("resolution", "low", "pixels across the pen"),
    Feature("edge", "both", "width of the edges"),
    Feature("contrast", "both", "contrast of ink and skin"),
    Feature("noise", "both", "noise of the picture"),
    Feature("glare", "high", "letters burnt out"),
    Feature("dark", "high", "letters too dark"),
)
DOUBTED = 0.95
"""A letter is read with doubt below this probability."""
UNDECIDED = (0.1, 0.9)
"""Between these a fault is neither there nor not there."""


def sketch(page: PageRecord) -> Floats:
    """(F,) the features of a page, in the order of `FEATURES`; ValueError without any letter."""
    if not page.glyphs:
        raise ValueError(f"{page.name}: there is no letter on it to compare")
    letter_p = np.array([glyph.letter_p for glyph in page.glyphs])
    middle = [
        any(UNDECIDED[0] < (glyph.p.get(name) or 0.0) < UNDECIDED[1] for name in LEARNED_DEFECTS)
        for glyph in page.glyphs
    ]
    quality = page.quality
    return np.array(
        [
            float(np.mean(letter_p < DOUBTED)),
            1.0 - quality["agreement"],
            quality["unfamiliar_share"],
            float(np.mean(middle)),
            np.log(max(quality["true_q_px"], 0.1)),
            np.log(max(quality["edge_q"], 0.01)),
            quality["contrast"],
            np.log(max(quality["noise_levels"], 0.05)),
            quality["glare_share"],
            quality["dark_share"],
        ]
    )


def of_scroll(pages: Iterable[PageRecord]) -> Floats:
    """(F,) the middle of the pages of one scroll, which is the unit: one hand, one camera."""
    return np.asarray(np.median([sketch(page) for page in pages], axis=0), np.float64)
