"""Strong changes to examples while training runs, drawn each time an example is shown.

Draws hold in part for a page (its hand and its picture), in part for the page's letters of
one class, and a little for each letter alone (`draws.Draws`). Pages are of three kinds:

- plain: as rendered, but for the light; every label stays.
- bent: other proportions, sheared and bent. A letter keeps its class, its number of tags and, moved
  along, its parts; whether a leg is too short is no longer known, so defects become unknown.
- harsh: bent, and with other strokes, pale ink, blur, coarse pixels, compression. Only the class
  stays known.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from crownlet.infer.image.crops import CROP_BODY_PX, CROP_HEIGHT_PX, CROP_WIDTH_PX, RULED_LINE_ROW
from crownlet.models.assessor import NO_LETTER_CLASS, TAGS_UNKNOWN
from crownlet.train.fit import photometry
from crownlet.train.fit.draws import Draws
from crownlet.train.fit.photometry import SKIN_LEVEL
from crownlet.train.fit.reservoir import Batch
from crownlet.train.fit.warp import Warp, affine_matrices, apply_warp, move_boxes, smooth_bends


@dataclass(frozen=True)
class Strengths:
    """How strong the changes are; lengths in px where a letter's body is 48 px high."""

    bent: float = 0.25
    """Share of pages that are bent only."""
    harsh: float = 0.4
    """Share of pages that are changed in every way."""
    stretch: float = 0.36
    """Largest log of the factor across, at one height."""
    height: float = 0.1
    """Largest log of the factor of height: the locator removes larger ones."""
    shear: float = 0.22
    angle: float = 4.0
    """Degrees."""
    bend: float = 2.0
    """Standard deviation of the places that a bend passes through."""
    thick: float = 1.5
    """Units of 2 px by which strokes grow in one direction; they shrink by up to 0.8 of it."""
    round: float = 4.5
    blur: float = 2.6
    body: float = 10.0
    """Lowest resolution: px to the height of a body."""
    pale: float = 0.6
    grain: float = 0.06
    coarse: float = 2.0
    """Of compression; 2 is JPEG's quality 25."""


NO_CHANGES = Strengths(bent=0.0, harsh=0.0)


@dataclass(frozen=True)
class ChangeKinds:
    """Which rows are bent, and which of these are harsh; (N,) floats, 1 or 0."""

    bent: Tensor
    harsh: Tensor


def draw_change_kinds(draws: Draws, strengths: Strengths) -> ChangeKinds:
    """The kind of each row, the same for a whole page."""
    place = draws.once_a_page()
    harsh = (place < strengths.harsh).float()
    return ChangeKinds((place < strengths.harsh + strengths.bent).float(), harsh)


def draw_proportions(
    draws: Draws, bent: Tensor, strengths: Strengths, widest: Tensor | None = None
) -> Tensor:
    """(N, 2, 2) of the changed proportions; no wider than the factor `widest` (N,)."""
    across = torch.exp(bent * draws.uniform(-strengths.stretch, strengths.stretch))
    if widest is not None:
        across = torch.minimum(across, widest)
    down = torch.exp(bent * draws.uniform(-strengths.height, strengths.height))
    shear = bent * draws.uniform(-strengths.shear, strengths.shear)
    turn = torch.deg2rad(torch.tensor(strengths.angle))
    angle = bent * draws.uniform(-1, 1) * turn.to(bent.device)
    return affine_matrices(across, down, shear, angle)


def degrade_harsh(
    images: Tensor, draws: Draws, harsh: Tensor, strengths: Strengths, unit: float,
    below: float | None = None,
) -> Tensor:  # fmt: skip
    """`images` (N, 1, H, W), those that are `harsh` (N,) changed by `degrade`: the others, six of
    ten, would pass through all of it and stay as they are."""
    rows = harsh.nonzero()[:, 0]
    if not len(rows):
        return images
    worse = degrade(images[rows], draws.of(rows), strengths, unit, below)
    return images.index_copy(0, rows, worse)


def degrade(
    images: Tensor, draws: Draws, strengths: Strengths, unit: float, below: float | None = None
) -> Tensor:
    """(N, 1, H, W) pictures in 0..1 with other strokes and taken by a worse camera.

    `unit` is the size of a px of `Strengths` in px of the picture: body height / 48. Above the row
    `below` outlines are not rounded.
    """
    uniform, sometimes = draws.uniform, draws.sometimes
    out = images
    # Strokes: thicker or thinner, more in one direction than in the other.
    thick = strengths.thick * unit
    first, second = uniform(-0.8 * thick, thick), uniform(-0.25 * thick, 0.3 * thick)
    across = sometimes(0.5)
    weight = sometimes(0.7)
    reach = 5 if unit > 0.75 else 3
    out = photometry.thicken(
        out,
        weight * (across * first + (1 - across) * second),
        weight * (across * second + (1 - across) * first),
        reach,
    )
    sigma = sometimes(0.45) * uniform(0.3, 1.0) * strengths.round * unit
    out = photometry.round_outlines(out, sigma, below, reach)
    # Ink.
    pale = sometimes(0.6) * uniform(0.0, 1.0)
    out = photometry.fade_ink(out, pale * strengths.pale, 0.2 * pale, draws.own(1, 6, 5))
    # Focus and shake.
    blur = sometimes(0.6) * uniform(0.1, 1.0) * strengths.blur * unit
    shaken = sometimes(0.3) * uniform(0.0, 0.9)
    out = photometry.blur(out, blur, blur * (1 - shaken), uniform(0.0, 3.1416))
    # Pixels: the grain is that of the camera, so half of it goes through the coarse grid.
    grain = sometimes(0.7) * uniform(0.0, strengths.grain)
    out = photometry.add_grain(out, grain, draws.own(1, *images.shape[2:]), sometimes(0.5))
    coarsest = 48.0 / strengths.body * unit
    finest = torch.tensor(max(1.0, 1.3 * unit), device=images.device)
    step = torch.exp(uniform(0.0, 1.0) * torch.log(coarsest / finest)) * finest
    low = sometimes(0.6)
    phase = low * torch.rand(len(draws), device=images.device, generator=draws.generator)
    out = photometry.lower_resolution(out, 1 + low * (step - 1), phase)
    coarseness = sometimes(0.5) * uniform(0.2, strengths.coarse)
    out = photometry.compress(out, coarseness)
    return photometry.light_unevenly(out, sometimes(0.5) * uniform(0.0, 0.08), draws.own(1, 3, 3))


def ink_edges(dark: Tensor) -> tuple[Tensor, Tensor]:
    """(N, 4) edges x0, y0, x1, y1 in px of what is above one half in `dark` (N, H, W), and (N,)
    whether anything is; edges of nothing are those of the whole picture."""
    inked = dark > 0.5
    edges = []
    for axis in (1, 2):
        line = inked.any(dim=axis).to(torch.uint8)
        length = line.shape[1]
        edges.append(line.argmax(dim=1))
        edges.append(length - line.flip(1).argmax(dim=1))
    some = inked.flatten(1).any(dim=1)
    x0, x1, y0, y1 = edges
    return torch.stack([x0, y0, x1, y1], dim=1).float(), some


def box_planes(boxes: Tensor, size: tuple[int, int]) -> Tensor:
    """(N, H, W) float, 1 inside of each of the boxes (N, 4) in px."""
    rows = torch.arange(size[0], device=boxes.device)[None, :, None]
    columns = torch.arange(size[1], device=boxes.device)[None, None, :]
    x0, y0, x1, y1 = (edge[:, None, None] for edge in boxes.unbind(1))
    return ((rows >= y0) & (rows < y1) & (columns >= x0) & (columns < x1)).float()


def _crop_warp(draws: Draws, boxes: Tensor, bent: Tensor, strengths: Strengths) -> Warp:
    """Crops bent about the middle of the letter's body; no letter grows out of its crop."""
    height, width = CROP_HEIGHT_PX, CROP_WIDTH_PX
    half = torch.maximum(width / 2 - boxes[:, 0], boxes[:, 2] - width / 2).clamp(min=1.0)
    widest = ((width / 2 - 3.0) / half).clamp(min=1.0)
    middle = torch.tensor([width / 2, RULED_LINE_ROW + CROP_BODY_PX / 2], device=boxes.device)
    pivot = middle.expand(len(draws), 2)
    shift = bent[:, None] * torch.stack([draws.uniform(-2, 2), draws.uniform(-2, 2)], dim=1)
    controls = draws.normal(2, 5, 4) * strengths.bend * bent[:, None, None, None]
    matrix = draw_proportions(draws, bent, strengths, widest)
    return Warp(matrix, pivot, pivot + shift, smooth_bends(controls, (height, width)))


def _move_box(image: Tensor, box: Tensor, warp: Warp) -> Tensor:
    """(N, 4) boxes that lie about the moved ink as `box` lay about the ink in it."""
    size = (image.shape[2], image.shape[3])
    dark = box_planes(box, size) * (image[:, 0] < 0.6).float()
    before, some = ink_edges(dark)
    after, still = ink_edges(apply_warp(dark[:, None], warp, 0.0, size)[:, 0])
    by_ink = after + (box - before)
    by_corners = move_boxes(box[:, None], warp)[:, 0]
    out = torch.where((some & still)[:, None], by_ink, by_corners)
    limit = torch.tensor([size[1], size[0], size[1], size[0]], device=box.device)
    return torch.minimum(out.clamp(min=0), limit).round()


@torch.no_grad()
def change_crops(
    batch: Batch, strengths: Strengths, generator: torch.Generator | None = None
) -> Batch:
    """Rows of `Crops` with their `page` (N,), changed: `images` become floats in 0..1, labels that
    no longer hold become unknown. Boxes and part masks follow the letters."""
    images = batch["images"][:, None].float() / 255
    if strengths.bent + strengths.harsh <= 0:
        return batch | {"images": images[:, 0]}
    with torch.autocast(images.device.type, enabled=False):
        draws = Draws(batch["page"], batch["letter"], generator)
        kinds = draw_change_kinds(draws, strengths)
        boxes = batch["boxes"].float()
        warp = _crop_warp(draws, boxes, kinds.bent, strengths)
        size = (images.shape[2], images.shape[3])
        bent = kinds.bent > 0
        shown = apply_warp(images, warp, SKIN_LEVEL, size)
        placed = _move_box(images, boxes, warp)
        parts = apply_warp(batch["parts"].float() / 255, warp, 0.0, size)
        pictures = torch.where(bent[:, None, None, None], shown, images)
        pictures = degrade_harsh(
            pictures, draws, kinds.harsh, strengths, 1.0, below=RULED_LINE_ROW - 2
        )
    return batch | _mask_labels(batch, kinds) | {
        "images": pictures[:, 0].clamp(0, 1),
        "boxes": torch.where(bent[:, None], placed, boxes).to(batch["boxes"].dtype),
        "parts": _mask_parts(batch["parts"], parts, kinds),
    }  # fmt: skip


def _mask_labels(batch: Batch, kinds: ChangeKinds) -> Batch:
    """Defects of bent letters, and tags of harsh ones, become unknown."""
    bent, harsh = kinds.bent > 0, kinds.harsh > 0
    defects, tags = batch["defects"], batch["tags"]
    unknown = harsh & (batch["letter"] != NO_LETTER_CLASS)
    return {
        "defects": defects.masked_fill(bent[:, None], float("nan")),
        "tags": tags.masked_fill(unknown, TAGS_UNKNOWN),
    }


def _mask_parts(stored: Tensor, moved: Tensor, kinds: ChangeKinds) -> Tensor:
    """Masks in the units of the store: moved along, or all 0, which is unknown, where harsh."""
    masks = torch.where((kinds.bent > 0)[:, None, None, None], moved * 255, stored.float())
    masks = masks * (1 - kinds.harsh)[:, None, None, None]
    return masks.round().clamp(0, 255).to(stored.dtype)
