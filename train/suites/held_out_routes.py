"""Where letters of the held-out pages went, and which plain faults went unseen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from crownlet.datasets.page.truth import LetterTruth
from crownlet.infer.records import GlyphRecord
from crownlet.train.suites.defect_scores import DOUBTFUL
from crownlet.train.suites.matching import PageMatch

ROUTES = ("clear", "review", "finding")


@dataclass
class RouteTally:
    """Counts over pages, added one by one; letters that were not found have no route."""

    every: Counter[str] = field(default_factory=Counter)
    sound: Counter[str] = field(default_factory=Counter)
    """Letters without any plain or doubtful fault, of sure class, as the text has them."""
    review_for: Counter[str] = field(default_factory=Counter)
    review_for_sound: Counter[str] = field(default_factory=Counter)
    """First reason of letters that go to review."""
    finding_for_sound: Counter[str] = field(default_factory=Counter)
    plain: int = 0
    cleared: Counter[str] = field(default_factory=Counter)
    letters_cleared: int = 0
    not_examined: int = 0
    """Plain faults that the picture did not let anyone judge."""

    def add(
        self, truth: Sequence[LetterTruth], seen: Sequence[GlyphRecord], match: PageMatch
    ) -> None:
        """Count the pairs of a page."""
        for i, j in match.pairs:
            self._add(truth[i], seen[j])

    def _add(self, letter: LetterTruth, glyph: GlyphRecord) -> None:
        first = glyph.reasons[0] if glyph.reasons else "none"
        self.every[glyph.route] += 1
        self.review_for[first] += glyph.route == "review"
        if is_sound(letter):
            self.sound[glyph.route] += 1
            self.review_for_sound[first] += glyph.route == "review"
            self.finding_for_sound[first] += glyph.route == "finding"
        # What has no probability, or was not examined, was not cleared either.
        names = [mark.name for mark in letter.defects if mark.plainness > DOUBTFUL[1]]
        names = [name for name in names if glyph.p.get(name) is not None]
        asked = [name for name in names if name not in glyph.not_examined]
        self.not_examined += len(names) - len(asked)
        self.plain += bool(asked)
        if asked and glyph.route == "clear":
            self.letters_cleared += 1
            self.cleared.update(asked)

    def card(self) -> dict[str, object]:
        """Plain values for the model card."""
        return {
            **_shares(self.every),
            "letters_without_fault": {
                "letters": self.sound.total(),
                **_shares(self.sound),
                "first_reasons_of_review": _counts(self.review_for_sound),
                "first_reasons_of_findings": _counts(self.finding_for_sound),
            },
            "first_reasons_of_review": _counts(self.review_for),
            "letters_with_plain_faults": self.plain,
            "of_them_cleared": self.letters_cleared / max(1, self.plain),
            "plain_faults_cleared": _counts(self.cleared),
            "plain_faults_not_examined": self.not_examined,
        }


def is_sound(letter: LetterTruth) -> bool:
    """Whether nothing of the letter is plainly or doubtfully at fault."""
    faultless = all(mark.plainness < DOUBTFUL[0] for mark in letter.defects)
    return faultless and not letter.share and letter.letter == letter.expected


def _shares(routes: Counter[str]) -> dict[str, float]:
    return {name: routes[name] / max(1, routes.total()) for name in ROUTES}


def _counts(counter: Counter[str]) -> dict[str, int]:
    return {name: count for name, count in counter.most_common() if count}
