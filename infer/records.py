"""What the stages hand to each other, and what a page's inspection leaves.

Glyphs, lines, words and places are numbered from 1, as an examiner counts them. Pixels are those of
the image as given, upright by its EXIF; `q` is the kulmus, a third of the body height.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
from crownlet.infer.hand_records import HabitRecord, HandFamiliarity, HandRecord

Floats = npt.NDArray[np.float64]

Ints = npt.NDArray[np.int64]

Bools = npt.NDArray[np.bool_]

Point = tuple[float, float]
"""x, y in px."""

Box = tuple[float, float, float, float]
"""x0, y0, x1, y1 in px."""

Route = Literal["clear", "review", "finding"]

GapKind = Literal["letter", "word"]

UNFAMILIAR = "unfamiliar"
"""A reason to look, beside the catalogue's defects: the page may hold no square script at all."""

SHAPE_DOUBT = "shape_doubt"
"""The catalogue's defect of a letter that may be read as another."""

TAG_MISSING = "tag_missing"
"""The catalogue's defect of a letter with fewer tags than the customs ask for."""

TAG_NONE = "tag_none"
"""The judgement that no tag at all stands on a letter of which tags are asked. Its reason is
`tag_missing`; it has thresholds, a promise and a need of the picture of its own, since one hairline
of three is lost in a picture that still shows well whether any stands there."""

GLYPH_JUDGEMENTS = (*GLYPH_DEFECTS, TAG_NONE)
"""All that is judged of a letter by a probability, in the order of the columns of `glyphs.csv`."""

LETTER_SWAPPED, LETTER_EXTRA, LETTER_ABSENT = "letter_swapped", "letter_extra", "letter_absent"
"""The catalogue's defects of the text."""

DiscrepancyKind = Literal[
    "letter_absent", "letters_absent", "words_absent",
    "letter_extra", "letters_extra", "words_extra", "lines_extra",
    "letter_doubled", "words_doubled", "letters_exchanged", "words_exchanged",
]  # fmt: skip
"""How a page differs from its text there; `doubled` is an extra run beside the same letters."""


@dataclass(frozen=True)
class TextPlace:
    """One place where the page differs from its text; glyphs, lines and words from 1.

    `page.json` holds these fields under their names here.
    """

    mishap: DiscrepancyKind
    defect: str
    """The catalogue's name: `letter_absent`, `letter_extra` or `letter_swapped`."""
    letters: str
    """The letters concerned, words divided by spaces; as the text has them if absent, else as
    the page has them. They may hold a Divine Name."""
    glyphs: tuple[int, ...]
    """The glyphs concerned; empty where letters are absent."""
    after: int
    """The glyph before the place; 0: none."""
    line: int
    word: int
    """The word of the text, from 1, at which the place begins."""
    at: tuple[float, float]
    """Where to look, px of the picture as given."""
    in_name: bool
    """Whether a Divine Name is concerned."""
    sure: bool
    """Whether it is a finding; otherwise it goes to review, the networks being in doubt."""
    message: str
    """One plain sentence, Divine Names veiled."""


MeasureClaim = Literal["there", "not_there", "unclear"]


@dataclass(frozen=True)
class Measurement:
    """A length on the letter, in kulmus, beside the opinion of the networks.

    It shows where the ink ends; whether that is a fault is for the examiner to judge.
    """

    glyph: int
    """Number of the letter, from 1."""
    name: str
    """What was measured: `foot_drop`, `part_gap`, `leg_gap`, `leg_length`, ... (borders.yaml)."""
    q: float
    """In kulmus of this letter; below 0 where two levels lie in the opposite order."""
    mm: float | None
    """The same in millimetres; None where the resolution is not known."""
    start: Point
    """Ends of the ruler: x, y in px of the page as given."""
    end: Point
    defect: str
    """The defect of the catalogue that it supports or contradicts."""
    claim: MeasureClaim
    """Whether by this measure alone the defect is there."""


@dataclass(frozen=True)
class Located:
    """Letters as the locator reads them: one row per letter, in px of the page it was given."""

    body: Floats
    """(N, 4): centre x, y of the ruled line, body height, clockwise rotation in degrees."""
    box: Floats
    """(N, 4): x0, y0, x1, y1."""
    score: Floats
    """(N,): probability that a letter is anchored here."""
    letters: Floats
    """(N, 27): probability of each letter."""

    def __len__(self) -> int:
        return len(self.score)

    def take(self, index: npt.NDArray[np.int64] | npt.NDArray[np.bool_]) -> Located:
        """The rows that `index` names, in its order."""
        return Located(self.body[index], self.box[index], self.score[index], self.letters[index])

    def scaled(self, factor: float) -> Located:
        """The same letters on a page enlarged by `factor`."""
        grow = np.array([factor, factor, factor, 1.0])
        return Located(self.body * grow, self.box * factor, self.score, self.letters)

    def moved(self, shift: Floats) -> Located:
        """The same letters `shift` (x, y) px farther."""
        body = self.body.copy()
        body[:, :2] += shift
        return Located(body, self.box + np.tile(shift, 2), self.score, self.letters)

    @property
    def centre(self) -> Floats:
        """(N, 2): x, y of the ruled line, above the middle of each body."""
        return self.body[:, :2]

    @property
    def height(self) -> Floats:
        """(N,): body height in px."""
        return self.body[:, 2]

    @property
    def q(self) -> Floats:
        """(N,): kulmus in px, a third of the body height."""
        return self.body[:, 2] / 3.0

    @property
    def rotation(self) -> Floats:
        """(N,): clockwise rotation in degrees."""
        return self.body[:, 3]

    @property
    def quarter_turns(self) -> Ints:
        """(N,): the rotation in quarter turns, 0 to 3."""
        return (self.body[:, 3] / 90).round().astype(np.int64) % 4

    @property
    def upside_down(self) -> Bools:
        """(N,): whether a letter is rotated by 180 degrees, give or take 45."""
        return np.abs(self.body[:, 3] % 360 - 180) < 45

    @property
    def anchors(self) -> Floats:
        """(N, 2): middle of each body, half a body below its ruled line in the letter's frame."""
        turn = np.deg2rad(self.rotation)
        down = np.stack([-np.sin(turn), np.cos(turn)], axis=1)
        return self.centre + down * (self.height[:, None] / 2)


@dataclass(frozen=True)
class Assessed:
    """Letters as the assessor reads them, row for row with `Located`."""

    letters: Floats
    """(N, 28): probability of each letter, last "no letter"."""
    defects: Floats
    """(N, D): probability of each learned defect."""
    tags: Floats
    """(N, 5): probability of 0, 1, 2, 3, 4 or more tags."""
    parts: npt.NDArray[np.uint8]
    """(N, P, 32, 24): probability of each part mask, 255 = 1; 0 of letters that are not masked."""
    masked: Bools
    """(N,): letters whose part masks are known, which are those to be measured."""
    hidden: npt.NDArray[np.float32] | None = None
    """(N, H): the numbers from which the assessor's last layer reads each letter; None where the
    networks do not give them."""
    ink: npt.NDArray[np.uint8] | None = None
    """(N, 192): coarse pictures of the letters' ink, as `infer.image.crops.coarse_ink` makes them;
    None where they are of another picture of the page."""

    def take(self, index: npt.NDArray[np.int64] | npt.NDArray[np.bool_]) -> Assessed:
        """The rows that `index` names, in its order."""
        return Assessed(
            self.letters[index], self.defects[index], self.tags[index], self.parts[index],
            self.masked[index], None if self.hidden is None else self.hidden[index],
            None if self.ink is None else self.ink[index],
        )  # fmt: skip


@dataclass(frozen=True)
class GlyphRecord:
    """One letter of the page: a row of `glyphs.csv`."""

    glyph: int
    line: int
    word: int
    place: int
    letter: str
    letter_p: float
    expected: str | None
    """The letter the text asks for; "" for a letter that should not be there; None if unknown."""
    box: Box
    body: tuple[float, float, float, float]
    tags_seen: int
    tags_expected: int | None
    p: Mapping[str, float | None]
    """Probability of each of `GLYPH_JUDGEMENTS`; None where it does not apply."""
    route: Route = "clear"
    reasons: tuple[str, ...] = ()
    sure: tuple[str, ...] = ()
    """Those of the reasons that are findings by themselves."""
    in_name: bool = False
    """Whether it stands in a Divine Name (known only with a portion)."""
    not_examined: tuple[str, ...] = ()
    """Judgements that apply to the letter and were left out, the picture being too poor for
    them."""
    habits: tuple[str, ...] = ()
    """Departures of form that are a habit of its hand: evidence of a statement in
    `PageRecord.habits`, no reasons of its own."""
    shared_doubts: tuple[str, ...] = ()
    """Doubts that a statement in `PageRecord.habits` asks about, for all its letters together; no
    reasons of its own."""
    accepted_doubts: tuple[str, ...] = ()
    """Doubts about a form that the customs accept whether it is there or not; nobody is asked."""

    @property
    def unrouted_doubts(self) -> tuple[str, ...]:
        """Doubts about it that do not send it to review."""
        return (*self.shared_doubts, *self.accepted_doubts)

    @property
    def judged_as(self) -> str:
        """The letter whose form and crowns are asked of it: see `judged_letter`."""
        return judged_letter(self.letter, self.expected, self.reasons)

    @property
    def height(self) -> float:
        """Body height in px."""
        return self.body[2]

    @property
    def q(self) -> float:
        """Kulmus in px, a third of the body height."""
        return self.body[2] / 3.0

    @property
    def rotation(self) -> float:
        """Clockwise rotation in degrees."""
        return self.body[3]

    @property
    def quarter_turns(self) -> int:
        """The rotation in quarter turns, 0 to 3."""
        return round(self.body[3] / 90) % 4


def judged_letter(letter: str, expected: str | None, reasons: Collection[str]) -> str:
    """The letter by which faults are judged: the expected one, unless another is surely read.

    A letter that is surely another has the reason `letter_swapped` without a doubt of its shape.
    """
    surely_another = LETTER_SWAPPED in reasons and SHAPE_DOUBT not in reasons
    return letter if not expected or surely_another else expected


@dataclass(frozen=True)
class GapRecord:
    """The gap between two neighbours of one line: a row of `gaps.csv`."""

    line: int
    right_glyph: int
    left_glyph: int
    expected: GapKind | None
    width_px: float
    width_q: float
    width_yud: float
    p_words_joined: float | None
    p_word_parted: float | None
    p_letters_touch: float | None
    route: Route = "clear"
    reasons: tuple[str, ...] = ()
    sure: tuple[str, ...] = ()
    """Those of the reasons that are findings by themselves."""


@dataclass(frozen=True)
class AbsentLetter:
    """A letter of the text that has no glyph; `after` is the glyph before it (0: none)."""

    letter: str
    line: int
    """Line of the page it should stand on, as its neighbours do."""
    word: int
    place: int
    after: int
    at: tuple[float, float]
    """Where to look, px."""
    route: Route = "finding"
    in_name: bool = False


@dataclass(frozen=True)
class TextMatch:
    """How the page agrees with the portion it was compared with."""

    portion: str
    letters_expected: int
    matched: int
    swapped: int
    extra: int
    absent: tuple[AbsentLetter, ...] = ()
    note: str = ""
    """A sentence for the top of the record when the page and the portion do not belong together."""
    places: tuple[TextPlace, ...] = ()
    """Absent, extra and exchanged letters and words, a run being one place."""
    found: float | None = None
    """Confidence in the portion where it was found by the page's words; None where it was named."""
    also: tuple[str, ...] = ()
    """Other passages in which the page's words stand as well."""


@dataclass(frozen=True)
class PageRecord:
    """Everything found on one page."""

    name: str
    image: ImageFacts
    glyphs: tuple[GlyphRecord, ...]
    gaps: tuple[GapRecord, ...]
    match: TextMatch | None
    turn: int
    """Quarter turns: the page's writing is rotated clockwise by this many degrees."""
    quality: Mapping[str, float] = field(default_factory=dict)
    unresolved: tuple[str, ...] = ()
    """Defects left out of the routing of all letters, the picture being too poor for them."""
    not_examined: tuple[str, ...] = ()
    versions: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    timing: Mapping[str, float] = field(default_factory=dict)
    """Seconds by stage."""
    measurements: tuple[Measurement, ...] = ()
    """Lengths taken on the ink of its letters, in reading order."""
    notes: tuple[str, ...] = ()
    """Sentences for the top: the picture's orientation, and a side other than the one it was given
    as; notes on the text stand in `match.note`."""
    hand: HandRecord | None = None
    """What was learned of the hand; None in runs older than that stage."""
    habits: tuple[HabitRecord, ...] = ()
    """Statements on the hand, the gravest first."""
    familiarity: HandFamiliarity | None = None
    """Whether the hand is one that the promise covers; None in runs older than that record."""
    asked: Mapping[str, str] = field(default_factory=dict)
    """Text, side and use of the hand that a batch asked for; by them a later run knows whether to
    keep the page."""

    @property
    def q(self) -> float:
        """Kulmus of the page in px: median of its letters."""
        return float(np.median([g.q for g in self.glyphs])) if self.glyphs else 0.0

    def routed(self, route: Route) -> tuple[GlyphRecord, ...]:
        """Glyphs with this route, in reading order."""
        return tuple(g for g in self.glyphs if g.route == route)


def word_of_line(page: PageRecord, glyph: GlyphRecord) -> int:
    """The number of a letter's word in its line, from 1, as an examiner counts; `GlyphRecord.word`
    runs on over the page."""
    return glyph.word - first_words(page)[glyph.line] + 1


def first_words(page: PageRecord) -> dict[int, int]:
    """By line, the number on the page of its first word."""
    return {glyph.line: glyph.word for glyph in reversed(page.glyphs)}
