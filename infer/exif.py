"""How a picture is to be turned so that it is seen as it was taken, by its EXIF block."""

from __future__ import annotations

from contextlib import suppress

import numpy as np
from PIL import Image

from crownlet.infer.depths import Pixels

ORIENTATION = 274
"""Tag of EXIF 2.3 that says how the stored picture is to be turned."""
UPRIGHT = {
    2: (slice(None), slice(None, None, -1), False), 3: (slice(None, None, -1),) * 2 + (False,),
    4: (slice(None, None, -1), slice(None), False), 5: (slice(None), slice(None), True),
    6: (slice(None), slice(None, None, -1), True), 7: (slice(None, None, -1),) * 2 + (True,),
    8: (slice(None, None, -1), slice(None), True),
}  # fmt: skip
"""By orientation: rows and columns to take, after rows and columns have changed places or not."""


def orientation(image: Image.Image) -> int:
    """The EXIF orientation; 1 where the block cannot be read: no reason to refuse the picture."""
    with suppress(Exception):
        return int(image.getexif().get(ORIENTATION, 1))
    return 1


def upright(pixels: Pixels, turn: int) -> Pixels:
    """Pixels as they are to be seen, where EXIF says that they are stored otherwise."""
    if turn not in UPRIGHT:
        return pixels
    rows, columns, exchanged = UPRIGHT[turn]
    turned = pixels.swapaxes(0, 1) if exchanged else pixels
    return np.ascontiguousarray(turned[rows, columns])
