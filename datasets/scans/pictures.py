"""Pictures of a data set: read with the limits of inspection, and told from copies."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from crownlet.datasets.scans.likeness import likeness

SUFFIXES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".webp")


@dataclass(frozen=True)
class Picture:
    """What is known of one picture file."""

    path: Path
    sha256: str
    likeness: str
    size: tuple[int, int]
    """Width and height, px, upright."""


def look(path: Path) -> Picture:
    """Read a picture; PageError says in one sentence why it cannot be read."""
    # The same reader as inspection has, so that no label is made for what cannot be inspected.
    from crownlet.infer.reading import read_page

    page = read_page(path)
    height, width = page.pixels.shape[:2]
    return Picture(path, page.facts.sha256, likeness(page.pixels), (width, height))


def picture_files(sources: list[Path]) -> Iterator[Path]:
    """The files named, and the pictures of the folders named, in order of their names."""
    for source in sources:
        if not source.is_dir():
            yield source
            continue
        yield from sorted(p for p in source.iterdir() if p.suffix.lower() in SUFFIXES)
