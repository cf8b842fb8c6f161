"""Every located letter cut out and shown to the assessor, in batches that fit the cache."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from crownlet.infer import crops
from crownlet.infer.records import Assessed, Located
from crownlet.infer.sessions import Networks

BATCH = 32


def assess(networks: Networks, flat: npt.NDArray[np.uint8], found: Located) -> Assessed:
    """Class, defects, tags and part masks of each letter of a flattened page (H, W) uint8."""
    info = networks.info
    if not len(found):
        return _nothing(len(info.defects), len(info.parts))
    page, scale = crops.fit_page(flat, float(np.median(found.body[:, 2])))
    placed = found.scaled(scale)
    buffer = np.empty((BATCH, 2, crops.HEIGHT, crops.WIDTH), np.uint8)
    answers = []
    for start in range(0, len(found), BATCH):
        count = min(BATCH, len(found) - start)
        for k in range(count):
            body, box = placed.body[start + k], placed.box[start + k]
            crops.crop_letter(page, tuple(body), tuple(box), out=buffer[k])
        letter, defects, tags, parts = networks.assess(buffer[:count])
        masks = np.clip(parts * 255 + 0.5, 0, 255).astype(np.uint8)
        answers.append((letter, defects, tags, masks))
    letters, defects, tags, masks = (np.concatenate(part) for part in zip(*answers, strict=True))
    return Assessed(
        letters.astype(np.float64), defects.astype(np.float64), tags.astype(np.float64), masks
    )


def _nothing(defects: int, parts: int) -> Assessed:
    return Assessed(
        np.zeros((0, 28)), np.zeros((0, defects)), np.zeros((0, 5)),
        np.zeros((0, parts, 32, 24), np.uint8),
    )  # fmt: skip
