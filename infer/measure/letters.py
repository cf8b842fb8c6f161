"""Every letter of a page measured: lengths in q and mm, with rulers on the page as given."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.image.rotate import rotate_points_back
from crownlet.infer.measure import crowns, openings
from crownlet.infer.measure import edges as seats
from crownlet.infer.measure import gaps as parting
from crownlet.infer.measure import lengths as feet
from crownlet.infer.measure.ink import PATCH_MARGIN_Q, Length, LetterInk, cut_out
from crownlet.infer.measure.limits import MeasureLimit, limit_of, nearer_limit
from crownlet.infer.records import Floats, GlyphRecord, Located, MeasureClaim, Measurement

MIN_SUSPECTED_P = 0.05
"""From this probability on a white that is not found is listed as one of 0 q."""

MAX_UNFILLED_BOX_Q = 0.4
"""Ink that ends by more than this, in q, before the letter's box lacks a part, which was taken for
another letter's: of a white before it nothing can be said."""

FIRM_INK_DARKNESS, MIN_PART_AREA_SQUARE_Q = 0.85, 0.15
"""Share of ink's darkness, and area in square q of a part: where only paler ink than the one holds
two such parts together, blur may have closed a white between them."""

GAP_MEASURES = (("part_gap", "part_loose", "joint"), ("tag_gap", "tag_loose", "tag"))


def zero_lengths(ink: LetterInk, row: GlyphRecord, found: list[Length]) -> list[Length]:
    """What `found`, the lengths measured on a letter, lacks."""
    names = {length.name for length in found}
    absent = []
    for name, of, part in GAP_MEASURES if _fills_box(ink) else ():
        if name not in names and (row.p.get(of) or 0.0) >= MIN_SUSPECTED_P:
            place = _middle_of_part(ink, part)
            absent.append(Length(name, of, 0.0, place, place, sure=not _held_by_blur(ink)))
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
    return (
        max(left, top, wide - right, tall - bottom)
        <= (PATCH_MARGIN_Q + MAX_UNFILLED_BOX_Q) * ink.scale
    )


def _held_by_blur(ink: LetterInk) -> bool:
    """Whether the letter without its tags falls apart where its ink is paler."""
    firm = ((ink.dark >= FIRM_INK_DARKNESS) & (ink.own > 0)).astype(np.uint8)
    firm[: ink.y(-1.2 if ink.letter == "ל" else 0.1)] = 0
    areas = np.bincount(cv2.connectedComponents(firm)[1].ravel())[1:]
    return int((areas > MIN_PART_AREA_SQUARE_Q * ink.scale**2).sum()) > 1


def _middle_of_part(ink: LetterInk, part: str) -> Floats:
    """Where the assessor sees this part of the ink most; the ink's middle if nowhere."""
    likely = ink.part(part) * ink.own
    if float(likely.max()) < 0.1:
        likely = ink.own.astype(np.float32)
    rows, columns = np.nonzero(likely >= 0.5 * likely.max())
    return np.array([columns.mean() + 0.5, rows.mean() + 0.5])


def _missing_tags(ink: LetterInk, expected: int) -> list[Length]:
    """One of 0 q on the middle of the head if fewer tags than expected stand there."""
    top, strokes = crowns.strokes_above_head(ink)
    columns = np.flatnonzero(seats.head_top_edge(ink)[1])
    if not len(columns) or crowns.count_separate_strokes(strokes) >= expected:
        return []
    middle = int(columns[len(columns) // 2])
    place = np.array([middle + 0.5, top[middle]])
    return [Length("tag_height", "tag_missing", 0.0, place, place)]


MIN_Q_PX = 6.0
"""Fewest px a kulmus for which anything is measured: a tenth of a q is then more than half a px."""

SMOOTHING_LETTERS = 8
"""Letters before and after one by which its height is steadied."""

MIN_OTHER_SIZE_LOG_RATIO = 0.08
"""A letter that is by so much (natural logarithm) larger or smaller is of another size."""

Measure = Callable[[LetterInk], list[Length]]

MEASURES: tuple[tuple[str, Measure], ...] = (
    ("ג", feet.foot_drop),
    (
        feet.RIGHT_LEG_LETTERS
        + feet.LEFT_LEG_LETTERS
        + feet.HEADED_LETTERS
        + parting.HANGING_LEG_LETTERS,
        feet.leg_lengths,
    ),
    (openings.OPENING_LETTERS, openings.opening_width),
    ("".join(feet.HEADS_OF_LETTER), feet.head_gaps),
    (CATALOGUE["tag_missing"].letters, crowns.tag_heights),
    ("".join(feet.HEEL_RANGES_Q), feet.heel_length),
    ("י", feet.kotz_length),
    ("ח", feet.roof_end),
)
"""What is measured on which letters; whites between pieces are measured on all."""


@dataclass(frozen=True)
class UprightPage:
    """The flattened upright page (H, W), and how its px become those of the picture as given."""

    flat: npt.NDArray[np.uint8]
    turn: int
    size: tuple[int, int]
    """Width and height of the picture as given."""
    dpi: float | None


def measure_letters(
    page: UprightPage, found: Located, parts: npt.NDArray[np.uint8], rows: tuple[GlyphRecord, ...]
) -> tuple[Measurement, ...]:
    """Measures of all letters, in the order of `rows`.

    `found` (upright page) and the part masks `parts` (N, 6, 32, 24) are row for row with `rows`. A
    defect that the picture does not show well enough is left out, as it is of the routing.
    """
    heights = smooth_heights(found.body[:, 2])
    taken: list[tuple[GlyphRecord, Length, MeasureLimit, MeasureClaim, float]] = []
    ends = []
    for i, row in enumerate(rows):
        q = float(heights[i]) / 3.0
        if q < MIN_Q_PX:
            continue
        body, box = tuple(found.body[i].tolist()), tuple(found.box[i].tolist())
        ink = cut_out(page.flat, row.letter, body, box, parts[i], q)
        if ink is None:
            continue
        for length, border, says in _compare_with_limits(ink, row):
            taken.append((row, length, border, says, q))
            ends.append(ink.on_page(np.stack([length.start, length.end])))
    if not taken:
        return ()
    placed = rotate_points_back(np.concatenate(ends), page.turn, page.size).reshape(-1, 4).tolist()
    return tuple(
        _measurement(
            row.glyph, length, border, says, ruler, q / page.dpi * 25.4 if page.dpi else None
        )
        for (row, length, border, says, q), ruler in zip(taken, placed, strict=True)
    )


def measure_letter(ink: LetterInk, crowned: bool = True) -> list[Length]:
    """All that is measured on one letter, its crown if `crowned`."""
    found = parting.gap_lengths(ink)
    for letters, measure in MEASURES:
        if ink.letter in letters and (crowned or measure is not crowns.tag_heights):
            found += measure(ink)
    return found


def _compare_with_limits(
    ink: LetterInk, row: GlyphRecord
) -> Iterator[tuple[Length, MeasureLimit, MeasureClaim]]:
    """Lengths with what they are held against and what they say.

    Nothing is said of a letter whose ink runs into a neighbour's.
    """
    # Crowns that no custom asks for are measured where the letter is looked at anyway.
    crowned = row.tags_expected is not None or row.route != "clear"
    found = measure_letter(ink, crowned)
    for length in found + zero_lengths(ink, row, found):
        border = _limit(length, row)
        if border is None or border.of in row.not_examined:
            continue
        says = border.says(length.q)
        doubtful = not length.sure and (says == "there" or length.q == 0.0)
        if ink.mixed or doubtful:
            says = "unclear"
        yield length, border, says


def _limit(length: Length, row: GlyphRecord) -> MeasureLimit | None:
    """What a length is held against."""
    if length.of == "leg_short":
        return nearer_limit(length.name, row.letter, length.q)
    broken, loose = (row.p.get(of) or 0.0 for of in ("stroke_broken", "part_loose"))
    if length.of == "part_loose" and broken > loose:
        return limit_of("break_gap", "stroke_broken", row.letter)
    return limit_of(length.name, length.of, row.letter)


def smooth_heights(height: Floats) -> Floats:
    """(N,) body heights of letters in reading order, steadied by those around each.

    The pen is the same from letter to letter, the eye for its width is not: single heights are off
    by a fiftieth. A letter of its own size, as a large one, keeps its own.
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
    border: MeasureLimit,
    says: MeasureClaim,
    ruler: list[float],
    mm: float | None,
) -> Measurement:
    """The measure with its ruler x0, y0, x1, y1; `mm` is the length of a kulmus."""
    start, end = (ruler[0], ruler[1]), (ruler[2], ruler[3])
    q = float(length.q)
    return Measurement(
        glyph, border.name, q, None if mm is None else q * mm, start, end, border.of, says
    )
