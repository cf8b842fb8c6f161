"""Ink on the page: nothing at strength 0, a core in every stroke, gaps that stay open."""

from __future__ import annotations

from dataclasses import fields, replace

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from crownlet.datasets.render.letterforms.raster import InkMask
from crownlet.datasets.render.page.ink import InkSpreader, lay_ink
from crownlet.datasets.render.page.ink_style import MAX_INK_GAIN_Q, InkStyle, draw_ink

Q = 14.0
SKIN = 220.0
STRENGTHS = (
    "uneven", "lifts", "double", "dry", "pool", "worn", "dips", "retouch", "flakes", "cracks",
    "halo", "fringe", "gloss", "ragged", "spatter",
)  # fmt: skip
WORST = InkStyle(
    thin=(96.0, 62.0, 34.0), gain=MAX_INK_GAIN_Q, soft=0.08, rough=1.0, grain=0.25, halo=0.25,
    **{name: 1.0 for name in STRENGTHS if name != "halo"},  # type: ignore[arg-type]
)  # fmt: skip
STYLES = {
    "worst": WORST,
    "worst but shine": replace(WORST, gloss=0.0),
    **{name: replace(InkStyle(), **{name: 1.0}) for name in STRENGTHS if name != "halo"},  # type: ignore[arg-type]
}


def _cover(*boxes: tuple[float, float, float, float]) -> npt.NDArray[np.uint8]:
    """Ink of rectangles (x0, y0, x1, y1), in q, on a page of 24 by 16 q."""
    fine = np.zeros((int(16 * Q) * 4, int(24 * Q) * 4), np.uint8)
    for box in boxes:
        x0, y0, x1, y1 = (round(v * Q * 4) for v in box)
        fine[y0:y1, x0:x1] = 255
    return fine


def _laid(
    fine: npt.NDArray[np.uint8], style: InkStyle, seed: int = 0
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.uint8]]:
    rng = np.random.default_rng(seed)
    cover = InkSpreader(style, Q, 4, rng)(InkMask(fine, 0, 0, 4), rng)
    skin = np.full((*cover.shape, 3), SKIN, np.float32)
    return lay_ink(skin, cover, Q, style, rng), cover


def _darkness(page: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """0 for skin, about 1 for even black ink."""
    return (SKIN - page.mean(axis=2)) / (SKIN - 10.0)


def test_ink_without_strengths_is_even_and_leaves_the_skin_alone() -> None:
    style = draw_ink(0.0, np.random.default_rng(1))
    assert style == InkStyle()
    page, cover = _laid(_cover((4, 4, 8, 5), (7, 5, 8, 8)), style)
    assert (page[cover == 0] == SKIN).all()
    assert np.abs(page[cover == 255] - np.array(style.colour, np.float32)).max() < 1e-3


@pytest.mark.parametrize("name", STRENGTHS)
def test_each_strength_changes_the_ink_and_little_of_it_little(name: str) -> None:
    fine = _cover(*((x, y, x + 2, y + 1) for x in range(2, 22, 3) for y in range(1, 15, 3)))
    thin = InkStyle(thin=(90.0, 60.0, 40.0), patch=(60.0, 40.0, 20.0))
    none, _ = _laid(fine, thin)
    little, _ = _laid(fine, replace(thin, **{name: 1e-3}))  # type: ignore[arg-type]
    much, _ = _laid(fine, replace(thin, **{name: 1.0}))  # type: ignore[arg-type]
    assert np.abs(much - none).mean() > 10 * np.abs(little - none).mean()
    assert np.abs(much - none).max() > 10.0
    assert np.abs(little - none).mean() < 0.3


@pytest.mark.parametrize("name", STYLES)
@pytest.mark.parametrize("seed", range(6))
def test_a_hairline_keeps_a_core_under_every_ink(name: str, seed: int) -> None:
    # Tags as thin as a hair are whole tags (Mishnat Sofrim on zayin: "thin as hair").
    hairs = [(x, 3.0, x + 0.1, 6.0) for x in range(3, 22, 3)]
    page, _ = _laid(_cover(*hairs), STYLES[name], seed)
    dark = _darkness(page)
    for x, top, right, bottom in hairs:
        rows = slice(round((top + 0.2) * Q), round((bottom - 0.2) * Q))
        columns = slice(round((x - 0.3) * Q), round((right + 0.3) * Q))
        # A tenth of a pen is 1.4 px here: even black reaches 0.7 to 1 of full darkness.
        assert dark[rows, columns].max(axis=1).min() > 0.25


@pytest.mark.parametrize("name", STYLES)
@pytest.mark.parametrize("seed", range(4))
def test_no_ink_closes_the_gap_of_he_or_cuts_its_leg(name: str, seed: int) -> None:
    # The leg of he must not touch the roof (Orach Chayim 36:2).
    roofs = [(x, 3.0, x + 3.0, 4.0) for x in range(2, 20, 5)]
    legs = [(x + 0.2, 4.3, x + 0.9, 6.0) for x in range(2, 20, 5)]
    page, cover = _laid(_cover(*roofs, *legs), STYLES[name], seed)
    gap = cover[round(4.12 * Q) : round(4.18 * Q) + 1]
    assert gap.max() < 100
    dark = _darkness(page)
    for (x, _, right, _), (leg, top, leg_right, foot) in zip(roofs, legs, strict=True):
        white = dark[:, round((x + 0.3) * Q) : round((x + 0.8) * Q)]
        assert white[round(4.12 * Q) : round(4.18 * Q) + 1].mean(axis=1).min() < 0.45
        if STYLES[name].gloss == 0.0:
            body = dark[round((top + 0.2) * Q) : round((foot - 0.2) * Q)]
            assert body[:, round(leg * Q) : round(leg_right * Q)].max(axis=1).min() > 0.35
            roof = dark[round(3.1 * Q) : round(3.9 * Q), round(x * Q) : round(right * Q)]
            assert roof.max(axis=0)[3:-3].min() > 0.35


@pytest.mark.parametrize(("soft", "rough"), [(0.08, 0.0), (0.08, 1.0), (0.0, 1.0)])
def test_spreading_keeps_hairs_and_hair_gaps(soft: float, rough: float) -> None:
    hair, gap = (_cover((2, 3, 20, 3.08)), _cover((2, 7, 20, 8), (2, 8.08, 20, 9)))
    style = InkStyle(soft=soft, rough=rough)
    for fine, found in ((hair, slice(2, 5)), (gap, slice(7, 9))):
        rng = np.random.default_rng(0)
        cover = InkSpreader(style, Q, 4, rng)(InkMask(fine, 0, 0, 4), rng).astype(np.float64) / 255
        zone = cover[round(found.start * Q) : round(found.stop * Q), round(4 * Q) : round(18 * Q)]
        zone = zone if fine is hair else 1.0 - zone[round(0.5 * Q) : round(1.5 * Q)]
        # Width left of 0.08 q, by column.
        assert zone.sum(axis=0).min() / (0.08 * Q) > 0.5


@pytest.mark.parametrize("name", STYLES)
@pytest.mark.parametrize("seed", range(3))
def test_hair_gaps_stay_and_hair_joints_hold(name: str, seed: int) -> None:
    # A hair's breadth of white parts a letter (Orach Chayim 32:18), a hair of ink joins it.
    parted = [b for x in range(2, 20, 5) for b in ((x, 2.0, x + 3, 3.0), (x, 3.15, x + 3, 4.2))]
    joined = [
        b
        for x in range(2, 20, 5)
        for b in ((x, 8.0, x + 3, 9.0), (x, 9.4, x + 3, 10.4), (x + 1.4, 8.9, x + 1.5, 9.5))
    ]
    fine = _cover(*parted, *joined)
    even = _darkness(_laid(fine, InkStyle())[0])
    dark = _darkness(_laid(fine, replace(STYLES[name], gain=0.0, soft=0.0, rough=0.0), seed)[0])
    gap, bridge = (
        slice(round(3.0 * Q) - 1, round(3.15 * Q) + 1),
        slice(round(9.05 * Q), round(9.35 * Q)),
    )
    for x in range(2, 20, 5):
        inner = slice(round((x + 0.3) * Q), round((x + 2.7) * Q))
        lightest, before = (d[gap, inner].min(axis=0) for d in (dark, even))
        # Oil and fringe shade the gap; half of the contrast stays.
        assert np.mean(lightest < before + 0.45) > 0.95
        held = dark[bridge, round((x + 1.2) * Q) : round((x + 1.7) * Q)].max(axis=1)
        assert held.min() > 0.25


def test_shining_ink_faces_its_lamp_and_outshines_skin() -> None:
    fine = _cover(*((x, 5, x + 3, 6) for x in range(2, 20, 4)))
    style = replace(InkStyle(), gloss=1.0, lamp=-np.pi / 2)
    pages = [_laid(fine, style, seed)[0] for seed in range(8)]
    upper = np.mean([page[round(5 * Q) : round(5.3 * Q)].mean() for page in pages])
    lower = np.mean([page[round(5.7 * Q) : round(6 * Q)].mean() for page in pages])
    assert upper > lower + 10
    assert max(page.max() for page in pages) > SKIN + 20


def test_one_page_in_ten_shines_and_faded_ink_keeps_a_quarter_of_its_contrast() -> None:
    styles = [draw_ink(1.0, np.random.default_rng(seed)) for seed in range(600)]
    assert 0.07 < np.mean([style.gloss > 0 for style in styles]) < 0.15
    opacity = np.array([style.opacity for style in styles])
    assert 0.25 <= opacity.min() < 0.4
    assert np.mean(opacity < 0.7) < 0.1


def test_strengths_stay_between_none_and_one() -> None:
    for seed in range(200):
        style = draw_ink(1.0, np.random.default_rng(seed))
        for field in fields(style):
            value = getattr(style, field.name)
            if field.name in ("colour", "thin", "patch"):
                assert all(0.0 <= part <= 255.0 for part in value)
            elif field.name not in ("gain", "lamp"):
                assert 0.0 <= value <= 1.0, field.name


def test_strokes_and_their_direction_are_found() -> None:
    from crownlet.datasets.render.page.ink_body import read_flow

    cover = cv2.resize(_cover((4, 4, 12, 5), (16, 3, 17, 12)), None, fx=0.25, fy=0.25)
    flow = read_flow(np.asarray(cover, np.uint8), Q)
    assert flow is not None
    # The ruler's own middle third, away from ends.
    roof = (flow.x > 6 * Q) & (flow.x < 10 * Q)
    leg = (flow.x > 15 * Q) & (flow.y > 5 * Q) & (flow.y < 10 * Q)
    assert set(np.unique(flow.run[roof])) == {0}
    assert set(np.unique(flow.run[leg])) == {2}
    assert len(np.unique(flow.piece)) == 2
    assert flow.knot[roof].mean() < 0.2 < flow.knot[(flow.x < 4.3 * Q)].mean()
    assert read_flow(np.zeros((40, 40), np.uint8), Q) is None
