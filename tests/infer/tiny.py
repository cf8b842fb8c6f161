"""Pages of seventeen letters that the shipped networks read, and folders compared byte by byte."""

from __future__ import annotations

from pathlib import Path

from PIL import Image

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean

APART = ("timing.json",)
"""What differs from one inspection of a page to the next: how long it took."""


def pages(folder: Path, count: int) -> list[Path]:
    """The two lines of a mezuzah's reverse, each page by another seed."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for seed in range(count):
        picture = compose(clean(portion="mezuzah_reverse", body=(36.0, 36.0)), seed).image
        paths.append(folder / f"p{seed:02d}-face.png")
        Image.fromarray(picture).save(paths[-1])
    return paths


def contents(run: Path) -> dict[str, bytes]:
    """Every file of a run but those `APART`, by its path in the run."""
    return {
        path.relative_to(run).as_posix(): path.read_bytes()
        for path in sorted(run.rglob("*"))
        if path.is_file() and path.name not in APART
    }
