"""Pages that hold no square script do not come out as clear letters, and hands that are not known
are named, by the shipped networks.

Fonts are those that Debian installs as fonts-dejavu and culmus; a font not there is skipped.
No bound of routing.yaml was chosen by these pages: they come from rendered clean pages alone.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image, ImageDraw, ImageFont
from scipy.stats import binom

from crownlet.datasets.files.images import PageError
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import mezuzah
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.inspector import Inspector
from crownlet.infer.quality.familiarity import (
    MIN_LETTERS_FOR_HAND,
    MIN_UNEVENNESS,
    is_unfamiliar_hand,
)
from crownlet.infer.records import PageRecord
from crownlet.infer.thresholds import FamiliarityBounds

DEJAVU = Path("/usr/share/fonts/truetype/dejavu")
CULMUS = Path("/usr/share/fonts/truetype/culmus")
TYPE1 = Path("/usr/share/fonts/X11/Type1")
LATIN = [
    "The quick brown fox jumps over the",
    "lazy dog while seven wizards make",
    "quick bread from vexed jonquils and",
    "pack my box with five dozen jugs of",
] * 2
HEBREW = [" ".join(line)[::-1] for line in (load_portion("mezuzah").lines or ())[:8]]


@cache
def inspector() -> Inspector:
    return Inspector()


def printed(font: Path, lines: list[str], size: int) -> npt.NDArray[np.uint8]:
    """A page of print, dark on light, slightly soft."""
    if not font.exists():
        pytest.skip(f"{font.name} is not installed")
    face = ImageFont.truetype(str(font), size, layout_engine=ImageFont.Layout.BASIC)
    width = round(max(face.getlength(line) for line in lines)) + 120
    image = Image.new("L", (width, round(len(lines) * size * 1.6) + 120), 232)
    pen = ImageDraw.Draw(image)
    for k, line in enumerate(lines):
        pen.text((60, 60 + k * size * 1.6), line, font=face, fill=35)
    return np.asarray(cv2.GaussianBlur(np.asarray(image), (0, 0), 0.7), np.uint8)


def clear_share(image: npt.NDArray[np.uint8]) -> float:
    """Share of the letters seen that are called clear; 0 for a page that is refused."""
    page = seen(image)
    return 0.0 if page is None else len(page.routed("clear")) / max(len(page.glyphs), 1)


def seen(image: npt.NDArray[np.uint8]) -> PageRecord | None:
    try:
        return inspector().inspect(image)
    except PageError:
        return None


@pytest.mark.parametrize("size", [40, 80])
@pytest.mark.parametrize("name", ["DejaVuSans", "DejaVuSerif", "DejaVuSansMono-Bold"])
def test_latin_print_is_never_clear(name: str, size: int) -> None:
    image = printed(DEJAVU / f"{name}.ttf", LATIN, size)
    page = seen(image)
    if page is not None:
        assert not page.routed("clear")
        assert not page.routed("finding")  # nothing said of it can be relied on
        assert "finding" not in {gap.route for gap in page.gaps}
        assert any("script" in sentence for sentence in page.not_examined)


@pytest.mark.parametrize("size", [48, 80])
@pytest.mark.parametrize(
    "font",
    [
        DEJAVU / "DejaVuSans.ttf", CULMUS / "FrankRuehlCLM-Medium.ttf",
        CULMUS / "DavidCLM-MediumItalic.otf", CULMUS / "MiriamCLM-Book.ttf",
        CULMUS / "NachlieliCLM-Light.otf", CULMUS / "HadasimCLM-Regular.ttf",
        TYPE1 / "ElliniaCLM-LightItalic.pfa",
    ],
    ids=lambda font: font.stem if isinstance(font, Path) else str(font),
)  # fmt: skip
def test_modern_hebrew_print_is_named_once_as_unlike(font: Path, size: int) -> None:
    """Issue 15: the page is named, and its letters are judged among their own."""
    if (font.stem, size) == ("ElliniaCLM-LightItalic", 48):
        # Networks 0.7.0 see it at 0.53, nearer than some drawn fragments (0.56): not named.
        pytest.skip("as near to the known hands as they are to each other")
    page = seen(printed(font, HEBREW, size))
    assert page is not None
    assert page.familiarity is not None
    assert not page.familiarity.known
    assert [note for note in page.notes if "do not hold for this page" in note] == [
        page.familiarity.message
    ]
    doubted = any("square script" in sentence for sentence in page.not_examined)
    assert doubted == any("unfamiliar" in glyph.reasons for glyph in page.glyphs)


@pytest.mark.parametrize("seed", [3, 4])
def test_a_hand_of_the_renderer_is_known(seed: int) -> None:
    # Hands of the held-out split: the promise was made over hands like these.
    page = seen(compose(mezuzah(56.0, split="heldout", habit_rate=0.0), seed).image)
    assert page is not None
    assert page.familiarity is not None
    assert page.familiarity.known
    assert page.familiarity.message == ""
    assert not any("do not hold for this page" in note for note in page.notes)


@pytest.mark.parametrize("name", ["StamAshkenazCLM", "StamSefaradCLM"])
def test_type_in_the_style_of_scribes_is_read_and_named_as_type(name: str) -> None:
    page = seen(printed(CULMUS / f"{name}.ttf", HEBREW, 80))
    assert page is not None
    assert page.routed("clear")
    assert page.familiarity is not None
    # It is read, and named for what it is: every letter is drawn by the same outline.
    assert page.familiarity.unevenness is not None
    assert page.familiarity.unevenness < MIN_UNEVENNESS
    assert "as alike as those of type" in page.familiarity.message


@pytest.mark.parametrize("grain", [0.0, 1.5, 4.0, 9.0])
def test_noise_is_never_clear(grain: float) -> None:
    field = np.random.default_rng(3).normal(0, 1, (700, 900))
    field = cv2.GaussianBlur(field, (0, 0), grain) if grain else field
    assert clear_share(np.where(field < np.quantile(field, 0.2), 40, 220).astype(np.uint8)) == 0
    even = (field - field.min()) / (field.max() - field.min())
    assert clear_share((255 * even).astype(np.uint8)) == 0


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_landscape_is_never_clear(seed: int) -> None:
    rng = np.random.default_rng(seed)
    image = np.repeat(np.linspace(235, 170, 700)[:, None], 1000, axis=1)
    for base, tone in ((0.5, 150), (0.65, 105), (0.8, 60)):
        far = 700 * (base + 0.07 * np.sin(np.arange(1000) / 1000 * rng.uniform(5, 12) + base))
        image[np.arange(700)[:, None] > far[None, :]] = tone
    for _ in range(60):  # trees: a trunk and a crown
        x, y = int(rng.integers(20, 980)), int(rng.integers(380, 660))
        high = int(rng.integers(15, 70))
        cv2.line(image, (x, y), (x, y - high), 30, max(2, high // 10))
        cv2.ellipse(image, (x, y - high), (high // 3, high // 2), 0, 0, 360, 45, -1)
    image += cv2.GaussianBlur(rng.normal(0, 40, image.shape), (0, 0), 1.5)
    assert clear_share(np.clip(image, 0, 255).astype(np.uint8)) == 0


def test_a_few_letters_say_nothing_of_a_page() -> None:
    bounds = FamiliarityBounds(1.0, 4.0, 0.03)
    # Each letter of a known hand is beyond the bound with 2.5%: half of eight hardly ever are.
    assert binom.sf(MIN_LETTERS_FOR_HAND // 2 - 1, MIN_LETTERS_FOR_HAND, 0.025) < 1 / 30_000
    assert not is_unfamiliar_hand(np.full(MIN_LETTERS_FOR_HAND - 1, 1.0), bounds)
    assert is_unfamiliar_hand(np.full(MIN_LETTERS_FOR_HAND, 1.0), bounds)
    # Faults on two letters of five do not make a hand strange, however plain they are.
    assert not is_unfamiliar_hand(np.array([0.02, 0.02, 0.02, 5.0, 5.0] * 6), bounds)
