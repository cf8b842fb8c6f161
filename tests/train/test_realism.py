"""The critic on sets with a known difference, and its measures against published values."""

from __future__ import annotations

import io
from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image as Pillow
from sklearn.metrics import roc_auc_score

from crownlet.train.realism import separate as fits
from crownlet.train.realism.features import (
    EXPOSURE_MEASURES,
    MEASURE_FAMILIES,
    MEASURE_MEANINGS,
    camera_measures,
    measure_patch,
    measure_table,
)
from crownlet.train.realism.patches import (
    Patch,
    WritingPicture,
    cut_all_patches,
    cut_patches,
    network_view,
)
from crownlet.train.realism.pictures import (
    PX_PER_Q,
    STRIP_Q,
    compose_sheet,
    draw_strips,
    strip_size,
)
from crownlet.train.realism.report import patch_rows, render_summary, separate_families
from crownlet.train.realism.separate import (
    PatchRows,
    area_under_curve,
    chance_interval,
    cross_validate,
    rank_measures,
)

Q = 10.0
PLAIN = WritingPicture("plain", "plain", np.full((80, 100, 3), 200, np.uint8), Q, True)


def written(
    seed: int, name: str, real: bool, *, ink_spread: float = 3.0, blur: float = 0.8
) -> WritingPicture:
    """Bars of ink in rows on mottled skin; `ink_spread` in grey levels, `blur` in px."""
    rng = np.random.default_rng(seed)
    mask = np.zeros((180, 260), np.uint8)
    for y in range(20, 170, 50):
        for x in range(10, 250, 26):
            wide, high = int(rng.integers(8, 18)), int(rng.integers(20, 32))
            cv2.rectangle(mask, (x, y), (x + wide, y + 7), 255, -1)
            cv2.rectangle(mask, (x + wide - 6, y), (x + wide, y + high), 255, -1)
    cover = cv2.GaussianBlur(mask, (0, 0), blur).astype(np.float64) / 255
    mottle = cv2.GaussianBlur(rng.normal(0, 1, mask.shape), (0, 0), 1.0)
    level = 200 + rng.normal(0, 8)
    skin = level * (1 + 0.03 * mottle / mottle.std())
    grain = cv2.GaussianBlur(rng.normal(0, 1, mask.shape), (0, 0), 1.0)
    ink = 40 + ink_spread * grain / grain.std()
    grey = skin + cover * (ink - skin) + rng.normal(0, 1, mask.shape)
    image = np.dstack([grey, 0.9 * grey, 0.8 * grey])
    return WritingPicture(f"{name}-{seed}", name, np.clip(image, 0, 255).astype(np.uint8), Q, real)


def patches_of(photo: dict[str, float], render: dict[str, float], groups: int = 6) -> list[Patch]:
    """A photograph and four renders a group, each drawn with its own settings."""
    pictures = []
    for i in range(groups):
        pictures.append(written(100 * i, f"group-{i}", True, **photo))
        pictures += [written(100 * i + k, f"group-{i}", False, **render) for k in range(1, 5)]
    return cut_all_patches(pictures, 8, seed=3)


def test_area_under_the_curve_agrees_with_scikit_learn() -> None:
    rng = np.random.default_rng(1)
    for _ in range(5):
        real, other = rng.integers(0, 12, 40) / 4.0, rng.integers(0, 10, 70) / 4.0
        truth = np.r_[np.ones(40), np.zeros(70)]
        assert area_under_curve(real, other) == pytest.approx(
            roc_auc_score(truth, np.r_[real, other])
        )


@pytest.mark.parametrize("fit", [fits.classify_by_regression, fits.classify_by_boosting])
def test_a_known_difference_is_found_and_named(fit: object) -> None:
    patches = patches_of({"ink_spread": 14.0}, {"ink_spread": 3.0})
    rows = patch_rows(patches, measure_table(patches))
    found = separate_families(rows, fit)  # type: ignore[arg-type]
    assert found["all measures"].auc > 0.95
    assert found["tone of ink"].auc > 0.95
    # The bars and the skin are drawn alike: what looks at them alone must stay near chance.
    assert found["skin and light"].auc < 0.75
    first = rank_measures(rows, tuple(MEASURE_MEANINGS))[:6]
    assert "ink_spread" in {mark.name for mark in first}
    spread = next(mark for mark in first if mark.name == "ink_spread")
    assert spread.lean > 0.9 and spread.agreed == 6 and spread.coverage < 0.2
    # 14 and 3 grey levels on a contrast of about 0.9 * 160.
    assert spread.photo[1] > 2.5 * spread.render[1]
    assert "ink_spread" in render_summary(found, first, {})


def test_two_halves_of_one_set_are_not_told_apart() -> None:
    patches = patches_of({}, {}, groups=10)
    rows = patch_rows(patches, measure_table(patches))
    result = cross_validate(rows, fits.classify_by_regression)
    low, high = result.interval()
    assert low < 0.5 < high
    assert abs(result.auc - 0.5) < 0.15
    low, high = chance_interval(rows, fits.classify_by_regression, draws=8)
    assert low < 0.5 < high


def test_the_network_finds_blunt_edges_but_not_exposure() -> None:
    def result(photo: dict[str, float], gain: float) -> float:
        patches = patches_of(photo, {}, groups=3)
        shown = np.stack([network_view(darker(p, gain) if p.picture.real else p) for p in patches])
        return cross_validate(patch_rows(patches, shown), fits.network_classifier(epochs=8)).auc

    assert result({"blur": 2.4}, 1.0) > 0.9
    assert result({}, 0.6) < 0.8


def darker(patch: Patch, gain: float) -> Patch:
    """The patch as a picture of other exposure has it."""
    image = (patch.picture.image * gain).astype(np.uint8)
    again = cut_patches(replace(patch.picture, image=image), 100, np.random.default_rng(0))
    return next(p for p in again if (p.x, p.y) == (patch.x, patch.y))


def test_what_is_left_out_was_never_seen() -> None:
    """A critic that remembers its photographs by a number of theirs must fail on others."""
    rng = np.random.default_rng(0)
    group = np.repeat([f"g{i}" for i in range(6)], 40)
    real = np.tile(np.arange(40) < 10, 6)
    values = (
        rng.normal(size=(240, 1)) + np.where(real, rng.choice([-9, 9], 6).repeat(40), 0)[:, None]
    )
    signs = {g: float(np.sign(values[(group == g) & real].mean())) for g in set(group)}
    assert len(set(signs.values())) == 2
    result = cross_validate(PatchRows(values, real, group, group), fits.classify_by_regression)
    assert min(result.by_group.values()) < 0.1


def test_one_photograph_is_not_enough() -> None:
    patches = patches_of({}, {}, groups=1)
    with pytest.raises(ValueError, match="two are needed"):
        cross_validate(patch_rows(patches, measure_table(patches)), fits.classify_by_regression)


def flat(grey: npt.NDArray[np.float64]) -> Patch:
    """A patch of `grey` with one thick level bar of ink at its upper edge."""
    image = grey.copy()
    image[10:16, 5:75] -= 120
    pixels = np.dstack([np.clip(np.rint(image), 0, 255).astype(np.uint8)] * 3)
    (patch,) = cut_patches(
        WritingPicture("flat", "flat", pixels, Q, True), 1, np.random.default_rng(0)
    )
    return patch


@pytest.mark.parametrize("deviation", [2.0, 4.0, 8.0])
def test_noise_is_measured_in_grey_levels(deviation: float) -> None:
    """Immerkaer's estimator (Fast Noise Variance Estimation, 1996) gives the noise's deviation."""
    noise = np.random.default_rng(2).normal(0, deviation, (60, 80))
    assert measure_patch(flat(200 + noise))["noise_skin"] == pytest.approx(deviation, rel=0.1)


@pytest.mark.parametrize(("fall", "slope"), [(0.0, 0.0), (1.0, -6.02)])
def test_power_of_white_and_brown_noise(fall: float, slope: float) -> None:
    """White noise: 0 dB an octave; amplitude as 1/f: 6.02 dB less each octave (textbook values)."""
    rng = np.random.default_rng(3)
    radius = np.hypot(np.fft.fftfreq(240)[:, None], np.fft.rfftfreq(320)[None, :])
    radius[0, 0] = np.inf
    found = []
    for _ in range(12):
        spectrum = np.fft.rfft2(rng.normal(size=(240, 320))) / radius**fall
        field = np.fft.irfft2(spectrum, s=(240, 320))
        image = np.dstack([(128 + 35 * field / field.std())] * 3).clip(0, 255).astype(np.uint8)
        grey = image[:, :, 0].astype(np.float32)
        dark = grey < 110
        values = camera_measures(Patch(PLAIN, 0, 0, image, grey, dark, dark, ~dark))
        found.append([values[f"power_slope_{name}"] for name in ("middle", "high")])
    assert np.mean(found, axis=0) == pytest.approx([slope, slope], abs=0.4)


def test_jpeg_blocks_are_seen_where_they_lie() -> None:
    noise = np.random.default_rng(4).normal(0, 5, (300, 400))
    plain = cv2.GaussianBlur(noise, (0, 0), 2) * 5 + 180
    plain[100:112, 20:380] = 40
    image = np.dstack([plain.clip(0, 255).astype(np.uint8)] * 3)
    file = io.BytesIO()
    Pillow.fromarray(image).save(file, "JPEG", quality=20)
    pressed = np.asarray(Pillow.open(file))
    for pixels, low, high in ((image, 0.9, 1.1), (pressed, 1.3, 50.0)):
        for patch in cut_patches(
            WritingPicture("a", "a", pixels, 17.0, True), 4, np.random.default_rng(0)
        ):
            assert low < measure_patch(patch)["blocks"] < high


def test_thickness_of_strokes_and_width_of_edges() -> None:
    patch = flat(np.full((60, 80), 200.0))
    values = measure_patch(patch)
    assert values["stroke"] == pytest.approx(0.6, abs=0.11)
    assert values["ink_level"] == 80 and values["skin_level"] == 200
    # Of 152 px of outline the four corners, rounded by smoothing, take about 12.
    assert values["edges_strict"] > 85
    blurred = replace(patch.picture, image=cv2.GaussianBlur(patch.picture.image, (0, 0), 2.0))
    soft = cut_patches(blurred, 1, np.random.default_rng(0))[0]
    assert measure_patch(soft)["edge_width"] > 1.5 * values["edge_width"]


def test_falling_light_is_not_taken_for_ink() -> None:
    """The bars drawn are found in light that falls to a quarter, where one level cannot part."""
    plain = written(8, "plain", True)
    lamp = np.linspace(1.0, 0.25, 260)[None, :, None]
    shaded = replace(plain, image=(plain.image * lamp).astype(np.uint8))
    for before, after in zip(
        *(cut_patches(p, 9, np.random.default_rng(0)) for p in (plain, shaded)), strict=True
    ):
        assert (before.x, before.y) == (after.x, after.y)
        both = (before.ink & after.ink).sum() / (before.ink | after.ink).sum()
        assert both > 0.9


def test_every_measure_is_named_and_stands_in_a_family() -> None:
    (patch,) = patches_of({}, {}, groups=1)[:1]
    assert set(measure_patch(patch)) == set(MEASURE_MEANINGS)
    assert set().union(*MEASURE_FAMILIES.values()) == set(MEASURE_MEANINGS)
    assert not EXPOSURE_MEASURES & set(MEASURE_FAMILIES["grey structure"])


@pytest.mark.parametrize("marked", [True, False])
def test_the_page_of_proof(marked: bool, tmp_path: object) -> None:
    photos = [written(5, "one", True), written(6, "two", True)]
    settings = SimpleNamespace(
        to=f"{tmp_path}/proof/page.png", strips=1, renders=2, device="camera", marked=marked
    )
    path = draw_strips(photos, settings, seed=1)
    height, width = strip_size()
    assert (height, width) == (round(STRIP_Q[0] * PX_PER_Q), round(STRIP_Q[1] * PX_PER_Q))
    rows, columns = Pillow.open(path).size[::-1]
    assert rows == 2 * (height + 6) + 6 and columns == 3 * (width + 6) + 6
    key = [line.split("\t") for line in path.with_suffix(".txt").read_text("utf-8").splitlines()]
    assert [name for name, _ in key] == ["one-5", "two-6"]
    if marked:
        assert [place for _, place in key] == ["1", "1"]
    else:
        assert all(place in "123" for _, place in key)


def test_short_rows_are_filled_up() -> None:
    strip = np.full((*strip_size(), 3), 9, np.uint8)
    sheet = compose_sheet([[strip, strip], [strip]])
    assert (sheet == 9).all(axis=2).sum() == 3 * strip.shape[0] * strip.shape[1]
