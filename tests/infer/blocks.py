"""A block alphabet that a few lines of code can read, in place of trained networks.

Each letter is a frame of 3 x 3 kulmus (the yud 2 wide) with a grid of 3 x 3 cells: the upper left
cell alone of the four corners is black, which shows the turn; the other five hold the class in
binary. Strokes on top are its tags. `BlockNetworks` reads them from the pixels it is given, at the
scale it is given, so that every stage around the networks is tested on real pictures.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.scribal.alphabet import LETTERS, index_of
from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import LOCATOR_BODY_PX, Assessment, LocatorMaps, ModelInfo

PARTS = ("ink", "tag", "head", "leg", "roof", "joint")
_CLASS_CELLS = ((0, 1), (1, 0), (1, 1), (1, 2), (2, 1))


@dataclass(frozen=True)
class Placed:
    """One block letter on a page, px."""

    letter: str
    line: int
    box: tuple[float, float, float, float]
    body: tuple[float, float, float]


def glyph(letter: str, q: float, tags: int = 0) -> npt.NDArray[np.uint8]:
    """The letter as (H, W) uint8, black on white, with a kulmus of room on top for its tags."""
    width = 2.0 if letter == "י" else 3.0
    grow = 8  # drawn large and shrunk, so that edges fall between pixels as ink does
    unit = q * grow
    image = np.full((round(4 * unit), round(width * unit)), 255, np.uint8)
    image[round(unit) :] = 0
    edge = 0.4 * unit
    cell_x, cell_y = (image.shape[1] - 2 * edge) / 3, (3 * unit - 2 * edge) / 3
    black = {(0, 0)} | {c for k, c in enumerate(_CLASS_CELLS) if index_of(letter) >> k & 1}
    for row in range(3):
        for column in range(3):
            if (row, column) not in black:
                y, x = unit + edge + row * cell_y, edge + column * cell_x
                image[round(y) : round(y + cell_y), round(x) : round(x + cell_x)] = 255
    for k in range(tags):
        x = (k + 1) * image.shape[1] / (tags + 1)
        image[
            round(0.2 * unit) : round(1.1 * unit), round(x - 0.1 * unit) : round(x + 0.1 * unit)
        ] = 0
    size = (max(1, round(width * q)), max(1, round(4 * q)))
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.uint8)


def page(
    lines: list[str],
    q: float = 12.0,
    *,
    letter_gap: float = 0.4,
    word_gap: float = 1.6,
    pitch: float = 6.0,
    margin: float = 4.0,
    tags: dict[int, int] | None = None,
    bow: float = 0.0,
    tilt: float = 0.0,
    paper: int = 230,
    ink: int = 30,
) -> tuple[npt.NDArray[np.uint8], list[Placed]]:
    """A page of block letters; `tags` by letter number, `bow` in q at the middle, `tilt` dy/dx."""
    longest = max(sum(3.4 for _ in line) + line.count(" ") * word_gap for line in lines)
    width = round((longest + 2 * margin) * q)
    height = round((len(lines) * pitch + 2 * margin) * q + abs(tilt) * width)
    image = np.full((height, width), 255, np.uint8)
    placed: list[Placed] = []
    for number, line in enumerate(lines):
        x = width - margin * q
        for char in line:
            if char == " ":
                x -= (word_gap - letter_gap) * q
                continue
            mark = glyph(char, q, (tags or {}).get(len(placed), 0))
            x -= mark.shape[1]
            along = (x - width / 2) / (width / 2)
            y = (margin + number * pitch) * q + bow * q * (1 - along**2)
            y += tilt * (x - (0 if tilt > 0 else width))
            left, top = round(x), round(y)
            area = image[top - round(q) :, left:][: mark.shape[0], : mark.shape[1]]
            np.minimum(area, mark[: area.shape[0], : area.shape[1]], out=area)
            high = top - round(0.8 * q) if (tags or {}).get(len(placed)) else top
            box = (left, high, left + mark.shape[1], top - round(q) + mark.shape[0])
            body = (left + mark.shape[1] / 2, float(top), 3 * q)
            placed.append(Placed(char, number, tuple(float(v) for v in box), body))
            x -= letter_gap * q
    return (ink + (image.astype(np.float32) / 255) * (paper - ink)).astype(np.uint8), placed


def _read(ink: npt.NDArray[np.bool_]) -> tuple[str, tuple[int, int], int] | None:
    """(letter, rows of its body, tags) of one upright block, or None if it is none."""
    edge = np.flatnonzero(ink[:, : max(1, ink.shape[1] // 12)].mean(axis=1) > 0.4)
    if len(edge) < 6:
        return None
    top, base = int(edge[0]), int(edge[-1]) + 1
    height, width = base - top, ink.shape[1]
    if not 0.6 < width / height < 1.15 or base < ink.shape[0] - 2:
        return None
    side_x = 0.4 / (3 * width / height)
    cells = np.zeros((3, 3), bool)
    for row in range(3):
        for column in range(3):
            y = top + height * (0.4 / 3 + (row + 0.5) * (1 - 0.8 / 3) / 3)
            x = width * (side_x + (column + 0.5) * (1 - 2 * side_x) / 3)
            reach = max(1, height // 20)
            around = ink[int(y) - reach : int(y) + reach + 1, int(x) - reach : int(x) + reach + 1]
            cells[row, column] = around.size > 0 and around.mean() > 0.5
    if [*cells[0, ::2], *cells[2, ::2]] != [True, False, False, False]:
        return None
    index = sum(int(cells[c]) << k for k, c in enumerate(_CLASS_CELLS))
    if index > 26:
        return None
    above = ink[max(0, top - height // 6)] if top > height // 6 else np.zeros(width, bool)
    tags = int(np.count_nonzero(np.diff(np.concatenate([[0], above.astype(np.int8)])) == 1))
    return LETTERS[index], (top, base), tags


@dataclass
class BlockNetworks:
    """Reads block letters; `defects` gives probabilities by (letter, defect)."""

    defects: dict[tuple[str, str], float] = field(default_factory=dict)
    seen: list[tuple[int, int]] = field(default_factory=list)
    lanes: int = 1

    @property
    def info(self) -> ModelInfo:
        return ModelInfo("blocks-1", LETTERS, LEARNED_DEFECTS, PARTS, {"locator.onnx": "0"})

    def locate(self, page: npt.NDArray[np.float32]) -> LocatorMaps:
        assert page.dtype == np.float32
        assert page.shape[2] % 32 == 0
        assert page.shape[3] % 32 == 0
        self.seen.append(page.shape[2:])
        ink = page[0, 0] < 0.5
        h, w = ink.shape[0] // 4, ink.shape[1] // 4
        maps = {
            name: np.zeros((channels, h, w), np.float32)
            for name, channels in (("letter", 27), ("turn", 4), ("shape", 6), ("scale", 1))
        }
        centre = np.zeros((h, w), np.float32)
        contours, _ = cv2.findContours(
            ink.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
        )
        for contour in contours:
            x, y, width, height = cv2.boundingRect(contour)
            for quarter in range(4):
                upright = np.rot90(ink[y : y + height, x : x + width], quarter)
                answer = _read(upright)
                if answer is not None:
                    self._mark(maps, centre, (x, y, width, height), upright.shape, quarter, answer)
                    break
        return LocatorMaps(centre, **maps)

    def _mark(self, maps, centre, rect, shape, quarter, answer) -> None:  # type: ignore[no-untyped-def]
        letter, (top, base), _ = answer
        x, y, width, height = rect
        middle = np.array([shape[1] / 2, (top + base) / 2])
        # Back from the upright crop (turned counter-clockwise `quarter` times) to the page.
        u, v = middle
        ax, ay = [(u, v), (width - v, u), (width - u, height - v), (v, height - u)][quarter]
        ax, ay = ax + x, ay + y
        row, column = min(int(ay / 4), centre.shape[0] - 1), min(int(ax / 4), centre.shape[1] - 1)
        centre[row, column] = 0.95
        maps["letter"][index_of(letter), row, column] = 12.0
        maps["turn"][quarter, row, column] = 9.0
        offsets = [ax - (column + 0.5) * 4, ay - (row + 0.5) * 4]
        sides = [ax - x, ay - y, x + width - ax, y + height - ay]
        maps["shape"][:, row, column] = np.array(offsets + sides) / LOCATOR_BODY_PX
        maps["scale"][0, row, column] = np.log((base - top) / LOCATOR_BODY_PX)

    def assess(self, crops: npt.NDArray[np.uint8]):  # type: ignore[no-untyped-def]
        assert crops.dtype == np.uint8
        assert crops.shape[1:] == (2, 128, 96)
        count = len(crops)
        letters = np.full((count, 28), 1e-4, np.float32)
        defects = np.full((count, len(LEARNED_DEFECTS)), 1e-4, np.float32)
        # Strokes are counted: surer than any promised border, so that clear letters stay clear.
        tags = np.full((count, 5), 1e-4, np.float32)
        parts = np.zeros((count, len(PARTS), 32, 24), np.float32)
        for k, crop in enumerate(crops):
            rows, columns = np.nonzero(crop[1])
            answer = None
            if len(rows):
                box = crop[0, rows.min() : rows.max() + 1, columns.min() : columns.max() + 1] < 128
                answer = _tight(box)
            if answer is None:
                letters[k, 27] = 0.99
                tags[k, 0] = 1 - 4e-4
                continue
            letter, _, seen = answer
            letters[k, index_of(letter)] = 0.99
            tags[k, min(seen, 4)] = 1 - 4e-4
            for d, name in enumerate(LEARNED_DEFECTS):
                defects[k, d] = self.defects.get((letter, name), 1e-4)
        return Assessment(letters, defects, tags, None, (parts,))

    def part_masks(self, seen: Assessment, rows: npt.NDArray[np.int64]):  # type: ignore[no-untyped-def]
        return seen.features[0][rows]


def inspector(networks: BlockNetworks) -> Inspector:
    """An inspector of block letters, to which their sizes are no surprise."""
    mine = Inspector(networks=networks)
    familiar = replace(mine.thresholds.picture.familiar, shape=1e3)
    picture = replace(mine.thresholds.picture, familiar=familiar)
    mine.thresholds = replace(mine.thresholds, picture=picture)
    return mine


def _tight(ink: npt.NDArray[np.bool_]) -> tuple[str, tuple[int, int], int] | None:
    """Read the largest block in a box."""
    contours, _ = cv2.findContours(ink.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    if not contours:
        return None
    x, y, w, h = cv2.boundingRect(max(contours, key=cv2.contourArea))
    return _read(ink[y : y + h, x : x + w])
