"""What a family of defects needs of the picture, and which judgements the picture cannot carry."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from crownlet.datasets.catalogue import CATALOGUE
from crownlet.infer.quality.measures import Measures
from crownlet.infer.records import Floats

Bools = npt.NDArray[np.bool_]

WORDS = {
    "crowns": "crowns",
    "hairlines": "hairline breaks and contacts",
    "parts": "parts of letters",
    "form": "fine points of form",
    "space": "whites between letters and words",
}


@dataclass(frozen=True)
class Need:
    """The least a picture must give for a group of defects to be judged on it."""

    q_px: float
    """Least px per kulmus."""
    edge_q: float
    """Widest edge of the ink, from 10 to 90%, in kulmus."""
    contrast: float
    """Least (skin - ink) / (skin + ink)."""
    glare: float
    """Largest share of the letter's box that may be burnt out."""


@dataclass(frozen=True)
class Needs:
    """The `needs` of routing.yaml."""

    groups: Mapping[str, Need]
    hairlines: frozenset[str]
    """Defects that are a white or a line thinner than the parts of a letter."""
    nearly_all: float
    """From this share of letters on, a group counts as not examined on the whole page."""

    def group_of(self, defect: str) -> str | None:
        """The group whose need a defect of the catalogue has; None for one without a need."""
        group = "hairlines" if defect in self.hairlines else CATALOGUE[defect].family
        return group if group in self.groups else None


@dataclass(frozen=True)
class Forbidden:
    """Which of N letters the picture does not show well enough, group by group."""

    letters: Mapping[str, Bools]
    """(N,) by group."""
    unresolved: tuple[str, ...]
    """Groups forbidden on the whole page; on it, for every letter."""
    sentences: tuple[str, ...]
    """The same in words and numbers."""


def parse_needs(data: Mapping[str, Any]) -> Needs:
    """From the plain values of routing.yaml; KeyError, TypeError, ValueError for what is wrong."""
    groups = {
        str(name): Need(*(float(row[key]) for key in ("q_px", "edge_q", "contrast", "glare")))
        for name, row in data["groups"].items()
    }
    hairlines = frozenset(str(name) for name in data["hairlines"])
    if unknown := (hairlines - set(CATALOGUE)) | (set(groups) - set(WORDS)):
        raise ValueError(f"unknown names in needs: {', '.join(sorted(unknown))}")
    return Needs(groups, hairlines, float(data["nearly_all"]))


def forbidden(measures: Measures, needs: Needs) -> Forbidden:
    """Hold every letter's measures against what each group needs."""
    letters: dict[str, Bools] = {}
    unresolved, sentences = [], []
    for group, need in needs.groups.items():
        failures = [(rule, rule.fails(measures, need)) for rule in _RULES]
        failing = np.logical_or.reduce([bad for _, bad in failures])
        total, count = len(failing), int(failing.sum())
        if not count:
            letters[group] = failing
            continue
        whole = count >= needs.nearly_all * total
        if whole:
            unresolved.append(group)
            failing = np.ones(total, np.bool_)
        letters[group] = failing
        of = WORDS[group] if whole else f"{WORDS[group]} of {count} of {total} letters"
        told = [rule.words(measures, need, bad) for rule, bad in failures if bad.any()]
        sentences.append(f"{of}: " + "; ".join(told))
    return Forbidden(letters, tuple(unresolved), tuple(sentences))


@dataclass(frozen=True)
class _Rule:
    value: Callable[[Measures], Floats]
    limit: Callable[[Need], float]
    least: bool
    text: str

    def fails(self, measures: Measures, need: Need) -> Bools:
        value, limit = self.value(measures), self.limit(need)
        return np.asarray(value < limit if self.least else value > limit, np.bool_)

    def words(self, measures: Measures, need: Need, bad: Bools) -> str:
        return self.text.format(self.limit(need), float(np.median(self.value(measures)[bad])))


_RULES = (
    _Rule(lambda m: m.q_px, lambda n: n.q_px, True, "{:.3g} px per kulmus needed, here {:.3g}"),
    _Rule(
        lambda m: m.edge_q, lambda n: n.edge_q, False,
        "edges of at most {:.2f} kulmus needed, here {:.2f}",
    ),
    _Rule(
        lambda m: m.contrast, lambda n: n.contrast, True,
        "contrast of ink and skin of {:.2f} needed, here {:.2f}",
    ),
    _Rule(
        lambda m: m.glare, lambda n: n.glare, False,
        "glare over at most {:.0%} of a letter, here {:.0%}",
    ),
)  # fmt: skip
