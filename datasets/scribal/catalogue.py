"""The defect catalogue: the one list of what the tool looks for, read from `catalogue.yaml`.

What the books say of a fault is kept as opinions with their sources. It orders and groups findings;
it is never shown as a decision about a letter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from importlib import resources
from types import MappingProxyType
from typing import Any, Literal, NamedTuple, get_args

import yaml

from crownlet.datasets.scribal.alphabet import LETTERS, ONE_TAG, THREE_TAGS

Family = Literal["crowns", "parts", "form", "space", "text"]

Scope = Literal["glyph", "gap", "text", "page"]

DetectionMethod = Literal["learned", "measured", "counted", "aligned"]

Unit = Literal["q", "count", "ratio", "probability"]

_LETTER_SETS = {"all": LETTERS, "three_tags": THREE_TAGS, "one_tag": ONE_TAG}

_OPINION_KEYS = frozenset({"code", "letters", "statement", "source"})


class Opinion(NamedTuple):
    """What a source holds of a fault as it stands on the skin."""

    code: str
    """One of the catalogue's codes of gravity, a key of `GRAVITIES`."""
    statement: str
    source: str
    letters: str
    """The letters of which the source speaks."""


@dataclass(frozen=True)
class Gravity:
    """What a code of gravity means, and the plain heading under which findings are grouped."""

    code: str
    meaning: str
    heading: str


@dataclass(frozen=True)
class Defect:
    """One kind of fault, with where it applies and how it is known."""

    name: str
    family: Family
    scope: Scope
    """`glyph`: seen on one letter; `gap`: between two; `text`: against the expected text; `page`:
    in lines, margins and blocks, or in many letters together."""
    letters: str
    """The letters that can have it."""
    description: str
    """One or two plain sentences for an examiner."""
    trade_term: str | None
    gravity: tuple[Opinion, ...]
    unit: Unit
    """Unit of the size of a rendered or measured case; `q` is the width of the pen (kulmus)."""
    size: str
    """What the size measures."""
    rendered: str
    """How the renderer makes a case."""
    how: DetectionMethod
    """Whether the finding is learned, measured on the ink, counted against the customs, or found
    by aligning with the text."""
    implemented: bool
    habit: bool = False
    """Whether it may be the way of a hand, by which it writes all its letters; a fault, a stain or
    a contact that comes again and again is none."""

    def applies_to(self, letter: str) -> bool:
        """Whether this letter can have the defect; where not, it has no probability."""
        return letter in self.letters

    def opinions_on(self, letter: str) -> tuple[Opinion, ...]:
        """The opinions that speak of this letter."""
        return tuple(opinion for opinion in self.gravity if letter in opinion.letters)


FORMER_NAMES: Mapping[str, str] = MappingProxyType({"yud_astray": "yud_misplaced"})
"""Names that defects had in networks, labels and runs of older versions, to those of today."""


def present_name(name: str) -> str:
    """The name of today of a defect; a name that never changed, or that is unknown, stays."""
    return FORMER_NAMES.get(name, name)


_ENTRY_KEYS = frozenset(field.name for field in fields(Defect)) - {"name"}


def parse_catalogue(text: str | bytes) -> tuple[dict[str, Gravity], dict[str, Defect]]:
    """Codes of gravity and defects, in file order, from the YAML of a catalogue.

    ValueError, naming the entry, for an unknown key, letter, code, family, scope, unit or way.
    """
    # The C loader is ten times as fast; PyYAML built without libyaml has only the slow one.
    data = yaml.load(text, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader))
    gravities = {code: Gravity(code, **entry) for code, entry in data["gravity_codes"].items()}
    defects = {name: _defect(name, entry, gravities) for name, entry in data["defects"].items()}
    return gravities, defects


def _defect(name: str, entry: Mapping[str, Any], codes: Mapping[str, Gravity]) -> Defect:
    _check_keys(name, entry, _ENTRY_KEYS)
    letters = _letters(name, entry["letters"])
    opinions = tuple(_opinion(name, row, letters, codes) for row in entry["gravity"])
    return Defect(
        name=name,
        family=_one_of(name, "family", entry["family"], get_args(Family)),
        scope=_one_of(name, "scope", entry["scope"], get_args(Scope)),
        letters=letters,
        description=entry["description"],
        trade_term=entry.get("trade_term"),
        gravity=opinions,
        unit=_one_of(name, "unit", entry["unit"], get_args(Unit)),
        size=entry["size"],
        rendered=entry["rendered"],
        how=_one_of(name, "how", entry["how"], get_args(DetectionMethod)),
        implemented=entry["implemented"],
        habit=entry.get("habit", False),
    )


def _opinion(
    name: str, row: Mapping[str, Any], letters: str, codes: Mapping[str, Gravity]
) -> Opinion:
    _check_keys(name, row, _OPINION_KEYS)
    code = _one_of(name, "gravity code", row["code"], tuple(codes))
    spoken = _letters(name, row["letters"]) if "letters" in row else letters
    return Opinion(code, row["statement"], row["source"], spoken)


def _check_keys(name: str, entry: Mapping[str, Any], allowed: frozenset[str]) -> None:
    if unknown := set(entry) - allowed:
        # A comma in unquoted text of a flow mapping ends up here too.
        raise ValueError(f"catalogue: {name}: unknown keys {sorted(unknown)}")


def _letters(name: str, spec: str) -> str:
    """Letters by code point from a mixture of named sets and characters, such as `one_tag ל`."""
    chosen = {char for word in spec.split() for char in _LETTER_SETS.get(word, word)}
    if unknown := chosen - set(LETTERS):
        raise ValueError(f"catalogue: {name}: unknown letters {''.join(sorted(unknown))!r}")
    return "".join(sorted(chosen))


def _one_of(name: str, key: str, value: Any, allowed: tuple[str, ...]) -> Any:
    if value not in allowed:
        choices = ", ".join(allowed)
        raise ValueError(f"catalogue: {name}: {key} is {value!r}; allowed are {choices}")
    return value


def _load_shipped() -> tuple[dict[str, Gravity], dict[str, Defect]]:
    return parse_catalogue(
        (resources.files("crownlet.datasets.scribal") / "catalogue.yaml").read_bytes()
    )


_gravities, _defects = _load_shipped()

GRAVITIES: Mapping[str, Gravity] = MappingProxyType(_gravities)
"""Codes of gravity, from the gravest."""

CATALOGUE: Mapping[str, Defect] = MappingProxyType(_defects)
"""Every defect by its name, by family."""

GLYPH_DEFECTS: tuple[str, ...] = tuple(
    d.name for d in CATALOGUE.values() if d.scope == "glyph" and d.implemented
)
"""Defects with a probability for every letter to which they apply."""

LEARNED_DEFECTS: tuple[str, ...] = tuple(
    name for name in GLYPH_DEFECTS if CATALOGUE[name].how == "learned"
)
"""Defects with a network output of their own; crowns missing or in excess follow from counts, a
stretched letter from its width and a doubt of shape from the odds of the letters."""
