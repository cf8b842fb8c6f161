"""The thresholds of routes: `thresholds.yaml` of the calibration, over `routing.yaml`.

Nothing that sorts letters into clear, review and finding stands in code: what depends on the
networks is in these two files, the limits of the other stages in `infer/limits.yaml`. Users may put
files of their own beside their networks, and each record names all three by their checksums. What
`thresholds.yaml` promises of its limits, it promises per scroll: see `train/risk_control`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from crownlet.datasets.files.documents import parse_number, parse_share, parse_yaml, read_small_file
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.networks import NETWORK_FILES, ModelError, weights_folder
from crownlet.infer.promises import Promise, parse_promise
from crownlet.infer.records import TAG_MISSING, TAG_NONE

THRESHOLDS_FILE, ROUTING_FILE = "thresholds.yaml", "routing.yaml"

MAX_THRESHOLDS_BYTES = 4_000_000

GROUP_WORDS = {
    "no_crown": "presence of crowns",
    "crowns": "number and form of crowns",
    "hairlines": "hairline breaks and contacts",
    "parts": "parts of letters",
    "form": "fine points of form",
    "space": "gaps between letters and words",
}


@dataclass(frozen=True)
class ThresholdPair:
    """Below `clear` nothing is shown; from `finding` on it is a finding; between them, review."""

    clear: float
    finding: float


@dataclass(frozen=True)
class GapCurve:
    """Probability of a gap fault: 1 / (1 + exp(-(bias + place * u + yud * y))), where `u` runs from
    0 at this line's usual letter gap to 1 at its usual word gap and `y` is the width in yuds."""

    bias: float
    place: float
    yud: float


@dataclass(frozen=True)
class StretchCurve:
    """Probability that a letter is drawn out: 1 / (1 + exp(-(bias + slope * ln(ratio))))."""

    bias: float
    slope: float


@dataclass(frozen=True)
class PictureNeed:
    """The least a picture must give for a group of defects to be judged on it."""

    q_px: float
    """Least px per kulmus that the edges of the ink are worth (`PictureMeasures.true_q_px`)."""
    edge_q: float
    """Widest edge of the ink, from 10 to 90%, in kulmus."""
    contrast: float
    """Least (skin - ink) / (skin + ink)."""
    glare: float
    """Largest share of the letter's box that may be burnt out."""


@dataclass(frozen=True)
class PictureNeeds:
    """The `needs` of routing.yaml."""

    groups: Mapping[str, PictureNeed]
    members: Mapping[str, str]
    """Group by judgement, for those that have another need than the rest of their family."""
    nearly_all: float
    """From this share of letters on, a group counts as not examined on the whole page."""

    def group_of(self, judgement: str) -> str | None:
        """The group whose need a judgement has (`TAG_NONE`, or a defect of the catalogue).

        None for one without a need.
        """
        defect = TAG_MISSING if judgement == TAG_NONE else judgement
        group = self.members.get(judgement, CATALOGUE[defect].family)
        return group if group in self.groups else None


@dataclass(frozen=True)
class FamiliarityBounds:
    """Bounds of what is familiar: quantiles over faultless rendered pages, see routing.yaml."""

    surprise: float
    """Nats."""
    shape: float
    """Deviation from the usual size, in spreads."""
    page: float
    """Nats that half the letters of a page must reach for the whole page to be unfamiliar."""


@dataclass(frozen=True)
class PictureRules:
    """The `picture` of routing.yaml."""

    needs: PictureNeeds
    familiar: FamiliarityBounds
    stretch: StretchCurve


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
    """A place is dropped from this probability of "no letter" on, by the assessor."""
    letter_p: float
    """A letter below this goes to review as a doubt of shape."""
    letter_p_expected: float
    """The same where the expected text asks for just this letter."""
    swapped_p: float
    """A letter other than the expected one is a finding from this probability on, else review."""
    locator_weight: float
    """Share of the locator's opinion of the class, as an exponent beside the assessor's."""
    review_floor: float
    """Below this probability no defect without a promise sends a letter to review."""
    default: ThresholdPair
    defects: Mapping[str, ThresholdPair]
    gaps: Mapping[str, GapCurve]
    picture: PictureRules
    """What judgements need of the picture, and what is familiar in it."""
    promise: Promise | None = None
    """What is promised of the borders, if anything."""
    _pairs: dict[str, ThresholdPair] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )
    """Borders by defect, as asked for so far: many times a page."""

    def of(self, defect: str) -> ThresholdPair:
        """The two borders of one defect."""
        if defect not in self._pairs:
            self._pairs[defect] = self._pair_of(defect)
        return self._pairs[defect]

    def _pair_of(self, defect: str) -> ThresholdPair:
        pair = self.defects.get(defect, self.default)
        made = self.promise.defects.get(defect) if self.promise else None
        # A floor above a border that carries a promise would break the promise.
        promised = made is not None and made.cleared_at_most is not None
        clear = pair.clear if promised else max(pair.clear, self.review_floor)
        return ThresholdPair(clear, max(pair.finding, clear))


def load_thresholds(folder: Path) -> Thresholds:
    """Read the numbers of a model folder; ModelError names what is wrong with a file.

    A folder without networks takes what it lacks from the shipped ones; one with networks must have
    its own thresholds, which hold for no others.
    """
    shipped = weights_folder()
    has_networks = any((folder / name).exists() for name in NETWORK_FILES)
    if has_networks and not (folder / THRESHOLDS_FILE).exists():
        raise ModelError(
            folder / THRESHOLDS_FILE,
            "is missing, and no other thresholds hold for these networks; job=export writes it.",
        )
    base_path, path = (
        _file_of(folder, shipped, ROUTING_FILE),
        _file_of(folder, shipped, THRESHOLDS_FILE),
    )
    routing, base = _read_yaml(base_path)
    content, fitted = _read_yaml(path)
    checksums = (hashlib.sha256(content).hexdigest(), hashlib.sha256(routing).hexdigest())
    with _naming_file(base_path):
        _parse_thresholds({"version": "", "provenance": "", **base}, *checksums)
    with _naming_file(path):
        merged = {**base, **fitted, "defects": {**base["defects"], **fitted["defects"]}}
        return replace(_parse_thresholds(merged, *checksums), promise=parse_promise(fitted))


def parse_picture_rules(data: Mapping[str, Any]) -> PictureRules:
    """The `picture` of routing.yaml; KeyError, TypeError, ValueError for what is wrong."""
    curve = data["overstretched"]
    return PictureRules(
        parse_needs(data["needs"]),
        parse_familiarity(data["unfamiliar"]),
        StretchCurve(parse_number(curve["bias"]), parse_number(curve["slope"])),
    )


def parse_needs(data: Mapping[str, Any]) -> PictureNeeds:
    """The `needs` of routing.yaml; KeyError, TypeError, ValueError for what is wrong."""
    groups = {
        str(name): PictureNeed(
            *(parse_number(row[key]) for key in ("q_px", "edge_q", "contrast", "glare"))
        )
        for name, row in data["groups"].items()
    }
    # Files of earlier versions list the hairlines alone.
    listed = data.get("members") or {"hairlines": data["hairlines"]}
    members = {str(name): str(group) for group, names in listed.items() for name in names}
    known = {*CATALOGUE, TAG_NONE}
    if unknown := (members.keys() - known) | ({*groups, *members.values()} - GROUP_WORDS.keys()):
        raise ValueError(f"unknown names in needs: {', '.join(sorted(unknown))}")
    return PictureNeeds(groups, members, parse_number(data["nearly_all"]))


def parse_familiarity(data: Mapping[str, Any]) -> FamiliarityBounds:
    """The `unfamiliar` of routing.yaml; KeyError, TypeError, ValueError for what is wrong."""
    return FamiliarityBounds(*(parse_number(data[key]) for key in ("surprise", "shape", "page")))


@contextmanager
def _naming_file(path: Path) -> Iterator[None]:
    """ModelError, naming the file, for a value that this block cannot read from it."""
    try:
        yield
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        cause = " ".join(str(error).split())
        raise ModelError(path, f"lacks or misstates a threshold ({cause[:160]}).") from None


def _file_of(folder: Path, shipped: Path, name: str) -> Path:
    return folder / name if (folder / name).exists() else shipped / name


def _read_yaml(path: Path) -> tuple[bytes, Any]:
    try:
        content = read_small_file(path, MAX_THRESHOLDS_BYTES)
        return content, parse_yaml(content)
    except (OSError, ValueError) as error:
        cause = " ".join(str(getattr(error, "strerror", None) or error).split())[:160]
        raise ModelError(path, f"cannot be read ({cause}).") from None


def _parse_thresholds(data: Any, checksum: str, routing: str) -> Thresholds:
    letters, locator = data["letters"], data["locator"]
    return Thresholds(
        version=str(data["version"]),
        checksum=checksum,
        routing_checksum=routing,
        provenance=str(data["provenance"]).strip(),
        centre_p=parse_share(locator["centre_p"]),
        least_agreement=parse_share(locator["least_agreement"]),
        doubted_agreement=parse_share(locator["doubted_agreement"]),
        no_letter_p=parse_share(letters["no_letter_p"]),
        letter_p=parse_share(letters["review_below"]),
        letter_p_expected=parse_share(letters["review_below_if_expected"]),
        swapped_p=parse_share(letters["swapped_finding"]),
        locator_weight=parse_number(locator["class_weight"]),
        review_floor=parse_share(data["review_floor"]),
        default=_parse_pair("default", data["default"]),
        defects={str(name): _parse_pair(str(name), row) for name, row in data["defects"].items()},
        gaps={
            str(name): GapCurve(*(parse_number(row[key]) for key in ("bias", "place", "yud")))
            for name, row in data["gaps"].items()
        },
        picture=parse_picture_rules(data["picture"]),
    )


def _parse_pair(name: str, row: Mapping[str, Any]) -> ThresholdPair:
    pair = ThresholdPair(parse_share(row["clear"]), parse_share(row["finding"]))
    if pair.clear > pair.finding:
        raise ValueError(f"{name}: clear {pair.clear} is above finding {pair.finding}")
    return pair
