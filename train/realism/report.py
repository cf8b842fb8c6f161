"""`job=critic`: how well renders are separated from photographs, and by which measures."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.files.atomic import atomic_write, write_file
from crownlet.train.realism.features import MEASURE_FAMILIES, MEASURE_MEANINGS, measure_table
from crownlet.train.realism.patches import (
    Image,
    Patch,
    WritingPicture,
    cut_all_patches,
    network_view,
)
from crownlet.train.realism.pictures import (
    named_folder,
    pen_width_reader,
    read_photographs,
    render_beside_all,
)
from crownlet.train.realism.separate import (
    Classifier,
    MeasureContrast,
    PatchRows,
    Separation,
    chance_interval,
    classify_by_boosting,
    classify_by_regression,
    cross_validate,
    network_classifier,
    rank_measures,
)

_TILE_PX = (144, 192)

_PHOTO_TILES, _RENDER_TILES = 3, 5

_CHANCE_DRAWS = 20


def measure_realism(config: Any) -> Path:
    """Render beside each photograph, judge, and write tables and a sheet; their folder.

    ValueError if fewer than two photographs with writing are there.
    """
    settings = config.critic
    photos = read_photographs(named_folder(settings), pen_width_reader(settings.model))
    return compare_pictures(photos, settings, config.seed)


def compare_pictures(photos: Sequence[WritingPicture], settings: Any, seed: int) -> Path:
    """Render beside `photos`, judge, and write into `settings.to`; its path."""
    renders = render_beside_all(photos, settings.renders, seed, settings.device)
    patches = cut_all_patches(photos, 40, seed) + cut_all_patches(renders, 4, seed)
    rows = patch_rows(patches, measure_table(patches))
    found = separate_families(rows, classify_by_regression)
    found["grey structure, boosted"] = cross_validate(
        select_family(rows, "grey structure"), classify_by_boosting
    )
    if settings.epochs:
        network = network_classifier(settings.epochs, seed)
        looked = patch_rows(patches, np.stack([network_view(patch) for patch in patches]))
        found["network, grey, levelled"] = cross_validate(looked, network)
    folder = Path(settings.to)
    folder.mkdir(parents=True, exist_ok=True)
    ranked = rank_measures(rows, tuple(MEASURE_MEANINGS))
    chance = {
        family: chance_interval(
            select_family(rows, family), classify_by_regression, _CHANCE_DRAWS, seed
        )
        for family in MEASURE_FAMILIES
    }
    write_file(folder / "critic.md", render_summary(found, ranked, chance))
    _write_table(folder / "measures.csv", ranked)
    sheet = draw_surest(patches, found["grey structure"].scores)
    write_file(folder / "surest.png", cv2.imencode(".png", sheet[:, :, ::-1])[1].tobytes())
    return folder


def patch_rows(patches: Sequence[Patch], values: npt.NDArray[Any]) -> PatchRows:
    """`values`, one row per patch, with where each comes from."""
    return PatchRows(
        values,
        np.array([patch.picture.real for patch in patches]),
        np.array([patch.picture.group for patch in patches]),
        np.array([patch.picture.name for patch in patches]),
    )


def separate_families(rows: PatchRows, fit: Classifier) -> dict[str, Separation]:
    """Separation by each family of measures alone."""
    return {family: cross_validate(select_family(rows, family), fit) for family in MEASURE_FAMILIES}


def select_family(rows: PatchRows, family: str) -> PatchRows:
    """The rows with the measures of `family` alone."""
    names = list(MEASURE_MEANINGS)
    columns = [names.index(name) for name in MEASURE_FAMILIES[family]]
    return PatchRows(rows.values[:, columns], rows.real, rows.group, rows.picture)


def render_summary(
    found: Mapping[str, Separation],
    ranked: Sequence[MeasureContrast],
    chance: Mapping[str, tuple[float, float]],
) -> str:
    """The findings as Markdown; `chance` is the interval of `chance_interval` by family."""
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
            f"| {mark.coverage:.2f} | {photo} | {render} | {MEASURE_MEANINGS[mark.name]} |"
        )
    return "\n".join(lines) + "\n"


def draw_surest(patches: Sequence[Patch], scores: npt.NDArray[np.float64]) -> Image:
    """One row per photograph: its most photograph-like patches, then the most render-like ones."""
    groups = sorted({patch.picture.group for patch in patches if patch.picture.real})
    rows = []
    for group in groups:
        here = [i for i, patch in enumerate(patches) if patch.picture.group == group]
        order = sorted(here, key=lambda i: -scores[i])
        photos = [i for i in order if patches[i].picture.real]
        renders = [i for i in reversed(order) if not patches[i].picture.real]
        shown = _limit_per_picture(photos, patches, _PHOTO_TILES, 9) + _limit_per_picture(
            renders, patches, _RENDER_TILES, 1
        )
        tiles = [_resize_tile(patches[i].image) for i in shown]
        tiles += [np.full((*_TILE_PX, 3), 128, np.uint8)] * (
            _PHOTO_TILES + _RENDER_TILES - len(tiles)
        )
        rows.append(np.hstack(tiles))
    return np.asarray(np.vstack(rows), np.uint8)


def _limit_per_picture(
    order: Sequence[int], patches: Sequence[Patch], count: int, each: int
) -> list[int]:
    """The first `count` of `order`, at most `each` of one picture."""
    taken: list[int] = []
    for i in order:
        name = patches[i].picture.name
        if len(taken) < count and sum(patches[j].picture.name == name for j in taken) < each:
            taken.append(i)
    return taken


def _resize_tile(image: Image) -> Image:
    mode = cv2.INTER_AREA if image.shape[0] > _TILE_PX[0] else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(image, _TILE_PX[::-1], interpolation=mode), np.uint8)


def _write_table(path: Path, ranked: Sequence[MeasureContrast]) -> None:
    with atomic_write(path) as draft, draft.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        groups = sorted(ranked[0].by_group)
        writer.writerow(["measure", "lean", "covered", *groups])
        for mark in ranked:
            each = [f"{mark.by_group[group]:.4f}" for group in groups]
            writer.writerow([mark.name, f"{mark.lean:.4f}", f"{mark.coverage:.4f}", *each])
