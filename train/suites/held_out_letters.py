"""Letters of the held-out pages read without a text: errors in all, and by kind of page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from crownlet.datasets.page.truth import LetterTruth
from crownlet.infer.records import GlyphRecord, PageRecord
from crownlet.train.suites.errors import LetterErrors
from crownlet.train.suites.matching import letter_errors
from crownlet.train.suites.reading import ReadPage

BANDS = (35.0, 45.0, 64.0)
"""Body heights in px that part the bands of size."""
WORST = 5
FORM = "overstretched"
"""The fault of form that every letter can have: examined wherever any fault of form is."""


@dataclass
class LetterTally:
    """Counts over pages, added one by one."""

    errors: LetterErrors = field(default_factory=LetterErrors)
    legible: LetterErrors = field(default_factory=LetterErrors)
    """The same of the letters whose picture carries a reading (`legible_only`)."""
    kinds: dict[str, dict[str, LetterErrors]] = field(default_factory=dict)
    hands: set[object] = field(default_factory=set)
    pages: int = 0
    refused: int = 0
    whole: int = 0
    doubtful: int = 0
    """Whole letters whose class is doubtful as written: no reading of them is counted."""
    rates: list[tuple[float, int]] = field(default_factory=list)

    def add(self, page: ReadPage) -> None:
        """Count a page by its first record; a refused page has lost all its letters."""
        truth, record = page.truth.letters, page.records[0] if page.records else None
        seen = record.glyphs if record else ()
        found = letter_errors(truth, seen)
        self.errors += found
        self.legible += letter_errors(*legible_only(truth, record)) if record else found
        self.whole += sum(letter.whole for letter in truth)
        self.doubtful += sum(letter.whole and letter.share > 0 for letter in truth)
        self.hands.add(page.truth.meta.get("hand"))
        self.refused += record is None
        if found.true:
            self.rates.append((found.rate, self.pages))
        self.pages += 1
        for kind, value in _kinds(page).items():
            rows = self.kinds.setdefault(kind, {})
            rows[value] = rows.get(value, LetterErrors()) + found

    def card(self) -> dict[str, object]:
        """Plain values for the model card."""
        left_out = 1.0 - self.legible.true / self.errors.true if self.errors.true else None
        return {
            "pages": self.pages,
            "pages_refused": self.refused,
            "hands": len(self.hands),
            **self.errors.summary(),
            "share_doubtful_in_class": self.doubtful / max(1, self.whole),
            "where_the_picture_carries_a_reading": {
                **_brief(self.legible),
                "share_left_out": left_out,
            },
            **{
                kind: {value: _brief(found) for value, found in sorted(rows.items())}
                for kind, rows in self.kinds.items()
            },
            "worst_pages": [
                {"page": page, "letter_error_rate": rate}
                for rate, page in sorted(self.rates, reverse=True)[:WORST]
            ],
        }


def carries_reading(glyph: GlyphRecord) -> bool:
    """Whether the picture lets the form of this letter be judged at all.

    So it is where the picture has what all faults of form need: px, sharpness, contrast, no glare
    (`needs` in routing.yaml).
    """
    return FORM not in glyph.not_examined


def legible_only(
    truth: Sequence[LetterTruth], record: PageRecord
) -> tuple[list[LetterTruth], list[GlyphRecord]]:
    """Truth and letters seen, those without a legible picture marked doubtful or taken away.

    By what the record says of the picture, never by what was read. Letters that were not found
    have no measures of their own: they count unless the whole page is unresolved.
    """
    seen = [glyph for glyph in record.glyphs if carries_reading(glyph)]
    blurred = [glyph.body for glyph in record.glyphs if not carries_reading(glyph)]
    every = FORM in record.unresolved
    marked = [
        replace(letter, share=0.5) if every or _any_at(letter, blurred) else letter
        for letter in truth
    ]
    return marked, seen


def _any_at(letter: LetterTruth, bodies: Sequence[tuple[float, float, float, float]]) -> bool:
    """Whether one of the bodies hangs where this letter hangs, within a pen width."""
    x, y, _, _ = letter.body
    near = letter.q
    return any(abs(x - body[0]) <= near and abs(y - body[1]) <= near for body in bodies)


def _kinds(page: ReadPage) -> dict[str, str]:
    meta = page.truth.meta
    body = float(meta.get("body", 0.0))  # type: ignore[arg-type]
    band = sum(body >= border for border in BANDS)
    low, high = ("", *map(str, map(int, BANDS)))[band], (*map(str, map(int, BANDS)), "")[band]
    return {
        "by_device": str(meta.get("device")),
        "by_style": str(meta.get("style")),
        "by_body_px": f"{low}-{high}",
    }


def _brief(found: LetterErrors) -> dict[str, object]:
    return {
        "letters": found.true,
        "letter_error_rate": found.rate if found.true else None,
        "errors": found.errors,
    }
