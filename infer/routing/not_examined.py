"""Sentences of a page's record on what was not examined."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import CATALOGUE, LEARNED_DEFECTS
from crownlet.infer.limits import limits_of
from crownlet.infer.quality.legibility import PictureLimits
from crownlet.infer.records import Bools, Floats
from crownlet.infer.view.wording import NEVER_EXAMINED, defect_words

if TYPE_CHECKING:
    from crownlet.datasets.scribal.customs import Customs

_LIMITS = limits_of("routing.not_examined")

DOUBTFUL_SCRIPT = (
    "whether this is square script at all: the two networks agree on {:.0%} of the letters, and "
    "nothing said of this page can be relied on"
)

WITHOUT_TEXT = (
    "letters absent, extra or exchanged, and the division of words: no portion was named or found"
)

NOT_LEARNED = "{}: these networks have not learned to see it"

FRAME_EDGE_PX = _LIMITS.number("frame_edge_px")
"""A box nearer than this to the edge of the picture is cut by it."""


def not_examined(
    picture: PictureLimits,
    matched: bool,
    cut: int,
    customs_silent: tuple[str, ...],
    agreement: float,
    learned: tuple[str, ...],
) -> tuple[str, ...]:
    """Sentences for `page.json`, those of this picture first; `learned` names the defects that the
    networks have an answer for."""
    here = list(picture.sentences)
    if picture.doubted_page:
        here.insert(0, DOUBTFUL_SCRIPT.format(agreement))
    if cut:
        here.append(f"{cut} letter{'s' if cut > 1 else ''} cut by the frame of the picture")
    if not matched:
        here.append(WITHOUT_TEXT)
    if customs_silent:
        letters = " ".join(customs_silent)
        here.append(f"crowns that these customs leave open, on the letters: {letters}")
    here += [NOT_LEARNED.format(defect_words(name)) for name in unlearned_defects(learned)]
    return (*here, *NEVER_EXAMINED)


def unlearned_defects(learned: tuple[str, ...]) -> tuple[str, ...]:
    """The defects of the catalogue that networks should have learned and have no answer for."""
    return tuple(name for name in LEARNED_DEFECTS if name not in learned)


def cut_letters(boxes: Floats, facts: ImageFacts) -> Bools:
    """(N,) letters whose boxes (N, 4), px of the picture, touch the edge of the picture."""
    low = (boxes[:, :2] < FRAME_EDGE_PX).any(axis=1)
    right = boxes[:, 2] > facts.width - FRAME_EDGE_PX
    below = boxes[:, 3] > facts.height - FRAME_EDGE_PX
    return np.asarray(low | right | below)


def letters_without_crown_custom(customs: Customs) -> tuple[str, ...]:
    """Letters that may carry crowns and of which the customs expect nothing."""
    crowned = CATALOGUE["tag_missing"].letters
    return tuple(c for c in LETTERS if c in crowned and customs.tags_expected(c) is None)
