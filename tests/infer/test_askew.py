"""Pictures of writing that lies askew: the geometry against OpenCV's, the page against itself."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from drawn_verses import BODY_PX, VERSES, Drawn, draw_verses, errors

from crownlet.datasets.files.images import PageError
from crownlet.infer.image.perspective import Straightening, facing, map_points, rotation
from crownlet.infer.image.upright import Placement, flatten, ink_slopes
from crownlet.infer.inspector import Inspector
from crownlet.infer.layout.frame import hidden_by_frame
from crownlet.infer.layout.lines import lay_out
from crownlet.infer.letters.refusal import (
    MAX_JUDGED_SLANT_DEGREES,
    SLANT_TEXT,
    SLIGHT_SLANT_TEXT,
    is_too_slanted,
    slant_sentences,
)
from crownlet.infer.letters.straighten import orientation_notes
from crownlet.infer.records import Located

NAMES_OF_DOUBT = {"unfamiliar", "shape_doubt", "letter_swapped", "letter_extra", "letter_absent"}
"""Reasons that are none of a defect of form."""

Q = BODY_PX / 3
SIZE = (40, 30)


@pytest.fixture(scope="module")
def drawn() -> Drawn:
    """In grey."""
    page = draw_verses()
    return replace(page, image=np.asarray(cv2.cvtColor(page.image, cv2.COLOR_RGB2GRAY)))


@pytest.fixture(scope="module")
def inspector() -> Inspector:
    return Inspector(measure="none")


def rotate(image: np.ndarray, degrees: float) -> tuple[np.ndarray, np.ndarray]:
    """A picture rotated clockwise about its middle on a larger canvas, and the (2, 3) map of px
    edges, by OpenCV."""
    height, width = image.shape[:2]
    matrix = cv2.getRotationMatrix2D((width / 2, height / 2), -degrees, 1.0)
    cover = np.abs(matrix[:, :2]) @ (width, height)
    matrix[:, 2] += (cover - (width, height)) / 2
    # OpenCV counts px from their middles.
    middles = matrix.copy()
    middles[:, 2] += middles[:, :2] @ (0.5, 0.5) - 0.5
    size = tuple(np.ceil(cover).astype(int).tolist())
    turned = cv2.warpAffine(image, middles, size, flags=cv2.INTER_CUBIC, borderValue=230)
    return turned, matrix


def slant(image: np.ndarray, corners: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A picture with its corners at `corners` (4, 2), and the homography, by OpenCV."""
    height, width = image.shape[:2]
    own = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    matrix = cv2.getPerspectiveTransform(own, corners.astype(np.float32))
    size = tuple(np.ceil(corners.max(axis=0)).astype(int).tolist())
    seen = cv2.warpPerspective(image, matrix, size, flags=cv2.INTER_CUBIC, borderValue=230)
    return seen, np.asarray(matrix)


@pytest.mark.parametrize("degrees", [-40.0, -12.0, 6.0, 25.0])
def test_rotation_is_undone_as_opencv_does_it(degrees: float) -> None:
    size = (400, 300)
    matrix = np.vstack([cv2.getRotationMatrix2D((200, 150), -degrees, 1.0), [0, 0, 1]])
    there = rotation(degrees, size).matrix @ matrix
    # What remains is a shift.
    assert there[:2, :2] == pytest.approx(np.eye(2), abs=1e-9)
    assert there[2] == pytest.approx([0, 0, 1])


def test_points_letters_and_boxes_go_there_and_back() -> None:
    matrix = cv2.getPerspectiveTransform(
        np.array([[0, 0], [400, 0], [400, 300], [0, 300]], np.float32),
        np.array([[20, 10], [420, 60], [380, 330], [0, 280]], np.float32),
    )
    way = Straightening(np.asarray(matrix), (400, 300), (430, 340), 7.0, 20.0)
    points = np.array([[10.0, 20.0], [333.0, 250.0], [200.0, 150.0]])
    expected = cv2.perspectiveTransform(points[None], matrix)[0]
    assert map_points(way.matrix, points) == pytest.approx(expected)
    assert way.points_back(expected) == pytest.approx(points)
    body = np.column_stack([expected, np.full(3, 30.0), np.zeros(3)])
    box = np.column_stack([expected - 10, expected + np.array([10, 30])])
    found = Located(body, box, np.ones(3), np.zeros((3, 27)))
    back = way.letters_back(found)
    assert back.centre == pytest.approx(points)
    assert cv2.perspectiveTransform(back.anchors[None], matrix)[0] == pytest.approx(found.anchors)
    # A letter that stands upright on the straight picture leans on the one given.
    assert np.abs((back.rotation + 180) % 360 - 180).max() < 30
    assert (back.box[:, :2] <= back.anchors).all()
    assert (back.box[:, 2:] >= back.anchors).all()


def test_a_warped_picture_shows_each_pixel_at_its_place() -> None:
    given = np.full((300, 400), 230, np.uint8)
    given[147:152, 300:305] = 20
    way = rotation(20.0, (400, 300))
    seen = way.warp(given)
    y, x = np.nonzero(seen < 120)
    middle = np.array([[x.mean() + 0.5, y.mean() + 0.5]])
    assert way.points_back(middle)[0] == pytest.approx([302.5, 149.5], abs=0.3)


def test_a_camera_before_the_page_sees_it_as_it_is() -> None:
    # A plane of known pose before a pinhole camera; its normal and axes are the columns of
    # OpenCV's rotation matrix (Rodrigues).
    axes = cv2.Rodrigues(np.array([0.3, -0.4, 0.2]))[0].T
    size, focal = (1200, 900), 1200.0
    plane = np.array([[x, y, 0.0] for y in (-1.0, 0.0, 1.0) for x in (-1.0, 0.0, 1.0)])
    camera = np.array([[focal, 0, 600], [0, focal, 450], [0, 0, 1]])
    seen = cv2.projectPoints(
        plane, cv2.Rodrigues(axes.T)[0], np.array([0.0, 0.0, 5.0]), camera, np.zeros(5)
    )[0][:, 0]
    way = facing(axes, focal, size, seen)
    assert way is not None
    grid = map_points(way.matrix, seen).reshape(3, 3, 2)
    across, down = np.diff(grid, axis=1), np.diff(grid, axis=0)
    assert across[..., 1] == pytest.approx(0, abs=1e-6)
    assert down[..., 0] == pytest.approx(0, abs=1e-6)
    assert across[..., 0] == pytest.approx(down[..., 1].mean())
    into = np.rad2deg(np.arccos(axes[2, 2]))
    assert way.slant_degrees == pytest.approx(into)


@pytest.mark.parametrize("degrees", [0.0, 3.0, -12.0, 20.0, 40.0, 110.0])
def test_ink_shows_the_slope(drawn: Drawn, degrees: float) -> None:
    turned, _ = rotate(drawn.image, degrees)
    slopes = ink_slopes(flatten(turned), BODY_PX)
    assert slopes is not None
    assert slopes.tilt == pytest.approx((degrees + 45) % 90 - 45, abs=1.0)


@pytest.mark.parametrize("degrees", [-25.0, 12.0, 110.0])
def test_a_rotated_page_reads_as_a_straight_one(
    inspector: Inspector, drawn: Drawn, degrees: float
) -> None:
    turned, matrix = rotate(drawn.image, degrees)
    page = inspector.inspect(turned, VERSES)
    assert errors(page, drawn) <= 0.01 * len(drawn.letters)
    assert page.turn + page.quality["tilt_degrees"] == pytest.approx(degrees, abs=0.5)
    assert any("rotated" in note for note in page.notes)
    assert page.q == pytest.approx(Q, rel=0.05)
    assert not [g for g in page.gaps if g.route == "finding"]
    for glyph, middle in zip(page.glyphs, drawn.middles, strict=True):
        assert (glyph.rotation - degrees + 180) % 360 - 180 == pytest.approx(0, abs=1.0)
        # The box holds the letter as it lies on the picture as given.
        x, y = matrix @ (*middle, 1.0)
        assert glyph.box[0] < x < glyph.box[2]
        assert glyph.box[1] < y < glyph.box[3]


def test_a_small_slope_is_read_as_it_is(inspector: Inspector, drawn: Drawn) -> None:
    page = inspector.inspect(rotate(drawn.image, 2.0)[0])
    assert page.notes == ()
    assert {g.rotation for g in page.glyphs} == {0.0}


def test_a_slight_slant_leaves_letters_to_be_judged() -> None:
    """Rotated copies of one photograph seem to be taken at up to 10 degrees."""
    for degrees in (6.0, 10.0, MAX_JUDGED_SLANT_DEGREES):
        assert not is_too_slanted(degrees)
        assert slant_sentences(degrees) == (SLIGHT_SLANT_TEXT,)
        # Lengths along the slant shrink by its cosine.
        assert np.cos(np.deg2rad(degrees)) > 0.965
    assert is_too_slanted(20.0)
    assert slant_sentences(20.0) == (SLANT_TEXT,)


def test_a_picture_taken_at_a_slant_is_read(inspector: Inspector, drawn: Drawn) -> None:
    height, width = drawn.image.shape
    # Lines run at 20 to 40 degrees and converge towards the right.
    corners = np.array([[0, 0.0], [0.8, 1.45], [0.62, 1.95], [-0.16, 1.3]]) * (width, height)
    corners += (0.16 * width, 0)
    seen, matrix = slant(drawn.image, corners)
    page = inspector.inspect(seen)
    assert errors(page, drawn) <= 0.03 * len(drawn.letters)
    assert page.quality["slant_degrees"] > 10
    assert any("slant" in note for note in page.notes)
    assert any("edges of columns" in sentence for sentence in page.not_examined)
    assert "finding" not in {row.route for row in (*page.glyphs, *page.gaps)}
    places = cv2.perspectiveTransform(drawn.middles[None], matrix)[0]
    boxes = np.array([g.box for g in page.glyphs])
    inside = ((boxes[:, None, :2] < places) & (boxes[:, None, 2:] > places)).all(axis=2)
    assert inside.any(axis=0).mean() > 0.98


@pytest.mark.parametrize("body", [10.0, 14.0])
def test_tiny_letters_are_read_and_not_judged(
    inspector: Inspector, drawn: Drawn, body: float
) -> None:
    small = cv2.resize(
        drawn.image, None, fx=body / BODY_PX, fy=body / BODY_PX, interpolation=cv2.INTER_AREA
    )
    page = inspector.inspect(small, VERSES)
    assert errors(page, drawn) <= 0.03 * len(drawn.letters)
    assert "finding" not in {row.route for row in (*page.glyphs, *page.gaps)}
    assert {name for g in page.glyphs for name in g.reasons} <= NAMES_OF_DOUBT
    for glyph in page.glyphs:
        known = {name for name, p in glyph.p.items() if p is not None}
        assert known - set(glyph.not_examined) <= {"shape_doubt"}  # The doubt of the reading.
    assert any("at least 17 px needed" in sentence for sentence in page.not_examined)


def test_what_is_refused_has_its_cause_and_what_to_do(inspector: Inspector, drawn: Drawn) -> None:
    tiny = cv2.resize(drawn.image, None, fx=0.2, fy=0.2, interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(drawn.image, (0, 0), 14.0)
    faint = 150 + (drawn.image.astype(np.float64) - 150) * 0.14
    for image, cause in ((tiny, "times the resolution"), (soft, "out of focus|faint")):
        with pytest.raises(PageError, match=cause) as caught:
            inspector.inspect(image)
        assert str(caught.value).count(". ") == 0
    assert errors(inspector.inspect(faint.astype(np.uint8)), drawn) <= 0.1 * len(drawn.letters)


def test_the_frame_of_a_straightened_picture_is_its_own() -> None:
    # Two letters of a line on a picture rotated by 45 degrees: a square on its corner.
    frame = np.array([[100.0, 0], [200, 100], [100, 200], [0, 100]])
    body = np.array([[120.0, 35, 10, 0], [60, 35, 10, 0], [120, 95, 10, 0], [60, 95, 10, 0]])
    box = np.column_stack([body[:, 0] - 5, body[:, 1], body[:, 0] + 5, body[:, 1] + 10])
    found = Located(body, box, np.ones(4), np.zeros((4, 27)))
    layout = lay_out(found)
    plain = hidden_by_frame(found, layout, (200, 200))
    askew = hidden_by_frame(found, layout, (200, 200), frame)
    # By hand: at y = 35 the square begins at x = 65; at y = 95 it has room for five letters.
    assert plain.after.tolist()[:3] == [False, False, False]
    assert askew.after.tolist()[:3] == [False, True, False]


def test_notes_tell_what_was_done() -> None:
    assert orientation_notes(Placement(0, SIZE)) == ()
    assert (
        "tilted by -12 degrees" in orientation_notes(Placement(0, SIZE, rotation(-12.0, SIZE)))[0]
    )
    assert len(orientation_notes(Placement(90, SIZE, rotation(12.0, SIZE)))) == 2
