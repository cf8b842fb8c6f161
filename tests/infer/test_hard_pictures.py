"""Drawn pages as telephones show them: on a table, at a steep slant, out of focus, cut off.

The pages are drawn by this project's renderer, so their letters are known; the surroundings are
drawn here. What a picture may be refused for is this project's own decision; no outside source.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from drawn_verses import BODY_PX, Drawn, draw_verses, errors

from crownlet.datasets.files.images import PageError
from crownlet.infer.image.upright import flatten, ink_slopes
from crownlet.infer.inspector import Inspector
from crownlet.infer.letters.assessor import is_writing
from crownlet.infer.records import Assessed, Located

WOOD = (34, 46, 66)
"""Blue, green and red of the table."""


@pytest.fixture(scope="module")
def drawn() -> Drawn:
    return draw_verses()


@pytest.fixture(scope="module")
def inspector() -> Inspector:
    return Inspector(measure="none")


def wooden_table(width: int, height: int, seed: int = 5) -> np.ndarray:
    """A dark table whose grain runs down the picture."""
    rng = np.random.default_rng(seed)
    grain = rng.normal(0, 1, (max(2, height // 40), max(2, width // 4))).astype(np.float32)
    knots = rng.normal(0, 1, (max(2, height // 7), max(2, width // 60))).astype(np.float32)
    shade = cv2.resize(grain, (width, height), interpolation=cv2.INTER_CUBIC)
    shade = shade + 0.4 * cv2.resize(knots, (width, height))
    table = np.array(WOOD, np.float32) * (1 + 0.18 * shade[..., None])
    return np.clip(table, 0, 255).astype(np.uint8)


def seen_by_camera(
    image: np.ndarray, pitch: float, yaw: float, roll: float
) -> tuple[np.ndarray, np.ndarray]:
    """The page on a wooden table before a pinhole camera, turned by these degrees (OpenCV's
    Rodrigues vectors), and the homography."""
    height, width = image.shape[:2]
    focal = 0.9 * max(width, height)
    turns = [
        cv2.Rodrigues(np.deg2rad(np.array(axis, np.float64)))[0]
        for axis in ((0, 0, roll), (pitch, 0, 0), (0, yaw, 0))
    ]
    turn = turns[0] @ turns[1] @ turns[2]
    camera = np.diag([focal, focal, 1.0])
    plane = np.column_stack([turn[:, 0], turn[:, 1], [0, 0, 1.1 * focal]])
    matrix = camera @ plane @ np.array([[1, 0, -width / 2], [0, 1, -height / 2], [0, 0, 1.0]])
    corners = np.array([[[0, 0], [width, 0], [width, height], [0, height]]], np.float64)
    shown = cv2.perspectiveTransform(corners, matrix)[0]
    low, extent = shown.min(axis=0), np.ptp(shown, axis=0)
    scale = 1.25 * (width * height / extent.prod()) ** 0.5
    margin = 0.05 * extent
    matrix = np.diag([scale, scale, 1.0]) @ np.array(
        [[1, 0, margin[0] - low[0]], [0, 1, margin[1] - low[1]], [0, 0, 1.0]]
    ) @ matrix  # fmt: skip
    size = tuple(np.ceil((extent + 2 * margin) * scale).astype(int).tolist())
    table = wooden_table(*size)
    on_page = cv2.warpPerspective(np.full((height, width), 255, np.uint8), matrix, size)
    page = cv2.warpPerspective(
        image, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return np.where(on_page[..., None] > 127, page, table), np.asarray(matrix)


def test_the_grain_of_a_table_hides_no_slope(drawn: Drawn) -> None:
    seen, _ = seen_by_camera(drawn.image, 0, 0, 25)
    slopes = ink_slopes(
        flatten(np.asarray(cv2.cvtColor(seen, cv2.COLOR_BGR2GRAY), np.uint8)), BODY_PX
    )
    assert slopes is not None
    assert abs(slopes.degrees) == pytest.approx(90, abs=1)  # The grain is plainer.
    writing = slopes.elsewhere()
    assert writing is not None
    assert writing.tilt == pytest.approx(25, abs=1.5)


@pytest.mark.parametrize(
    ("pitch", "yaw", "roll"),
    [(25, 20, 25), (25, 21, 25), (26, 20, 25), (-25, 25, 10), (30, 25, -40)],
)
def test_a_page_seen_steeply_on_a_table_is_read(
    inspector: Inspector, drawn: Drawn, pitch: float, yaw: float, roll: float
) -> None:
    seen, matrix = seen_by_camera(drawn.image, pitch, yaw, roll)
    page = inspector.inspect(cv2.cvtColor(seen, cv2.COLOR_BGR2RGB))
    places = cv2.perspectiveTransform(drawn.middles[None], matrix)[0]
    boxes = np.array([g.box for g in page.glyphs])
    inside = ((boxes[:, None, :2] < places) & (boxes[:, None, 2:] > places)).all(axis=2)
    assert inside.any(axis=0).mean() > 0.98
    assert errors(page, drawn) <= 0.04 * len(drawn.letters)


def on_table(image: np.ndarray, share: float) -> np.ndarray:
    """The page amid a wooden table that reaches beyond it by this share of its sides."""
    height, width = image.shape[:2]
    across, down = round(share * width), round(share * height)
    seen = wooden_table(width + 2 * across, height + 2 * down)
    seen[down : down + height, across : across + width] = image
    return seen


def test_the_grain_of_a_table_is_no_writing(inspector: Inspector, drawn: Drawn) -> None:
    page = inspector.inspect(on_table(drawn.image, 0.5))
    assert errors(page, drawn) <= 0.02 * len(drawn.letters)
    assert any("places beside the writing" in sentence for sentence in page.not_examined)
    assert page.quality["agreement"] > 0.9


def places(points: list[tuple[float, float]], sure: list[bool]) -> tuple[Located, Assessed]:
    """Places of letters 10 px high, of which both networks mean the same letter, or do not."""
    count = len(points)
    at = np.array(points, np.float64)
    body = np.column_stack([at[:, 0], at[:, 1] - 5, np.full(count, 10.0), np.zeros(count)])
    box = np.concatenate([at - 5, at + 5], axis=1)
    letters, seen = np.zeros((count, 27)), np.zeros((count, 28))
    letters[:, 3] = 1
    seen[np.arange(count), np.where(sure, 3, 4)] = 1
    nothing = np.zeros((count, 0))
    return (
        Located(body, box, np.where(sure, 0.9, 0.5), letters),
        Assessed(
            seen, nothing, np.zeros((count, 5)), nothing.astype(np.uint8), np.zeros(count, np.bool_)
        ),
    )


def test_a_doubtful_place_is_left_out_beside_the_writing_and_nowhere_else() -> None:
    lines = [(float(x), float(y)) for y in (0, 20, 40) for x in range(0, 200, 10)]
    inside, edge, beside, sure_beside = (95.0, 20.0), (-10.0, 20.0), (300.0, 20.0), (-300.0, 20.0)
    points = [*lines, inside, edge, beside, sure_beside]
    found, assessed = places(points, [True] * len(lines) + [False, False, False, True])
    kept = is_writing(found, assessed)
    assert kept[: len(lines)].all()
    # A spoiled letter at the end of a line has letters around it.
    assert kept[len(lines) :].tolist() == [True, True, False, True]


def test_where_all_is_doubtful_nothing_is_left_out() -> None:
    found, assessed = places([(10.0 * k, 0.0) for k in range(40)], [False] * 40)
    assert is_writing(found, assessed).all()
    # Mottled skin: places that are believed a little, and others beside them that are not.
    points = [(10.0 * (k % 20), 20.0 * (k // 20)) for k in range(40)]
    beside = [(400.0 + 10 * k, 20.0) for k in range(5)]
    found, assessed = places([*points, *beside], [True] * 40 + [False] * 5)
    assert not is_writing(found, assessed).all()
    assert is_writing(replace(found, score=found.score / 3), assessed).all()


def defocused(image: np.ndarray, radius: float) -> np.ndarray:
    """The picture out of focus: each point a disc of this radius, px."""
    side = 2 * int(np.ceil(radius)) + 1
    y, x = np.mgrid[:side, :side] - side // 2
    disc = (np.hypot(x, y) <= radius).astype(np.float32)
    return cv2.filter2D(image, -1, disc / disc.sum())


def test_a_picture_out_of_focus_is_read_as_long_as_letters_can_be_told(
    inspector: Inspector, drawn: Drawn
) -> None:
    page = inspector.inspect(defocused(drawn.image, 0.22 * BODY_PX))
    assert page.quality["true_q_px"] < 2
    assert errors(page, drawn) <= 0.3 * len(drawn.letters)
    assert {row.route for row in page.glyphs} == {"review"}
    assert any("photograph it again, sharp" in sentence for sentence in page.not_examined)
    with pytest.raises(PageError, match="out of focus") as caught:
        inspector.inspect(defocused(drawn.image, 0.4 * BODY_PX))
    assert "agree" not in str(caught.value)


def in_other_light(image: np.ndarray, light: float) -> np.ndarray:
    """The page as a sensor of 8 bits takes it in so many times the light."""
    soft = cv2.GaussianBlur(image, (0, 0), 1.0).astype(np.float64)
    return np.clip(np.round(soft * light), 0, 255).astype(np.uint8)


def test_a_dark_picture_is_read_as_well_until_no_writing_shows(
    inspector: Inspector, drawn: Drawn
) -> None:
    """At 18% of the light every letter is read, so no note stands there; the limit is that of
    `letters.refusal` in limits.yaml."""
    bright = inspector.inspect(in_other_light(drawn.image, 1.0))
    dark = inspector.inspect(in_other_light(drawn.image, 0.18))
    assert errors(dark, drawn) == errors(bright, drawn) == 0
    assert dark.not_examined == bright.not_examined
    reviews = [len(page.routed("review")) for page in (bright, dark)]
    assert abs(reviews[1] - reviews[0]) <= 0.03 * len(drawn.letters)
    with pytest.raises(PageError, match="so dark that no writing shows"):
        inspector.inspect(in_other_light(drawn.image, 0.07))
    with pytest.raises(PageError, match="the page is blank"):
        inspector.inspect(np.full((300, 300, 3), 120, np.uint8))


def test_a_picture_whose_edges_are_burnt_out_says_so(inspector: Inspector, drawn: Drawn) -> None:
    def notes(light: float) -> list[str]:
        page = inspector.inspect(in_other_light(drawn.image, light))
        return [sentence for sentence in page.not_examined if "overexposed" in sentence]

    skin = float(np.median(drawn.image))
    assert notes(250 / skin) == []
    (note,) = notes(4 * 255 / skin)
    assert note.endswith("(photograph or scan it again with less light)")


def test_letters_cut_by_the_frame_are_read_and_not_judged(
    inspector: Inspector, drawn: Drawn
) -> None:
    """A phone near the parchment shows a part of a column: its edges cut letters."""
    page = inspector.inspect(drawn.image)
    boxes = np.array([g.box for g in page.glyphs])
    # Through the lower half of the last line, and through the letters of a column of them.
    left, bottom = boxes[len(boxes) // 2, [0, 2]].mean(), boxes[-1, 1] + 0.6 * BODY_PX
    part = drawn.image[: int(bottom), int(left) :]
    seen = inspector.inspect(part)
    height = part.shape[0]
    cut = [g for g in seen.glyphs if g.box[0] < 1 or g.box[3] > height - 1]
    assert len(cut) > 5
    for glyph in cut:
        assert not {"leg_short", "overstretched", "letter_swapped"} & set(glyph.sure)
        assert {"leg_short", "ink_lost"} & {k for k, p in glyph.p.items() if p is not None} <= set(
            glyph.not_examined
        )
    (counted,) = (s for s in seen.not_examined if "cut by the frame" in s)
    assert abs(int(counted.split()[0]) - len(cut)) <= 1
    whole = [g for g in seen.glyphs if g not in cut]
    assert not any(set(g.p) <= set(g.not_examined) for g in whole)


@pytest.mark.parametrize("pitch", [20.0, 25.0, 30.0, -20.0, -25.0, -30.0])
def test_letters_that_grow_over_the_page_show_its_slant(
    inspector: Inspector, drawn: Drawn, pitch: float
) -> None:
    """Lines that stay level and parallel show no slant; letters nearer to the camera are larger."""
    seen, _ = seen_by_camera(np.vstack([drawn.image] * 2), pitch, 0, 0)
    page = inspector.inspect(cv2.cvtColor(seen, cv2.COLOR_BGR2RGB))
    assert page.quality["slant_degrees"] == pytest.approx(abs(pitch), abs=8)
    assert "finding" not in {g.route for g in page.glyphs} | {g.route for g in page.gaps}
