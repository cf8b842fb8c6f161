"""What page to make: sizes, text, faults and how it is photographed, as plain values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Literal

Split = Literal["train", "calibrate", "heldout"]

Device = Literal["none", "scanner", "camera", "any"]

Range = tuple[float, float]


@dataclass(frozen=True)
class Augment:
    """Ink, skin and camera. Strengths run from 0 (none of it) to 1 (the worst that pages have)."""

    device: Device = "any"
    """`none` leaves the picture as the pen left it; `any` draws scanner or camera by page."""
    ink: float = 1.0
    skin: float = 1.0
    light: float = 1.0
    blur: float = 1.0
    noise: float = 1.0
    warp: float = 1.0
    """Tilt, perspective and bow; camera tilts reach about three degrees, bows half a pen."""


@dataclass(frozen=True)
class PageSpec:
    """One kind of page. Ranges are drawn from for each page; lengths in q, the pen width."""

    portion: str | None = None
    """Name or file of the text; None for words drawn from all portions and invented ones."""
    split: Split = "train"
    hand: int | None = None
    """Seed of the hand; None draws one by page."""
    own_forms: float = 0.6
    """Share of hands with proportions and forms of their own, as wide as real ones; the others
    have the model's."""
    letters: tuple[int, int] = (60, 110)
    """How many letters a page of drawn words has."""
    max_side: int = 1024
    """Largest height and width in px of a page of drawn words."""
    body: Range = (28.0, 96.0)
    """Height of a letter's body (3 q) in px."""
    dpi: float | None = None
    """Resolution to note in the record; the size of letters is given by `body`."""
    margin: Range = (-2.5, 5.0)
    """Margin around the text in q; below 0 the frame cuts letters off."""
    tight: float = 0.35
    """Probability that the frame cuts into the writing, its lines and letters, on several sides."""
    columns: float = 0.2
    """Probability that a neighbouring column shows at the frame."""
    justify: float = 0.7
    """Probability that lines are brought to one width."""
    crowded: float = 0.2
    """Probability of lines so close that lamed and finals enter their neighbours."""
    close: float = 0.18
    """Probability of word gaps hardly wider than letter gaps."""
    defect_rate: float = 0.4
    """Probability of a fault for each letter, for hands without a habit of it."""
    second_rate: float = 0.15
    """Probability of a further fault on a letter that has one."""
    habit_rate: float = 0.35
    """Probability that the hand has a fault as its habit."""
    defects: tuple[str, ...] | None = None
    """Faults to choose from; None for all that are implemented."""
    plainness: Range = (0.2, 1.0)
    gap_rate: float = 0.04
    """Probability, for each gap, of words joined, a word parted or letters touching."""
    text_rate: float = 0.01
    """Probability, for each letter, of another, an absent or an extra letter."""
    morph_rate: float = 0.04
    """Probability, for each letter that has a like one, of a form on the way towards it."""
    oddity_rate: float = 0.01
    """Probability, for each letter, of a known oddity of writing."""
    crowned: float = 0.75
    """Probability that the page is crowned as the custom asks; other hands leave out tags."""
    generous: float = 0.2
    """Probability that the hand sets a tag on vav and other letters of which no custom asks one."""
    tightest: float = 0.12
    """Smallest gap in q left between neighbours that do not touch; below 0 they may overlap."""
    marks: float = 0.0
    """Probability of strokes and fillers between words, as books have them; they are no letters."""
    turn: Literal[0, 90, 180, 270] = 0
    """Clockwise turn of the finished image in degrees."""
    augment: Augment = field(default_factory=Augment)

    def __post_init__(self) -> None:
        if self.turn not in (0, 90, 180, 270):
            raise ValueError(f"turn is {self.turn}, not one of 0, 90, 180, 270")
        if not 0 < self.body[0] <= self.body[1]:
            raise ValueError(f"body {self.body} is not a range of sizes above 0")


def training(**changes: object) -> PageSpec:
    """A fragment of 60 to 110 letters with everything drawn at random."""
    return PageSpec(**changes)  # type: ignore[arg-type]


NO_AUGMENT = Augment("none", 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def clean(**changes: object) -> PageSpec:
    """Faultless black on white, straight, as the truth against which tests measure."""
    values: dict[str, object] = {
        "margin": (3.0, 4.0), "columns": 0.0, "tight": 0.0, "crowded": 0.0, "close": 0.0,
        "defect_rate": 0.0, "habit_rate": 0.0, "gap_rate": 0.0, "text_rate": 0.0,
        "morph_rate": 0.0, "oddity_rate": 0.0, "crowned": 1.0, "generous": 0.0,
        "own_forms": 0.0, "augment": NO_AUGMENT,
    }  # fmt: skip
    return PageSpec(**(values | changes))  # type: ignore[arg-type]


def mezuzah(body: float = 48.0, **changes: object) -> PageSpec:
    """The whole 22 lines with their margins; mostly clean writing."""
    values: dict[str, object] = {
        "portion": "mezuzah", "body": (body, body), "margin": (3.0, 5.0), "columns": 0.0,
        "tight": 0.0, "crowded": 0.0, "close": 0.1, "justify": 1.0, "defect_rate": 0.01,
        "habit_rate": 0.3, "gap_rate": 0.004,
        "text_rate": 0.0005, "morph_rate": 0.002, "oddity_rate": 0.001, "generous": 0.05,
        "plainness": (0.4, 1.0),
    }  # fmt: skip
    return PageSpec(**(values | changes))  # type: ignore[arg-type]


def spec_from(render: Mapping[str, Any], augment: Mapping[str, Any]) -> PageSpec:
    """A specification from plain values, as configurations hold them.

    ValueError for a name that neither `PageSpec` nor `Augment` knows.
    """
    for kind, values in ((PageSpec, render), (Augment, augment)):
        known = {f.name for f in fields(kind)}
        unknown = sorted(set(values) - known)
        if unknown:
            raise ValueError(
                f"unknown setting {unknown[0]!r}; there are {', '.join(sorted(known))}"
            )
    plain: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in render.items()}
    return PageSpec(**plain, augment=Augment(**augment))
