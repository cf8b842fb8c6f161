"""One suite compared: all letters, each letter, all defects, the crowns, each defect."""

from __future__ import annotations

from dataclasses import dataclass, field

from crownlet.datasets.alphabet import ALPHABET
from crownlet.datasets.catalogue import GLYPH_DEFECTS
from crownlet.train.gate.paired import LEVEL, Difference, aurocs, rates
from crownlet.train.gate.tallies import Tally, counts, scored

CROWNS = tuple(name for name in GLYPH_DEFECTS if name.startswith("tag_"))
LETTERS, DEFECTS, CROWN = "letters", "defects", "crowns"
"""Measures of a whole suite: letter error rate, mean AUROC of all defects, of those of crowns."""


@dataclass(frozen=True)
class Compared:
    """A suite's differences; those of single letters and defects have wider limits, being many."""

    whole: dict[str, Difference] = field(default_factory=dict)
    by_letter: dict[str, Difference] = field(default_factory=dict)
    by_defect: dict[str, Difference] = field(default_factory=dict)


def compare(old: Tally, new: Tally) -> Compared:
    """Both models on the same scrolls. Limits of k letters, or defects, together hold with 95%
    (each at 1 - 0.05 / k, Bonferroni)."""
    scrolls = {scroll: number for number, scroll in enumerate(new.errors)}
    if list(old.errors) != list(scrolls):
        raise ValueError("the two models were not shown the same scrolls")
    whole = {LETTERS: _rates(old, new, scrolls)} if scrolls else {}
    pairs = {
        name: (scored(old, scrolls, name), scored(new, scrolls, name)) for name in GLYPH_DEFECTS
    }
    for measure, names in ((DEFECTS, GLYPH_DEFECTS), (CROWN, CROWNS)):
        found = aurocs([pairs[name] for name in names], len(scrolls))
        if found is not None:
            whole[measure] = found
    written = [letter for letter in ALPHABET if counts(new, scrolls, letter.char)[1].sum() > 0]
    asked = [name for name in GLYPH_DEFECTS if aurocs([pairs[name]], len(scrolls))]
    by_defect = {
        name: aurocs([pairs[name]], len(scrolls), 1 - (1 - LEVEL) / len(asked)) for name in asked
    }
    return Compared(
        whole,
        {
            letter.slug: _rates(old, new, scrolls, letter.char, 1 - (1 - LEVEL) / len(written))
            for letter in written
        },
        {name: found for name, found in by_defect.items() if found is not None},
    )


def _rates(
    old: Tally, new: Tally, scrolls: dict[str, int], letter: str | None = None,
    level: float = LEVEL,
) -> Difference:  # fmt: skip
    first, sizes = counts(old, scrolls, letter)
    second, _ = counts(new, scrolls, letter)
    held = sizes > 0
    if letter is None:
        held[:] = True
    return rates(first[held], second[held], sizes[held], level)
