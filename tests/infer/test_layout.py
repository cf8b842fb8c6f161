"""Lines, columns and reading order, on our own pages and on bent and turned geometry."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from crownlet.datasets.coco.truth import LetterTruth
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import Augment, clean, mezuzah
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.layout.lines import Layout, _Joining, deskew, lay_out, link_letters
from crownlet.infer.records import Located


def located(letters: list[LetterTruth], seed: int = 0) -> tuple[Located, list[LetterTruth]]:
    """Letters of a truth as if located, in no order."""
    shuffled = [letters[i] for i in np.random.default_rng(seed).permutation(len(letters))]
    body = np.array([(*t.body[:3], 0.0) for t in shuffled])
    box = np.array([t.box for t in shuffled])
    count = len(shuffled)
    return Located(body, box, np.ones(count), np.full((count, 27), 1 / 27)), shuffled


def lines_of(layout: Layout, letters: list[LetterTruth]) -> list[str]:
    text: dict[int, str] = {}
    for number, index in zip(layout.line, layout.order, strict=True):
        text[int(number)] = text.get(int(number), "") + letters[index].letter
    return [text[k] for k in sorted(text)]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_mezuzah_reads_in_its_22_lines(seed: int) -> None:
    page = compose(clean(portion="mezuzah", body=(30.0, 30.0), split="heldout"), seed)
    found, letters = located(list(page.letters))
    lines = lines_of(lay_out(found), letters)
    # Tur, Yoreh De'ah 288: the 22 lines as the portion's file gives them.
    assert lines == ["".join(line) for line in load_portion("mezuzah").lines or ()]


@pytest.mark.parametrize("seed", range(4))
def test_a_photographed_page_reads_in_order(seed: int) -> None:
    page = compose(mezuzah(30.0, split="heldout", augment=Augment("camera")), seed)
    found, letters = located([t for t in page.letters if t.whole])
    layout = lay_out(found)
    read = [(letters[i].line, letters[i].word, letters[i].place) for i in layout.order]
    assert read == sorted(read)


def grid(columns: int, lines: int, count: int) -> np.ndarray:
    """Anchors (x, y) of letters in columns right to left, lines down, letters right to left."""
    return np.array(
        [
            (-(c * (count + 5) + k) * 30.0, n * 60.0)
            for c in range(columns) for n in range(lines) for k in range(count)
        ]
    )  # fmt: skip


def from_anchors(anchors: np.ndarray) -> Located:
    count = len(anchors)
    half = np.array([11.0, 14.0])
    body = np.column_stack(
        [anchors[:, 0], anchors[:, 1] - 14, np.full(count, 28.0), np.zeros(count)]
    )
    box = np.concatenate([anchors - half, anchors + half], axis=1)
    return Located(body, box, np.ones(count), np.full((count, 27), 1 / 27))


@pytest.mark.parametrize("tilt", [-0.08, 0.0, 0.05])
@pytest.mark.parametrize("bow", [0.0, 25.0])
@pytest.mark.parametrize("columns", [1, 2, 3])
def test_tilted_and_bowed_columns(tilt: float, bow: float, columns: int) -> None:
    anchors = grid(columns, 7, 16)
    along = 2 * (anchors[:, 0] - anchors[:, 0].mean()) / np.ptp(anchors[:, 0])
    bent = anchors.copy()
    bent[:, 1] += bow * along**2
    c, s = np.cos(np.arctan(tilt)), np.sin(np.arctan(tilt))
    bent = bent @ np.array([[c, s], [-s, c]])
    mixed = np.random.default_rng(1).permutation(len(bent))
    layout = lay_out(from_anchors(bent[mixed]))
    assert mixed[layout.order].tolist() == list(range(len(bent)))
    assert layout.column.max() == columns - 1
    if not bow:
        assert layout.slope == pytest.approx(tilt, abs=0.005)


def test_lines_one_and_a_half_bodies_apart_stay_apart() -> None:
    anchors = grid(1, 9, 20)
    anchors[:, 1] *= 42 / 60
    layout = lay_out(from_anchors(anchors))
    assert layout.order.tolist() == list(range(len(anchors)))


def test_a_wide_white_inside_a_line_does_not_break_it() -> None:
    # The portion gap is nine letters wide (Keset HaSofer 15:1).
    anchors = grid(1, 6, 20)
    keep = np.ones(len(anchors), bool)
    keep[46:55] = False
    layout = lay_out(from_anchors(anchors[keep]))
    assert layout.order.tolist() == list(range(int(keep.sum())))
    assert np.bincount(layout.line).tolist() == [20, 20, 11, 20, 20, 20]


def test_upside_down_lines_read_from_the_left() -> None:
    # The fourteen letters on the back stand on their heads (Keset HaSofer 27:7).
    found = from_anchors(grid(1, 1, 14))
    body = found.body.copy()
    body[:, 1] += 28
    body[:, 3] = 180
    layout = lay_out(Located(body, found.box, found.score, found.letters))
    assert layout.order.tolist() == list(range(13, -1, -1))


def test_one_letter_and_none() -> None:
    assert lay_out(from_anchors(np.zeros((1, 2)))).order.tolist() == [0]
    assert lay_out(from_anchors(np.zeros((0, 2)))).pairs() == []


def uneven(seed: int, letters: int = 400) -> Located:
    """Letters of three columns with gaps of all sizes, some out of place, some absent."""
    rng = np.random.default_rng(seed)
    anchors = grid(3, letters // 60, 20)
    anchors[:, 0] -= np.cumsum(rng.choice([0.0, 60.0, 250.0], len(anchors), p=(0.9, 0.08, 0.02)))
    anchors += rng.normal(0, (2, 4), anchors.shape)
    stray = np.column_stack([rng.uniform(-1500, 0, 25), rng.uniform(0, letters, 25)])
    return from_anchors(np.concatenate([anchors[rng.random(len(anchors)) < 0.95], stray]))


@pytest.mark.parametrize("seed", range(4))
def test_each_join_is_the_best_of_all(seed: int) -> None:
    """Against the plain search: all stretches with all, before each join."""
    page = deskew(uneven(seed), 0.0)
    joining = _Joining(page, link_letters(page), [-700.0])
    joins = 0
    while True:
        stand = np.array([k for k, line in enumerate(joining.lines) if line])
        cost = joining._cost_of(stand[:, None], stand)
        best = np.unravel_index(cost.argmin(), cost.shape)
        right, left = (stand[k] for k in best)
        before = [list(line) for line in joining.lines]
        if not joining.join_best():
            assert not np.isfinite(cost[best])
            break
        assert joining.lines[right] == before[right] + before[left]
        assert joining.lines[left] == []
        joins += 1
    assert joins > 5


def test_a_page_takes_time_by_its_letters_and_not_by_their_square(
    relative_time: Callable[..., float],
) -> None:
    """Processor time of 20,000 letters against that of 2,000; their square is a hundred times."""
    few, many = (from_anchors(grid(1, lines, 50)) for lines in (40, 400))
    assert relative_time(lambda: lay_out(many), 2) < 30 * relative_time(lambda: lay_out(few), 5)
