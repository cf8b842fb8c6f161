"""A whole page between the stages of `pipeline.py`: detected, in reading order, read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from crownlet.datasets.files.images import Gray
from crownlet.infer.hand.adapt import HandSettings
from crownlet.infer.hand_records import HandRecord
from crownlet.infer.image.crops import FittedPage
from crownlet.infer.image.upright import Placement
from crownlet.infer.layout.lines import Layout
from crownlet.infer.quality.measures import PictureMeasures
from crownlet.infer.records import Assessed, Floats, Located, TextMatch
from crownlet.infer.routing.gaps import GapOdds
from crownlet.infer.text.match import AlignedText
from crownlet.infer.thresholds import Thresholds

if TYPE_CHECKING:
    from crownlet.datasets.scribal.customs import Customs
    from crownlet.infer.text.search import TextChoice


@dataclass(frozen=True)
class DetectedPage:
    """What both networks find on an upright page; N letters, in no order."""

    flat: Gray
    """(H, W), flattened and upright."""
    fitted: FittedPage
    """`flat` at the size at which the assessor sees letters."""
    found: Located
    assessed: Assessed
    placement: Placement
    measures: PictureMeasures
    """Quality of the picture around the letters, row for row with `found`."""
    agreement: float
    """How far the two networks agree on what was located, 0 to 1."""
    omitted: tuple[int, int]
    """Places that were left out: beside the writing, and of the other side, showing through."""


@dataclass(frozen=True)
class PageRules:
    """What a page is compared with and routed by."""

    learned: tuple[str, ...]
    """Names of the learned defects, in the order of `Assessed.defects`."""
    customs: Customs
    thresholds: Thresholds
    text: TextChoice = None
    hand: HandSettings = field(default_factory=HandSettings)
    """What is known of the scribe's hand beside the page."""
    assess: Callable[[FittedPage, Located], Assessed] | None = None
    """Assesses boxes that are no letter's as located; without it no split letter is joined."""


@dataclass(frozen=True)
class OrderedPage:
    """The N letters of a page in reading order, with the P gaps between neighbours."""

    layout: Layout
    found: Located
    assessed: Assessed
    measures: PictureMeasures
    odds: Floats
    """(N, 27) probability of each letter by both networks."""
    letters: str
    """The likeliest letter of each row."""
    gap_odds: GapOdds
    word_start_p: Floats
    """(N,) probability that a word begins at each letter."""
    stroke_share: Floats
    """(N,) width as a share of the hand's, of narrow letters (`stroke_shares`)."""


@dataclass(frozen=True)
class ReadPage:
    """A page in reading order, compared with its text; both None without a text."""

    page: OrderedPage
    aligned: AlignedText | None
    match: TextMatch | None


@dataclass(frozen=True)
class PageReading:
    """A page as read at last, letters that were located as two being one."""

    detected: DetectedPage
    alone: ReadPage
    """As the networks alone read it."""
    read: ReadPage
    hand: HandRecord
