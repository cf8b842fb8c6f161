"""Pages set in typefaces. The fonts are made here, so that their measures are known."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.render.page.spec import NO_AUGMENT, clean, training
from crownlet.datasets.render.typefaces.compose import Typefaces, compose_typeset
from crownlet.datasets.render.typefaces.fonts import TypefaceError, family_of, load_typeface
from crownlet.datasets.render.typefaces.glyphs import TypeStyle, draw_type_style, typeset
from crownlet.datasets.render.typefaces.measure import measure_typeface
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.models.assessor import TAGS_UNKNOWN
from crownlet.train.fit.crops import make_crops
from crownlet.train.fit.pool import render_pages

ROOF, BASE = 610, 10
"""Body of the font made here, in font units: 200 to a q."""

Rectangle = tuple[int, int, int, int]

SHAPES: dict[str, tuple[Rectangle, ...]] = {
    "ל": ((50, 500, 600, ROOF), (50, 500, 150, 900), (300, BASE, 400, 500)),
    "ה": ((50, 500, 600, ROOF), (500, BASE, 600, ROOF), (50, BASE, 150, 420)),
    "ם": (
        (50, 500, 600, ROOF), (500, BASE, 600, ROOF), (50, BASE, 150, ROOF), (50, BASE, 600, 120),
    ),
    "ן": ((50, -300, 150, ROOF),),
}  # fmt: skip
"""Rectangles x0, y0, x1, y1 of some letters; lamed rises to 900 and final nun falls to -300."""

ROOFED = ((50, 500, 600, ROOF), (500, BASE, 600, ROOF))

BASED = (*ROOFED, (0, BASE, 650, 120))


def make_font(path: Path, family: str, letters: str = LETTERS) -> Path:
    """A font of rectangles."""
    names = {letter: f"uni{ord(letter):04X}" for letter in letters}
    builder = FontBuilder(1000, isTTF=True)
    builder.setupGlyphOrder([".notdef", *names.values()])
    builder.setupCharacterMap({ord(letter): name for letter, name in names.items()})
    glyphs = {".notdef": TTGlyphPen(None).glyph()}
    for letter, name in names.items():
        pen = TTGlyphPen(None)
        shape = SHAPES.get(letter, ROOFED if letter in "דרחת" else BASED)
        for x0, y0, x1, y1 in shape:
            pen.moveTo((x0, y0))
            for corner in ((x0, y1), (x1, y1), (x1, y0)):
                pen.lineTo(corner)
            pen.closePath()
        glyphs[name] = pen.glyph()
    builder.setupGlyf(glyphs)
    builder.setupHorizontalMetrics(dict.fromkeys(glyphs, (700, 0)))
    builder.setupHorizontalHeader(ascent=900, descent=-300)
    builder.setupNameTable({"familyName": family, "styleName": "Regular"})
    builder.setupOS2()
    builder.setupPost()
    builder.save(path)
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for family in ("plain", "kept"):
        make_font(tmp_path / f"{family}-400.ttf", family)
    return tmp_path


def test_the_body_is_that_of_the_font(folder: Path) -> None:
    own = measure_typeface(load_typeface(folder / "plain-400.ttf"))
    assert (own.top, own.bottom) == (pytest.approx(ROOF, abs=4), pytest.approx(BASE, abs=4))
    assert own.stem == pytest.approx(100 / 200, abs=0.03)
    assert own.bar == pytest.approx(110 / 200, abs=0.03)
    assert own.rise == pytest.approx((900 - ROOF) / 200, abs=0.02)
    assert own.fall == pytest.approx((BASE + 300) / 200, abs=0.03)


def test_letters_hang_from_the_ruled_line(folder: Path) -> None:
    face = load_typeface(folder / "plain-400.ttf")
    for letter, top, foot in (("ר", 0.0, 3.0), ("ל", -1.45, 3.0), ("ן", 0.0, 4.55)):
        _, y0, _, y1 = typeset(face, letter, TypeStyle()).bounds()
        assert (y0, y1) == (pytest.approx(top, abs=0.06), pytest.approx(foot, abs=0.06))


def test_thickening_closes_no_gap(folder: Path) -> None:
    """He's leg stands 80 units, 0.4 q, below its roof: it stays apart, whatever is asked."""
    face = load_typeface(folder / "plain-400.ttf")
    heavy = typeset(face, "ה", TypeStyle(grow_x=0.4, grow_y=0.6))
    assert len(heavy.parts) == 2
    assert len(typeset(face, "ם", TypeStyle(grow_x=0.4, grow_y=0.6)).cuts) == 1
    roof = typeset(face, "ר", TypeStyle(grow_y=0.3)).bounds()
    assert roof[3] - roof[1] == pytest.approx(3.3, abs=0.06)


def _page(folder: Path, **changes: object) -> PageTruth:
    return compose_typeset(clean(**changes), 3, (folder / "plain-400.ttf",))


def test_class_and_place_are_known_and_nothing_else(folder: Path) -> None:
    page = _page(folder)
    assert len(page.letters) >= 40
    for letter in page.letters:
        assert letter.known == () and letter.tags < 0
        assert letter.parts == () and letter.defects == ()
    crops = make_crops(page, np.random.default_rng(0))
    seen = crops.letter < len(LETTERS)
    assert np.isnan(crops.defects).all()
    assert (crops.tags[seen] == TAGS_UNKNOWN).all()
    assert crops.parts.max() == 0  # which the loss takes for parts that nobody drew


def test_letters_that_an_ancient_hand_writes_alike_are_doubtful(tmp_path: Path) -> None:
    path = make_font(tmp_path / "habakkuk.ttf", "habakkuk")
    page = compose_typeset(clean(), 3, (path,))
    found = {letter.letter: (letter.other, letter.share) for letter in page.letters}
    assert found["ו"] == ("י", 0.5) and found["ה"] == (None, 0.0)


def test_boxes_hold_the_ink_of_the_picture(folder: Path) -> None:
    """On a white page without blur all ink is in some box, and every box is full to its edges."""
    page = _page(folder, augment=NO_AUGMENT, body=(60, 60))
    grey = page.image.min(axis=2) if page.image.ndim == 3 else page.image
    dark = (grey < 128).astype(np.uint8)
    covered = np.zeros_like(dark)
    for letter in page.letters:
        x0, y0, x1, y1 = letter.box
        rows = slice(max(0, int(y0) - 1), int(y1) + 2)
        columns = slice(max(0, int(x0) - 1), int(x1) + 2)
        covered[rows, columns] = 1
        ys, xs = np.nonzero(dark[rows, columns])
        assert ys.min() <= 4 and xs.min() <= 4
    assert cv2.countNonZero(dark * (1 - covered)) < 0.002 * cv2.countNonZero(dark)


def test_the_same_seed_gives_the_same_page(folder: Path) -> None:
    paths = (folder / "plain-400.ttf", folder / "kept-400.ttf")
    one, other = (compose_typeset(training(), 5, paths) for _ in range(2))
    assert np.array_equal(one.image, other.image) and one.meta == other.meta
    ways = [draw_type_style(load_typeface(paths[0]), np.random.default_rng(k)) for k in range(20)]
    assert len(set(ways)) == 20


def test_letters_may_touch_and_overlap(folder: Path) -> None:
    paths = (folder / "plain-400.ttf",)
    widths = [
        gap.width_q
        for seed in range(8)
        for gap in compose_typeset(clean(letters=(30, 40)), seed, paths).gaps
        if gap.expected == "letter"
    ]
    assert min(widths) < 0.0


def test_unseen_families_write_no_page_to_train_on(folder: Path) -> None:
    faces = Typefaces(folder, 0.5, ("kept",))
    assert [family_of(path) for path in faces.of("train")] == ["plain"]
    assert [family_of(path) for path in faces.of("heldout")] == ["kept"]
    spec = training(letters=(8, 12), body=(28, 30))
    pages = dict(render_pages(spec, range(12), typefaces=faces))
    styles = [page.meta["style"] for page in pages.values()]
    assert 0 < styles.count("plain") < 12 and "kept" not in styles
    # A page by a drawn hand is what it would be without typefaces.
    drawn = next(name for name, page in pages.items() if page.meta["style"] != "plain")
    (alone,) = render_pages(spec, range(int(drawn[1:]), int(drawn[1:]) + 1))
    assert np.array_equal(alone[1].image, pages[drawn].image)


def test_what_cannot_be_used_is_named(tmp_path: Path) -> None:
    with pytest.raises(TypefaceError, match="holds no typeface"):
        Typefaces(tmp_path, 0.3).of("train")
    with pytest.raises(TypefaceError, match="no letter ת"):
        load_typeface(make_font(tmp_path / "short-400.ttf", "short", LETTERS[:-1]))
    kept = make_font(tmp_path / "renamed-400.ttf", "Stam Ashkenaz CLM")
    with pytest.raises(TypefaceError, match="outside check"):
        load_typeface(kept)
