"""`job=critic`: how well renders are told from photographs, and what gave them away."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.files.atomic import write_file
from crownlet.train.realism import separate as fits
from crownlet.train.realism.features import FAMILIES, MEANINGS, table
from crownlet.train.realism.patches import Image, Patch, Picture, cut_all, seen
from crownlet.train.realism.pictures import beside_all, photographs, sizer
from crownlet.train.realism.separate import (
    Fit,
    Mark,
    Rows,
    Separation,
    by_chance,
    cross_validate,
    marks,
)

_TILE = (144, 192)

_PHOTOS, _RENDERS = 3, 5

_DRAWS = 20


def criticise(config: Any) -> Path:
    """Render beside each photograph, judge, and write tables and a sheet; their folder.

    ValueError if fewer than two photographs with writing are there.
    """
    settings = config.critic
    photos = photographs(Path(settings.photographs), sizer(settings.model))
    return examine(photos, settings, config.seed)


def examine(photos: Sequence[Picture], settings: Any, seed: int) -> Path:
    """Render beside `photos`, judge, and write into `settings.to`; its path."""
    renders = beside_all(photos, settings.renders, seed, settings.device)
    patches = cut_all(photos, 40, seed) + cut_all(renders, 4, seed)
    rows = rows_of(patches, table(patches))
    found = judge(rows, fits.logistic)
    found["grey structure, boosted"] = cross_validate(part_of(rows, "grey structure"), fits.boosted)
    if settings.epochs:
        network = fits.network(settings.epochs, seed)
        looked = rows_of(patches, np.stack([seen(patch) for patch in patches]))
        found["network, grey, levelled"] = cross_validate(looked, network)
    folder = Path(settings.to)
    folder.mkdir(parents=True, exist_ok=True)
    ranked = marks(rows, tuple(MEANINGS))
    chance = {
        family: by_chance(part_of(rows, family), fits.logistic, _DRAWS, seed) for family in FAMILIES
    }
    write_file(folder / "critic.md", summary(found, ranked, chance))
    _write_table(folder / "measures.csv", ranked)
    sheet = surest(patches, found["grey structure"].scores)
    cv2.imwrite(str(folder / "surest.png"), sheet[:, :, ::-1])
    return folder


def rows_of(patches: Sequence[Patch], values: npt.NDArray[Any]) -> Rows:
    """`values`, a row a patch, with where each comes from."""
    return Rows(
        values,
        np.array([patch.picture.real for patch in patches]),
        np.array([patch.picture.group for patch in patches]),
        np.array([patch.picture.name for patch in patches]),
    )


def judge(rows: Rows, fit: Fit) -> dict[str, Separation]:
    """Separation by each family of measures alone."""
    return {family: cross_validate(part_of(rows, family), fit) for family in FAMILIES}


def part_of(rows: Rows, family: str) -> Rows:
    """The rows with the measures of `family` alone."""
    names = list(MEANINGS)
    columns = [names.index(name) for name in FAMILIES[family]]
    return Rows(rows.values[:, columns], rows.real, rows.group, rows.picture)


def summary(
    found: Mapping[str, Separation],
    ranked: Sequence[Mark],
    chance: Mapping[str, tuple[float, float]],
) -> str:
    """The findings as Markdown; `chance` is what renders put for photographs give."""
    lines = ["# Renders and photographs", "", "Area under the curve; 0.5 is not told apart.", ""]
    lines += ["| by | mean | 95% interval | by chance | each photograph |", "|---|---|---|---|---|"]
    for name, result in found.items():
        low, high = result.interval()
        each = " ".join(f"{value:.2f}" for value in result.by_group.values())
        null = "{:.2f} to {:.2f}".format(*chance[name]) if name in chance else ""
        lines.append(f"| {name} | {result.auc:.3f} | {low:.2f} to {high:.2f} | {null} | {each} |")
    lines += [
        "",
        "Measures, the most telling first. `lean` +1: photographs always have more of it;",
    ]
    lines += ["`covered`: share of photograph patches within the renders' 5th to 95th percentile."]
    lines += ["", "| measure | lean | agreed | covered | photographs 10/50/90% | renders | what |"]
    lines.append("|---|---|---|---|---|---|---|")
    for mark in ranked:
        photo, render = (" / ".join(f"{v:.3g}" for v in span) for span in (mark.photo, mark.render))
        lines.append(
            f"| {mark.name} | {mark.lean:+.2f} | {mark.agreed} of {len(mark.by_group)} "
            f"| {mark.coverage:.2f} | {photo} | {render} | {MEANINGS[mark.name]} |"
        )
    return "\n".join(lines) + "\n"


def surest(patches: Sequence[Patch], scores: npt.NDArray[np.float64]) -> Image:
    """A row a photograph: its patches most surely photographs, and the surest renders beside it."""
    groups = sorted({patch.picture.group for patch in patches if patch.picture.real})
    rows = []
    for group in groups:
        here = [i for i, patch in enumerate(patches) if patch.picture.group == group]
        order = sorted(here, key=lambda i: -scores[i])
        photos = [i for i in order if patches[i].picture.real]
        renders = [i for i in reversed(order) if not patches[i].picture.real]
        shown = _different(photos, patches, _PHOTOS, 9) + _different(renders, patches, _RENDERS, 1)
        tiles = [_tile(patches[i].image) for i in shown]
        tiles += [np.full((*_TILE, 3), 128, np.uint8)] * (_PHOTOS + _RENDERS - len(tiles))
        rows.append(np.hstack(tiles))
    return np.asarray(np.vstack(rows), np.uint8)


def _different(order: Sequence[int], patches: Sequence[Patch], count: int, each: int) -> list[int]:
    """The first `count` of `order`, at most `each` of one picture."""
    taken: list[int] = []
    for i in order:
        name = patches[i].picture.name
        if len(taken) < count and sum(patches[j].picture.name == name for j in taken) < each:
            taken.append(i)
    return taken


def _tile(image: Image) -> Image:
    mode = cv2.INTER_AREA if image.shape[0] > _TILE[0] else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(image, _TILE[::-1], interpolation=mode), np.uint8)


def _write_table(path: Path, ranked: Sequence[Mark]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        groups = sorted(ranked[0].by_group)
        writer.writerow(["measure", "lean", "covered", *groups])
        for mark in ranked:
            each = [f"{mark.by_group[group]:.4f}" for group in groups]
            writer.writerow([mark.name, f"{mark.lean:.4f}", f"{mark.coverage:.4f}", *each])
