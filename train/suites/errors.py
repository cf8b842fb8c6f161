"""Counts of letters read wrongly, and their sum over pages: the letter error rate by kind."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field


@dataclass(frozen=True)
class LetterErrors:
    """What went wrong among `true` letters. Sums of pages are made with `+`."""

    true: int = 0
    substituted: Counter[tuple[str, str]] = field(default_factory=Counter)
    """By (letter written, letter seen)."""
    missing: Counter[str] = field(default_factory=Counter)
    """By letter written."""
    spurious: Counter[str] = field(default_factory=Counter)
    """By letter seen where none is written."""
    written: Counter[str] = field(default_factory=Counter)
    """True letters by kind; its total is `true`."""

    @property
    def errors(self) -> int:
        """Substituted, missing and spurious letters together."""
        return sum(kind.total() for kind in (self.substituted, self.missing, self.spurious))

    @property
    def rate(self) -> float:
        """Letter error rate: errors a true letter. NaN without true letters."""
        return self.errors / self.true if self.true else float("nan")

    def __add__(self, other: LetterErrors) -> LetterErrors:
        return LetterErrors(
            self.true + other.true,
            self.substituted + other.substituted,
            self.missing + other.missing,
            self.spurious + other.spurious,
            self.written + other.written,
        )

    def by_letter(self) -> dict[str, float]:
        """Share of each written letter that was substituted or missed, by code point."""
        lost = self.missing.copy()
        for (letter, _), count in self.substituted.items():
            lost[letter] += count
        return {letter: lost[letter] / count for letter, count in sorted(self.written.items())}

    def summary(self) -> dict[str, object]:
        """Plain values for the model card; pairs as `written>seen`, most frequent first."""
        pairs = {f"{a}>{b}": n for (a, b), n in self.substituted.most_common()}
        return {
            "letters": self.true,
            "letter_error_rate": self.rate if self.true else None,
            "substituted": self.substituted.total(),
            "missing": self.missing.total(),
            "spurious": self.spurious.total(),
            "pairs": pairs,
            "missing_by_letter": dict(self.missing.most_common()),
            "spurious_by_letter": dict(self.spurious.most_common()),
        }
