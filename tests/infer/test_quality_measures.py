"""Measures of the picture against pages whose blur, size, light and noise are known."""

from __future__ import annotations

from collections.abc import Callable

import blocks
import cv2
import numpy as np
import numpy.typing as npt
import pytest
from scipy.special import erf
from scipy.stats import norm

from crownlet.datasets.files.images import to_gray
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.infer.image.upright import flatten
from crownlet.infer.quality.blur import TENTHS_PER_QUARTERS, measure_edge_widths
from crownlet.infer.quality.measures import (
    PictureMeasures,
    measure_light,
    measure_noise,
    measure_picture,
)
from crownlet.infer.records import Located

Gray = npt.NDArray[np.uint8]
LINES = ["שמע ישראל", "אחד ואהבת", "בכל לבבך"]


def located(placed: list[blocks.Placed], scale: float = 1.0) -> Located:
    body = np.array([[*letter.body, 0.0] for letter in placed])
    count = len(placed)
    found = Located(
        body, np.array([letter.box for letter in placed]), np.ones(count), np.eye(27)[[0] * count]
    )
    return found.scaled(scale)


def measured(image: Gray, found: Located) -> PictureMeasures:
    body = float(np.median(found.body[:, 2])) if len(found) else None
    return measure_picture(image, flatten(image, body), found, 0)


def test_a_gaussian_edge_by_the_normal_distribution() -> None:
    # The 10-90% and 25-75% widths of a Gaussian edge, from the quantiles of the normal law.
    assert norm.ppf(0.9) - norm.ppf(0.1) == pytest.approx(2.563, abs=1e-3)
    middle = norm.ppf(0.75) - norm.ppf(0.25)
    assert pytest.approx((norm.ppf(0.9) - norm.ppf(0.1)) / middle, abs=1e-3) == TENTHS_PER_QUARTERS


@pytest.mark.parametrize("sigma", [0.8, 1.2, 2.0, 3.0, 5.0])
@pytest.mark.parametrize("angle", [0, 20, 70, 90, 200])
def test_an_exact_edge_in_any_direction(sigma: float, angle: float) -> None:
    y, x = np.mgrid[-60:60, -60:60] + 0.5
    turn = np.deg2rad(angle)
    away = np.cos(turn) * x + np.sin(turn) * y
    # A half-plane blurred by a Gaussian is the normal distribution function of the distance.
    page = np.round(128 + 96 * erf(away / (sigma * np.sqrt(2)))).astype(np.uint8)
    (width,) = measure_edge_widths(page, np.array([[0.0, 0.0, 120.0, 120.0]]), 27.0)
    # Between the pixels the edge is taken as straight, which tells on sharp ones.
    assert width == pytest.approx(2.563 * sigma, rel=0.05, abs=0.3)


@pytest.mark.parametrize("q", [14.0, 24.0])
@pytest.mark.parametrize("share", [0.05, 0.08, 0.12])
def test_blurred_writing(q: float, share: float) -> None:
    image, placed = blocks.page(LINES, q)
    found, sigma = located(placed), share * q
    sharp = measured(image, found).edge_px
    soft = measured(cv2.GaussianBlur(image, (0, 0), sigma), found).edge_px
    # Variances of successive blurs add.
    expected = np.hypot(np.median(sharp), 2.563 * sigma)
    assert np.median(soft) == pytest.approx(expected, rel=0.1)
    assert np.quantile(np.abs(soft / expected - 1), 0.9) < 0.2


@pytest.mark.parametrize("seed", [3, 4])
@pytest.mark.parametrize("share", [0.04, 0.08, 0.13])
def test_blurred_faded_letters_of_rendered_hands(seed: int, share: float) -> None:
    truth = compose(clean(body=(60.0, 60.0), split="calibrate"), seed)
    image = to_gray(truth.image)
    count, sigma, kept = len(truth.letters), share * 20.0, 0.5
    found = Located(
        np.array([letter.body for letter in truth.letters]),
        np.array([letter.box for letter in truth.letters]), np.ones(count), np.eye(27)[[0] * count],
    )  # fmt: skip
    sharp = measured(image, found)
    faded = np.round(255 - kept * (255 - cv2.GaussianBlur(image, (0, 0), sigma).astype(float)))
    soft = measured(faded.astype(np.uint8), found)
    expected = np.hypot(np.median(sharp.edge_px), 2.563 * sigma)
    assert np.median(soft.edge_px) == pytest.approx(expected, rel=0.1)
    # On white skin (255) the ink's depth is halved and no more: rise over rise.
    assert np.median(soft.rise) <= kept * np.median(sharp.rise) + 1
    if share < 0.1:  # a stroke keeps its depth until the blur reaches across it
        assert np.median(soft.rise) == pytest.approx(kept * np.median(sharp.rise), rel=0.1)


@pytest.mark.parametrize("lying", [False, True])
def test_a_moved_camera_blurs_one_way(lying: bool) -> None:
    image, placed = blocks.page(LINES, 24.0)
    length = 9
    kernel = (1, length) if lying else (length, 1)
    edge = measured(cv2.blur(image, kernel), located(placed)).edge_px
    # A moving average of n px rises from 10 to 90% over 0.8 n, from 25 to 75% over 0.5 n.
    assert 0.75 * length < np.median(edge) < TENTHS_PER_QUARTERS * 0.55 * length


def test_enlarging_a_picture_adds_pixels_but_no_sharpness() -> None:
    image, placed = blocks.page(LINES, 10.0)
    image = cv2.GaussianBlur(image, (0, 0), 0.6)  # a lens, about as sharp as the sensor's pixels
    small = measured(image, located(placed))
    size = (image.shape[1] * 3, image.shape[0] * 3)
    large = measured(
        np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_CUBIC), np.uint8),
        located(placed, 3.0),
    )
    assert np.median(large.q_px) == 30.0
    assert np.median(large.edge_q) == pytest.approx(np.median(small.edge_q), rel=0.15)
    # Common practice, no source: interpolation adds nothing, so both are worth the same.
    assert large.summary()["true_q_px"] == pytest.approx(small.summary()["true_q_px"], rel=0.15)


@pytest.mark.parametrize(("paper", "ink"), [(200, 50), (120, 60), (240, 20)])
def test_contrast_by_its_definition(paper: int, ink: int) -> None:
    image, placed = blocks.page(LINES, 16.0, paper=paper, ink=ink)
    found = located(placed)
    # Michelson 1927: (brightest - darkest) / (brightest + darkest).
    expected = (paper - ink) / (paper + ink)
    assert np.allclose(measure_light(image, found.box).contrast, expected, atol=0.02)
    # Uneven light leaves a ratio as it is.
    lit = image * np.linspace(0.6, 1.0, image.shape[1])
    assert np.allclose(measure_light(lit.astype(np.uint8), found.box).contrast, expected, atol=0.05)


def test_glare_and_shadow_in_the_boxes_they_cover() -> None:
    image, placed = blocks.page(LINES, 20.0)
    found = located(placed)
    x0, y0, x1, y1 = (round(v) for v in found.box[4])
    burnt = image.copy()
    burnt[y0 - 5 : y1 + 5, x0 - 5 : (x0 + x1) // 2] = 255
    glare = measure_light(burnt, found.box).glare
    assert glare[4] == pytest.approx(0.5, abs=0.08)
    assert np.delete(glare, [3, 4, 5]).max() == 0.0
    black = image.copy()
    black[y0 - 9 : y1 + 9, x0 - 9 : x1 + 9] = 0
    assert measure_light(black, found.box).dark[4] == 1.0
    # White paper is no glare.
    white, _ = blocks.page(LINES, 20.0, paper=255)
    assert measure_light(white, found.box).glare.max() == 0.0


def exposed(image: Gray, light: float) -> Gray:
    """The page as a sensor of 8 bits takes it in so many times the light."""
    soft = cv2.GaussianBlur(image, (0, 0), 1.5).astype(np.float64)
    return np.clip(np.round(soft * light), 0, 255).astype(np.uint8)


def test_edges_are_lost_where_skin_and_edges_are_brighter_than_the_sensor_can_show() -> None:
    """Half way up an edge is as light as half the skin and half the ink: at more than twice the
    light that makes the skin white it is white as well. No outside source but that."""
    image, placed = blocks.page(LINES, 20.0, paper=200, ink=20)
    found = located(placed)
    burnt = {
        light: measure_light(exposed(image, light), found.box).edges_burnt_out
        for light in (0.18, 1.0, 1.25, 255 / 200, 3.0, 4.0)
    }
    assert burnt == {0.18: False, 1.0: False, 1.25: False, 255 / 200: False, 3.0: True, 4.0: True}
    assert measured(exposed(image, 3.0), found).edges_burnt_out
    assert measured(exposed(image, 3.0), found).take(np.arange(3)).edges_burnt_out
    # White paper drawn without a lens has hardly a grey pixel, and nothing is lost.
    sharp, _ = blocks.page(LINES, 20.0, paper=255)
    assert not measure_light(sharp, found.box).edges_burnt_out
    black_and_white = np.where(sharp > 128, 255, 0).astype(np.uint8)
    assert not measure_light(black_and_white, found.box).edges_burnt_out


@pytest.mark.parametrize("sigma", [2.0, 5.0, 9.0])
def test_noise_of_known_strength(sigma: float) -> None:
    image, _ = blocks.page(LINES, 20.0, paper=190, ink=60)
    grain = np.random.default_rng(1).normal(0, sigma, image.shape)
    noisy = np.clip(np.round(image + grain), 0, 255).astype(np.uint8)
    assert measure_noise(noisy) == pytest.approx(sigma, rel=0.2)
    assert measure_noise(image) < 0.5


def test_nothing_located_nothing_measured() -> None:
    image, placed = blocks.page(LINES, 20.0)
    none = located(placed).take(np.zeros(len(placed), bool))
    assert len(measured(image, none).edge_px) == 0


def test_ten_megapixels_in_little_time(relative_time: Callable[..., float]) -> None:
    image, placed = blocks.page([" ".join(["שמעישראל"] * 9)] * 10, 13.0)
    rows, columns = -(-3200 // image.shape[0]), -(-3200 // image.shape[1])
    page = np.tile(image, (rows, columns))[:3200, :3200]
    found = located(placed)
    flat = flatten(page, 39.0)
    # Measured 0.6; every pixel at full size, not a sample of them, would be ten times that.
    assert relative_time(lambda: measure_picture(page, flat, found, 0), times=3) < 6
