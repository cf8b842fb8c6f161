"""Crowns painted out of pictures: how many are named, and how many crowned neighbours are raised.

Of the letters that carry a crown a random half loses it, then the other half, so that each letter
is once without and once with it; each picture is inspected with its text. Photographs come from a
folder of the user's, renders from held-out hands with forms of their own.
"""

from __future__ import annotations

import csv
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from crownlet.datasets.files.images import PageError
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import PageSpec, training
from crownlet.datasets.scribal.portion import Portion
from crownlet.infer.inspector import Inspector
from crownlet.infer.records import TAG_MISSING, TAG_NONE, GlyphRecord
from crownlet.train.evaluation.crown_paint import Crown, CrownedBody, find_crown, paint_out
from crownlet.train.evaluation.photographs import load_texts
from crownlet.train.evaluation.workers import PageReader, text_of

Pixels = npt.NDArray[np.uint8]

PAINTED_FIRST_SEED = 930_000_000

LAMED = "ל"
"""Its tags stand on its neck, which is no roof: they are left alone."""


@dataclass(frozen=True)
class PaintedCounts:
    """Letters counted; sums of pictures add up."""

    painted: int = 0
    named: int = 0
    """Painted letters with the reason `tag_missing`."""
    found: int = 0
    """Those of them for which it is a finding."""
    not_examined: int = 0
    """Painted letters on which the picture does not let it be judged."""
    untouched: int = 0
    false_findings: int = 0
    """Crowned letters of which a missing tag is a finding."""
    false_reviews: int = 0
    """Crowned letters that go to review for it."""

    def __add__(self, other: PaintedCounts) -> PaintedCounts:
        pairs = zip(self._values(), other._values(), strict=True)
        return PaintedCounts(*(a + b for a, b in pairs))

    def card(self) -> dict[str, object]:
        """Plain values for the model card."""
        return {
            "painted": self.painted,
            "named": self.named / max(1, self.painted),
            "findings": self.found / max(1, self.painted),
            "not_examined": self.not_examined / max(1, self.painted),
            "untouched": self.untouched,
            "false_findings": self.false_findings / max(1, self.untouched),
            "false_reviews": self.false_reviews / max(1, self.untouched),
        }

    def _values(self) -> tuple[int, ...]:
        return (
            self.painted, self.named, self.found, self.not_examined, self.untouched,
            self.false_findings, self.false_reviews,
        )  # fmt: skip


@dataclass(frozen=True)
class PaintedPicture:
    """One picture: its counts, and the px per kulmus at which it was read."""

    name: str
    counts: PaintedCounts
    q_px: float


def measure_painted_photographs(
    inspector: Inspector, folder: Path, crowned: Path | None = None
) -> list[PaintedPicture]:
    """Every transcribed photograph of `folder`.

    `crowned` lists the letters that truly carry a crown (`read_crowned_places`); without it every
    letter of which one is asked and on which strokes are found counts as crowned.
    """
    places = read_crowned_places(crowned) if crowned else None
    pictures = []
    for photo, text in load_texts(folder).items():
        if places is not None and photo not in places:
            continue
        with Image.open(folder / photo) as picture:
            image = np.asarray(picture.convert("RGB"), np.uint8)
        listed = None if places is None else places[photo]
        pictures.append(measure_photograph(inspector, photo, image, text, listed))
    return [picture for picture in pictures if picture.counts.painted]


def measure_photograph(
    inspector: Inspector,
    name: str,
    image: Pixels,
    text: Portion,
    crowned: Sequence[tuple[float, float]] | None = None,
) -> PaintedPicture:
    """One photograph (H, W, 3), its letters placed by the tool itself.

    `crowned` holds the places (x, y) px of the crowned letters, None for all with strokes.
    """
    try:
        record = inspector.inspect(image, text)
    except PageError:
        return PaintedPicture(name, PaintedCounts(), 0.0)
    bodies = [_body_of(glyph) for glyph in record.glyphs]
    asked = [
        body
        for body, glyph in zip(bodies, record.glyphs, strict=True)
        if glyph.tags_expected and glyph.judged_as != LAMED and _is_listed(body, crowned)
    ]
    crowns = _crowned_letters(image, asked, bodies)
    counts = paint_halves(inspector, image, text, crowns, zlib.crc32(name.encode()))
    return PaintedPicture(name, counts, record.q)


def read_crowned_places(path: Path) -> dict[str, list[tuple[float, float]]]:
    """By photograph, places (x, y) px on the letters that carry a crown: a table `photo, x, y`."""
    places: dict[str, list[tuple[float, float]]] = {}
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file, delimiter="\t"):
            places.setdefault(row["photo"], []).append((float(row["x"]), float(row["y"])))
    return places


def measure_painted_renders(reader: PageReader, count: int) -> list[PaintedPicture]:
    """Pages by held-out hands with forms of their own, crowned and without a fault."""
    seeds = range(PAINTED_FIRST_SEED, PAINTED_FIRST_SEED + count)
    return [picture for picture in reader.each(_measure_render, seeds) if picture.counts.painted]


def painted_page_spec() -> PageSpec:
    """A crowned page without faults, mostly of letters that are not small."""
    return training(
        split="heldout", own_forms=True, crowned=1.0, generous=0.0, defect_rate=0.0,
        habit_rate=0.0, second_rate=0.0, gap_rate=0.0, text_rate=0.0, morph_rate=0.0,
        oddity_rate=0.0, margin=(1.0, 5.0), tight=0.0, body=(18.0, 96.0),
    )  # fmt: skip


def _measure_render(inspector: Inspector, seed: int) -> PaintedPicture:
    """One rendered page, its letters placed by the truth."""
    page = compose(painted_page_spec(), seed)
    bodies = [
        CrownedBody(letter.body[0], letter.body[1], letter.q, letter.box) for letter in page.letters
    ]
    asked = [
        body
        for body, letter in zip(bodies, page.letters, strict=True)
        if letter.whole
        and letter.letter != LAMED
        and 0 < (inspector.customs.tags_expected(letter.letter) or 0) <= letter.tags
    ]
    crowns = _crowned_letters(page.image, asked, bodies)
    q = float(np.median([letter.q for letter in page.letters]))
    try:
        counts = paint_halves(inspector, page.image, text_of(page), crowns, seed)
    except PageError:
        counts = PaintedCounts()
    return PaintedPicture(str(seed), counts, q)


def paint_halves(
    inspector: Inspector,
    image: Pixels,
    text: Portion,
    crowned: Sequence[tuple[CrownedBody, Crown]],
    seed: int,
) -> PaintedCounts:
    """Paint out one random half, then the other, and count what the inspector names.

    PageError for a painted picture that cannot be inspected.
    """
    counts = PaintedCounts()
    half = np.random.default_rng(seed).permutation(len(crowned)) % 2
    for turn in (0, 1):
        gone = [crown for (_, crown), mine in zip(crowned, half, strict=True) if mine == turn]
        if not gone:
            continue
        record = inspector.inspect(paint_out(image, gone), text)
        for (body, _), mine in zip(crowned, half, strict=True):
            counts += count_letter(nearest_glyph(body, record.glyphs), mine == turn)
    return counts


def count_letter(glyph: GlyphRecord | None, painted: bool) -> PaintedCounts:
    """What became of one letter; None for one that was not found."""
    missing = glyph is not None and glyph.route != "clear" and TAG_MISSING in glyph.reasons
    surely = missing and glyph is not None and TAG_MISSING in glyph.sure
    if not painted:
        return PaintedCounts(
            untouched=1, false_findings=surely, false_reviews=missing and not surely
        )
    blind = glyph is None or TAG_NONE in glyph.not_examined
    return PaintedCounts(painted=1, named=missing, found=surely, not_examined=blind)


def nearest_glyph(body: CrownedBody, glyphs: Iterable[GlyphRecord]) -> GlyphRecord | None:
    """The glyph whose body stands nearest, None if it stands more than 1.5 q away."""

    def away(glyph: GlyphRecord) -> float:
        return abs(glyph.body[0] - body.x) + abs(glyph.body[1] - body.y)

    nearest = min(glyphs, key=away, default=None)
    return nearest if nearest is not None and away(nearest) <= 1.5 * body.q else None


def painted_card(pictures: Sequence[PaintedPicture]) -> dict[str, object]:
    """All pictures together, and each by itself."""
    return {
        **_total(pictures).card(),
        "pictures": {
            picture.name: {**picture.counts.card(), "q_px": picture.q_px} for picture in pictures
        },
    }


def painted_card_by_size(pictures: Sequence[PaintedPicture]) -> dict[str, object]:
    """All pictures together, and by px per kulmus."""
    bands = ((0.0, 8.0), (8.0, 12.5), (12.5, 20.0), (20.0, np.inf))
    return {
        **_total(pictures).card(),
        "by_q_px": {
            f"from {low:g}": _total([p for p in pictures if low <= p.q_px < high]).card()
            for low, high in bands
        },
    }


def _total(pictures: Sequence[PaintedPicture]) -> PaintedCounts:
    return sum((picture.counts for picture in pictures), PaintedCounts())


def _crowned_letters(
    image: Pixels, asked: Sequence[CrownedBody], every: Sequence[CrownedBody]
) -> list[tuple[CrownedBody, Crown]]:
    """Those of the letters on which a crown is found, with it."""
    gray = np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), np.uint8)
    found = ((body, find_crown(gray, body, every)) for body in asked)
    return [(body, crown) for body, crown in found if crown is not None]


def _body_of(glyph: GlyphRecord) -> CrownedBody:
    return CrownedBody(glyph.body[0], glyph.body[1], glyph.q, glyph.box)


def _is_listed(body: CrownedBody, crowned: Sequence[tuple[float, float]] | None) -> bool:
    """Whether a place of the list lies on the letter; every letter without a list."""
    if crowned is None:
        return True
    x0, y0, x1, y1 = body.box
    return any(x0 <= x <= x1 and y0 <= y <= y1 for x, y in crowned)
