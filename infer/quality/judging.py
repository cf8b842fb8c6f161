"""What the picture and the sizes of the letters say, ready for the rows of a page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from crownlet.datasets.catalogue import CATALOGUE
from crownlet.infer.quality.measures import Measures
from crownlet.infer.quality.needs import Needs, forbidden, parse_needs
from crownlet.infer.quality.unfamiliar import (
    Familiar,
    oddness,
    parse_familiar,
    score,
    strange_page,
    surprise,
)
from crownlet.infer.quality.usual import Stretch, extent, stretch_ratios, stretched
from crownlet.infer.records import Assessed, Floats, Located


@dataclass(frozen=True)
class Picture:
    """The `picture` of routing.yaml."""

    needs: Needs
    familiar: Familiar
    stretch: Stretch


@dataclass(frozen=True)
class Judged:
    """Per letter, all in one order, and for the page."""

    skipped: tuple[frozenset[str], ...]
    """Defects that the picture does not let anyone judge on this letter."""
    unresolved: tuple[str, ...]
    """Defects not judged on the whole page."""
    sentences: tuple[str, ...]
    """What is not judged, where and why, in words and numbers."""
    unfamiliar: npt.NDArray[np.bool_]
    """(N,) whether a letter is unlike what is known, as all are on a page of an unknown hand."""
    unfamiliar_share: float
    """Share of the letters that are so by themselves."""
    strange_page: bool
    """Whether the whole page is taken as unfamiliar; nothing on it is more than a review."""
    stretched: Floats
    """(N,) probability that a letter is drawn out."""


def parse_picture(data: Mapping[str, Any]) -> Picture:
    """From the plain values of routing.yaml; KeyError, TypeError, ValueError for what is wrong."""
    curve = data["overstretched"]
    return Picture(
        parse_needs(data["needs"]),
        parse_familiar(data["unfamiliar"]),
        Stretch(float(curve["bias"]), float(curve["slope"])),
    )


def judge(
    measures: Measures,
    found: Located,
    assessed: Assessed,
    odds: Floats,
    picture: Picture,
    doubted: bool,
) -> Judged:
    """Judge N letters; `found` on the upright page, `odds` (N, 27) by both networks.

    `doubted` says that the networks agree too little on the page for any letter to be familiar.
    """
    letter = odds.argmax(axis=1)
    size = extent(found)
    bounds = picture.familiar
    nats = surprise(found, assessed, odds)
    strange = score(nats, oddness(size, letter), bounds) >= 1.0
    share = float(strange.mean()) if len(strange) else 0.0
    whole = doubted or strange_page(nats, bounds)
    blind = forbidden(measures, picture.needs)
    members = _members(picture.needs)
    skipped = tuple(
        frozenset(name for group, bad in blind.letters.items() if bad[i] for name in members[group])
        for i in range(len(letter))
    )
    return Judged(
        skipped=skipped,
        unresolved=tuple(n for n in CATALOGUE if picture.needs.group_of(n) in blind.unresolved),
        sentences=blind.sentences,
        unfamiliar=strange | whole,
        unfamiliar_share=share,
        strange_page=whole,
        stretched=stretched(stretch_ratios(size.width, letter), picture.stretch),
    )


def _members(needs: Needs) -> dict[str, tuple[str, ...]]:
    """Defects by the group whose need they have."""
    return {
        group: tuple(name for name in CATALOGUE if needs.group_of(name) == group)
        for group in needs.groups
    }
