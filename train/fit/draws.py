"""Random numbers that rows of one page share in part: what changes a hand changes all its letters.

A hand's manner holds for all its letters, more so for those of one class, and each letter differs
a little. So every number is a normal draw of the page, one of the page's letters of that class and
one of the row, added with the variances `VARIANCE_SHARES`.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

VARIANCE_SHARES = (0.6, 0.28, 0.12)
"""Part of the variance that is the page's, that of its letters of one class, and the row's own."""


class Draws:
    """Random numbers for N rows.

    `page` and `letter` (N,) are integers: rows with the same page belong to one hand. `generator`
    must lie on the device of `page`; None takes the global one.
    """

    def __init__(
        self, page: Tensor, letter: Tensor, generator: torch.Generator | None = None
    ) -> None:
        self.device = page.device
        self.generator = generator
        self._page = torch.unique(page, return_inverse=True)[1]
        self._letter = torch.unique(self._page * 64 + letter.long(), return_inverse=True)[1]

    def of(self, rows: Tensor) -> Draws:
        """Random numbers for some of the rows (n,), still shared within their pages."""
        return Draws(self._page[rows], self._letter[rows], self.generator)

    def __len__(self) -> int:
        return len(self._page)

    def _randn(self, *shape: int) -> Tensor:
        return torch.randn(len(self), *shape, device=self.device, generator=self.generator)

    def normal(self, *shape: int) -> Tensor:
        """(N, *shape) of mean 0 and variance 1."""
        page, letter, row = (math.sqrt(share) for share in VARIANCE_SHARES)
        return (
            page * self._randn(*shape)[self._page]
            + letter * self._randn(*shape)[self._letter]
            + row * self._randn(*shape)
        )

    def uniform(self, low: float, high: float, *shape: int) -> Tensor:
        """(N, *shape), uniform between `low` and `high`."""
        share: Tensor = torch.special.ndtr(self.normal(*shape))
        return low + (high - low) * share

    def once_a_page(self) -> Tensor:
        """(N,) uniform in 0..1, the same for all rows of a page."""
        every = torch.rand(len(self), device=self.device, generator=self.generator)
        return every[self._page]

    def sometimes(self, chance: float) -> Tensor:
        """(N,) float, 1 for all rows of a page with that chance, else 0."""
        return (self.once_a_page() < chance).to(torch.float32)

    def own(self, *shape: int) -> Tensor:
        """(N, *shape) normal draws of each row alone, as noise is."""
        return self._randn(*shape)
