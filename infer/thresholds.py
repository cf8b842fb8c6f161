"""Every number that decides a route, from the `thresholds.yaml` that goes with the networks.

Nothing that sorts letters into clear, review and finding stands in code: the calibration writes the
file, a user may lay his own beside the networks, and each record names the file it was made with.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from crownlet.infer.sessions import ModelError

FILE = "thresholds.yaml"


@dataclass(frozen=True)
class Pair:
    """Below `clear` nothing is shown; from `finding` on it is a finding; between them, review."""

    clear: float
    finding: float


@dataclass(frozen=True)
class Logistic:
    """Probability of a gap fault: 1 / (1 + exp(-(bias + place * u + yud * y))), where `u` runs from
    0 at this line's usual letter gap to 1 at its usual word gap and `y` is the width in yuds."""

    bias: float
    place: float
    yud: float


@dataclass(frozen=True)
class Thresholds:
    """All routing numbers of one file."""

    version: str
    checksum: str
    provenance: str
    centre_p: float
    """Least probability of an anchor in the locator's map."""
    no_letter_p: float
    """A place is dropped when the assessor is at least so sure that no letter stands there."""
    letter_p: float
    """A letter below this goes to review as a doubt of shape."""
    letter_p_expected: float
    """The same where the expected text asks for just this letter."""
    swapped_p: float
    """A letter other than the expected one is a finding from this probability on, else review."""
    locator_weight: float
    """Share of the locator's opinion of the class, as an exponent beside the assessor's."""
    default: Pair
    defects: Mapping[str, Pair]
    gaps: Mapping[str, Logistic]
    needs_q: Mapping[str, float]
    """Least px a kulmus for a family of defects to be resolved."""

    def of(self, defect: str) -> Pair:
        """The two borders of one defect."""
        return self.defects.get(defect, self.default)


def load_thresholds(folder: Path) -> Thresholds:
    """Read `thresholds.yaml` in a model folder; ModelError names what is wrong with it."""
    path = folder / FILE
    try:
        content = path.read_bytes()
        data = yaml.safe_load(content)
    except FileNotFoundError:
        raise ModelError(path, "the thresholds file is missing.") from None
    except (OSError, yaml.YAMLError, UnicodeDecodeError) as error:
        cause = " ".join(str(error).split())[:160]
        raise ModelError(path, f"cannot be read ({cause}).") from None
    try:
        return _parsed(data, hashlib.sha256(content).hexdigest())
    except (KeyError, TypeError, ValueError) as error:
        cause = " ".join(str(error).split())
        raise ModelError(path, f"lacks or misstates a threshold ({cause}).") from None


def _parsed(data: Any, checksum: str) -> Thresholds:
    letters, locator = data["letters"], data["locator"]
    return Thresholds(
        version=str(data["version"]),
        checksum=checksum,
        provenance=str(data["provenance"]).strip(),
        centre_p=_share(locator["centre_p"]),
        no_letter_p=_share(letters["no_letter_p"]),
        letter_p=_share(letters["review_below"]),
        letter_p_expected=_share(letters["review_below_if_expected"]),
        swapped_p=_share(letters["swapped_finding"]),
        locator_weight=float(locator["class_weight"]),
        default=_pair("default", data["default"]),
        defects={str(name): _pair(str(name), row) for name, row in data["defects"].items()},
        gaps={
            str(name): Logistic(float(row["bias"]), float(row["place"]), float(row["yud"]))
            for name, row in data["gaps"].items()
        },
        needs_q={str(name): float(value) for name, value in data["needs_q_px"].items()},
    )


def _pair(name: str, row: Mapping[str, Any]) -> Pair:
    pair = Pair(_share(row["clear"]), _share(row["finding"]))
    if pair.clear > pair.finding:
        raise ValueError(f"{name}: clear {pair.clear} is above finding {pair.finding}")
    return pair


def _share(value: Any) -> float:
    number = float(value)
    if not 0.0 <= number <= 1.0:
        raise ValueError(f"{number} is not between 0 and 1")
    return number
