"""Every number that decides, beside `thresholds.yaml` and `routing.yaml`, what becomes of a letter,
a gap or a page: the constants of the stages, kept in `limits.yaml`.

Each module takes its own section and names its constants; what a constant means, its unit and its
source stand beside it there. The file's checksum stands in every record, so that a page inspected
with other limits is known as such. The file belongs to the program: unlike the thresholds it does
not depend on the networks.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

LIMITS_FILE = Path(__file__).with_name("limits.yaml")

_CONTENT = LIMITS_FILE.read_bytes()

# By libyaml where it is there: in Python the file takes 0.04 s at every start.
_SECTIONS: Mapping[str, Mapping[str, Any]] = yaml.load(
    _CONTENT, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader)
)

LIMITS_SHA256 = hashlib.sha256(_CONTENT).hexdigest()


@dataclass(frozen=True)
class LimitsSection:
    """The limits of one module; every reader raises KeyError or TypeError that names the limit."""

    name: str
    values: Mapping[str, Any]

    def number(self, key: str) -> float:
        """A number that need not be whole."""
        value = self.values[key]
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise TypeError(f"{LIMITS_FILE.name}: {self.name}: {key} is no number")
        return float(value)

    def whole(self, key: str) -> int:
        """A whole number."""
        value = self.values[key]
        if isinstance(value, bool) or not isinstance(value, int):
            raise TypeError(f"{LIMITS_FILE.name}: {self.name}: {key} is no whole number")
        return value

    def numbers(self, key: str) -> tuple[float, ...]:
        """Several numbers in their order."""
        return tuple(float(value) for value in self.values[key])

    def span(self, key: str) -> tuple[float, float]:
        """Two numbers, from and to."""
        low, high = self.values[key]
        return float(low), float(high)

    def whole_span(self, key: str) -> tuple[int, int]:
        """Two whole numbers, from and to."""
        low, high = self.values[key]
        return int(low), int(high)

    def by_name(self, key: str) -> dict[str, float]:
        """Numbers by a name, such as a letter or a side."""
        return {str(name): float(value) for name, value in self.values[key].items()}

    def spans_by_name(self, key: str) -> dict[str, tuple[tuple[float, float], ...]]:
        """Several spans by a name, such as a letter."""
        return {
            str(name): tuple((float(low), float(high)) for low, high in spans)
            for name, spans in self.values[key].items()
        }

    def rows(self, key: str) -> list[Mapping[str, Any]]:
        """A table, one mapping per row."""
        return list(self.values[key])


def limits_of(module: str) -> LimitsSection:
    """The limits of a module, named as in `limits.yaml`: `text.match`; KeyError without a
    section."""
    return LimitsSection(module, _SECTIONS[module])
