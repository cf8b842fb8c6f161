"""A page's way from pixels to its record. Read this file first: every stage is one call.

    PageImage                      read_page                              datasets/files/images
        │ size                     flatten_upright                        image/, letters/straighten
        ▼
    UprightPicture
        │ locate                   locate_page                            letters/locator, /scale
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
        │ hand                     read_by_hand                           hand/, text/
        ▼
    ReadPage, HandRecord
        │ route                    limits_of, glyph_rows, gap_rows        quality/, routing/
        ▼
    PageRecord
        │ measure                  measure_letters, review_disagreements  measure/, routing/reasons
        ▼
    PageRecord with measurements
        │ habits                   find_habits, state_marks ...           habits/ (inspector.py)
        ▼
    PageRecord as it is written

`detect` goes as far as `DetectedPage`, once per page; `compile_record` goes on from there, once per
text that the page is compared with. Both count the seconds of their stages under the names on the
left. The records that pass between stages stand in `records.py`, those of whole pages in
`stages.py`.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from functools import partial

import cv2
import numpy as np

from crownlet.datasets.files.images import ImageFacts, PageError, PageImage, to_gray
from crownlet.infer.hand.adapt import NO_TEXT, hand_notes, not_learned, read_again
from crownlet.infer.hand.forms import doubted_letters
from crownlet.infer.hand.kernel import describe_letters
from crownlet.infer.hand.split_letters import join_split_letters
from crownlet.infer.hand_records import HandRecord
from crownlet.infer.image.crops import fit_to_letters
from crownlet.infer.image.upright import rotate_letters_back
from crownlet.infer.layout.gaps import measure_gaps, yud_width
from crownlet.infer.layout.lines import lay_out
from crownlet.infer.letters import refusal
from crownlet.infer.letters.assessor import (
    MaskChoice,
    assess,
    is_writing,
    letter_agreement,
    letter_probabilities,
    likeliest_letters,
)
from crownlet.infer.letters.scale import locate_page
from crownlet.infer.letters.straighten import flatten_upright
from crownlet.infer.measure.letters import UprightPage, measure_letters
from crownlet.infer.networks import Networks
from crownlet.infer.quality.familiarity import is_thin, stroke_shares
from crownlet.infer.quality.legibility import PictureLimits, limits_of
from crownlet.infer.quality.measures import measure_picture
from crownlet.infer.records import Floats, PageRecord
from crownlet.infer.routing.gaps import (
    expected_kinds,
    gap_odds,
    gap_rows,
    word_start_probabilities,
)
from crownlet.infer.routing.glyphs import glyph_rows
from crownlet.infer.routing.marks import doubt_extras, ink_areas, set_marks_aside
from crownlet.infer.routing.not_examined import (
    cut_letters,
    letters_without_crown_custom,
    not_examined,
)
from crownlet.infer.routing.reasons import review_disagreements
from crownlet.infer.stages import (
    DetectedPage,
    OrderedPage,
    PageReading,
    PageRules,
    ReadPage,
)
from crownlet.infer.text.discrepancies import TextContext
from crownlet.infer.text.match import (
    MIN_TEXT_AGREEMENT,
    share_agreeing,
    words_by_gaps,
    words_by_text,
)
from crownlet.infer.text.search import compare_with_text, realign, summarise_again
from crownlet.infer.text.sequence import read_by_language
from crownlet.infer.text.side import MAX_REVERSE_LETTERS, is_reverse_upside_down
from crownlet.infer.text.summary import all_for_review, places_on_picture
from crownlet.infer.thresholds import Thresholds


class Stopwatch:
    """Seconds spent in each stage."""

    clock = staticmethod(time.perf_counter)
    """What is counted; the bench counts processor time."""

    def __init__(self, seconds: Mapping[str, float] | None = None) -> None:
        """`seconds` are those of stages before, which count on."""
        self.seconds = dict(seconds or {})

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Count the time of the block under `name`."""
        start = self.clock()
        try:
            yield
        finally:
            self.seconds[name] = self.seconds.get(name, 0.0) + self.clock() - start


def detect(
    label: str,
    image: PageImage,
    networks: Networks,
    thresholds: Thresholds,
    watch: Stopwatch,
    choose: MaskChoice | None = None,
) -> DetectedPage:
    """Find and assess the letters of a picture; PageError, naming `label`, where there are none.

    `choose` says which letters are to be measured.
    """
    with watch.stage("size"):
        page = flatten_upright(label, to_gray(image.pixels), networks, thresholds.centre_p)
        gray, flat, turn = page.gray, page.flat, page.placement.turn
    with watch.stage("locate"):
        found = locate_page(networks, flat, page.body_px, thresholds.centre_p)
    if not len(found):
        raise PageError(label, refusal.why_not_square(gray, flat))
    with watch.stage("assess"), ThreadPoolExecutor(1, "quality") as beside:
        # Needs no network; measured again where the assessor takes letters away.
        quality = beside.submit(measure_picture, gray, flat, found, turn)
        fitted = fit_to_letters(flat, found)
        assessed = assess(networks, fitted, found, choose)
        kept = is_writing(found, assessed)
        strays, pale = ~kept, kept & quality.result().show_through
        omitted = int(np.count_nonzero(strays)), int(np.count_nonzero(pale))
        kept &= ~pale
        agreement = float(letter_agreement(found, assessed)[kept].mean())
        kept &= assessed.letters[:, 27] < thresholds.no_letter_p
        if not kept.any() or agreement < thresholds.least_agreement:
            raise PageError(label, refusal.why_not_square(gray, flat, agreement))
        if not kept.all():
            found, assessed = found.take(kept), assessed.take(kept)
            before, fitted = fitted, fit_to_letters(flat, found, fitted)
            if fitted is not before:
                assessed = replace(assessed, ink=None)
    with watch.stage("quality"):
        measures = quality.result() if kept.all() else measure_picture(gray, flat, found, turn)
        if not measures.is_resolved and agreement < refusal.MIN_AGREEMENT_OF_BLURRED:
            raise PageError(label, refusal.why_blurred(float(np.median(measures.edge_px))))
    return DetectedPage(flat, fitted, found, assessed, page.placement, measures, agreement, omitted)


def compile_record(
    name: str, facts: ImageFacts, detected: DetectedPage, rules: PageRules, watch: Stopwatch
) -> PageRecord:
    """The record of one page, without versions."""
    reading = read_letters(detected, rules, watch)
    detected, read, hand = reading.detected, reading.read, reading.hand
    with watch.stage("route"):
        record = _route(name, facts, detected, rules, read, reading.alone.page.odds)
        record = replace(record, hand=hand, notes=(*record.notes, *hand_notes(hand)))
    page = read.page
    if not page.assessed.masked.any():
        return record
    with watch.stage("measure"):
        dpi = detected.placement.dpi(facts.dpi)
        upright = UprightPage(detected.flat, detected.placement, dpi)
        taken = measure_letters(upright, page.found, page.assessed, record.glyphs)
        rows = review_disagreements(record.glyphs, taken, rules.thresholds)
    return replace(record, glyphs=rows, measurements=taken)


def read_letters(detected: DetectedPage, rules: PageRules, watch: Stopwatch) -> PageReading:
    """A page in reading order, compared with its text and read by its hand.

    Where letters prove to be located as two, they are joined and the page is read again.
    """
    reading = _read_once(detected, rules, watch)
    with watch.stage("assess"):
        joined = _join_split(reading, rules)
    return reading if joined is None else _read_once(joined, rules, watch)


def _read_once(detected: DetectedPage, rules: PageRules, watch: Stopwatch) -> PageReading:
    with watch.stage("layout"):
        page = order_letters(detected, rules.thresholds)
    with watch.stage("align"):
        alone = compare_page(page, detected, rules)
    with watch.stage("hand"):
        read, hand = read_by_hand(alone, detected, rules)
    return PageReading(detected, alone, read, hand)


def _join_split(reading: PageReading, rules: PageRules) -> DetectedPage | None:
    """The page with letters joined that were located as two; None where there are none."""
    page, aligned, detected = reading.read.page, reading.read.aligned, reading.detected
    if aligned is None or rules.assess is None or (aligned.alignment.expected >= 0).all():
        return None
    joined = join_split_letters(
        page.found, page.assessed, page.odds, page.layout.line, aligned,
        partial(rules.assess, detected.fitted),
    )  # fmt: skip
    if joined is None:
        return None
    found, assessed, stays = joined.put_into(page.found, page.assessed)
    return replace(
        detected, found=found.take(stays), assessed=assessed.take(stays),
        measures=page.measures.take(stays),
    )  # fmt: skip


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
        word_start_probabilities(layout, gaps), stroke_shares(found, odds.argmax(axis=1)),
    )  # fmt: skip


def compare_page(page: OrderedPage, detected: DetectedPage, rules: PageRules) -> ReadPage:
    """A page as read by the networks alone, compared with its text."""
    return ReadPage(page, *compare_with_text(_text_context(page, detected, rules), rules.text))


def read_by_hand(
    alone: ReadPage, detected: DetectedPage, rules: PageRules
) -> tuple[ReadPage, HandRecord]:
    """The page read and aligned again with what its own letters show of the hand.

    `alone` is the page as read by the networks alone, returned where the hand is not learned.
    """
    page, aligned, match = alone.page, alone.aligned, alone.match

    def context_of(odds: Floats) -> TextContext:
        return _text_context(_read_otherwise(page, odds, detected, rules), detected, rules)

    reading = read_again(
        rules.hand, lambda: describe_letters(detected.fitted, page.found, page.assessed),
        page.odds, aligned,
        lambda odds, text: realign(context_of(odds), text),
        lambda odds: read_by_language(odds, page.word_start_p, page.layout.line),
    )  # fmt: skip
    if aligned is None and reading.odds is not page.odds:
        again = _read_otherwise(page, reading.odds, detected, rules)
        return ReadPage(again, None, match), reading.record
    if reading.aligned is None or match is None:
        return alone, reading.record
    context = context_of(reading.odds)
    if share_agreeing(reading.aligned, context.letters) < MIN_TEXT_AGREEMENT:
        return alone, not_learned(NO_TEXT)
    match = summarise_again(context, reading.aligned, match)
    again = _read_otherwise(page, reading.odds, detected, rules)
    return ReadPage(again, reading.aligned, match), reading.record


def _read_otherwise(
    page: OrderedPage, odds: Floats, detected: DetectedPage, rules: PageRules
) -> OrderedPage:
    """The page with other odds; where other letters are yuds the gaps are measured in these."""
    letters = likeliest_letters(odds)
    read = replace(page, odds=odds, letters=letters)
    if [c == "י" for c in letters] == [c == "י" for c in page.letters]:
        return read
    yud_q = yud_width(detected.fitted, detected.found, page.layout, letters)
    gaps = gap_odds(replace(page.gap_odds.gaps, yud_q=yud_q), page.layout, rules.thresholds)
    starts = word_start_probabilities(page.layout, gaps)
    return replace(read, gap_odds=gaps, word_start_p=starts)


def turn_reverse_over(page: DetectedPage, thresholds: Thresholds) -> DetectedPage:
    """The same page, turned by 180 degrees where it is a reverse that stands upside down."""
    if not 0 < len(page.found) <= MAX_REVERSE_LETTERS:
        return page
    odds = letter_probabilities(page.found, page.assessed, thresholds.locator_weight)
    if not is_reverse_upside_down(page.found, likeliest_letters(odds)):
        return page
    height, width = page.flat.shape
    flat = np.asarray(cv2.rotate(page.flat, cv2.ROTATE_180), np.uint8)
    found = rotate_letters_back(page.found, 180, (width, height))
    placement = replace(page.placement, turn=(page.placement.turn + 180) % 360)
    return replace(
        page, flat=flat, fitted=fit_to_letters(flat, found), found=found,
        assessed=replace(page.assessed, ink=None), placement=placement,
    )  # fmt: skip


def picture_quality(
    page: OrderedPage, facts: ImageFacts, detected: DetectedPage, limits: PictureLimits
) -> dict[str, float]:
    """Measures of the picture and the writing: px, q, and mm where the resolution is known."""
    placement = detected.placement
    dpi = placement.dpi(facts.dpi)
    q = float(np.median(page.found.height)) / 3
    measures = {
        "q_px": q,
        "body_px": 3 * q,
        "tilt_degrees": placement.tilt_degrees + float(np.rad2deg(np.arctan(page.layout.slope))),
        "lines": float(page.layout.line.max() + 1),
        "columns": float(page.layout.column.max() + 1),
        "yud_q": page.gap_odds.gaps.yud_q,
        "agreement": detected.agreement,
        "unfamiliar_share": limits.unfamiliar_share,
        **page.measures.summary(),
    }
    if placement.slant_degrees:
        measures["slant_degrees"] = placement.slant_degrees
    if dpi:
        measures["q_mm"] = q / dpi * 25.4
    return {key: round(value, 3) for key, value in measures.items()}


def _text_context(page: OrderedPage, detected: DetectedPage, rules: PageRules) -> TextContext:
    """What the comparison with a text needs of a page."""
    height, width = detected.flat.shape
    return TextContext(
        page.odds, page.word_start_p, page.letters, page.found, page.layout, (width, height),
        rules.thresholds.swapped_p, detected.placement.frame((width, height)),
        is_thin(page.stroke_share),
    )  # fmt: skip


def _route(
    name: str,
    facts: ImageFacts,
    detected: DetectedPage,
    rules: PageRules,
    read: ReadPage,
    networks_odds: Floats,
) -> PageRecord:
    """The record of a page as read; `networks_odds` (N, 27) are those of the networks alone."""
    page, aligned, match = read.page, read.aligned, read.match
    thresholds, customs, learned = rules.thresholds, rules.customs, rules.learned
    slant, omitted = detected.placement.slant_degrees, detected.omitted
    # Familiarity is that of the networks: its bounds are measured on their odds.
    limits = limits_of(
        page.measures, page.found, page.assessed, networks_odds, thresholds.picture,
        rules.hand.means, detected.agreement, thresholds.doubted_agreement, aligned is not None,
        slant,
    )  # fmt: skip
    if match is not None and limits.review_only:
        match = all_for_review(match)
    words = words_by_gaps(page.word_start_p) if aligned is None else words_by_text(aligned)
    given = detected.placement.letters_back(page.found)
    cut = cut_letters(given.box, facts)
    limits = limits.without(cut)
    glyphs = glyph_rows(
        given, page.assessed, page.odds, page.layout.line, words, aligned, learned, customs,
        thresholds, limits,
        doubted_letters(page.assessed.hidden, page.odds, networks_odds, aligned, rules.hand.means),
    )  # fmt: skip
    lost = {a.after - 1 for a in (match.absent if match else ()) if a.route == "finding"}
    touch = learned.index("letters_touch") if "letters_touch" in learned else None
    gaps = gap_rows(
        page.layout, page.gap_odds, page.assessed, touch, expected_kinds(page.layout, aligned),
        lost, thresholds, limits,
    )  # fmt: skip
    record = PageRecord(
        name=name, image=facts, glyphs=glyphs, gaps=gaps,
        match=places_on_picture(match, detected.placement), turn=detected.placement.turn,
        quality=picture_quality(page, facts, detected, limits),
        unresolved=limits.unresolved, familiarity=limits.familiarity,
        notes=tuple(filter(None, [limits.familiarity.message])),
        not_examined=(refusal.page_sentences(slant, *omitted) if slant or any(omitted) else ())
        + not_examined(
            limits, aligned is not None, int(cut.sum()),
            letters_without_crown_custom(customs), detected.agreement, learned,
        ),
    )  # fmt: skip
    if not (is_thin(page.stroke_share).any() or any(glyph.expected == "" for glyph in glyphs)):
        return record
    record = doubt_extras(record, ink_areas(detected.flat, page.found))
    return set_marks_aside(record, page.stroke_share)
