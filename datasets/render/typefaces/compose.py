"""Pages set in typefaces, with the ink, skin, light and camera of drawn hands.

A typeface is a hand of which only the class and the place of each letter are known: nobody has
looked for faults, counted tags or named parts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from crownlet.datasets.coco.truth import LetterTruth, PageTruth
from crownlet.datasets.render.letterforms.draw_hand import draw_hand
from crownlet.datasets.render.letterforms.glyph import Glyph
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import PageSpec
from crownlet.datasets.render.typefaces.fonts import (
    Typeface,
    TypefaceError,
    family_of,
    find_typefaces,
    load_typeface,
    mistakable,
    pick_typeface,
)
from crownlet.datasets.render.typefaces.glyphs import (
    TypeStyle,
    draw_type_style,
    stretch_roof,
    typeset,
)

TAGS_NOT_COUNTED = -1

_TYPEFACE_SEED = 0x7E

TOUCHING_PAGE_SHARE = 0.12
"""Share of pages many of whose letters touch."""

OVERLAPPING_PAGE_SHARE = 0.15
"""Share of pages whose letters are set so close that some overlap by a little."""

STRETCHING_PAGE_SHARE = 0.5
"""Lines are brought to one width on this share of the pages on which drawn hands do it: lettering
of people who are no scribes of scrolls is rarely stretched. By eye."""


@dataclass(frozen=True)
class TypeHand(Hand):
    """A hand whose letters are those of a typeface; the rest (gaps, tags, lines) is a hand's."""

    face: Typeface | None = None
    way: TypeStyle = field(default_factory=TypeStyle)

    def form(self, letter: str, stretch: float) -> Glyph | None:
        """The letter as this typeface has it, without tags."""
        if self.face is None:
            return None
        return stretch_roof(typeset(self.face, letter, self.way), stretch)


def draw_type_hand(face: Typeface, seed: int, spec: PageSpec) -> tuple[TypeHand, PageSpec]:
    """A page's hand in this typeface, and the page's specification with its spacing.

    No fault is put in: faults of a page set in type are unknown.
    """
    rng = np.random.default_rng([seed, _TYPEFACE_SEED])
    base = draw_hand(int(rng.integers(1 << 31)), spec.split)
    values = {f.name: getattr(base, f.name) for f in fields(Hand)}
    hand = TypeHand(**values, face=face, way=draw_type_style(face, rng))
    touching = 0.02
    tightest, close = spec.tightest, spec.close
    manner = rng.random()
    if manner < TOUCHING_PAGE_SHARE:
        touching = float(rng.uniform(0.2, 0.6))
    elif manner < TOUCHING_PAGE_SHARE + OVERLAPPING_PAGE_SHARE:
        gap = float(rng.uniform(-0.06, 0.12))
        hand = replace(hand, letter_gap=gap, word_gap=float(rng.uniform(0.7, 1.5)))
        tightest, close = min(gap, 0.0) - 0.02, 0.0
    plain = replace(
        spec, defect_rate=0.0, second_rate=0.0, habit_rate=0.0, morph_rate=0.0, oddity_rate=0.0,
        text_rate=0.0, generous=0.0, defects=("letters_touch",), gap_rate=touching,
        tightest=tightest, close=close, justify=STRETCHING_PAGE_SHARE * spec.justify,
    )  # fmt: skip
    return hand, plain


def compose_typeset(spec: PageSpec, seed: int, paths: Sequence[Path]) -> PageTruth:
    """One page set in one of the typefaces `paths`; the same arguments give the same bytes.

    TypefaceError for a font that cannot be used.
    """
    rng = np.random.default_rng([seed, _TYPEFACE_SEED, 1])
    face = load_typeface(pick_typeface(paths, rng))
    hand, plain = draw_type_hand(face, seed, spec)
    page = compose(plain, seed, hand)
    letters = tuple(_unexamined(letter, face.family) for letter in page.letters)
    gaps = tuple(replace(gap, defects=()) for gap in page.gaps)
    meta = {**page.meta, "hand": face.name, "style": face.family}
    return replace(page, letters=letters, gaps=gaps, meta=meta)


def _unexamined(letter: LetterTruth, family: str) -> LetterTruth:
    """The letter as known by class and place only."""
    other = mistakable(family, letter.letter)
    return replace(
        letter, known=(), tags=TAGS_NOT_COUNTED, defects=(), parts=(), other=other,
        share=0.5 if other else 0.0,
    )  # fmt: skip


@dataclass(frozen=True)
class Typefaces:
    """A folder of typefaces and the share of pages, 0 to 1, that are set in them.

    Families named in `unseen` write no page of the split `train`; the other splits have only them.
    """

    folder: Path
    share: float
    unseen: tuple[str, ...] = ()

    def page(self, spec: PageSpec, seed: int) -> PageTruth | None:
        """The page with this seed if it is one of those set in type; None for the others."""
        if np.random.default_rng([seed, _TYPEFACE_SEED, 2]).random() >= self.share:
            return None
        return compose_typeset(spec, seed, self.of(spec.split))

    def of(self, split: str) -> tuple[Path, ...]:
        """The font files of a split. TypefaceError if it has none."""
        kept = self._train if split == "train" else self._unseen
        if not kept:
            raise TypefaceError(f"{self.folder} holds no typeface for pages of the split {split!r}")
        return kept

    @cached_property
    def _train(self) -> tuple[Path, ...]:
        return tuple(p for p in find_typefaces(self.folder) if family_of(p) not in self.unseen)

    @cached_property
    def _unseen(self) -> tuple[Path, ...]:
        return tuple(p for p in find_typefaces(self.folder) if family_of(p) in self.unseen)


def typefaces_of(
    folder: str | Path | None, share: float, unseen: Sequence[str]
) -> Typefaces | None:
    """Typefaces as a configuration (group `data`) asks for them; None if it names no folder.

    TypefaceError if the folder holds none, or the share is not between 0 and 1.
    """
    if not folder:
        return None
    if not 0.0 <= float(share) <= 1.0:
        raise TypefaceError(f"data.typefaces_share is {share}, not between 0 and 1")
    found = Typefaces(Path(folder), float(share), tuple(unseen))
    found.of("train")  # a wrong folder fails here, not in a process that renders
    return found
