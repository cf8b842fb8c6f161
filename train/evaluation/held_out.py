"""The first suite: pages by hands that training never saw, and whole mezuzot with faulty text.

`LetterTally` counts errors of letters read without a text, in all and by kind of page; `RouteTally`
where the routing sends letters, and which plain faults it clears.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field, replace

from crownlet.datasets.coco.truth import DefectMark, LetterTruth
from crownlet.datasets.render.page.spec import mezuzah, training
from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.records import GlyphRecord, PageRecord
from crownlet.train.evaluation.defect_scores import (
    DOUBTFUL_PLAINNESS,
    NO_CASES,
    TAG_COUNT_DEFECTS,
    DefectScore,
    gather_cases,
    score_defect,
)
from crownlet.train.evaluation.matching import (
    LetterErrors,
    PageMatch,
    count_letter_errors,
    match_page,
)
from crownlet.train.evaluation.workers import OWN_TEXT, ReadingJob, ReadPage

BODY_BANDS_PX = (35.0, 45.0, 64.0)
"""Body heights at which one band of size ends and the next begins."""

WORST_PAGES = 5

FORM_DEFECT = "overstretched"
"""The fault of form that every letter can have: examined wherever any fault of form is."""


ROUTES = ("clear", "review", "finding")

HELD_OUT_FIRST_SEED = 900_000_000


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
        found = count_letter_errors(truth, seen)
        self.errors += found
        self.legible += count_letter_errors(*legible_only(truth, record)) if record else found
        self.whole += sum(letter.whole for letter in truth)
        self.doubtful += sum(letter.whole and letter.share > 0 for letter in truth)
        self.hands.add(page.truth.meta.get("hand"))
        self.refused += record is None
        if found.true:
            self.rates.append((found.rate, self.pages))
        self.pages += 1
        for kind, value in _page_kinds(page).items():
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
                **_brief_errors(self.legible),
                "share_left_out": left_out,
            },
            **{
                kind: {value: _brief_errors(found) for value, found in sorted(rows.items())}
                for kind, rows in self.kinds.items()
            },
            "worst_pages": [
                {"page": page, "letter_error_rate": rate}
                for rate, page in sorted(self.rates, reverse=True)[:WORST_PAGES]
            ],
        }


def carries_reading(glyph: GlyphRecord) -> bool:
    """Whether the picture lets the form of this letter be judged at all.

    So it is where the picture has what all faults of form need: px, sharpness, contrast, no glare
    (`needs` in routing.yaml).
    """
    return FORM_DEFECT not in glyph.not_examined


def legible_only(
    truth: Sequence[LetterTruth], record: PageRecord
) -> tuple[list[LetterTruth], list[GlyphRecord]]:
    """Truth and letters seen, those without a legible picture marked doubtful or taken away.

    By what the record holds of the picture, never by what was read. Letters that were not found
    have no measures of their own: they count unless the whole page is unresolved.
    """
    seen = [glyph for glyph in record.glyphs if carries_reading(glyph)]
    blurred = [glyph.body for glyph in record.glyphs if not carries_reading(glyph)]
    every = FORM_DEFECT in record.unresolved
    marked = [
        replace(letter, share=0.5) if every or _hangs_at_any(letter, blurred) else letter
        for letter in truth
    ]
    return marked, seen


def _hangs_at_any(letter: LetterTruth, bodies: Sequence[tuple[float, float, float, float]]) -> bool:
    """Whether one of the bodies hangs where this letter hangs, within a pen width."""
    x, y, _, _ = letter.body
    near = letter.q
    return any(abs(x - body[0]) <= near and abs(y - body[1]) <= near for body in bodies)


def _page_kinds(page: ReadPage) -> dict[str, str]:
    meta = page.truth.meta
    body = float(meta.get("body", 0.0))  # type: ignore[arg-type]
    band = sum(body >= limit for limit in BODY_BANDS_PX)
    low, high = (
        ("", *map(str, map(int, BODY_BANDS_PX)))[band],
        (*map(str, map(int, BODY_BANDS_PX)), "")[band],
    )
    return {
        "by_device": str(meta.get("device")),
        "by_style": str(meta.get("style")),
        "by_body_px": f"{low}-{high}",
    }


def _brief_errors(found: LetterErrors) -> dict[str, object]:
    return {
        "letters": found.true,
        "letter_error_rate": found.rate if found.true else None,
        "errors": found.errors,
    }


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
        if is_faultless(letter):
            self.sound[glyph.route] += 1
            self.review_for_sound[first] += glyph.route == "review"
            self.finding_for_sound[first] += glyph.route == "finding"
        # What has no probability, or was not examined, was not cleared either.
        names = [mark.name for mark in letter.defects if mark.plainness > DOUBTFUL_PLAINNESS[1]]
        names = [name for name in names if glyph.p.get(name) is not None]
        asked = [name for name in names if name not in glyph.not_examined]
        self.not_examined += len(names) - len(asked)
        self.plain += bool(asked)
        if asked and glyph.route == "clear" and set(asked).isdisjoint(glyph.unrouted_doubts):
            self.letters_cleared += 1
            self.cleared.update(asked)

    def card(self) -> dict[str, object]:
        """Plain values for the model card."""
        return {
            **_shares(self.every),
            "letters_without_fault": {
                "letters": self.sound.total(),
                **_shares(self.sound),
                "first_reasons_of_review": _nonzero_counts(self.review_for_sound),
                "first_reasons_of_findings": _nonzero_counts(self.finding_for_sound),
            },
            "first_reasons_of_review": _nonzero_counts(self.review_for),
            "letters_with_plain_faults": self.plain,
            "of_them_cleared": self.letters_cleared / max(1, self.plain),
            "plain_faults_cleared": _nonzero_counts(self.cleared),
            "plain_faults_not_examined": self.not_examined,
        }


def is_faultless(letter: LetterTruth) -> bool:
    """Whether nothing of the letter is plainly or doubtfully at fault."""
    faultless = all(mark.plainness < DOUBTFUL_PLAINNESS[0] for mark in letter.defects)
    return faultless and not letter.share and letter.letter == letter.expected


def _shares(routes: Counter[str]) -> dict[str, float]:
    return {name: routes[name] / max(1, routes.total()) for name in ROUTES}


def _nonzero_counts(counter: Counter[str]) -> dict[str, int]:
    return {name: count for name, count in counter.most_common() if count}


def with_expected_tags(letter: LetterTruth, customs: Customs) -> LetterTruth:
    """The letter marked `tag_missing` or `tag_excess` as its tags differ from the customs' count.

    A hand that crowns nothing has no slip in it, but the tags are missing all the same; one that
    crowns its vavs has tags too many. Stumps and points, of which it is doubtful whether they
    count, stay doubtful; of a letter whose tags nobody counted nothing changes.
    """
    if letter.tags < 0:
        return letter
    expected = customs.tags_expected(letter.letter)
    others = [mark for mark in letter.defects if mark.name not in TAG_COUNT_DEFECTS]
    doubtful = [
        mark
        for mark in letter.defects
        if mark.name in TAG_COUNT_DEFECTS
        and DOUBTFUL_PLAINNESS[0] <= mark.plainness <= DOUBTFUL_PLAINNESS[1]
    ]
    known = {mark.name for mark in doubtful}
    missing = 0 if expected is None else expected - letter.tags
    name = "tag_missing" if missing > 0 else "tag_excess"
    if missing and name not in known:
        doubtful.append(DefectMark(name, float(abs(missing))))
    return replace(letter, defects=(*others, *doubtful))


def held_out_pages(count: int) -> list[ReadingJob]:
    """Fragments of 60 to 110 letters, nearly a third of them with a fault, one hand per page.

    They are read without a text, then against their own.
    """
    spec = training(split="heldout")
    return [ReadingJob(spec, HELD_OUT_FIRST_SEED + k, (None, OWN_TEXT)) for k in range(count)]


def held_out_mezuzot(count: int) -> list[ReadingJob]:
    """Whole mezuzot with faults of text and spacing, mostly clean letters."""
    spec = mezuzah(48.0, split="heldout", gap_rate=0.03, text_rate=0.004)
    return [ReadingJob(spec, HELD_OUT_FIRST_SEED + 500_000 + k, ("mezuzah",)) for k in range(count)]


def measure_fragments(pages: Iterable[ReadPage], customs: Customs) -> dict[str, object]:
    """Letter errors, every glyph defect, and what the routing let through.

    Letters are read without a text; defects and routes are those of the page against its own text,
    as an examiner has it: which faults a letter can have is then known.
    """
    letters, routes = LetterTally(), RouteTally()
    cases = dict.fromkeys(GLYPH_DEFECTS, NO_CASES)
    examined = dict.fromkeys(GLYPH_DEFECTS, NO_CASES)
    for page in pages:
        letters.add(page)
        if page.records is None:
            continue
        seen = page.records[1].glyphs
        truth = [with_expected_tags(letter, customs) for letter in page.truth.letters]
        match = match_page(truth, seen)
        routes.add(truth, seen, match)
        for name in GLYPH_DEFECTS:
            cases[name] += gather_cases(truth, seen, name, match)
            examined[name] += gather_cases(truth, _examined_for(seen, name), name, match)
    return {
        **letters.card(),
        "defects": {
            name: {
                **asdict(score_defect(cases[name])),
                "where_examined": _brief_score(score_defect(examined[name])),
            }
            for name in GLYPH_DEFECTS
        },
        "routing": routes.card(),
    }


def _examined_for(seen: tuple[GlyphRecord, ...], name: str) -> list[GlyphRecord]:
    """The same letters, those on which the picture does not let the defect be judged without it."""
    return [
        replace(glyph, p={**glyph.p, name: None}) if name in glyph.not_examined else glyph
        for glyph in seen
    ]


def _brief_score(score: DefectScore) -> dict[str, object]:
    keys = ("positives", "negatives", "auroc", "auroc_from_half", "calibration_error")
    return {key: value for key, value in asdict(score).items() if key in keys}
