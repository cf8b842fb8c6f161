"""Rows of `gaps.csv`: each white's width, and whether two words may read as one or one as two."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crownlet.infer.layout.lines import Layout
from crownlet.infer.layout.spacing import Gaps, line_spacing
from crownlet.infer.quality.legibility import PictureLimits
from crownlet.infer.records import LETTER_ABSENT, Assessed, Floats, GapKind, GapRecord
from crownlet.infer.routing.reasons import Reason, defect_reasons, definite_reasons, merge_reasons
from crownlet.infer.text.match import AlignedText
from crownlet.infer.thresholds import GapCurve, Thresholds

TOUCH_GAP_MIDPOINT_Q = 0.25
"""White in q over which the two networks' `letters_touch` no longer speaks of this pair."""

TOUCH_GAP_SCALE_Q = 0.08


@dataclass(frozen=True)
class GapOdds:
    """Gaps of a page: whites, their place between letter and word gap, their odds; each (P,)."""

    whites: Gaps
    place: Floats
    """0 at the line's usual letter gap, 1 at its usual word gap."""
    joined: Floats
    """Probability that the white, were it a word gap, leaves two words reading as one."""
    parted: Floats
    """Probability that the white, were it a letter gap, parts a word."""

    @property
    def word_p(self) -> Floats:
        """(P,) odds that a reader sees a word gap, as probability."""
        return self.parted / np.maximum(self.parted + self.joined, 1e-9)


def gap_odds(whites: Gaps, layout: Layout, thresholds: Thresholds) -> GapOdds:
    """Place every white between the letter and word gaps of its line."""
    line = np.array([layout.line[right] for right, _ in layout.pairs()], dtype=np.int64)
    around = line_spacing(whites, line)
    place = (whites.q - around.letter) / np.maximum(around.word - around.letter, 1e-6)
    yuds = whites.q / whites.yud
    joined = logistic(thresholds.gaps["words_joined"], place, yuds)
    parted = logistic(thresholds.gaps["word_parted"], place, yuds)
    return GapOdds(whites, place, joined, parted)


def logistic(curve: GapCurve, place: Floats, yuds: Floats) -> Floats:
    """The curve of thresholds.yaml at each gap."""
    z = curve.bias + curve.place * place + curve.yud * yuds
    return 1.0 / (1.0 + np.exp(-np.clip(z, -40, 40)))


def word_start_probabilities(layout: Layout, measured: GapOdds) -> Floats:
    """(N,) probability that a word begins at each letter in reading order; 1 at line starts."""
    begin = np.ones(len(layout.order))
    for k, (_, left) in enumerate(layout.pairs()):
        begin[left] = measured.word_p[k]
    return begin


def expected_kinds(layout: Layout, matched: AlignedText | None) -> list[GapKind | None]:
    """What the text asks for in each gap; None where it does not say."""
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
    measured: GapOdds,
    assessed: Assessed,
    touch: int | None,
    kinds: list[GapKind | None],
    lost: set[int],
    thresholds: Thresholds,
    judged: PictureLimits,
) -> tuple[GapRecord, ...]:
    """A record for each pair of neighbours.

    `assessed` is in reading order, `touch` the column of `letters_touch` in it; `lost` holds the
    positions after which a letter of the text is absent; `judged` says which defects are not routed
    and whether anything may be more than a review.
    """
    rows = []
    for k, (right, left) in enumerate(layout.pairs()):
        kind = kinds[k]
        wide = measured.word_p[k] >= 0.5
        joined = measured.joined[k] if kind == "word" or (kind is None and wide) else None
        parted = measured.parted[k] if kind == "letter" or (kind is None and not wide) else None
        touching = (
            None if touch is None else _touch_probability(assessed, touch, right, left, measured, k)
        )
        p = {"words_joined": joined, "word_parted": parted, "letters_touch": touching}
        blind = judged.skipped[right] | judged.skipped[left]
        reasons: list[Reason] = defect_reasons(p, thresholds, blind)
        if right in lost:
            reasons.append((LETTER_ABSENT, "finding"))
        if judged.strange_page:
            reasons = [(name, "review") for name, _ in reasons]
        route, names = merge_reasons(reasons)
        rows.append(
            GapRecord(
                line=int(layout.line[right]) + 1, right_glyph=right + 1, left_glyph=left + 1,
                expected=kind, width_px=float(measured.whites.px[k]),
                width_q=float(measured.whites.q[k]),
                width_yud=float(measured.whites.q[k] / measured.whites.yud),
                p_words_joined=_as_float(joined), p_word_parted=_as_float(parted),
                p_letters_touch=_as_float(touching), route=route, reasons=names, sure=definite_reasons(reasons),
            )
        )  # fmt: skip
    return tuple(rows)


def _touch_probability(
    assessed: Assessed, touch: int, right: int, left: int, measured: GapOdds, k: int
) -> float:
    """Both letters must seem to touch something, and the white between them must be narrow."""
    both = float(np.sqrt(assessed.defects[right, touch] * assessed.defects[left, touch]))
    near = 1.0 / (
        1.0
        + np.exp(
            np.clip((measured.whites.q[k] - TOUCH_GAP_MIDPOINT_Q) / TOUCH_GAP_SCALE_Q, -40, 40)
        )
    )
    return both * float(near)


def _as_float(value: float | None) -> float | None:
    return None if value is None else float(value)
