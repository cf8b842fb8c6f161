"""Rotated pictures against Pillow's own rotation; counting on pages whose reading is known."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image

from crownlet.train.evaluation.rotated_pages import (
    ANGLES_DEGREES,
    describe_rotated,
    measure_rotated,
    rotate_picture,
)
from crownlet.train.evaluation.transcription import parse_line


@pytest.fixture
def picture() -> np.ndarray:
    grey = np.full((80, 120), 220, np.uint8)
    grey[20:40, 30:50] = 20
    return grey


@pytest.mark.parametrize("degrees", [6.0, 12.0, 25.0, -12.0])
def test_a_picture_is_rotated_as_pillow_does(picture: np.ndarray, degrees: float) -> None:
    ours = rotate_picture(picture, degrees)
    turned = Image.fromarray(picture).rotate(
        -degrees, Image.Resampling.BICUBIC, expand=True, fillcolor=220
    )
    theirs = np.asarray(turned)
    assert np.abs(np.subtract(ours.shape, theirs.shape)).max() <= 2

    def middle(grey: np.ndarray) -> np.ndarray:
        return np.argwhere(grey < 120).mean(axis=0) - np.array(grey.shape) / 2

    assert middle(ours) == pytest.approx(middle(theirs), abs=1.0)
    assert (ours < 120).sum() == pytest.approx((picture < 120).sum(), rel=0.05)


def test_colour_is_kept_and_no_angle_leaves_the_picture_as_it_is(picture: np.ndarray) -> None:
    colour = np.dstack([picture, picture, picture // 2])
    assert rotate_picture(colour, 0.0) is colour
    corner = rotate_picture(colour, 20.0)[0, 0]
    assert corner.tolist() == [220, 220, 110]


def test_errors_are_counted_angle_by_angle(picture: np.ndarray) -> None:
    """A reader that loses the last letter of a page that is rotated."""

    def read(given: np.ndarray) -> list[SimpleNamespace]:
        text = "אבגד" if given.shape == picture.shape else "אבג"
        return [SimpleNamespace(letter=c, line=1) for c in text]

    found = measure_rotated(iter([(picture, [parse_line("אבגד")])]), read)  # type: ignore[arg-type]
    assert [found[a].rate for a in ANGLES_DEGREES] == [0.0, 0.25, 0.25, 0.25, 0.25]
    assert "| renders (4) | 0.00 | 25.00 | 25.00 |" in describe_rotated({"renders": found})
