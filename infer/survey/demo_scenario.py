"""The invented survey: three sources whose scribes write with set chances of three faults.

Every scroll is the first lines of a mezuzah with its back. Scrolls of one source differ: a scroll's
chance is the source's times a number drawn about 1, so that letters of one scroll are alike.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.stats import gamma

from crownlet.datasets.page.faults import plan_page
from crownlet.datasets.page.spec import Augment, PageSpec, mezuzah
from crownlet.datasets.texts import read_portion
from crownlet.infer.sides import Side

BODY, DPI = 44.0, 600.0
LINES = 7
"""Lines of a face: about 230 letters."""
FAULTS = ("tag_missing", "part_loose", "leg_touches_roof")
SPREAD = 6.0
"""Shape of the gamma distribution of scrolls about their source: the smaller the more unlike."""
SEED = 2026
PLANNED = 60
"""Pages planned to work out what was set; they are not written."""
_SKIN = Augment(device="none", ink=0.45, skin=0.5, light=0.0, blur=0.0, noise=0.0, warp=0.0)


@dataclass(frozen=True)
class Scribe:
    """An invented source: its hand, and its faults on either side."""

    source: str
    manner: str
    hand: int
    face: float
    """Strength of faults on the face, as `PageSpec.defect_rate`."""
    reverse: float
    faults: tuple[str, ...] = FAULTS


SCRIBES = (
    Scribe("First invented source", "an even hand with few faults", 7, 0.04, 0.04),
    Scribe("Second invented source", "a quick hand with many", 4, 0.2, 0.2),
    Scribe(
        "Third invented source", "a hand that crowns the outside, and inside half the letters",
        12, 0.95, 0.0, ("tag_missing",),
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Sheet:
    """One side of one scroll."""

    scribe: Scribe
    scroll: str
    side: Side
    spec: PageSpec
    seed: int

    @property
    def name(self) -> str:
        """The scan's name."""
        return f"{self.scroll}-{self.side}"


def sheets(scrolls: int, text: Path) -> tuple[Sheet, ...]:
    """Both sides of `scrolls` scrolls of each source; `text` is what a face holds."""
    rng = np.random.default_rng(SEED)
    made = []
    for number, scribe in enumerate(SCRIBES, start=1):
        for k, strength in enumerate(rng.gamma(SPREAD, 1 / SPREAD, scrolls), start=1):
            for side in ("face", "reverse"):
                spec = spec_of(scribe, side, text, float(strength))
                made.append(Sheet(scribe, f"s{number}-{k:02d}", side, spec, 1000 * number + k))
    return tuple(made)


def spec_of(scribe: Scribe, side: Side, text: Path, strength: float) -> PageSpec:
    """How the generator writes one side; a chance above 1 is 1."""
    rate = min(1.0, strength * (scribe.face if side == "face" else scribe.reverse))
    spec = mezuzah(
        BODY, split="heldout", hand=scribe.hand, defect_rate=rate, habit_rate=0.0, gap_rate=0.0,
        text_rate=0.0, plainness=(0.75, 1.0), second_rate=0.0, crowned=1.0, generous=0.0,
        morph_rate=0.0, oddity_rate=0.0, close=0.0, defects=scribe.faults, augment=_SKIN, dpi=DPI,
        portion=str(text) if side == "face" else "mezuzah_reverse",
    )  # fmt: skip
    return spec if side == "face" else replace(spec, margin=(6.0, 8.0), justify=0.0)


def write_text(path: Path) -> Path:
    """The first lines of a mezuzah as a text file, for generator and inspection alike."""
    lines = read_portion("mezuzah").lines or ()
    text = "".join(" ".join(words) + "\n" for words in lines[:LINES])
    path.write_text(text, encoding="utf-8")
    return path


def set_rates(scribe: Scribe, text: Path, counted: dict[str, str]) -> dict[str, float]:
    """Chance of each fault over both sides, from pages that are planned and not written.

    Their scrolls stand evenly over the distribution of scrolls: strong ones are cut off at 1.
    `counted` maps a fault to the letters that count for it.
    """
    letters = dict.fromkeys(counted, 0)
    faults = dict.fromkeys(counted, 0)
    for side in ("face", "reverse"):
        for seed in range(PLANNED):
            strength = float(gamma.ppf((seed + 0.5) / PLANNED, SPREAD, scale=1 / SPREAD))
            spec = spec_of(scribe, side, text, strength)
            lines = read_portion(spec.portion or "").lines or ()
            for row in plan_page(lines, spec, np.random.default_rng(seed)).lines:
                for slot in row:
                    had = {name for name, _ in slot.faults}
                    for fault, forms in counted.items():
                        letters[fault] += slot.letter in forms
                        faults[fault] += fault in had and slot.letter in forms
    return {fault: faults[fault] / max(letters[fault], 1) for fault in counted}
