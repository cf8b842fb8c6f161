"""Quarter turns of a page, so that letters written upside down are shown upright.

A turned view copies no pixels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crownlet.infer.records import Box

Pixels = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class QuarterTurn:
    """A page of `width` x `height` px as seen after `quarters` quarter turns counter-clockwise."""

    quarters: int
    width: int
    height: int

    @classmethod
    def upright(cls, rotation: float, size: tuple[int, int]) -> QuarterTurn:
        """The turn that undoes a clockwise rotation, given in degrees, to the nearest quarter; of a
        page of this width and height."""
        return cls(round(rotation / 90) % 4, *size)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height as seen."""
        sideways = self.quarters % 2
        return (self.height, self.width) if sideways else (self.width, self.height)

    def view(self, pixels: Pixels) -> Pixels:
        """The page's pixels as seen."""
        return np.rot90(pixels, self.quarters)

    def point(self, x: float, y: float) -> tuple[float, float]:
        """A point of the page as seen."""
        if self.quarters == 1:
            return y, self.width - x
        if self.quarters == 2:
            return self.width - x, self.height - y
        if self.quarters == 3:
            return self.height - y, x
        return x, y

    def box(self, box: Box) -> Box:
        """A box of the page as seen."""
        ax, ay = self.point(box[0], box[1])
        bx, by = self.point(box[2], box[3])
        return min(ax, bx), min(ay, by), max(ax, bx), max(ay, by)
