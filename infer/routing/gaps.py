"""Rows of `gaps.csv`: each gap's width, and whether two words may read as one or one as two."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crownlet.infer.layout.gaps import Gaps
from crownlet.infer.layout.lines import Layout
from crownlet.infer.limits import limits_of
from crownlet.infer.quality.legibility import PictureLimits
from crownlet.infer.records import LETTER_ABSENT, Assessed, Floats, GapKind, GapRecord, Ints
from crownlet.infer.routing.reasons import Reason, defect_reasons, definite_reasons, merge_reasons
from crownlet.infer.text.match import AlignedText
from crownlet.infer.thresholds import GapCurve, Thresholds

_LIMITS = limits_of("routing.gaps")

LETTER_GAP_PERCENTILE = _LIMITS.whole("letter_gap_percentile")
"""Percentile of all gaps from which the search for the usual letter gap starts."""

MAX_SPACING_ROUNDS = _LIMITS.whole("max_spacing_rounds")
"""Rounds of that search."""

WORD_GAP_RANGE_YUDS = _LIMITS.span("word_gap_range_yuds")
"""Usual word gap beyond the usual letter gap, in yuds."""

MIN_GAPS_FOR_SPACING = _LIMITS.whole("min_gaps_for_spacing")
"""Gaps from which a page's usual letter and word gap are known."""

DEFAULT_LETTER_GAP_Q = _LIMITS.number("default_letter_gap_q")
"""Letter gap of a page with fewer gaps."""

MIN_WORD_GAP_P = _LIMITS.number("min_word_gap_p")
"""Probability from which a gap is one between words, where the text is unknown."""

TOUCH_GAP_MIDPOINT_Q = _LIMITS.number("touch_gap_midpoint_q")
"""Gap in q at which the assessor's `letters_touch` of a pair is halved: beyond it the letters
touch_column something else."""

TOUCH_GAP_SCALE_Q = _LIMITS.number("touch_gap_scale_q")
"""Scale in q of the logistic curve on which that probability falls as the gap widens."""


@dataclass(frozen=True)
class LineSpacing:
    """How a line is spaced: usual letter gap, word gap and border between them; each (P,), q."""

    letter: Floats
    word: Floats
    border: Floats


@dataclass(frozen=True)
class GapOdds:
    """Gaps of a page: widths, place between letter and word gap, probabilities; each (P,)."""

    gaps: Gaps
    place: Floats
    """0 at the line's usual letter gap, 1 at its usual word gap."""
    joined: Floats
    """Probability that the gap, were it between words, leaves two words reading as one."""
    parted: Floats
    """Probability that the gap, were it within a word, parts it."""

    @property
    def word_p(self) -> Floats:
        """(P,) probability that a reader sees a word gap."""
        return self.parted / np.maximum(self.parted + self.joined, 1e-9)


def gap_odds(gaps: Gaps, layout: Layout, thresholds: Thresholds) -> GapOdds:
    """Place every gap between the letter and word gaps of its line."""
    line = np.array([layout.line[right] for right, _ in layout.pairs()], dtype=np.int64)
    around = line_spacing(gaps, line)
    place = (gaps.width_q - around.letter) / np.maximum(around.word - around.letter, 1e-6)
    yuds = gaps.width_q / gaps.yud_q
    joined = logistic(thresholds.gaps["words_joined"], place, yuds)
    parted = logistic(thresholds.gaps["word_parted"], place, yuds)
    return GapOdds(gaps, place, joined, parted)


def line_spacing(gaps: Gaps, line: Ints) -> LineSpacing:
    """Spacing at each pair, from the line it stands in, `line` (P,), and the page around it."""
    letter, word = _letter_and_word_gap(gaps.width_q, gaps.yud_q)
    letters, words = np.full(len(gaps.width_q), letter), np.full(len(gaps.width_q), word)
    for number in np.unique(line):
        rows = line == number
        q = gaps.width_q[rows]
        border = letter + 0.5 * (word - letter)
        near, far = q[q < border], q[q >= border]
        # A line has few gaps: its own medians count as much as its gaps are many.
        letters[rows] = _shrink_to_prior(near, letter, 6.0)
        words[rows] = _shrink_to_prior(far, word, 4.0)
    words = np.maximum(words, letters + 0.35 * gaps.yud_q)
    return LineSpacing(letters, words, letters + 0.5 * (words - letters))


def logistic(curve: GapCurve, place: Floats, yuds: Floats) -> Floats:
    """The curve of thresholds.yaml at each gap."""
    z = curve.bias + curve.place * place + curve.yud * yuds
    return 1.0 / (1.0 + np.exp(-np.clip(z, -40, 40)))


def word_start_probabilities(layout: Layout, odds: GapOdds) -> Floats:
    """(N,) probability that a word begins at each letter in reading order; 1 at line starts."""
    begin = np.ones(len(layout.order))
    begin[[left for _, left in layout.pairs()]] = odds.word_p
    return begin


def expected_kinds(layout: Layout, matched: AlignedText | None) -> list[GapKind | None]:
    """The kind of each gap by the text; None where the text does not determine it."""
    if matched is None:
        return [None] * len(layout.pairs())
    kinds: list[GapKind | None] = []
    for right, left in layout.pairs():
        a, b = (int(matched.alignment.expected[i]) for i in (right, left))
        if a < 0 or b <= a:
            kinds.append(None)
        else:
            kinds.append("word" if matched.word_starts[a + 1 : b + 1].any() else "letter")
    return kinds


def gap_rows(
    layout: Layout,
    odds: GapOdds,
    assessed: Assessed,
    touch_column: int | None,
    kinds: list[GapKind | None],
    absent_after: set[int],
    thresholds: Thresholds,
    picture: PictureLimits,
) -> tuple[GapRecord, ...]:
    """A record for each pair of neighbours.

    `assessed` is in reading order, `touch_column` the column of `letters_touch` in it;
    `absent_after` holds the positions after which a letter of the text is absent; `picture` holds
    the defects that are not routed, and whether the whole page is unfamiliar, on which nothing is
    more than a review.
    """
    rows = []
    word_p = odds.word_p
    for k, (right, left) in enumerate(layout.pairs()):
        kind = kinds[k]
        wide = word_p[k] >= MIN_WORD_GAP_P
        joined = odds.joined[k] if kind == "word" or (kind is None and wide) else None
        parted = odds.parted[k] if kind == "letter" or (kind is None and not wide) else None
        touch_p = (
            None
            if touch_column is None
            else _touch_probability(assessed, touch_column, right, left, odds, k)
        )
        p = {"words_joined": joined, "word_parted": parted, "letters_touch": touch_p}
        skipped = picture.skipped[right] | picture.skipped[left]
        reasons: list[Reason] = defect_reasons(p, thresholds, skipped)
        if right in absent_after:
            reasons.append((LETTER_ABSENT, "finding"))
        if picture.review_only:
            reasons = [(name, "review") for name, _ in reasons]
        route, names = merge_reasons(reasons)
        rows.append(
            GapRecord(
                line=int(layout.line[right]) + 1, right_glyph=right + 1, left_glyph=left + 1,
                expected=kind, width_px=float(odds.gaps.width_px[k]),
                width_q=float(odds.gaps.width_q[k]),
                width_yud=float(odds.gaps.width_q[k] / odds.gaps.yud_q),
                p_words_joined=_as_float(joined), p_word_parted=_as_float(parted),
                p_letters_touch=_as_float(touch_p), route=route, reasons=names,
                sure=definite_reasons(reasons),
            )
        )  # fmt: skip
    return tuple(rows)


def _touch_probability(
    assessed: Assessed, touch_column: int, right: int, left: int, odds: GapOdds, k: int
) -> float:
    """Probability that two letters touch_column: both touch_column something, and the gap between
    them is narrow."""
    both = float(
        np.sqrt(assessed.defects[right, touch_column] * assessed.defects[left, touch_column])
    )
    near = 1.0 / (
        1.0
        + np.exp(
            np.clip((odds.gaps.width_q[k] - TOUCH_GAP_MIDPOINT_Q) / TOUCH_GAP_SCALE_Q, -40, 40)
        )
    )
    return both * float(near)


def _as_float(value: float | None) -> float | None:
    return None if value is None else float(value)


def _shrink_to_prior(values: Floats, prior: float, weight: float) -> float:
    """Median of the values, drawn to `prior` as if `weight` more values lay there."""
    own = float(np.median(values)) if len(values) else prior
    return (own * len(values) + prior * weight) / (len(values) + weight)


def _letter_and_word_gap(q: Floats, yud: float) -> tuple[float, float]:
    """Usual letter gap and usual word gap of a page in q: medians either side of a border."""
    if len(q) < MIN_GAPS_FOR_SPACING:
        return DEFAULT_LETTER_GAP_Q, DEFAULT_LETTER_GAP_Q + yud
    least, most = WORD_GAP_RANGE_YUDS
    letter = float(np.percentile(q, LETTER_GAP_PERCENTILE))
    word = letter + yud
    for _ in range(MAX_SPACING_ROUNDS):
        border = letter + 0.5 * (word - letter)
        near, far = q[q < border], q[q >= border]
        fresh = float(np.median(near)) if len(near) else letter
        wide = float(np.median(far)) if len(far) >= 2 else fresh + yud
        wide = float(np.clip(wide, fresh + least * yud, fresh + most * yud))
        if abs(fresh - letter) + abs(wide - word) < 1e-4:
            break
        letter, word = fresh, wide
    return letter, word
