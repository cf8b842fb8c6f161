"""Letter error of pages that lie askew in their pictures: renders, type and photographs.

    python -m crownlet.train.evaluation.rotated_pages [--pages N] [--photographs FOLDER]

Each picture is rotated about its middle, in its own resolution, onto a larger one of the colour of
its border, and read without a text; letters are compared line by line, so that no place has to be
mapped back. Prints a table whose rows are kinds of pages and whose columns are angles. Issue 14
asks that no angle differs from another by more than a point.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Sequence
from itertools import groupby
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.files.images import PageError, read_page
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import mezuzah
from crownlet.infer.inspector import Inspector
from crownlet.infer.records import GlyphRecord
from crownlet.train.evaluation.held_out import HELD_OUT_FIRST_SEED
from crownlet.train.evaluation.matching import LetterErrors
from crownlet.train.evaluation.photographs import letters_by_line, load_transcriptions, score_lines
from crownlet.train.evaluation.transcription import TranscribedLine, parse_line
from crownlet.train.evaluation.type_font import FONT_FILES
from crownlet.train.evaluation.type_pages import TypeSpec, compose_type_page

ANGLES_DEGREES = (0.0, 6.0, 12.0, 20.0, 25.0)
"""Angles by which pages are rotated, clockwise."""

ROTATED_FIRST_SEED = HELD_OUT_FIRST_SEED + 800_000

RENDERED_BODY_PX = 40.0

Picture = npt.NDArray[np.uint8]

Page = tuple[Picture, list[TranscribedLine]]
"""A picture, and what is written on it line by line."""


def rotate_picture(picture: Picture, degrees: float) -> Picture:
    """A grey or colour picture rotated clockwise, whole, on the median colour of its border."""
    if not degrees:
        return picture
    height, width = picture.shape[:2]
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), -degrees, 1.0)
    across, along = abs(turn[0, 0]), abs(turn[0, 1])
    size = np.array([height * along + width * across, height * across + width * along])
    turn[:, 2] += size / 2 - (width / 2, height / 2)
    border = [picture[0], picture[-1], picture[:, 0], picture[:, -1]]
    colour = np.median(np.concatenate(border), axis=0)
    rotated = cv2.warpAffine(
        picture, turn, (int(np.ceil(size[0])), int(np.ceil(size[1]))), flags=cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_CONSTANT, borderValue=np.atleast_1d(colour).tolist(),
    )  # fmt: skip
    return np.asarray(rotated, np.uint8)


def written_lines(page: PageTruth) -> list[TranscribedLine]:
    """What stands on a rendered page, line by line; letters of doubtful class as they are drawn."""
    lines = groupby(page.letters, key=lambda letter: letter.line)
    return [parse_line("".join(letter.letter for letter in line)) for _, line in lines]


def rendered_pages(count: int) -> Iterator[Page]:
    """Mezuzot by hands held out, with forms of their own and without faults."""
    spec = mezuzah(
        RENDERED_BODY_PX, split="heldout", own_forms=True, defect_rate=0.0, second_rate=0.0,
        habit_rate=0.0, gap_rate=0.0, text_rate=0.0, morph_rate=0.0, oddity_rate=0.0,
    )  # fmt: skip
    for k in range(count):
        page = compose(spec, ROTATED_FIRST_SEED + k)
        yield page.image, written_lines(page)


def type_pages() -> Iterator[Page]:
    """A mezuzah in each of the fonts in scribal style."""
    for font in FONT_FILES:
        page = compose_type_page(TypeSpec(font))
        yield page.image, written_lines(page)


def photographed_pages(folder: Path) -> Iterator[Page]:
    """The transcribed photographs of a folder."""
    for name, lines in load_transcriptions(folder).items():
        yield read_page(folder / name).pixels, lines


def measure_rotated(
    pages: Iterator[Page], read: Callable[[Picture], Sequence[GlyphRecord]]
) -> dict[float, LetterErrors]:
    """Errors by angle, all pages together."""
    found = dict.fromkeys(ANGLES_DEGREES, LetterErrors())
    for picture, lines in pages:
        for degrees in ANGLES_DEGREES:
            letters = read(rotate_picture(picture, degrees))
            found[degrees] += score_lines(lines, letters_by_line(letters))[0]
    return found


def describe_rotated(found: dict[str, dict[float, LetterErrors]]) -> str:
    """The table, in Markdown: letter errors in percent."""
    head = [f"{degrees:.0f}°" for degrees in ANGLES_DEGREES]
    rows = [f"| letter error, % (letters) | {' | '.join(head)} |", "|---|" + "---:|" * len(head)]
    for name, by_angle in found.items():
        letters = by_angle[ANGLES_DEGREES[0]].true
        cells = [f"{100 * errors.rate:.2f}" for errors in by_angle.values()]
        rows.append(f"| {name} ({letters:,}) | {' | '.join(cells)} |")
    return "\n".join(rows)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pages", type=int, default=6, help="rendered mezuzot")
    parser.add_argument("--photographs", type=Path, help="folder with transcriptions.tsv")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    inspector = Inspector(measure="none")

    def read(picture: Picture) -> Sequence[GlyphRecord]:
        try:
            return inspector.inspect(picture).glyphs
        except PageError:
            return ()

    found = {
        "renders": measure_rotated(rendered_pages(options.pages), read),
        "type": measure_rotated(type_pages(), read),
    }
    if options.photographs:
        found["photographs"] = measure_rotated(photographed_pages(options.photographs), read)
    print(describe_rotated(found))


if __name__ == "__main__":
    main()
