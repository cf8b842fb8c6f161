"""Lengths of every letter of a page, in q and mm, with rulers on the page as given.

From which lengths on a defect is there or not there: two limits per measure. A book's number is
taken where one gives it. Otherwise a limit lies between what the renderer draws plainly and what it
draws faultlessly, by calibration hands at 64 px a body (`whole` in `limits.yaml` is the least, or
the most, of 1709 faultless letters). Between the two limits the answer is "unclear".
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.image.crops import crop_matrices
from crownlet.infer.image.upright import Placement
from crownlet.infer.limits import limits_of
from crownlet.infer.measure import edges, gaps, lengths, openings
from crownlet.infer.measure.ink import PATCH_MARGIN_Q, Length, LetterInk, cut_out
from crownlet.infer.records import Assessed, Floats, GlyphRecord, Located, MeasureClaim, Measurement

_LIMITS = limits_of("measure.letters")

MIN_PART_P = _LIMITS.number("min_part_p")
"""Probability from which the assessor sees a part anywhere."""

PART_PEAK_SHARE = _LIMITS.number("part_peak_share")
"""Share of its highest probability from which ink belongs to a part."""

MIN_SUSPECTED_P = _LIMITS.number("min_suspected_p")
"""Probability from which a gap that is not found is listed as one of 0 q."""

MAX_UNFILLED_BOX_Q = _LIMITS.number("max_unfilled_box_q")
"""Ink that ends by more than this, in q, inside the letter's box lacks a part, which was taken for
another letter's: of a gap before it nothing is known."""

FIRM_INK_DARKNESS, MIN_PART_AREA_SQUARE_Q = (
    _LIMITS.number("firm_ink_darkness"),
    _LIMITS.number("min_part_area_square_q"),
)
"""Darkness of ink, 0 to 1, and area of a part: where only paler ink joins two parts of at least
this area, blur may have closed a gap between them."""

GAP_MEASURES = (("part_gap", "part_loose", "joint"), ("tag_gap", "tag_loose", "tag"))

MIN_Q_PX = _LIMITS.number("min_q_px")
"""Letters with fewer px per kulmus are not measured: a tenth of a q is then more than half a px."""

SMOOTHING_LETTERS = _LIMITS.whole("smoothing_letters")
"""Letters before and after one over which its height is smoothed."""

MIN_OTHER_SIZE_LOG_RATIO = _LIMITS.number("min_other_size_log_ratio")
"""A letter larger or smaller by at least this natural logarithm of a ratio is of another size."""

Measure = Callable[[LetterInk], list[Length]]

MEASURES: tuple[tuple[str, Measure], ...] = (
    ("ג", lengths.foot_drop),
    (
        lengths.RIGHT_LEG_LETTERS
        + lengths.LEFT_LEG_LETTERS
        + lengths.HEADED_LETTERS
        + gaps.HANGING_LEG_LETTERS,
        lengths.leg_lengths,
    ),
    (openings.OPENING_LETTERS, openings.opening_width),
    ("".join(lengths.HEADS_OF_LETTER), lengths.head_gaps),
    (CATALOGUE["tag_missing"].letters, lengths.tag_heights),
    ("".join(lengths.HEEL_RANGES_Q), lengths.heel_length),
    ("י", lengths.kotz_length),
    ("ח", lengths.roof_end),
)
"""What is measured on which letters; gaps between pieces are measured on all."""

ALL_LETTERS = "אבגדהוזחטיךכלםמןנסעףפץצקרשת"


@dataclass(frozen=True)
class MeasureLimit:
    """`there` at or beyond the one value, `not_there` at or beyond the other, in q."""

    name: str
    defect: str
    letters: str
    there: float
    not_there: float

    def answer(self, q: float) -> MeasureClaim:
        """Whether a length in q shows the defect."""
        sign = 1.0 if self.there > self.not_there else -1.0
        if sign * (q - self.there) >= 0.0:
            return "there"
        return "not_there" if sign * (q - self.not_there) <= 0.0 else "unclear"


MEASURE_LIMITS = tuple(
    MeasureLimit(
        name=row["name"],
        defect=row["defect"],
        letters=ALL_LETTERS if row["letters"] == "all" else row["letters"],
        there=float(row["there"]),
        not_there=float(row["not_there"]),
    )
    for row in _LIMITS.rows("table")
)
"""The table of `limits.yaml`, where the source of each row stands beside it."""

_BY_KEY = {
    (limit.name, limit.defect, letter): limit
    for limit in MEASURE_LIMITS
    for letter in limit.letters
}


@dataclass(frozen=True)
class UprightPage:
    """A page made ready for the ruler, and its way back to the picture as given."""

    flat: npt.NDArray[np.uint8]
    """(H, W), flattened and upright."""
    placement: Placement
    dpi: float | None
    """Resolution of `flat` if known."""


def measure_letters(
    page: UprightPage, found: Located, assessed: Assessed, rows: tuple[GlyphRecord, ...]
) -> tuple[Measurement, ...]:
    """Measures of all letters that have part masks, in the order of `rows`.

    `found` (upright page) and `assessed` are row for row with `rows`. A defect that the picture
    does not show well enough is left out here as in routing.
    """
    heights = smooth_heights(found.height)
    taken: list[tuple[GlyphRecord, Length, MeasureLimit, MeasureClaim, float]] = []
    ends = []
    matrices = crop_matrices(found.body, found.box)
    for i in np.flatnonzero(assessed.masked).tolist():
        row, q = rows[i], float(heights[i]) / 3.0
        if q < MIN_Q_PX:
            continue
        body, box = tuple(found.body[i].tolist()), tuple(found.box[i].tolist())
        ink = cut_out(page.flat, row.judged_as, body, box, assessed.parts[i], q, matrices[i])
        if ink is None:
            continue
        for length, limit, claim in _compare_with_limits(ink, row):
            taken.append((row, length, limit, claim, q))
            ends.append(ink.on_page(np.stack([length.start, length.end])))
    if not taken:
        return ()
    placed = page.placement.points_back(np.concatenate(ends)).reshape(-1, 4).tolist()
    return tuple(
        _measurement(
            row.glyph, length, limit, claim, ruler, q / page.dpi * 25.4 if page.dpi else None
        )
        for (row, length, limit, claim, q), ruler in zip(taken, placed, strict=True)
    )


def measure_letter(ink: LetterInk, crowned: bool = True) -> list[Length]:
    """All lengths of one letter, those of its crown if `crowned`."""
    found = gaps.gap_lengths(ink)
    for letters, measure in MEASURES:
        if ink.letter in letters and (crowned or measure is not lengths.tag_heights):
            found += measure(ink)
    return found


def _compare_with_limits(
    ink: LetterInk, row: GlyphRecord
) -> Iterator[tuple[Length, MeasureLimit, MeasureClaim]]:
    """Lengths with their limits and answers.

    The answer is "unclear" for a letter whose ink runs into a neighbour's.
    """
    # Crowns that no custom expects are measured where the letter is looked at anyway.
    crowned = row.tags_expected is not None or row.route != "clear"
    found = measure_letter(ink, crowned)
    for length in found + zero_lengths(ink, row, found):
        limit = _limit(length, row)
        if limit is None or limit.defect in row.not_examined:
            continue
        claim = limit.answer(length.q)
        doubtful = not length.sure and (claim == "there" or length.q == 0.0)
        if ink.mixed or doubtful:
            claim = "unclear"
        yield length, limit, claim


def _limit(length: Length, row: GlyphRecord) -> MeasureLimit | None:
    """The limits of a length; None where it has none."""
    if length.defect == "leg_short":
        return nearer_limit(length.name, row.judged_as, length.q)
    broken, loose = (row.p.get(name) or 0.0 for name in ("stroke_broken", "part_loose"))
    if length.defect == "part_loose" and broken > loose:
        return limit_of("break_gap", "stroke_broken", row.judged_as)
    return limit_of(length.name, length.defect, row.judged_as)


def limit_of(name: str, defect: str, letter: str) -> MeasureLimit | None:
    """The limits of a measure on a letter; None where it has none."""
    return _BY_KEY.get((name, defect, letter))


def nearer_limit(name: str, letter: str, q: float) -> MeasureLimit | None:
    """Of a length that may be too short or too long, the limits of the side on which it lies."""
    short, long = (limit_of(name, defect, letter) for defect in ("leg_short", "leg_long"))
    if short is None or long is None:
        return short or long
    return long if q > (short.not_there + long.not_there) / 2 else short


def smooth_heights(height: Floats) -> Floats:
    """(N,) body heights of letters in reading order, px, smoothed over the letters around each.

    The pen is the same from letter to letter; single heights are measured wrong by a fiftieth. A
    letter of another size, as a large one, keeps its own height.
    """
    if len(height) <= SMOOTHING_LETTERS:
        usual = np.full(len(height), np.median(height)) if len(height) else height
    else:
        padded = np.pad(height, SMOOTHING_LETTERS, mode="reflect")
        usual = np.median(sliding_window_view(padded, 2 * SMOOTHING_LETTERS + 1), axis=1)
    return np.where(np.abs(np.log(height / usual)) < MIN_OTHER_SIZE_LOG_RATIO, usual, height)


def _measurement(
    glyph: int,
    length: Length,
    limit: MeasureLimit,
    claim: MeasureClaim,
    ruler: list[float],
    mm: float | None,
) -> Measurement:
    """The measurement with its ruler x0, y0, x1, y1 in px; `mm` is the length of a kulmus."""
    start, end = (ruler[0], ruler[1]), (ruler[2], ruler[3])
    q = float(length.q)
    return Measurement(
        glyph, limit.name, q, None if mm is None else q * mm, start, end, limit.defect, claim
    )


def zero_lengths(ink: LetterInk, row: GlyphRecord, found: list[Length]) -> list[Length]:
    """Lengths of 0 q for gaps and tags that are suspected and not among `found`, the letter's
    lengths."""
    names = {length.name for length in found}
    absent = []
    for name, defect, part in GAP_MEASURES if _fills_box(ink) else ():
        if name not in names and (row.p.get(defect) or 0.0) >= MIN_SUSPECTED_P:
            place = _middle_of_part(ink, part)
            absent.append(Length(name, defect, 0.0, place, place, sure=not _held_by_blur(ink)))
    seen = sum(length.name == "tag_height" for length in found)
    merged = (row.p.get("tag_merged") or 0.0) >= MIN_SUSPECTED_P
    if row.tags_expected and seen < row.tags_expected and not merged:
        absent += _missing_tags(ink, row.tags_expected)
    return absent


def _fills_box(ink: LetterInk) -> bool:
    """Whether the letter's own ink reaches as far as its box on every side."""
    tall, wide = ink.dark.shape
    left, top = min(p.x0 for p in ink.pieces), min(p.y0 for p in ink.pieces)
    right, bottom = max(p.x1 for p in ink.pieces), max(p.y1 for p in ink.pieces)
    unfilled = max(left, top, wide - right, tall - bottom)
    return bool(unfilled <= (PATCH_MARGIN_Q + MAX_UNFILLED_BOX_Q) * ink.scale)


def _held_by_blur(ink: LetterInk) -> bool:
    """Whether the letter without its tags falls apart where its ink is paler."""
    firm = ((ink.dark >= FIRM_INK_DARKNESS) & (ink.own_mask > 0)).astype(np.uint8)
    firm[: ink.row(gaps.TAGS_BOTTOM_Q["ל" if ink.letter == "ל" else ""])] = 0
    areas = np.bincount(cv2.connectedComponents(firm)[1].ravel())[1:]
    return int((areas > MIN_PART_AREA_SQUARE_Q * ink.scale**2).sum()) > 1


def _middle_of_part(ink: LetterInk, part: str) -> Floats:
    """Middle (2,) of the ink that the assessor takes for this part; of all ink if there is none."""
    likely = ink.part_mask(part) * ink.own_mask
    if float(likely.max()) < MIN_PART_P:
        likely = ink.own_mask.astype(np.float32)
    rows, columns = np.nonzero(likely >= PART_PEAK_SHARE * likely.max())
    return np.array([columns.mean() + 0.5, rows.mean() + 0.5])


def _missing_tags(ink: LetterInk, expected: int) -> list[Length]:
    """A tag of 0 q on the middle of the head if fewer tags than expected stand there."""
    top, strokes = lengths.strokes_above_head(ink)
    columns = np.flatnonzero(edges.head_top_edge(ink)[1])
    if not len(columns) or lengths.count_separate_strokes(strokes) >= expected:
        return []
    middle = int(columns[len(columns) // 2])
    place = np.array([middle + 0.5, top[middle]])
    return [Length("tag_height", "tag_missing", 0.0, place, place)]
