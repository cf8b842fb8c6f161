"""The invented survey: two sources, one neat, one hasty, two mezuzot of each, both sides."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.render.page.spec import Augment, PageSpec, mezuzah
from crownlet.infer.findings.finding import Finding
from crownlet.infer.records import PageRecord

BODY_PX = 48.0

DPI = 600
"""At 600 dpi letters of 48 px are 2 mm high, as in a mezuzah of 10 cm."""

Side = Literal["face", "reverse"]

_SKIN = Augment(device="none", ink=0.45, skin=0.5, light=0.0, blur=0.0, noise=0.0, warp=0.0)

_HASTY_DEFECTS = (
    "tag_missing", "tag_bare", "tag_loose", "tag_merged", "part_loose", "head_melted",
    "yud_astray", "foot_level", "leg_touches_roof",
)  # fmt: skip


@dataclass(frozen=True)
class SampleSource:
    """Where scrolls are said to come from, and how its invented scribe writes."""

    name: str
    manner: str
    hand: int
    fault_rate: float
    gap_rate: float
    text_rate: float


@dataclass(frozen=True)
class SampleSheet:
    """One side of one scroll."""

    name: str
    source: SampleSource
    scroll: int
    side: Side
    spec: PageSpec
    seed: int

    @property
    def scroll_name(self) -> str:
        """The scroll's name, of source and number."""
        return f"{self.source.name[-1]}{self.scroll}"

    @property
    def portion(self) -> str:
        """The text that it should hold."""
        return "mezuzah" if self.side == "face" else "mezuzah_reverse"


SOURCES = (
    SampleSource("Source A", "an even, unhurried hand", 7, 0.005, 0.001, 0.0),
    SampleSource("Source B", "a quick, crowded hand", 4, 0.12, 0.015, 0.003),
)

SCROLLS_PER_SOURCE = 2


def sample_sheets() -> tuple[SampleSheet, ...]:
    """All sides of all scrolls, source by source."""
    return tuple(
        _sheet(source, scroll, side)
        for source in SOURCES
        for scroll in range(1, SCROLLS_PER_SOURCE + 1)
        for side in ("face", "reverse")
    )


def _sheet(source: SampleSource, scroll: int, side: Side) -> SampleSheet:
    if side == "face":
        spec = mezuzah(
            BODY_PX, split="heldout", hand=source.hand, defect_rate=source.fault_rate, habit_rate=0.0,
            gap_rate=source.gap_rate, text_rate=source.text_rate, plainness=(0.75, 1.0),
            crowned=1.0, generous=0.0, morph_rate=0.0, oddity_rate=0.0,
            defects=_HASTY_DEFECTS, augment=_SKIN, dpi=float(DPI),
        )  # fmt: skip
    else:
        spec = PageSpec(
            portion="mezuzah_reverse", split="heldout", hand=source.hand, body=(BODY_PX, BODY_PX),
            margin=(6.0, 8.0), columns=0.0, tight=0.0, justify=0.0, defect_rate=0.0,
            habit_rate=0.0, gap_rate=0.0, text_rate=0.0, morph_rate=0.0, oddity_rate=0.0,
            crowned=1.0, generous=0.0, augment=_SKIN, dpi=float(DPI),
        )  # fmt: skip
    name = f"{source.name[-1]}{scroll}-{side}"
    return SampleSheet(name, source, scroll, side, spec, 100 * source.hand + scroll)


PARCHMENT_RGB = np.array([233.0, 223.0, 201.0], np.float32)
"""Tone to which the scanner balances bare skin, so that two sides of one scroll look alike."""


def scan_page(page: npt.NDArray[np.uint8], seed: int) -> npt.NDArray[np.uint8]:
    """A page (H, W, 3) RGB uint8 as scanned."""
    rng = np.random.default_rng(seed)
    soft = cv2.GaussianBlur(page, (0, 0), float(rng.uniform(0.6, 0.9)))
    height, width = page.shape[:2]
    fall = 1 - 0.05 * np.linspace(0, 1, width, dtype=np.float32) ** 2
    grain = rng.normal(0, 2.5, (height, width)).astype(np.float32)
    bare = np.median(page[::8, ::8].reshape(-1, 3), axis=0).astype(np.float32)
    out = soft.astype(np.float32)
    out *= fall[None, :, None] * (PARCHMENT_RGB / np.maximum(bare, 1.0))
    out += grain[..., None]
    return np.clip(out, 0, 255).astype(np.uint8)


MIN_CERTAIN_PLAINNESS = 2 / 3
"""A fault below this plainness is doubtful even to its maker."""


@dataclass(frozen=True)
class PlantedFaults:
    """Plain faults put into a sheet, and those of them at which a finding points."""

    faults: int
    pointed_at: int


def count_planted(
    truth: PageTruth, record: PageRecord, findings: Iterable[Finding]
) -> PlantedFaults:
    """Count plain faults of letters, and those marked by name or as a doubt of the letter."""
    anchors = np.array([_anchor(g.body) for g in record.glyphs])
    named: dict[int, set[str]] = {}
    for finding in findings:
        for glyph in finding.glyphs:
            named.setdefault(glyph, set()).update({finding.kind, *finding.others})
    faults = pointed = 0
    for letter in truth.letters:
        plain = {d.name for d in letter.defects if d.plainness >= MIN_CERTAIN_PLAINNESS}
        if not plain or not len(anchors):
            continue
        away = np.hypot(*(anchors - _anchor(letter.body)).T)
        nearest = int(away.argmin())
        seen = named.get(nearest + 1, set()) if away[nearest] < letter.body[2] / 2 else set()
        faults += len(plain)
        pointed += len(plain & seen)
    return PlantedFaults(faults, pointed)


def _anchor(body: tuple[float, float, float, float]) -> tuple[float, float]:
    angle = np.deg2rad(body[3])
    return body[0] - np.sin(angle) * body[2] / 2, body[1] + np.cos(angle) * body[2] / 2
