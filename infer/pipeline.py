"""A page's way from pixels to its record. Read this file first: every stage is one call.

    PageImage                      read_page                              datasets/files/images
        │ size                     flatten, straighten, estimate_size,    image/, letters/upright,
        │                          turn_upright                           letters/scale
        ▼
    flat upright page, LetterSize
        │ locate                   locate, smooth_neighbours              letters/locator
        ▼
    Located
        │ assess, quality          assess, beside it measure_picture      letters/assessor, quality/
        ▼
    DetectedPage                   turn_reverse_over
        │ layout                   lay_out, measure_gaps, gap_odds        layout/, routing/gaps
        ▼
    OrderedPage
        │ align                    compare_with_text                      text/
        ▼
    AlignedText, TextMatch         (None without a text)
        │ route                    limits_of, glyph_rows, gap_rows        quality/, routing/
        ▼
    PageRecord
        │ measure                  measure_letters, review_disagreements  measure/, routing/reasons
        ▼
    PageRecord with measurements

`detect` goes as far as `DetectedPage`, once per page; `compile_record` goes on from there, once per
text that the page is compared with. Both count the seconds of their stages under the names on the
left. The records that pass between stages stand in `records.py`, those of whole pages below.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from crownlet.datasets.files.images import Gray, ImageFacts, PageError, PageImage, to_gray
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.image.crops import FittedPage, fit_to_letters
from crownlet.infer.image.flatten import flatten
from crownlet.infer.image.perspective import Straightening
from crownlet.infer.image.rotate import rotate_letters_back, rotate_points_back, turn_upright
from crownlet.infer.layout.lines import Layout, lay_out
from crownlet.infer.layout.spacing import measure_gaps
from crownlet.infer.letters.assessor import assess, letter_probabilities, likeliest_letters
from crownlet.infer.letters.locator import locate, smooth_neighbours
from crownlet.infer.letters.scale import MIN_LETTERS, LetterSize, estimate_size
from crownlet.infer.letters.upright import straighten
from crownlet.infer.measure.letters import UprightPage, measure_letters
from crownlet.infer.networks import Networks
from crownlet.infer.quality.legibility import PictureLimits, limits_of
from crownlet.infer.quality.measures import PictureMeasures, measure_picture
from crownlet.infer.quality.refusal import (
    BLANK_TEXT,
    MIN_MEASURED_BODY_PX,
    is_blank,
    only_read_sentence,
    slant_sentences,
    why_not_square,
    why_refused,
)
from crownlet.infer.records import Assessed, Floats, Located, PageRecord, TextMatch
from crownlet.infer.routing.gaps import (
    GapOdds,
    expected_kinds,
    gap_odds,
    gap_rows,
    word_start_probabilities,
)
from crownlet.infer.routing.glyphs import glyph_rows
from crownlet.infer.routing.not_examined import count_cut_letters, not_examined
from crownlet.infer.routing.reasons import review_disagreements
from crownlet.infer.text.discrepancies import TextContext
from crownlet.infer.text.match import AlignedText, words_by_gaps, words_by_text
from crownlet.infer.text.search import compare_with_text
from crownlet.infer.text.side import (
    MAX_REVERSE_LETTERS,
    MIN_REVERSE_SIMILARITY,
    letter_similarity,
    reverse_lines,
)
from crownlet.infer.text.summary import all_for_review
from crownlet.infer.thresholds import Thresholds

if TYPE_CHECKING:
    from crownlet.datasets.scribal.customs import Customs
    from crownlet.infer.text.search import TextChoice

RELOCATE_LOG_RATIO = 0.2
"""The whole page is located again when its letters differ from the estimate by more than this."""

MIN_NAME_LIKENESS = 0.5
"""Two of the three letters of the Name suffice, with a speck or two read as letters."""

REVERSE_LOCATOR_WEIGHT = 0.5
"""Weight of the locator's opinion of a letter beside the assessor's."""


class Stopwatch:
    """Seconds spent in each stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Count the time of the block under `name`."""
        start = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - start


@dataclass(frozen=True)
class DetectedPage:
    """What both networks find on an upright page; N letters, in no order."""

    flat: Gray
    """(H, W), flattened and upright."""
    fitted: FittedPage
    """`flat` at the size at which the assessor sees letters."""
    found: Located
    assessed: Assessed
    turn: int
    """Clockwise rotation in degrees of the straight picture: 0, 90, 180 or 270."""
    measures: PictureMeasures
    """Quality of the picture around the letters, row for row with `found`."""
    agreement: float
    """How far the two networks agree on what was located, 0 to 1."""
    straightened: Straightening | None = None
    """How the picture was made straight; None where it is straight as given."""

    def straight_size(self, facts: ImageFacts) -> tuple[int, int]:
        """Width and height of the straight picture, px."""
        return self.straightened.size if self.straightened else (facts.width, facts.height)

    def letters_on_picture(self, found: Located, facts: ImageFacts) -> Located:
        """Letters of the upright page on the picture as given."""
        straight = rotate_letters_back(found, self.turn, self.straight_size(facts))
        return self.straightened.letters_back(straight) if self.straightened else straight

    def frame(self) -> Floats | None:
        """(4, 2) corners of the picture as given on the upright page; None if it is straight."""
        if self.straightened is None:
            return None
        height, width = self.flat.shape
        # What turns the upright page back turns its opposite upright.
        return rotate_points_back(
            self.straightened.frame(), (360 - self.turn) % 360, (width, height)
        )

    def points_on_picture(self, points: Floats, facts: ImageFacts) -> Floats:
        """Points (N, 2) of the upright page on the picture as given."""
        straight = rotate_points_back(points, self.turn, self.straight_size(facts))
        return self.straightened.points_back(straight) if self.straightened else straight


@dataclass(frozen=True)
class PageRules:
    """What a page is compared with and routed by."""

    learned: tuple[str, ...]
    """Names of the learned defects, in the order of `Assessed.defects`."""
    customs: Customs
    thresholds: Thresholds
    text: TextChoice = None
    measured: bool = True
    """Whether lengths are taken and weighed against the networks."""


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


def detect(
    label: str, image: PageImage, networks: Networks, thresholds: Thresholds, watch: Stopwatch
) -> DetectedPage:
    """Find and assess the letters of a picture; PageError, naming `label`, where there are none."""
    with watch.stage("size"):
        gray, flat, size, straightened = _upright_and_size(
            label, to_gray(image.pixels), networks, thresholds
        )
    with watch.stage("locate"):
        found = smooth_neighbours(_locate(networks, flat, size.body_px, thresholds.centre_p))
    if not len(found):
        raise PageError(label, why_not_square(gray, flat))
    with watch.stage("assess"), ThreadPoolExecutor(1, "quality") as beside:
        # Needs no network; measured again where the assessor takes letters away.
        quality = beside.submit(measure_picture, gray, flat, found, size.turn)
        fitted = fit_to_letters(flat, found)
        assessed = assess(networks, fitted, found)
        agreement = network_agreement(found, assessed)
        kept = assessed.letters[:, 27] < thresholds.no_letter_p
        if not kept.any() or agreement < thresholds.least_agreement:
            read_as = agreement if kept.any() else None
            raise PageError(label, why_not_square(gray, flat, read_as))
        if not kept.all():
            found, assessed = found.take(kept), assessed.take(kept)
            fitted = fit_to_letters(flat, found)
    with watch.stage("quality"):
        measures = quality.result() if kept.all() else measure_picture(gray, flat, found, size.turn)
    return DetectedPage(flat, fitted, found, assessed, size.turn, measures, agreement, straightened)


def compile_record(
    name: str, facts: ImageFacts, detected: DetectedPage, rules: PageRules, watch: Stopwatch
) -> PageRecord:
    """The record of one page, without versions."""
    with watch.stage("layout"):
        page = order_letters(detected, rules.thresholds)
    with watch.stage("align"):
        aligned, match = _compare(page, detected, rules)
    with watch.stage("route"):
        record = _route(name, facts, detected, rules, page, aligned, match)
    if not rules.measured:
        return record
    with watch.stage("measure"):
        upright = UprightPage(
            detected.flat, detected.turn, detected.straight_size(facts), _dpi(facts, detected),
            detected.straightened,
        )  # fmt: skip
        taken = measure_letters(upright, page.found, page.assessed.parts, record.glyphs)
        rows = review_disagreements(record.glyphs, taken, rules.thresholds)
    return replace(record, glyphs=rows, measurements=taken)


def order_letters(detected: DetectedPage, thresholds: Thresholds) -> OrderedPage:
    """Reading order, recognised letters and measured gaps."""
    layout = lay_out(detected.found)
    found, assessed = detected.found.take(layout.order), detected.assessed.take(layout.order)
    odds = letter_probabilities(found, assessed, thresholds.locator_weight)
    letters = likeliest_letters(odds)
    gaps = gap_odds(
        measure_gaps(detected.fitted, detected.found, layout, letters), layout, thresholds
    )
    return OrderedPage(
        layout, found, assessed, detected.measures.take(layout.order), odds, letters, gaps,
        word_start_probabilities(layout, gaps),
    )  # fmt: skip


def turn_reverse_over(page: DetectedPage) -> DetectedPage:
    """The same page, turned by 180 degrees where it is a reverse that stands upside down."""
    if not 0 < len(page.found) <= MAX_REVERSE_LETTERS:
        return page
    odds = letter_probabilities(page.found, page.assessed, REVERSE_LOCATOR_WEIGHT)
    if not is_reverse_upside_down(page.found, likeliest_letters(odds)):
        return page
    height, width = page.flat.shape
    flat = np.asarray(cv2.rotate(page.flat, cv2.ROTATE_180), np.uint8)
    found = rotate_letters_back(page.found, 180, (width, height))
    return replace(
        page, flat=flat, fitted=fit_to_letters(flat, found), found=found,
        turn=(page.turn + 180) % 360,
    )  # fmt: skip


def is_reverse_upside_down(found: Located, letters: str) -> bool:
    """Whether these letters are a reverse of which the wrong line stands upright."""
    order = lay_out(found).order
    over = found.upside_down[order]
    upright = "".join(letters[i] for i in order[~over])
    turned = "".join(letters[i] for i in order[over])
    behind_line_1, name = reverse_lines()
    return (
        letter_similarity(upright, behind_line_1) >= MIN_REVERSE_SIMILARITY
        and letter_similarity(turned, name) >= MIN_NAME_LIKENESS
    )


def network_agreement(found: Located, assessed: Assessed) -> float:
    """Mean probability that both networks mean the same letter; "no letter" is no agreement."""
    return float((found.letters * assessed.letters[:, :27]).sum(axis=1).mean())


def orientation_notes(turn: int, straightened: Straightening | None = None) -> tuple[str, ...]:
    """Sentences on a picture whose writing is rotated clockwise by `turn` degrees, and on one that
    was made straight; none for 0 and None."""
    notes = []
    if turn:
        way = "upside down" if turn == 180 else "on its side"
        notes.append(f"The picture stands {way}; it was turned before it was read.")
    if straightened and straightened.slant_degrees:
        notes.append(
            f"The picture was taken at a slant of about {straightened.slant_degrees:.0f} degrees; "
            "its perspective was removed before it was read. Take it from straight above for surer "
            "widths and gaps."
        )
    elif straightened:
        notes.append(
            f"The writing is tilted by {straightened.tilt_degrees:.0f} degrees; the picture was "
            "rotated before it was read."
        )
    return tuple(notes)


def picture_quality(
    page: OrderedPage, facts: ImageFacts, detected: DetectedPage, limits: PictureLimits
) -> dict[str, float]:
    """Measures of the picture and the writing: px, q, and mm where the resolution is known."""
    straightened = detected.straightened
    dpi = _dpi(facts, detected)
    q = float(np.median(page.found.height)) / 3
    measures = {
        "q_px": q,
        "body_px": 3 * q,
        "tilt_degrees": float(np.rad2deg(np.arctan(page.layout.slope)))
        + (straightened.tilt_degrees if straightened else 0.0),
        "lines": float(page.layout.line.max() + 1),
        "columns": float(page.layout.column.max() + 1),
        "yud_q": page.gap_odds.gaps.yud_q,
        "agreement": detected.agreement,
        "unfamiliar_share": limits.unfamiliar_share,
        **page.measures.summary(),
    }
    if straightened and straightened.slant_degrees:
        measures["slant_degrees"] = straightened.slant_degrees
    if dpi:
        measures["q_mm"] = q / dpi * 25.4
    return {key: round(value, 3) for key, value in measures.items()}


def _dpi(facts: ImageFacts, detected: DetectedPage) -> float | None:
    """Resolution of the straight picture; None of one that was taken at a slant."""
    straightened = detected.straightened
    return None if straightened and straightened.slant_degrees else facts.dpi


def _upright_and_size(
    label: str, gray: Gray, networks: Networks, thresholds: Thresholds
) -> tuple[Gray, Gray, LetterSize, Straightening | None]:
    """The straight picture, the flattened page, upright, the size of its letters, and how the
    picture was made straight."""
    flat = flatten(gray)
    if is_blank(gray, flat):
        raise PageError(label, BLANK_TEXT)
    straight = straighten(networks, gray, flat, thresholds.centre_p)
    if straight is not None:
        gray, size, straightened = straight.gray, straight.size, straight.straightened
    else:
        size, straightened = estimate_size(networks, flat, thresholds.centre_p), None
    del straight
    if why := why_refused(gray, flat, size):
        raise PageError(label, why)
    del flat  # Before the next one is made: a page may have hundreds of megabytes.
    return gray, turn_upright(flatten(gray, size.body_px), size.turn), size, straightened


def _locate(networks: Networks, flat: Gray, body: float, threshold: float) -> Located:
    found = locate(networks, flat, body, threshold)
    if len(found) < MIN_LETTERS:
        return found
    height = float(np.median(found.height))
    if abs(np.log(height / body)) > RELOCATE_LOG_RATIO:
        return locate(networks, flat, height, threshold)
    return found


def _compare(
    page: OrderedPage, detected: DetectedPage, rules: PageRules
) -> tuple[AlignedText | None, TextMatch | None]:
    """The page against its text, named or found."""
    height, width = detected.flat.shape
    context = TextContext(
        page.odds, page.word_start_p, page.letters, page.found, page.layout, (width, height),
        rules.thresholds.swapped_p, detected.frame(),
    )  # fmt: skip
    return compare_with_text(context, rules.text)


def _route(
    name: str,
    facts: ImageFacts,
    detected: DetectedPage,
    rules: PageRules,
    page: OrderedPage,
    aligned: AlignedText | None,
    match: TextMatch | None,
) -> PageRecord:
    thresholds, customs, learned = rules.thresholds, rules.customs, rules.learned
    limits = limits_of(
        page.measures, page.found, page.assessed, page.odds, thresholds.picture,
        doubted=detected.agreement < thresholds.doubted_agreement,
    )  # fmt: skip
    body = float(np.median(page.found.height))
    if body < MIN_MEASURED_BODY_PX:
        limits = replace(limits, poor_picture=True, sentences=(only_read_sentence(body),))
    elif detected.straightened and detected.straightened.slant_degrees:
        # Lengths along and across the lines are in another ratio than on the page.
        limits = replace(limits, poor_picture=True)
    if match is not None and limits.review_only:
        match = all_for_review(match)
    words = words_by_gaps(page.word_start_p) if aligned is None else words_by_text(aligned)
    given = detected.letters_on_picture(page.found, facts)
    glyphs = glyph_rows(
        given, page.assessed, page.odds, page.layout.line, words, aligned, learned, customs,
        thresholds, limits,
    )  # fmt: skip
    absent = match.absent if match is not None else ()
    lost = {letter.after - 1 for letter in absent if letter.route == "finding"}
    touch = learned.index("letters_touch") if "letters_touch" in learned else None
    gaps = gap_rows(
        page.layout, page.gap_odds, page.assessed, touch, expected_kinds(page.layout, aligned),
        lost, thresholds, limits,
    )  # fmt: skip
    return PageRecord(
        name=name, image=facts, glyphs=glyphs, gaps=gaps,
        match=_places_on_picture(match, detected, facts), turn=detected.turn,
        quality=picture_quality(page, facts, detected, limits),
        unresolved=limits.unresolved,
        not_examined=slant_sentences(detected.straightened) + not_examined(
            limits, thresholds, aligned is not None, count_cut_letters(given, facts),
            _letters_without_crown_custom(customs), detected.agreement,
        ),
    )  # fmt: skip


def _places_on_picture(
    match: TextMatch | None, detected: DetectedPage, facts: ImageFacts
) -> TextMatch | None:
    """Places of the text moved from the upright page to the picture as given."""
    if match is None or not (match.absent or match.places):
        return match
    at = np.array([*(a.at for a in match.absent), *(p.at for p in match.places)])
    back = detected.points_on_picture(at, facts)
    moved = [(float(x), float(y)) for x, y in back]
    count = len(match.absent)
    absent = tuple(replace(a, at=at) for a, at in zip(match.absent, moved[:count], strict=True))
    places = tuple(replace(p, at=at) for p, at in zip(match.places, moved[count:], strict=True))
    return replace(match, absent=absent, places=places)


def _letters_without_crown_custom(customs: Customs) -> tuple[str, ...]:
    """Letters that may carry crowns and of which the customs expect nothing."""
    crowned = CATALOGUE["tag_missing"].letters
    return tuple(c for c in LETTERS if c in crowned and customs.tags_expected(c) is None)
