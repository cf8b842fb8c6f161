"""The invented sources of both demonstrations: their scribes, and the sheets written and scanned.

`crownlet demo` shows two mezuzot from each of two sources, one neat, one hasty. `crownlet survey
demo` compares three sources whose scribes write three defects with known probabilities; a scroll
there is the first lines of a mezuzah with its reverse, and scrolls of one source differ: a scroll's
probability is the source's times a random factor with the mean 1, so that letters of one scroll are
correlated. Every letter is drawn by our own generator.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from crownlet.datasets.coco.truth import LetterTruth, PageTruth
from crownlet.datasets.files.atomic import atomic_write
from crownlet.datasets.render.page.spec import Augment, PageSpec, mezuzah
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.finding import Finding
from crownlet.infer.records import PageRecord
from crownlet.infer.text.side import Side

SAMPLE_BODY_PX, SURVEY_BODY_PX = 48.0, 54.0

DPI = 600
"""At 600 dpi letters of 48 px are 2 mm high, as in a mezuzah of 10 cm."""

SCROLLS_PER_SAMPLE_SOURCE = 2

SURVEY_SEED = 2026

FACTOR_SHAPE = 6.0
"""Of the gamma distribution of scrolls' factors: the smaller, the more scrolls differ."""

SURVEY_DEFECTS = ("tag_missing", "part_loose", "leg_touches_roof")

PARCHMENT_RGB = np.array([233.0, 223.0, 201.0], np.float32)
"""Tone to which the scanner balances skin skin, so that two sides of one scroll look alike."""

SAME_LETTER_DISTANCE_BODIES = 0.5
"""A letter found at least this far from a written one is not that letter."""

MIN_CERTAIN_PLAINNESS = 2 / 3
"""A defect below this plainness is doubtful even to its maker."""


@dataclass(frozen=True)
class DemoSource:
    """An invented source and its scribe; rates are those of `PageSpec`."""

    name: str
    manner: str
    """How the scribe writes, in words."""
    hand: int
    face_rate: float
    """`defect_rate` of a face."""
    reverse_rate: float
    """`defect_rate` of a reverse."""
    defects: tuple[str, ...]
    gap_rate: float = 0.0
    text_rate: float = 0.0


SAMPLE_SOURCES = (
    DemoSource("Source A", "an even, unhurried hand", 7, 0.0, 0.0, ()),
    DemoSource("Source B", "a quick, crowded hand", 4, 0.0, 0.0, ()),
)


@dataclass(frozen=True)
class DemoStory:
    """What is planted in the face of one sample scroll; its reverse is always whole."""

    planted: str
    """In words."""
    defects: tuple[str, ...]
    rate: float
    """Share of the letters that can have one of the defects and get it."""
    gap_rate: float = 0.0
    """Share of the gaps between words that are closed, more or less."""
    plainness: tuple[float, float] = (0.75, 1.0)


SAMPLE_STORIES = {
    "A1": DemoStory("a neat hand; no fault is planted", (), 0.0),
    "A2": DemoStory(
        "crowns as bare lines, without their small heads", ("tag_bare",), 0.9, 0.0, (0.9, 1.0)
    ),
    "B1": DemoStory(
        "a hand that crowns the outside, and inside only every other letter",
        ("tag_missing",), 1.0, 0.0, (1.0, 1.0),
    ),
    "B2": DemoStory(
        "words joined so that two read as one, or nearly; yuds of tsadi and alef out of line, or "
        "melted into a bar",
        ("yud_misplaced", "head_melted", "words_joined"), 0.35, 0.05, (0.5, 1.0),
    ),
}  # fmt: skip
"""By scroll; the first page of the demo names what was planted and what was pointed at."""

SURVEY_SOURCES = (
    DemoSource(
        "First invented source", "an even hand with few faults", 7, 0.04, 0.04, SURVEY_DEFECTS
    ),
    DemoSource("Second invented source", "a quick hand with many", 4, 0.2, 0.2, SURVEY_DEFECTS),
    DemoSource(
        "Third invented source", "a hand that crowns the outside, and inside half the letters",
        12, 0.95, 0.0, ("tag_missing",),
    ),
)  # fmt: skip


@dataclass(frozen=True)
class DemoSheet:
    """One side of one scroll."""

    source: DemoSource
    scroll: str
    number: int
    """Of the scroll among those of its source, from 1."""
    side: Side
    spec: PageSpec
    seed: int

    @property
    def name(self) -> str:
        """The scan's name."""
        return f"{self.scroll}-{self.side}"

    @property
    def portion(self) -> str:
        """Name or file of the text that it should hold."""
        return self.spec.portion or ""


@dataclass(frozen=True)
class PlantedFaults:
    """Plain faults put into a sheet, those of them that the program names, and its findings where
    no fault of their kind was put, however faint; each by kind."""

    faults: Counter[str]
    named: Counter[str]
    unplanted: Counter[str]


def list_sample_sheets() -> tuple[DemoSheet, ...]:
    """All sides of the sample scrolls, source by source."""
    return tuple(
        DemoSheet(
            source, f"{source.name[-1]}{number}", number, side,
            _sample_spec(source, side, SAMPLE_STORIES[f"{source.name[-1]}{number}"]),
            100 * source.hand + number,
        )
        for source in SAMPLE_SOURCES
        for number in range(1, SCROLLS_PER_SAMPLE_SOURCE + 1)
        for side in ("face", "reverse")
    )  # fmt: skip


def list_survey_sheets(scrolls: int, text: Path) -> tuple[DemoSheet, ...]:
    """Both sides of `scrolls` scrolls of each source; `text` is the file of a face's text."""
    rng = np.random.default_rng(SURVEY_SEED)
    sheets: list[DemoSheet] = []
    for k, source in enumerate(SURVEY_SOURCES, start=1):
        factors = rng.gamma(FACTOR_SHAPE, 1 / FACTOR_SHAPE, scrolls)
        for number, factor in enumerate(factors.tolist(), start=1):
            name, seed = f"s{k}-{number:02d}", 1000 * k + number
            for side in ("face", "reverse"):
                spec = survey_spec(source, side, text, factor)
                sheets.append(DemoSheet(source, name, number, side, spec, seed))
    return tuple(sheets)


def survey_spec(source: DemoSource, side: Side, text: Path, factor: float) -> PageSpec:
    """How the generator writes one side; `factor` times the source's rate, 1 at most."""
    rate = min(1.0, factor * (source.face_rate if side == "face" else source.reverse_rate))
    spec = mezuzah(
        SURVEY_BODY_PX, **_settings(source), defect_rate=rate, gap_rate=source.gap_rate,
        text_rate=source.text_rate, plainness=(0.75, 1.0), second_rate=0.0, close=0.0,
        defects=source.defects, portion=str(text) if side == "face" else "mezuzah_reverse",
    )  # fmt: skip
    return spec if side == "face" else replace(spec, margin=(6.0, 8.0), justify=0.0)


def _sample_spec(source: DemoSource, side: Side, story: DemoStory) -> PageSpec:
    if side == "face":
        return mezuzah(
            SAMPLE_BODY_PX, **_settings(source), defect_rate=story.rate, gap_rate=story.gap_rate,
            text_rate=0.0, plainness=story.plainness, defects=story.defects, justify=0.0,
        )  # fmt: skip
    return PageSpec(
        **_settings(source), portion="mezuzah_reverse", body=(SAMPLE_BODY_PX, SAMPLE_BODY_PX),
        margin=(6.0, 8.0), columns=0.0, tight=0.0, justify=0.0, defect_rate=source.reverse_rate,
        gap_rate=0.0, text_rate=0.0,
    )  # fmt: skip


def _settings(source: DemoSource) -> dict[str, Any]:
    """What all sheets of a source have in common."""
    augment = Augment(device="none", ink=0.45, skin=0.5, light=0.0, blur=0.0, noise=0.0, warp=0.0)
    return {
        "split": "heldout", "hand": source.hand, "habit_rate": 0.0, "morph_rate": 0.0,
        "oddity_rate": 0.0, "crowned": 1.0, "generous": 0.0, "augment": augment,
        "dpi": float(DPI),
    }  # fmt: skip


def write_scan(sheet: DemoSheet, path: Path) -> PageTruth:
    """Compose a sheet and write its scan as PNG; OSError if it cannot be written."""
    from crownlet.datasets.render.page.compose import compose

    truth = compose(sheet.spec, sheet.seed)
    scan = Image.fromarray(scan_page(truth.image, sheet.seed))
    with atomic_write(path) as draft:
        scan.save(draft, "PNG", dpi=(DPI, DPI), compress_level=1)
    return truth


def scan_page(page: npt.NDArray[np.uint8], seed: int) -> npt.NDArray[np.uint8]:
    """A page (H, W, 3) RGB uint8 as scanned."""
    rng = np.random.default_rng(seed)
    soft = cv2.GaussianBlur(page, (0, 0), float(rng.uniform(0.6, 0.9)))
    height, width = page.shape[:2]
    falloff = 1 - 0.05 * np.linspace(0, 1, width, dtype=np.float32) ** 2
    grain = rng.normal(0, 2.5, (height, width)).astype(np.float32)
    skin = np.median(page[::8, ::8].reshape(-1, 3), axis=0).astype(np.float32)
    out = soft.astype(np.float32)
    out *= falloff[None, :, None] * (PARCHMENT_RGB / np.maximum(skin, 1.0))
    out += grain[..., None]
    return np.clip(out, 0, 255).astype(np.uint8)


def count_planted(
    truth: PageTruth, record: PageRecord, findings: Iterable[Finding],
    others: Iterable[tuple[str, int]] = (),
) -> PlantedFaults:  # fmt: skip
    """Count plain faults of letters and gaps, those that are named at their place, and findings
    where nothing was planted.

    A fault is named by a finding, as a doubt of the place, or by one of `others`: defects with the
    numbers of letters that are evidence of a habit, or are counted and not listed.
    """
    findings = tuple(findings)
    anchors = np.array([letter_anchor(g.body) for g in record.glyphs])
    named: dict[int, set[str]] = {}
    for finding in findings:
        for glyph in finding.glyphs:
            named.setdefault(glyph, set()).update({finding.kind, *finding.others})
    for defect, glyph in others:
        named.setdefault(glyph, set()).add(defect)

    faults, pointed = Counter[str](), Counter[str]()
    if not len(anchors):
        return PlantedFaults(faults, pointed, Counter(f.kind for f in findings if _is_sure(f)))

    def glyph_of(letter: LetterTruth) -> int:
        """The number of the glyph that was found at a written letter; 0: none."""
        distances = np.hypot(*(anchors - letter_anchor(letter.body)).T)
        nearest = int(distances.argmin())
        near = distances[nearest] < SAME_LETTER_DISTANCE_BODIES * letter.body[2]
        return nearest + 1 if near else 0

    glyphs = [glyph_of(letter) for letter in truth.letters]
    planted: dict[int, set[str]] = {}
    for glyph, letter in zip(glyphs, truth.letters, strict=True):
        planted.setdefault(glyph, set()).update(d.name for d in letter.defects)
        # A letter drawn out to fill its line is no planted fault.
        certain = {d.name for d in letter.defects if d.plainness >= MIN_CERTAIN_PLAINNESS}
        certain -= {"overstretched"}
        if load_customs().tags_expected(letter.letter) is None:
            certain -= {"tag_missing"}  # Where customs expect none, none is missing.
        faults.update(certain)
        pointed.update(certain & named.get(glyph, set()))
    for gap in truth.gaps:
        sides = (glyphs[gap.right], glyphs[gap.left])
        for glyph in sides:
            planted.setdefault(glyph, set()).update(d.name for d in gap.defects)
        joined = (d.plainness for d in gap.defects if d.name == "words_joined")
        if max(joined, default=0.0) >= MIN_CERTAIN_PLAINNESS:
            faults["words_joined"] += 1
            pointed["words_joined"] += all(
                "words_joined" in named.get(glyph, set()) for glyph in sides
            )
    unplanted = Counter(
        f.kind
        for f in findings
        if _is_sure(f)
        and not {f.kind, *f.others} & set().union(*(planted.get(g, set()) for g in f.glyphs))
    )
    return PlantedFaults(faults, pointed, unplanted)


def _is_sure(finding: Finding) -> bool:
    return finding.route == "finding"


def letter_anchor(body: tuple[float, float, float, float]) -> npt.NDArray[np.float64]:
    """Middle of a letter's body, x and y in px, from its `body`: ruled line, height, rotation."""
    x, y, height, rotation = body
    angle = np.deg2rad(rotation)
    return np.array([x - np.sin(angle) * height / 2, y + np.cos(angle) * height / 2])
