"""One letter from its slot: built, crowned, given its defects, and set slightly out of place."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crownlet.datasets.coco.truth import Outline
from crownlet.datasets.render.defects.apply import apply_defect
from crownlet.datasets.render.defects.crowns import seat_of
from crownlet.datasets.render.defects.proportions import mark_stretched
from crownlet.datasets.render.letterforms.build import STRETCHABLE_Q_BY_LETTER, build_letter
from crownlet.datasets.render.letterforms.glyph import Glyph
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.morphs import build_between
from crownlet.datasets.render.letterforms.oddities import ODDITIES_AFTER_TAGS, apply_oddity
from crownlet.datasets.render.letterforms.tags import crown_letter
from crownlet.datasets.render.page.faults import Slot
from crownlet.datasets.render.page.spec import PageSpec
from crownlet.datasets.scribal.alphabet import LETTERS, ONE_TAG, THREE_TAGS

LAMED = "ל"

UNCROWNED_LETTERS = "".join(c for c in LETTERS if c not in THREE_TAGS + ONE_TAG + LAMED)


@dataclass(frozen=True)
class Crowning:
    """How many tags this page's hand gives: by custom, less `bare` letters, by chance `ragged`.

    Some hands set a tag on letters of which no custom asks one, vav above all: `also`.
    """

    bare: str = ""
    ragged: float = 0.0
    also: str = ""

    def count(self, letter: str, hand: Hand, rng: np.random.Generator) -> int:
        """Tags for one letter."""
        if letter in self.bare:
            return 0
        full = custom_count(letter, hand) or int(letter in self.also)
        if self.ragged and rng.random() < self.ragged:
            return int(rng.integers(0, 4 if full == 3 else full + 2))
        return full


def custom_count(letter: str, hand: Hand) -> int:
    """Tags by class and by the hand's custom for single tags and lamed."""
    if letter in THREE_TAGS:
        return 3
    if letter in ONE_TAG:
        return 1 if hand.single_tags else 0
    return 2 if letter == LAMED and hand.lamed_tags else 0


def draw_crowning(spec: PageSpec, rng: np.random.Generator) -> Crowning:
    """The page's way with tags: many real hands crown few letters or none."""
    also = ""
    if rng.random() < spec.generous:
        also = "ו" + "".join(c for c in UNCROWNED_LETTERS if rng.random() < 0.25)
    if rng.random() < spec.crowned:
        return Crowning(also=also)
    crowned = THREE_TAGS + ONE_TAG + LAMED
    kind = rng.random()
    if kind < 0.3:
        return Crowning(bare=crowned, also=also)
    if kind < 0.65:
        bare = [c for c in crowned if rng.random() < 0.5]
        return Crowning(bare="".join(bare), also=also)
    return Crowning(ragged=float(rng.uniform(0.2, 1.0)), also=also)


def write_letter(
    slot: Slot, hand: Hand, crowning: Crowning, seed: int, stretch: float = 0.0
) -> Glyph:
    """The letter of `slot`; the same seed gives the same letter, but for the stretch (in q)."""
    rng = np.random.default_rng(seed)
    glyph = _form_letter(slot, hand, rng, stretch)
    if stretch > 0 and slot.morph is None:
        glyph = mark_stretched(glyph, min(stretch, STRETCHABLE_Q_BY_LETTER.get(slot.letter, 0.0)))
    if glyph.crown is None and slot.letter in crowning.also and slot.oddity is None:
        glyph = replace(glyph, crown=seat_of(glyph))
    if glyph.crown is not None:
        count = crowning.count(slot.letter, hand, rng)
        if slot.morph is not None and _tags_distinguish(slot.letter, slot.morph[0], hand):
            count *= int(rng.random() < 0.5)
        if count:
            glyph = crown_letter(glyph, hand, rng, count)
    if slot.oddity in ODDITIES_AFTER_TAGS:
        glyph = apply_oddity(glyph, slot.oddity, hand, rng)
    for name, plainness in slot.faults:
        spoilt = apply_defect(name, glyph, hand, rng, plainness)
        glyph = glyph if spoilt is None else spoilt
    return _jitter(glyph, hand, rng)


def _form_letter(slot: Slot, hand: Hand, rng: np.random.Generator, stretch: float) -> Glyph:
    """The letter without tags: as the hand writes it, on the way to another, or written oddly."""
    if slot.morph is not None:
        return build_between(slot.letter, slot.morph[0], hand, rng, slot.morph[1], stretch)
    glyph = hand.form(slot.letter, stretch) or build_letter(slot.letter, hand, rng, stretch=stretch)
    if slot.oddity is None or slot.oddity in ODDITIES_AFTER_TAGS:
        return glyph
    return apply_oddity(glyph, slot.oddity, hand, rng)


def _tags_distinguish(letter: str, other: str, hand: Hand) -> bool:
    """Whether tags would tell the two letters apart where their form does not."""
    return custom_count(letter, hand) != custom_count(other, hand)


def _jitter(glyph: Glyph, hand: Hand, rng: np.random.Generator) -> Glyph:
    """A slight turn, growth and drop, as no two letters of a line hang quite alike."""
    unsteady = hand.jitter
    angle = np.deg2rad(1.6 * unsteady * rng.normal())
    grow = 1.0 + 0.02 * unsteady * rng.normal(size=2)
    drop = 0.07 * unsteady * rng.normal()
    middle = np.array([glyph.advance / 2, 1.5])
    c, s = np.cos(angle), np.sin(angle)
    turn = (np.array([[c, s], [-s, c]]) * grow[:, None]).astype(np.float64)

    def move(outline: Outline) -> Outline:
        moved: Outline = (outline - middle) @ turn + middle + (0.0, drop)
        return moved

    return glyph.mapped(move)
