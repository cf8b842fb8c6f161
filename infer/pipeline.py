"""Everything learned: from the pixels of a page to the letters that both networks see on it."""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.files.images import ImageFacts, PageError, PageImage, to_gray
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.image import crops
from crownlet.infer.image.flatten import flatten
from crownlet.infer.image.rotate import rotate_letters_back, rotate_points_back, turn_upright
from crownlet.infer.layout import spacing as whites
from crownlet.infer.layout.lines import Layout, lay_out
from crownlet.infer.letters import assessor as glyphs
from crownlet.infer.letters import scale as sizing
from crownlet.infer.letters.assessor import assess, letter_probabilities, likeliest_letters
from crownlet.infer.letters.locator import locate, smooth_neighbours
from crownlet.infer.measure.letters import UprightPage, measure_letters
from crownlet.infer.networks import Networks
from crownlet.infer.quality.legibility import PictureLimits, limits_of
from crownlet.infer.quality.measures import PictureMeasures, measure_picture
from crownlet.infer.records import Assessed, Floats, Located, PageRecord, TextMatch
from crownlet.infer.routing import gaps
from crownlet.infer.routing import glyphs as glyphs_
from crownlet.infer.routing.not_examined import count_cut_letters, not_examined
from crownlet.infer.routing.reasons import review_disagreements
from crownlet.infer.text import match as matching
from crownlet.infer.text.discrepancies import TextContext
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


def orientation_notes(turn: int) -> tuple[str, ...]:
    """What to say of a picture whose writing was turned clockwise by so many degrees."""
    if turn == 0:
        return ()
    way = "upside down" if turn == 180 else "on its side"
    return (f"The picture stands {way}; it was turned before it was read.",)


MIN_MEASURED_BODY_PX = 16.0
"""Measured body height under which a page is refused; 17 px is the promise, this its tolerance."""

MIN_INK_SHARE = 2e-4
"""A page with a smaller share of ink is blank."""

MIN_GREY_RANGE = 24
"""A picture whose grey levels span less than this is one flat tone."""

RELOCATE_LOG_RATIO = 0.2
"""The whole page is located anew when its letters differ from the estimate by more than this."""

NO_LETTERS_TEXT = "no letters of the square script were found on it."


@dataclass(frozen=True)
class DetectedPage:
    """What both networks saw on an upright page `flat` (H, W), turned back by `turn` degrees."""

    flat: npt.NDArray[np.uint8]
    fitted: crops.FittedPage
    """`flat` at the size at which letters are looked at."""
    found: Located
    assessed: Assessed
    turn: int
    measures: PictureMeasures
    """Quality of the picture around the letters, row for row with `found`."""
    agreement: float
    """How far the two networks agree on what was located, 0 to 1."""


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


def detect(
    label: str, image: PageImage, networks: Networks, limits: Thresholds, watch: Stopwatch
) -> DetectedPage:
    """Size, straighten, locate and assess; PageError, naming `label`, when there is nothing."""
    with watch.stage("size"):
        gray = to_gray(image.pixels)
        flat, size = _upright_and_size(label, gray, networks, limits)
    with watch.stage("locate"):
        found = smooth_neighbours(_locate(networks, flat, size.body, limits.centre_p))
    if not len(found):
        raise PageError(label, NO_LETTERS_TEXT)
    with watch.stage("assess"), ThreadPoolExecutor(1, "quality") as beside:
        # No network is asked for it; where the assessor strikes letters out it is measured anew.
        quality = beside.submit(measure_picture, gray, flat, found, size.turn)
        fitted = crops.fit_to_letters(flat, found)
        assessed = assess(networks, fitted, found)
        agreement = network_agreement(found, assessed)
        kept = assessed.letters[:, 27] < limits.no_letter_p
        if not kept.any() or agreement < limits.least_agreement:
            raise PageError(label, NO_LETTERS_TEXT)
        if not kept.all():
            found, assessed = found.take(kept), assessed.take(kept)
            fitted = crops.fit_to_letters(flat, found)
    with watch.stage("quality"):
        measures = quality.result() if kept.all() else measure_picture(gray, flat, found, size.turn)
    return DetectedPage(flat, fitted, found, assessed, size.turn, measures, agreement)


def network_agreement(found: Located, assessed: Assessed) -> float:
    """Mean probability that both networks mean the same letter; "no letter" is no agreement."""
    return float((found.letters * assessed.letters[:, :27]).sum(axis=1).mean())


def _upright_and_size(
    label: str, gray: npt.NDArray[np.uint8], networks: Networks, limits: Thresholds
) -> tuple[npt.NDArray[np.uint8], sizing.LetterSize]:
    """The flattened page, upright, and the size of its letters."""
    low, high = np.percentile(gray[::4, ::4], (0.1, 99.9))
    flat = flatten(gray)
    if high - low < MIN_GREY_RANGE or sizing.ink_share(flat) < MIN_INK_SHARE:
        raise PageError(label, "the page is blank: there is no writing on it.")
    size = sizing.estimate_size(networks, flat, limits.centre_p)
    small = size.body < MIN_MEASURED_BODY_PX
    if not size.letters or (small and size.sure < sizing.SURE_PROBABILITY):
        raise PageError(label, NO_LETTERS_TEXT)
    if small:
        raise PageError(
            label,
            f"letters too small ({size.body:.0f} px; at least {sizing.MIN_BODY_PX} px needed).",
        )
    del flat  # Before the next one is made: a page may have hundreds of megabytes.
    return turn_upright(flatten(gray, size.body), size.turn), size


def _locate(
    networks: Networks, flat: npt.NDArray[np.uint8], body: float, threshold: float
) -> Located:
    found = locate(networks, flat, body, threshold)
    if len(found) < sizing.MIN_LETTERS:
        return found
    height = float(np.median(found.body[:, 2]))
    if abs(np.log(height / body)) > RELOCATE_LOG_RATIO:
        return locate(networks, flat, height, threshold)
    return found


@dataclass(frozen=True)
class PageRules:
    """What a page is judged by: the learned defects' names, customs, thresholds, text if known."""

    learned: tuple[str, ...]
    customs: Customs
    thresholds: Thresholds
    portion: TextChoice = None
    measured: bool = True
    """Whether lengths are taken and weighed against the networks."""


@dataclass(frozen=True)
class OrderedPage:
    """The letters of a page in reading order, with their whites."""

    layout: Layout
    found: Located
    assessed: Assessed
    measures: PictureMeasures
    odds: Floats
    letters: str
    measured: gaps.GapOdds
    opens: Floats


def compile_record(
    name: str, facts: ImageFacts, seen: DetectedPage, rules: PageRules, watch: Stopwatch
) -> PageRecord:
    """The record of one page, without versions."""
    with watch.stage("layout"):
        page = order_letters(seen, rules.thresholds)
    with watch.stage("align"):
        matched, match = _match_text(page, seen, rules)
    with watch.stage("route"):
        record = _route(name, facts, seen, rules, page, matched, match)
    if not rules.measured:
        return record
    with watch.stage("measure"):
        upright = UprightPage(seen.flat, seen.turn, (facts.width, facts.height), facts.dpi)
        taken = measure_letters(upright, page.found, page.assessed.parts, record.glyphs)
        rows = review_disagreements(record.glyphs, taken, rules.thresholds)
    return replace(record, glyphs=rows, measurements=taken)


def order_letters(seen: DetectedPage, thresholds: Thresholds) -> OrderedPage:
    """Reading order, recognised letters and measured whites."""
    layout = lay_out(seen.found)
    found, assessed = seen.found.take(layout.order), seen.assessed.take(layout.order)
    odds = glyphs.letter_probabilities(found, assessed, thresholds.locator_weight)
    letters = glyphs.likeliest_letters(odds)
    white = whites.measure_gaps(seen.fitted, seen.found, layout, letters)
    measured = gaps.gap_odds(white, layout, thresholds)
    opens = gaps.word_start_probabilities(layout, measured)
    measures = seen.measures.take(layout.order)
    return OrderedPage(layout, found, assessed, measures, odds, letters, measured, opens)


def _match_text(
    page: OrderedPage, seen: DetectedPage, rules: PageRules
) -> tuple[matching.AlignedText | None, TextMatch | None]:
    """The page against its text, named or found."""
    height, width = seen.flat.shape
    reading = TextContext(
        page.odds, page.opens, page.letters, page.found, page.layout, (width, height),
        rules.thresholds.swapped_p,
    )  # fmt: skip
    return compare_with_text(reading, rules.portion)


def _route(
    name: str,
    facts: ImageFacts,
    seen: DetectedPage,
    rules: PageRules,
    page: OrderedPage,
    matched: matching.AlignedText | None,
    match: TextMatch | None,
) -> PageRecord:
    limits, customs, learned = rules.thresholds, rules.customs, rules.learned
    judged = limits_of(
        page.measures, page.found, page.assessed, page.odds, limits.picture,
        doubted=seen.agreement < limits.doubted_agreement,
    )  # fmt: skip
    if match is not None and judged.strange_page:
        match = all_for_review(match)
    words = matching.words_by_gaps(page.opens)
    if matched is not None:
        words = matching.words_by_text(matched)
    given = rotate_letters_back(page.found, seen.turn, (facts.width, facts.height))
    rows = glyphs_.glyph_rows(
        given, page.assessed, page.odds, page.layout.line, words, matched, learned, customs, limits,
        judged,
    )  # fmt: skip
    kinds = gaps.expected_kinds(page.layout, matched)
    absent = match.absent if match is not None else ()
    lost = {letter.after - 1 for letter in absent if letter.route == "finding"}
    touch = learned.index("letters_touch") if "letters_touch" in learned else None
    gap_rows = gaps.gap_rows(
        page.layout, page.measured, page.assessed, touch, kinds, lost, limits, judged
    )
    return PageRecord(
        name=name, image=facts, glyphs=rows, gaps=gap_rows,
        match=_text_places_back(match, seen.turn, facts), turn=seen.turn,
        quality=picture_quality(page, facts, seen.agreement, judged), unresolved=judged.unresolved,
        not_examined=not_examined(
            judged, limits, matched is not None, count_cut_letters(given, facts), _letters_without_crown_custom(customs),
            seen.agreement,
        ),
    )  # fmt: skip


def _text_places_back(match: TextMatch | None, turn: int, facts: ImageFacts) -> TextMatch | None:
    """Places of the text moved from the upright page to the picture as given."""
    if match is None or not (match.absent or match.places):
        return match
    at = np.array([*(a.at for a in match.absent), *(p.at for p in match.places)])
    back = rotate_points_back(at, turn, (facts.width, facts.height))
    moved = [(float(x), float(y)) for x, y in back]
    count = len(match.absent)
    absent = tuple(replace(a, at=at) for a, at in zip(match.absent, moved[:count], strict=True))
    places = tuple(replace(p, at=at) for p, at in zip(match.places, moved[count:], strict=True))
    return replace(match, absent=absent, places=places)


def _letters_without_crown_custom(customs: Customs) -> tuple[str, ...]:
    """Letters that may carry crowns and of which the customs expect nothing."""
    crowned = CATALOGUE["tag_missing"].letters
    return tuple(c for c in LETTERS if c in crowned and customs.tags_expected(c) is None)


def picture_quality(
    page: OrderedPage, facts: ImageFacts, agreement: float, judged: PictureLimits
) -> dict[str, float]:
    """Measures of the picture and the writing: px, q, and mm where the resolution is known."""
    q = float(np.median(page.found.body[:, 2])) / 3
    measures = {
        "q_px": q,
        "body_px": 3 * q,
        "tilt_degrees": float(np.rad2deg(np.arctan(page.layout.slope))),
        "lines": float(page.layout.line.max() + 1),
        "columns": float(page.layout.column.max() + 1),
        "yud_q": page.measured.whites.yud,
        "agreement": agreement,
        "unfamiliar_share": judged.unfamiliar_share,
        **page.measures.summary(),
    }
    if facts.dpi:
        measures["q_mm"] = q / facts.dpi * 25.4
    return {key: round(value, 3) for key, value in measures.items()}


MIN_NAME_LIKENESS = 0.5
"""Two of the three letters of the Name will do, with a speck or two read as letters."""

REVERSE_LOCATOR_WEIGHT = 0.5
"""Weight of the locator's opinion of a letter beside the assessor's."""


def turn_reverse_over(seen: DetectedPage) -> DetectedPage:
    """The same page, turned over where it is a reverse that stands on its head."""
    if not 0 < len(seen.found) <= MAX_REVERSE_LETTERS:
        return seen
    letters = likeliest_letters(
        letter_probabilities(seen.found, seen.assessed, REVERSE_LOCATOR_WEIGHT)
    )
    if not is_reverse_upside_down(seen.found, letters):
        return seen
    height, width = seen.flat.shape
    flat = np.asarray(cv2.rotate(seen.flat, cv2.ROTATE_180), np.uint8)
    found = rotate_letters_back(seen.found, 180, (width, height))
    return DetectedPage(
        flat=flat,
        fitted=crops.fit_to_letters(flat, found),
        found=found,
        assessed=seen.assessed,
        turn=(seen.turn + 180) % 360,
        measures=seen.measures,
        agreement=seen.agreement,
    )


def is_reverse_upside_down(found: Located, letters: str) -> bool:
    """Whether these letters are a reverse of which the wrong line stands upright."""
    order = lay_out(found).order
    over = np.abs(found.body[order, 3] % 360 - 180) < 45
    upright = "".join(letters[i] for i in order[~over])
    turned = "".join(letters[i] for i in order[over])
    behind_line_1, name = reverse_lines()
    return (
        letter_similarity(upright, behind_line_1) >= MIN_REVERSE_SIMILARITY
        and letter_similarity(turned, name) >= MIN_NAME_LIKENESS
    )
