"""A sheet of letters read wrongly, for a developer to look at: written > read, and how sure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import Box
from crownlet.datasets.files.atomic import write_file
from crownlet.datasets.scribal.alphabet import BY_CHAR
from crownlet.train.evaluation.matching import match_page
from crownlet.train.evaluation.workers import ReadingJob, ReadPage

Image = npt.NDArray[np.uint8]

SHEET_TILES, SHEET_COLUMNS = 72, 8

TILE_PX, CAPTION_PX = (190, 170), 34
"""Width and height of a crop on the sheet, and height of the caption above it."""


@dataclass(frozen=True)
class WrongLetter:
    """A letter read wrongly: None was written where one is spurious, None read where it is missed.

    `box` and `q` in px of the page.
    """

    job: ReadingJob
    number: int
    written: str | None
    read: str | None
    p: float
    box: Box
    q: float

    @property
    def label(self) -> str:
        """Slugs, as `bet > kaf 0.97`."""
        names = [BY_CHAR[c].slug if c else "-" for c in (self.written, self.read)]
        return f"{names[0]} > {names[1]} {self.p:.2f}"


def find_wrong_letters(pages: Iterable[ReadPage]) -> list[WrongLetter]:
    """Every error that counts in the letter error rate, the surest first.

    Pages are those of `held_out_pages`, of which the first record is read without a text.
    """
    found: list[WrongLetter] = []
    for number, page in enumerate(pages):
        if page.records is None:
            continue
        truth, seen = page.truth.letters, page.records[0].glyphs
        match = match_page(truth, seen)
        pairs = [(truth[i], seen[j]) for i, j in match.pairs if not truth[i].share]
        found += [
            WrongLetter(page.job, number, a.letter, b.letter, b.letter_p, a.box, a.q)
            for a, b in pairs
            if a.letter != b.letter
        ]
        missed = [truth[i] for i in match.missing if not truth[i].share]
        found += [WrongLetter(page.job, number, a.letter, None, 0.0, a.box, a.q) for a in missed]
        added = [seen[j] for j in match.spurious]
        found += [
            WrongLetter(page.job, number, None, b.letter, b.letter_p, b.box, b.q) for b in added
        ]
    return sorted(found, key=lambda wrong: -wrong.p)


def draw_sheet(wrong: Sequence[WrongLetter], path: Path) -> Path:
    """Write a PNG of the surest errors, each page made once more for its crops."""
    chosen = list(wrong[:SHEET_TILES])
    tiles: dict[int, Image] = {}
    by_page = sorted(range(len(chosen)), key=lambda k: chosen[k].number)
    for _, places in groupby(by_page, key=lambda k: chosen[k].number):
        numbers = list(places)
        image = chosen[numbers[0]].job.page().image
        tiles |= {k: draw_tile(image, chosen[k]) for k in numbers}
    rows = max(1, -(-len(chosen) // SHEET_COLUMNS))
    width, height = TILE_PX[0], TILE_PX[1] + CAPTION_PX
    sheet = np.full((rows * height, SHEET_COLUMNS * width, 3), 255, np.uint8)
    for k, drawn in tiles.items():
        y, x = divmod(k, SHEET_COLUMNS)
        sheet[y * height : (y + 1) * height, x * width : (x + 1) * width] = drawn
    write_file(path, cv2.imencode(path.suffix, sheet[:, :, ::-1])[1].tobytes())
    return path


def draw_tile(image: Image, wrong: WrongLetter) -> Image:
    """The letter with two pen widths around it, its box drawn, and words above."""
    x0, y0, x1, y1 = wrong.box
    left, top = max(0, int(x0 - 2 * wrong.q)), max(0, int(y0 - wrong.q))
    crop = image[top : int(y1 + wrong.q) + 1, left : int(x1 + 2 * wrong.q) + 1]
    drawn = np.full((TILE_PX[1] + CAPTION_PX, TILE_PX[0], 3), 255, np.uint8)
    if crop.size:
        colour = np.repeat(crop[..., None], 3, axis=2) if crop.ndim == 2 else crop
        scale = min((TILE_PX[0] - 4) / crop.shape[1], (TILE_PX[1] - 4) / crop.shape[0])
        size = max(1, int(crop.shape[1] * scale)), max(1, int(crop.shape[0] * scale))
        mode = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
        shown = np.ascontiguousarray(cv2.resize(colour, size, interpolation=mode))
        corners = [round((v - o) * scale) for v, o in zip(wrong.box, (left, top) * 2, strict=True)]
        cv2.rectangle(shown, corners[:2], corners[2:], (60, 140, 220), 1)
        drawn[CAPTION_PX : CAPTION_PX + size[1], : size[0]] = shown
    for row, words in enumerate((wrong.label, f"page {wrong.number}, {3 * wrong.q:.0f} px")):
        cv2.putText(drawn, words, (2, 13 + 15 * row), 0, 0.42, (150, 0, 0), 1, cv2.LINE_AA)
    return drawn
