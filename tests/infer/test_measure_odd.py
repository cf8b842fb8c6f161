"""Measuring survives what no letter is: noise, blanks, frames, boxes that lie beside the page."""

from __future__ import annotations

import warnings

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.infer.measure.ink import cut_out
from crownlet.infer.measure.letters import measure_letter, smooth_heights, zero_lengths
from crownlet.infer.records import GlyphRecord


def picture(rng: np.random.Generator) -> npt.NDArray[np.uint8]:
    """Noise, blots, one flat tone, or strokes at random."""
    height, width = (int(v) for v in rng.integers(20, 260, 2))
    kind = int(rng.integers(4))
    noise = rng.integers(0, 256, (height, width)).astype(np.uint8)
    if kind == 0:
        return noise
    if kind == 1:
        soft = cv2.GaussianBlur(noise, (0, 0), 4)
        return np.where(soft < int(rng.integers(110, 140)), 32, 224).astype(np.uint8)
    if kind == 2:
        return np.full((height, width), int(rng.integers(256)), np.uint8)
    page = np.full((height, width), 224, np.uint8)
    for _ in range(int(rng.integers(1, 12))):
        a, b = ((int(x), int(y)) for x, y in rng.integers(0, 260, (2, 2)))
        cv2.line(page, a, b, 32, int(rng.integers(1, 14)))
    return page


def test_no_picture_breaks_it_and_rulers_are_as_long_as_they_say() -> None:
    rng = np.random.default_rng(7)
    seen = 0
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for _ in range(700):
            flat, q = picture(rng), float(rng.uniform(6, 40))
            x, y = (float(rng.uniform(-20, side + 20)) for side in flat.shape[::-1])
            body = (x, y, 3 * q, float(rng.choice([0.0, 1.5, 180.0, 90.0, 358.0])))
            x0, y0 = x - float(rng.uniform(0, 3)) * q, y - float(rng.uniform(-1, 3)) * q
            box = (x0, y0, x0 + float(rng.uniform(0.1, 5)) * q, y0 + float(rng.uniform(0.1, 7)) * q)
            parts = (rng.random((6, 32, 24)) * 255).astype(np.uint8)
            parts[0] = max(int(parts[0, 0, 0]), 128)
            letter = LETTERS[int(rng.integers(27))]
            ink = cut_out(flat, letter, body, box, parts, q)
            if ink is None:
                continue
            row = GlyphRecord(
                1, 1, 1, 1, letter, 0.9, None, box, body, 0, 3,
                {"part_loose": 0.5, "tag_loose": 0.5}, "review",
            )  # fmt: skip
            found = measure_letter(ink)
            for length in found + zero_lengths(ink, row, found):
                seen += 1
                reach = float(np.hypot(*(length.end - length.start)))
                assert np.isfinite([length.q, *length.start, *length.end]).all()
                if length.name.endswith("gap") or length.name == "opening":
                    assert abs(reach - length.q * ink.scale) < 1.0
    assert seen > 300


def test_the_width_of_the_pen_is_steadied_but_large_letters_keep_theirs() -> None:
    height = 60.0 + np.random.default_rng(1).normal(0.0, 1.0, 60)
    height[30] = 95.0  # The large ayin and dalet of the first verse: Mishneh Torah, Tefillin 2:6.
    steady = smooth_heights(height)
    assert steady[30] == 95.0
    assert np.abs(np.delete(steady, 30) - 60.0).max() < 1.0
    assert smooth_heights(np.array([40.0, 41.0])).tolist() == [40.5, 40.5]
    assert len(smooth_heights(np.zeros(0))) == 0


def test_of_a_part_that_is_not_among_the_letters_ink_no_white_is_stated_to_be_wanting() -> None:
    q, flat = 20.0, np.full((200, 200), 224, np.uint8)
    flat[60:120, 80:120] = 32
    parts = np.full((6, 32, 24), 255, np.uint8)
    for left, listed in ((80.0, ["part_gap"]), (62.0, [])):
        box, body = (left, 60.0, 120.0, 120.0), (100.0, 60.0, 3 * q, 0.0)
        ink = cut_out(flat, "ג", body, box, parts, q)
        assert ink is not None
        row = GlyphRecord(
            1, 1, 1, 1, "ג", 0.9, None, box, body, 0, 0, {"part_loose": 0.9}, "finding"
        )
        assert [length.name for length in zero_lengths(ink, row, [])] == listed


@pytest.mark.parametrize(("bridge", "sure"), [(32, True), (110, False)])
def test_a_gap_that_blur_may_have_closed_is_not_called_missing(bridge: int, sure: bool) -> None:
    q, flat = 20.0, np.full((200, 200), 224, np.uint8)
    flat[60:120, 80:120], flat[92:96, 80:120] = 32, bridge
    parts = np.full((6, 32, 24), 255, np.uint8)
    box, body = (80.0, 60.0, 120.0, 120.0), (100.0, 60.0, 3 * q, 0.0)
    ink = cut_out(flat, "ג", body, box, parts, q)
    assert ink is not None and len(ink.pieces) == 1
    row = GlyphRecord(1, 1, 1, 1, "ג", 0.9, None, box, body, 0, 0, {"part_loose": 0.9}, "finding")
    assert [length.sure for length in zero_lengths(ink, row, [])] == [sure]
