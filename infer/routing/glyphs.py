"""Rows of `glyphs.csv`: one letter each, with its probabilities, crowns, route and reasons."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from crownlet.datasets.scribal.alphabet import index_of
from crownlet.datasets.scribal.catalogue import CATALOGUE, GLYPH_DEFECTS
from crownlet.infer.letters.assessor import likeliest_letters
from crownlet.infer.quality.legibility import PictureLimits
from crownlet.infer.records import (
    SHAPE_DOUBT,
    TAG_MISSING,
    TAG_NONE,
    UNFAMILIAR,
    Assessed,
    Bools,
    Box,
    Floats,
    GlyphRecord,
    Ints,
    Located,
    judged_letter,
)
from crownlet.infer.routing.not_examined import unlearned_defects
from crownlet.infer.routing.reasons import (
    defect_reasons,
    definite_reasons,
    letter_reasons,
    merge_reasons,
)
from crownlet.infer.text.match import AlignedText
from crownlet.infer.thresholds import Thresholds

if TYPE_CHECKING:
    from crownlet.datasets.scribal.customs import Customs


def glyph_rows(
    found: Located,
    assessed: Assessed,
    odds: Floats,
    lines: Ints,
    words: tuple[Ints, Ints],
    matched: AlignedText | None,
    learned: tuple[str, ...],
    customs: Customs,
    thresholds: Thresholds,
    picture: PictureLimits,
    doubted: Bools | None,
) -> tuple[GlyphRecord, ...]:
    """Records in reading order, all arguments being in that order; `found` in px of the picture.

    `learned` names the columns of `assessed.defects`; what `picture` skips is written and not
    routed. `doubted` (N,) are letters that do not stand among the letters of their hand as the
    letter that they are judged as; where that is unknown (None), those that are unlike the letters
    known are doubted. Which crowns and defects apply is decided by `judged_letter`.
    """
    unlearned = unlearned_defects(learned)
    doubted = picture.unfamiliar if doubted is None else doubted
    rows = []
    for i, letter in enumerate(likeliest_letters(odds)):
        expected = None if matched is None else matched.expected(i)
        expected_p = float(odds[i, index_of(expected)]) if expected else 0.0
        letter_p = float(odds[i].max())
        reasons = letter_reasons(letter, letter_p, expected, expected_p, thresholds)
        basis = judged_letter(letter, expected, [name for name, _ in reasons])
        tags_expected = customs.tags_expected(basis)
        p = defect_probabilities(
            basis, assessed.defects[i], assessed.tags[i], tags_expected, learned
        )
        large = matched is not None and is_large_letter(matched, i)
        p |= derived_probabilities(p, letter_p, None if large else float(picture.stretched[i]))
        skipped = skipped_judgements(picture.skipped[i], tags_expected)
        otherwise = matched is not None and matched.spelled_otherwise(i)
        if otherwise or (picture.cut is not None and picture.cut[i]):
            reasons = [(name, "review") for name, _ in reasons]
        if doubted[i] or picture.blurred:
            reasons.append((SHAPE_DOUBT, "review"))
        # Where one tag is asked, fewer is none: one judgement, with the thresholds of the latter.
        routed = {**p, TAG_MISSING: None} if tags_expected == 1 else p
        reasons += defect_reasons(routed, thresholds, skipped)
        if picture.doubted_page:
            reasons.append((UNFAMILIAR, "review"))
        if picture.review_only:
            reasons = [(name, "review") for name, _ in reasons]
        route, names = merge_reasons(reasons)
        x, y, height, turn = (float(v) for v in found.body[i])
        rows.append(
            GlyphRecord(
                glyph=i + 1, line=int(lines[i]) + 1, word=int(words[0][i]) + 1,
                place=int(words[1][i]) + 1, letter=letter, letter_p=letter_p, expected=expected,
                box=_box(found.box[i]), body=(x, y, height, turn),
                tags_seen=int(assessed.tags[i].argmax()), tags_expected=tags_expected, p=p,
                route=route, reasons=names, sure=definite_reasons(reasons),
                in_name=matched is not None and matched.in_name(i),
                not_examined=tuple(
                    n for n in p
                    if (n in skipped and p[n] is not None)
                    or (n in unlearned and CATALOGUE[n].applies_to(basis))
                ),
            )
        )  # fmt: skip
    return tuple(rows)


def defect_probabilities(
    letter: str, defects: Floats, tags: Floats, tags_expected: int | None, learned: tuple[str, ...]
) -> dict[str, float | None]:
    """Probability of each judgement of one letter; None where it does not apply.

    `tags` (5,) are the odds of 0 to 4 or more tags. Crowns missing or in excess are counted against
    `tags_expected`, the number of the customs; without an expectation they have no probability.
    """
    column = _columns(learned)
    p: dict[str, float | None] = dict.fromkeys(GLYPH_DEFECTS)
    for name in _applying(letter):
        if name == TAG_MISSING:
            p[name] = float(tags[:tags_expected].sum()) if tags_expected else None
        elif name == "tag_excess":
            p[name] = None if tags_expected is None else float(tags[tags_expected + 1 :].sum())
        elif name in column:
            p[name] = float(defects[column[name]])
    crowned = tags_expected and CATALOGUE[TAG_MISSING].applies_to(letter)
    p[TAG_NONE] = float(tags[0]) if crowned else None
    return p


@cache
def _columns(learned: tuple[str, ...]) -> dict[str, int]:
    """Columns of the learned defects by their names."""
    return {name: k for k, name in enumerate(learned)}


@cache
def _applying(letter: str) -> tuple[str, ...]:
    """The defects that a letter can have."""
    return tuple(name for name in GLYPH_DEFECTS if CATALOGUE[name].applies_to(letter))


def skipped_judgements(skipped: frozenset[str], tags_expected: int | None) -> frozenset[str]:
    """What is not judged on a letter, `skipped` being what its picture does not show.

    Where a single tag is asked, fewer is none at all, and is judged wherever that is.
    """
    if tags_expected != 1:
        return skipped
    return skipped | {TAG_MISSING} if TAG_NONE in skipped else skipped - {TAG_MISSING}


def derived_probabilities(
    p: dict[str, float | None], letter_p: float, stretched: float | None
) -> dict[str, float | None]:
    """The defects among `p` that follow from the odds of the letters and from the letter's width.

    `stretched` is None for a letter that is large by tradition (Mishneh Torah, Tefillin 2:6).
    """
    found = {SHAPE_DOUBT: 1.0 - letter_p, "overstretched": stretched}
    return {name: value for name, value in found.items() if name in p}


def is_large_letter(matched: AlignedText, glyph: int) -> bool:
    """Whether the text has one of its large letters at a glyph."""
    index = int(matched.alignment.expected[glyph])
    place = int(matched.word_of[index]), int(matched.place_of[index])
    return index >= 0 and place in matched.portion.large_letters


def _box(row: Floats) -> Box:
    x0, y0, x1, y1 = (float(v) for v in row)
    return x0, y0, x1, y1
