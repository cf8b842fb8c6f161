"""The defects of a page: for each letter and gap, by habit of the hand or by chance.

Also which letters are drawn on the way to another, and which are written oddly by tradition.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crownlet.datasets.coco.truth import DefectMark
from crownlet.datasets.render.defects.apply import applicable_defects
from crownlet.datasets.render.defects.common import DOUBTFUL_PLAINNESS, PLAIN_PLAINNESS
from crownlet.datasets.render.letterforms.glyph import copy_with
from crownlet.datasets.render.letterforms.morph_ways import morph_partners
from crownlet.datasets.render.letterforms.morphs import DOUBT_END_SHARE, SHAPE_DOUBT
from crownlet.datasets.render.letterforms.oddities import Oddity, known_oddities
from crownlet.datasets.render.page.spec import PageSpec
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.datasets.scribal.portion import Lines
from crownlet.datasets.scribal.texts import read_portion

LARGE_LETTER_PAGE_SHARE = 0.7
"""Share of pages with a verse of large letters that have them large: it is a custom."""

_ODDITY_SHARES: dict[Oddity, float] = {
    "large": 1.0, "small": 1.0, "dotted": 0.7, "inverted": 1.5, "curled": 1.2,
}  # fmt: skip

_MORPH_WEIGHTS = {
    "דר": 2.5,
    "הח": 2.0,
    "וז": 1.8,
    "סם": 2.0,
    "בכ": 1.4,
    "דך": 0.8,
    "הק": 0.6,
    "חת": 0.7,
}
"""Weight of each pair among the morphs of a letter; 1 for pairs not listed. Pairs that matter most
are most frequent."""


_CONFUSED_PAIRS = (
    "אע בכ גצ דר הח וי זן טפ כך מם נן פף צץ םס וז ור ון חת הת הד ךר ךד ךו ךן בנ כנ גנ יח יל יר "
    "קל תף צע סט"
)

CONFUSED_PAIRS = tuple(_CONFUSED_PAIRS.split(" "))
"""Pairs taken for each other (Shabbat 103b; Rambam, Tefillin 1:19; Mishnah Berurah 32:14)."""

_LETTERS_PER_DEFECT = {
    name: sum(name in applicable_defects(letter) for letter in LETTERS) for name in CATALOGUE
}

# Only gimel, which few words have, can have its feet level.
_RARITY_WEIGHTS = {
    name: spread**-1.0 * (3.0 if name == "foot_level" else 1.0)
    for name, spread in _LETTERS_PER_DEFECT.items()
    if spread
}

GAP_FAULTS = ("words_joined", "word_parted", "letters_touch")

TEXT_FAULTS = ("letter_swapped", "letter_absent", "letter_extra")

DEFECTS_WITHOUT_HABIT = {*GAP_FAULTS, "overstretched"}
"""A letter is stretched against the usual width of its hand: by habit there is nothing to see."""

Fault = tuple[str, float]
"""Name of a defect and its plainness."""


def draw_morph(letter: str, spec: PageSpec, rng: np.random.Generator) -> tuple[str, float] | None:
    """Another letter and how far `letter` goes towards it, 0 to 1; None for most letters."""
    if not spec.morph_rate or rng.random() >= spec.morph_rate:
        return None
    others = morph_partners(letter)
    if not others or (spec.defects is not None and SHAPE_DOUBT not in spec.defects):
        return None
    weights = np.array(
        [
            _MORPH_WEIGHTS.get(letter + other, _MORPH_WEIGHTS.get(other + letter, 1.0))
            for other in others
        ]
    )
    other = others[int(np.searchsorted(np.cumsum(weights), rng.random() * weights.sum()))]
    return other, float(rng.random())


def is_other(t: float) -> bool:
    """Whether a form that far on its way is no longer the letter from which it started."""
    return t > DOUBT_END_SHARE


def draw_oddity(letter: str, spec: PageSpec, rng: np.random.Generator) -> Oddity | None:
    """A known oddity of this letter; None for most."""
    if not spec.oddity_rate or rng.random() >= spec.oddity_rate:
        return None
    names = known_oddities(letter)
    if not names:
        return None
    weights = np.array([_ODDITY_SHARES[name] for name in names])
    return names[int(np.searchsorted(np.cumsum(weights), rng.random() * weights.sum()))]


def large_places(
    lines: Lines, spec: PageSpec, rng: np.random.Generator
) -> frozenset[tuple[int, int]]:
    """(word, place) of letters that this page writes large by tradition (Rambam, Tefillin 2:6)."""
    if spec.portion is None or not spec.oddity_rate:
        return frozenset()
    text = read_portion(spec.portion)
    # Words seen of a neighbouring column are another text.
    if text.words != tuple(word for line in lines for word in line):
        return frozenset()
    return text.large_letters if rng.random() < LARGE_LETTER_PAGE_SHARE else frozenset()


@dataclass(frozen=True)
class Slot:
    """A letter to be written, before it has a shape."""

    letter: str
    expected: str | None
    line: int
    word: int
    place: int
    faults: tuple[Fault, ...] = ()
    marks: tuple[DefectMark, ...] = ()
    """Defects of the text that this letter has."""
    gap_fault: str | None = None
    """Fault of the gap to the next letter of the line."""
    morph: tuple[str, float] | None = None
    """Another letter and how far the form goes towards it, at most half of the way."""
    oddity: Oddity | None = None
    """A known oddity of writing, as in `LetterTruth`."""


@dataclass(frozen=True)
class PagePlan:
    """Letters by line in reading order; `missing` as in `PageTruth`."""

    lines: tuple[tuple[Slot, ...], ...]
    missing: tuple[tuple[int, str], ...]


def plan_page(lines: Lines, spec: PageSpec, rng: np.random.Generator) -> PagePlan:
    """Decide what is written of `lines` and which defects each letter and gap gets."""
    habits = _draw_habits(spec, rng)
    large = large_places(lines, spec, rng)
    rows: list[tuple[Slot, ...]] = []
    missing: list[tuple[int, str]] = []
    written = word_number = 0
    for number, words in enumerate(lines):
        row: list[Slot] = []
        for word in words:
            slots, lost = _write_word(word, number, word_number, spec, rng)
            missing.extend((written + len(row) + at - 1, char) for at, char in lost)
            row.extend(_vary_form(slot, large, spec, rng) for slot in slots)
            word_number += 1
        rows.append(tuple(_spoil_line(row, spec, habits, rng)))
        written += len(row)
    return PagePlan(tuple(rows), tuple(missing))


def _write_word(
    word: str, line: int, number: int, spec: PageSpec, rng: np.random.Generator
) -> tuple[list[Slot], list[tuple[int, str]]]:
    """Slots of a word and what was left out: (letters of it written before, character)."""
    slots: list[Slot] = []
    lost: list[tuple[int, str]] = []
    for place, char in enumerate(word):
        slot = Slot(char, char, line, number, place)
        fault = None
        if spec.text_rate and rng.random() < spec.text_rate:
            fault = _choose_permitted(TEXT_FAULTS, spec, rng)
        if fault == "letter_absent" and len(word) > 1:
            lost.append((len(slots), char))
            continue
        if fault == "letter_swapped":
            other = _confused_with(char, rng)
            slot = copy_with(slot, letter=other, marks=(DefectMark("letter_swapped", 1.0),))
        slots.append(slot)
        if fault == "letter_extra":
            double = char if rng.random() < 0.5 else LETTERS[int(rng.integers(len(LETTERS)))]
            mark = DefectMark("letter_extra", 1.0)
            slots.append(copy_with(slot, letter=double, expected=None, marks=(mark,)))
    return slots, lost


def _vary_form(
    slot: Slot, large: frozenset[tuple[int, int]], spec: PageSpec, rng: np.random.Generator
) -> Slot:
    """The slot, its letter perhaps drawn on the way to another, or written oddly."""
    if slot.marks:
        return slot
    if (slot.word, slot.place) in large:
        return copy_with(slot, oddity="large")
    way = draw_morph(slot.letter, spec, rng)
    if way is None:
        return copy_with(slot, oddity=draw_oddity(slot.letter, spec, rng))
    other, t = way
    if t < 0.5:
        return copy_with(slot, morph=way)
    marks = (DefectMark("letter_swapped", 1.0),) if is_other(t) else ()
    return copy_with(slot, letter=other, morph=(slot.letter, 1.0 - t), marks=marks)


def _confused_with(char: str, rng: np.random.Generator) -> str:
    pairs = [pair for pair in CONFUSED_PAIRS if char in pair]
    if not pairs or rng.random() < 0.2:
        others = LETTERS.replace(char, "")
        return others[int(rng.integers(len(others)))]
    return pairs[int(rng.integers(len(pairs)))].replace(char, "")


def _spoil_line(
    row: list[Slot], spec: PageSpec, habits: dict[str, float], rng: np.random.Generator
) -> list[Slot]:
    spoilt: list[Slot] = []
    for i, slot in enumerate(row):
        gap = None
        if i + 1 < len(row) and rng.random() < spec.gap_rate:
            gap = _gap_fault(slot, row[i + 1], spec, rng)
        usual = slot.morph is None and slot.oddity is None
        faults = _letter_faults(slot.letter, spec, habits, rng) if usual else ()
        spoilt.append(copy_with(slot, faults=faults, gap_fault=gap))
    return spoilt


def _gap_fault(a: Slot, b: Slot, spec: PageSpec, rng: np.random.Generator) -> str | None:
    inner = ("word_parted", "letters_touch", "letters_touch")
    return _choose_permitted(inner if a.word == b.word else ("words_joined",), spec, rng)


def _letter_faults(
    letter: str, spec: PageSpec, habits: dict[str, float], rng: np.random.Generator
) -> tuple[Fault, ...]:
    known = [
        name for name in applicable_defects(letter) if spec.defects is None or name in spec.defects
    ]
    known = [name for name in known if name not in GAP_FAULTS]
    names = [name for name in known if name in habits and rng.random() < habits[name]]
    # Letters with one possible fault get it less often: half the alphabet would be broken else.
    if known and not names and rng.random() < spec.defect_rate * min(1.0, 0.25 + 0.25 * len(known)):
        names.append(_choose_rare(known, rng))
    if names and len(known) > 1 and rng.random() < spec.second_rate:
        names.append(_choose_rare(known, rng))
    # In the order of the registry: a crack made first would be left behind by a moved stroke.
    return tuple((name, _draw_plainness(spec, rng)) for name in known if name in names)


def _draw_plainness(spec: PageSpec, rng: np.random.Generator) -> float:
    """How plain a defect is; the doubtful third, which teaches least, is rarer."""
    low, high = spec.plainness
    drawn = float(rng.uniform(low, high))
    if DOUBTFUL_PLAINNESS <= drawn <= PLAIN_PLAINNESS and rng.random() < 0.4:
        drawn = float(rng.uniform(low, high))
    return drawn


def _choose_rare(names: list[str], rng: np.random.Generator) -> str:
    """One of the defects, those that few letters can have before those that all can."""
    weights = np.array([_RARITY_WEIGHTS[name] for name in names])
    return names[int(np.searchsorted(np.cumsum(weights), rng.random() * weights.sum()))]


def _draw_habits(spec: PageSpec, rng: np.random.Generator) -> dict[str, float]:
    """Defects this page's hand makes as a rule, with their rate on letters where they apply."""
    every = sorted(
        {name for letter in LETTERS for name in applicable_defects(letter)}
        - {*DEFECTS_WITHOUT_HABIT}
    )
    every = [name for name in every if spec.defects is None or name in spec.defects]
    if not every or rng.random() >= spec.habit_rate:
        return {}
    names = rng.choice(every, size=min(len(every), int(rng.integers(1, 3))), replace=False)
    return {str(name): float(rng.uniform(0.3, 1.0)) for name in names}


def _choose_permitted(
    names: tuple[str, ...], spec: PageSpec, rng: np.random.Generator
) -> str | None:
    known = [name for name in names if spec.defects is None or name in spec.defects]
    return known[int(rng.integers(len(known)))] if known else None
