"""Letters of a known text that were located as two: both boxes are read again as one.

Where the text has one letter and two boxes stand, the locator may have cut a letter of a hand it
does not know in two: a tsadi into nun and yud, a mem into kaf and vav. The box around both is
assessed, and takes their place where it is no wider than this hand writes the letter, is read as
the letter of the text no worse than the piece, and is the better explanation: the piece alone is
too narrow, or no such letter, or the other box lies within it, where no letter stands.

A letter that the scribe wrote in excess is not joined to its neighbour: that is as wide as the hand
writes it by itself, and the two together are too wide.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from crownlet.datasets.scribal.alphabet import index_of
from crownlet.infer.limits import limits_of
from crownlet.infer.quality.familiarity import measure_extent, stretch_ratios
from crownlet.infer.records import Assessed, Bools, Floats, Ints, Located

if TYPE_CHECKING:
    from crownlet.infer.text.match import AlignedText

_LIMITS = limits_of("hand.split_letters")

MAX_DEVIATION = _LIMITS.number("max_deviation")
"""Largest deviation of the joined box from the hand's usual width of the letter (of the logarithm,
about 1.3 times). A yud and the gap before it widen most letters by half and more."""

MAX_DEVIATION_LEFT = _LIMITS.number("max_deviation_left")
"""Largest such deviation, as a share of that of the piece alone, where the piece is too narrow."""

MIN_SHARE_WITHIN = _LIMITS.number("min_share_within")
"""Share of the other box's width from which it lies within the box of the piece."""

MIN_JOINED_P = _LIMITS.number("min_joined_p")
"""Least probability of the letter of the text in the joined box, by the networks alone, which
misread a fifth of the letters of a hand that they do not know."""

MAX_LOST_P = _LIMITS.number("max_lost_p")
"""By so much the joined box may be read less surely than the piece: equal within the networks'
error."""

MAX_PIECE_P = _LIMITS.number("max_piece_p")
"""Probability below which a piece is likelier not the letter of the text."""

CLOSED = "החטםמסקת"
"""Letters with strokes at both ends of their width. In the box of another letter a yud may stand:
over the base of a nun, under the roof of a resh."""


Rows = TypeVar("Rows", Located, Assessed)


@dataclass(frozen=True)
class JoinedLetters:
    """J letters, each located as two; rows are those of the page as it was read."""

    kept: Ints
    """(J,) rows that the joined letters take."""
    dropped: Ints
    """(J,) rows that go."""
    found: Located
    assessed: Assessed

    def __len__(self) -> int:
        return len(self.kept)

    def put_into(self, found: Located, assessed: Assessed) -> tuple[Located, Assessed, Bools]:
        """A page's N letters with the joined ones in place, and (N,) which of the rows stay."""
        stays = np.ones(len(found), np.bool_)
        stays[self.dropped] = False
        return (
            _with_rows(found, self.kept, self.found),
            _with_rows(assessed, self.kept, self.assessed),
            stays,
        )


def join_split_letters(
    found: Located,
    assessed: Assessed,
    odds: Floats,
    line: Ints,
    aligned: AlignedText,
    assess: Callable[[Located], Assessed],
) -> JoinedLetters | None:
    """The letters of a page that were located as two; None where there are none.

    N rows in reading order: `odds` (N, 27) as the page was read and aligned, `line` (N,) its lines.
    `assess` reads letters of the upright page.
    """
    kept, dropped = _pairs_beside_extra(found, line, aligned)
    if not len(kept):
        return None
    letter = _letters_of_text(odds, aligned)
    joined = _join_boxes(found, kept, dropped)
    alone, both = _deviations(found, joined, letter, kept)
    narrow = both <= MAX_DEVIATION_LEFT * alone
    another = odds[kept, letter[kept]] < MAX_PIECE_P
    fits = (both <= MAX_DEVIATION) & (narrow | another | _lies_within(found, letter, kept, dropped))
    kept, dropped, joined = kept[fits], dropped[fits], joined.take(fits)
    if not len(kept):
        return None
    again = assess(joined)
    p = again.letters[np.arange(len(kept)), letter[kept]]
    piece_p = assessed.letters[kept, letter[kept]]
    chosen = _choose(kept, dropped, p, (p >= MIN_JOINED_P) & (p >= piece_p - MAX_LOST_P))
    if not len(chosen):
        return None
    return JoinedLetters(kept[chosen], dropped[chosen], joined.take(chosen), again.take(chosen))


def _pairs_beside_extra(found: Located, line: Ints, aligned: AlignedText) -> tuple[Ints, Ints]:
    """(C,) letters of the text and (C,) extra letters beside them, upright and in one line."""
    expected = aligned.alignment.expected
    upright = found.rotation == 0
    pairs = [
        (kept, extra)
        for extra in map(int, np.flatnonzero(expected < 0))
        if extra not in aligned.foreign
        for kept in (extra - 1, extra + 1)
        if 0 <= kept < len(line) and expected[kept] >= 0 and line[kept] == line[extra]
        and upright[kept] and upright[extra]
    ]  # fmt: skip
    table = np.array(pairs, np.int64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _letters_of_text(odds: Floats, aligned: AlignedText) -> Ints:
    """(N,) class of each glyph by the text, of extra ones as read."""
    expected = aligned.alignment.expected
    text = np.array([index_of(char) for char in aligned.text], np.int64)
    return np.where(expected >= 0, text[np.maximum(expected, 0)], odds.argmax(axis=1))


def _join_boxes(found: Located, kept: Ints, dropped: Ints) -> Located:
    """One letter around both boxes of each pair, on the ruled line of both."""
    a, b = found.box[kept], found.box[dropped]
    low, high = np.minimum(a[:, :2], b[:, :2]), np.maximum(a[:, 2:], b[:, 2:])
    both = (found.body[kept] + found.body[dropped]) / 2
    middle = (low[:, 0] + high[:, 0]) / 2
    body = np.column_stack([middle, both[:, 1:3], np.zeros(len(kept))])
    # The locator gave no opinion of what both boxes hold.
    letters = np.full((len(kept), 27), 1.0 / 27)
    score = np.maximum(found.score[kept], found.score[dropped])
    return Located(body, np.hstack([low, high]), score, letters)


def _deviations(found: Located, joined: Located, letter: Ints, kept: Ints) -> tuple[Floats, Floats]:
    """(C,) how far the pieces and (C,) the joined boxes are from the hand's usual width of the
    letter: of the logarithm, without its sign."""
    width = measure_extent(found).width
    alone = stretch_ratios(width, letter)[kept]
    both = alone * measure_extent(joined).width / width[kept]
    return np.abs(np.log(alone)), np.abs(np.log(both))


def _lies_within(found: Located, letter: Ints, kept: Ints, dropped: Ints) -> Bools:
    """(C,) whether the other box lies within that of a closed letter."""
    a, b = found.box[kept], found.box[dropped]
    shared = np.minimum(a[:, 2], b[:, 2]) - np.maximum(a[:, 0], b[:, 0])
    closed = np.isin(letter[kept], [index_of(char) for char in CLOSED])
    return np.asarray(closed & (shared >= MIN_SHARE_WITHIN * (b[:, 2] - b[:, 0])))


def _with_rows(page: Rows, rows: Ints, other: Rows) -> Rows:
    """A record of arrays with the rows of another one in some places."""
    arrays = {}
    for field in fields(page):
        mine, theirs = getattr(page, field.name), getattr(other, field.name)
        if mine is not None:
            mine = mine.copy()
            mine[rows] = theirs
        arrays[field.name] = mine
    return replace(page, **arrays)


def _choose(kept: Ints, dropped: Ints, p: Floats, accepted: Bools) -> Ints:
    """Indices of the surest pairs of which no letter stands in another one."""
    used: set[int] = set()
    chosen = []
    for k in np.argsort(-p, kind="stable"):
        pair = {int(kept[k]), int(dropped[k])}
        if accepted[k] and not pair & used:
            used |= pair
            chosen.append(int(k))
    return np.array(sorted(chosen), np.int64)
