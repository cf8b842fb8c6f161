"""Every number that decides a route: `thresholds.yaml` of the calibration, over `routing.yaml`.

Nothing that sorts letters into clear, review and finding stands in code. A user may lay files of
his own beside his networks, and each record names the files it was made with by their checksums.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import yaml

from crownlet.infer.promise import Promise, parse_promise, share
from crownlet.infer.quality.judging import Picture, parse_picture
from crownlet.infer.sessions import ModelError, weights_folder

FILE, ROUTING = "thresholds.yaml", "routing.yaml"


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
    """All numbers of the two files."""

    version: str
    checksum: str
    routing_checksum: str
    provenance: str
    centre_p: float
    """Least probability of an anchor in the locator's map."""
    least_agreement: float
    """A page on which the two networks agree less than this shows no square script."""
    doubted_agreement: float
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
    review_floor: float
    """Below this probability no defect sends a letter to review whose `clear` bears no promise."""
    default: Pair
    defects: Mapping[str, Pair]
    gaps: Mapping[str, Logistic]
    picture: Picture
    """What judgements need of the picture, and what is familiar in it."""
    promise: Promise | None = None
    """What is promised of the borders, if anything."""

    def of(self, defect: str) -> Pair:
        """The two borders of one defect."""
        pair = self.defects.get(defect, self.default)
        made = self.promise.defects.get(defect) if self.promise else None
        # A floor above a border that bears a promise would break it.
        promised = made is not None and made.cleared_at_most is not None
        clear = pair.clear if promised else max(pair.clear, self.review_floor)
        return Pair(clear, max(pair.finding, clear))


def load_thresholds(folder: Path) -> Thresholds:
    """Read the numbers of a model folder; ModelError names what is wrong with a file.

    A folder without files of its own takes the shipped ones.
    """
    shipped = weights_folder()
    base_path, path = _own(folder, shipped, ROUTING), _own(folder, shipped, FILE)
    routing, base = _read(base_path)
    content, fitted = _read(path)
    checksums = (hashlib.sha256(content).hexdigest(), hashlib.sha256(routing).hexdigest())
    with _blaming(base_path):
        _parsed({"version": "", "provenance": "", **base}, *checksums)
    with _blaming(path):
        merged = {**base, **fitted, "defects": {**base["defects"], **fitted["defects"]}}
        return replace(_parsed(merged, *checksums), promise=parse_promise(fitted))


@contextmanager
def _blaming(path: Path) -> Iterator[None]:
    """Say of a file that it lacks or misstates what is read from it in this block."""
    try:
        yield
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        cause = " ".join(str(error).split())
        raise ModelError(path, f"lacks or misstates a threshold ({cause}).") from None


def _own(folder: Path, shipped: Path, name: str) -> Path:
    return folder / name if (folder / name).exists() else shipped / name


def _read(path: Path) -> tuple[bytes, Any]:
    try:
        content = path.read_bytes()
        return content, yaml.safe_load(content)
    except (OSError, yaml.YAMLError, UnicodeDecodeError) as error:
        cause = " ".join(str(error).split())[:160]
        raise ModelError(path, f"cannot be read ({cause}).") from None


def _parsed(data: Any, checksum: str, routing: str) -> Thresholds:
    letters, locator = data["letters"], data["locator"]
    return Thresholds(
        version=str(data["version"]),
        checksum=checksum,
        routing_checksum=routing,
        provenance=str(data["provenance"]).strip(),
        centre_p=share(locator["centre_p"]),
        least_agreement=share(locator["least_agreement"]),
        doubted_agreement=share(locator["doubted_agreement"]),
        no_letter_p=share(letters["no_letter_p"]),
        letter_p=share(letters["review_below"]),
        letter_p_expected=share(letters["review_below_if_expected"]),
        swapped_p=share(letters["swapped_finding"]),
        locator_weight=float(locator["class_weight"]),
        review_floor=share(data["review_floor"]),
        default=_pair("default", data["default"]),
        defects={str(name): _pair(str(name), row) for name, row in data["defects"].items()},
        gaps={
            str(name): Logistic(float(row["bias"]), float(row["place"]), float(row["yud"]))
            for name, row in data["gaps"].items()
        },
        picture=parse_picture(data["picture"]),
    )


def _pair(name: str, row: Mapping[str, Any]) -> Pair:
    pair = Pair(share(row["clear"]), share(row["finding"]))
    if pair.clear > pair.finding:
        raise ValueError(f"{name}: clear {pair.clear} is above finding {pair.finding}")
    return pair
