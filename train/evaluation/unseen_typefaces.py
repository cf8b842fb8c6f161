"""The check on typefaces never trained on: how the networks read pages set in them.

    python -m crownlet.train.evaluation.unseen_typefaces FOLDER UNSEEN [--model M] [--pages N]

UNSEEN names the families that were kept out of training, with commas between them.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable
from pathlib import Path

from crownlet.datasets.render.page.spec import training
from crownlet.datasets.render.typefaces.compose import Typefaces, compose_typeset
from crownlet.train.evaluation.held_out import LetterTally
from crownlet.train.evaluation.workers import PageReader, ReadingJob, read_page

UNSEEN_FIRST_SEED = 900_000_000


def read_typefaces(faces: Typefaces, split: str, pages: int, reader: PageReader) -> LetterTally:
    """Letters of `pages` pages set in the typefaces of one split, as read without a text.

    `by_style` of the tally's card has a row for each family.
    """
    inspector, tally = reader.inspector(), LetterTally()
    spec = training(split="train" if split == "train" else "heldout")
    paths = faces.of(split)
    for seed in range(UNSEEN_FIRST_SEED, UNSEEN_FIRST_SEED + pages):
        tally.add(read_page(inspector, ReadingJob(compose_typeset(spec, seed, paths), seed)))
    return tally


def main(arguments: Iterable[str] | None = None) -> None:
    """Print the numbers of the unseen families, and of those trained on, as JSON."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("unseen")
    parser.add_argument("--model", default="")
    parser.add_argument("--pages", type=int, default=100)
    given = parser.parse_args(None if arguments is None else list(arguments))
    faces = Typefaces(given.folder, 1.0, tuple(given.unseen.split(",")))
    reader = PageReader(given.model, "beit_yosef")
    cards = {
        name: read_typefaces(faces, split, given.pages, reader).card()
        for name, split in (("unseen", "heldout"), ("trained on", "train"))
    }
    print(json.dumps(cards, indent=1, ensure_ascii=False))


if __name__ == "__main__":
    main()
