"""From letters of faultless pages to the sizes and bounds that inference takes as usual."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crownlet.datasets.alphabet import ALPHABET, index_of
from crownlet.infer.quality import unfamiliar, usual

Floats = npt.NDArray[np.float64]
TAIL = 0.005
"""Share of the letters of faultless pages that may fall out of the familiar: half by each sign."""
USUAL = 0.05
"""A page is strange when half of its letters are like the most surprising twentieth of those."""
DOUBTFUL = (1.2, 1.5)
"""A letter is doubtfully drawn out from the first, plainly from the second of its usual width on
(`defects/stretched.py`)."""


@dataclass(frozen=True)
class Letters:
    """Letters of faultless pages that were read right, one row each."""

    letter: npt.NDArray[np.int64]
    page: npt.NDArray[np.int64]
    sizes: Floats
    """(N, 2): width, and depth below the ruled line, in q."""
    surprise: Floats
    drawn: Floats
    """How far the letter was drawn out, 1 for not at all."""
    picture: Floats
    """(N, 3): edge in q, contrast, glare."""

    def ratios(self) -> Floats:
        """(N,) widths over the usual ones, page by page."""
        answer = np.ones(len(self.letter))
        for k in np.unique(self.page):
            here = self.page == k
            answer[here] = usual.stretch_ratios(self.sizes[here, 0], self.letter[here])
        return answer


def sizes(letters: Letters) -> str:
    """`usual.yaml`: median and spread (half of the middle 68%) of the sizes, letter by letter."""
    plain = letters.drawn <= 1.0
    lines = [
        f"# Sizes in q of {int(plain.sum())} faultless letters by rendered hands of the",
        "# calibration split, as located: width of the box and depth of its ink below the ruled",
        "# line, each with its spread (half of the middle 68%; of widths, of the logarithm).",
        "# Written by `python -m crownlet.train.usual --write`.",
        "letters:",
    ]
    for letter in ALPHABET:
        rows = letters.sizes[plain & (letters.letter == index_of(letter.char))]
        if len(rows) < 20:
            raise SystemExit(f"only {len(rows)} examples of {letter.slug}: take more pages")
        width, below = rows.T
        parts = [
            f"width: [{np.median(width):.3f}, {max(_spread(np.log(width)), 0.03):.3f}]",
            f"below: [{np.median(below):.3f}, {max(_spread(below), 0.06):.3f}]",
        ]
        lines.append(f"  {letter.slug}: {{{', '.join(parts)}}}")
    return "\n".join(lines) + "\n"


def _spread(values: Floats) -> float:
    low, high = np.quantile(values, (0.16, 0.84))
    return float(high - low) / 2


def bounds(letters: Letters) -> unfamiliar.Familiar:
    """Quantiles over the letters."""
    plain = letters.drawn <= 1.0
    size = usual.Extent(*letters.sizes.T)
    odd = unfamiliar.oddness(size, letters.letter)
    # The size search and the two networks err together on whole pages; those count as letters too.
    nats = float(np.quantile(letters.surprise[plain], 1 - TAIL / 2))
    shape = float(np.quantile(odd[plain], 1 - TAIL / 2))
    page = float(np.quantile(letters.surprise[plain], 1 - USUAL))
    return unfamiliar.Familiar(nats, shape, page)


def stretch_curve(letters: Letters) -> usual.Stretch:
    """Logistic regression of being drawn out on ln(ratio), doubtful cases counted in part."""
    x = np.stack([np.ones(len(letters.letter)), np.log(letters.ratios())], axis=1)
    y = np.interp(letters.drawn, DOUBTFUL, (0.0, 1.0))
    w = np.array([-6.0, 15.0])
    for _ in range(50):
        p = 1.0 / (1.0 + np.exp(-np.clip(x @ w, -30, 30)))
        curve = (x * (p * (1 - p))[:, None]).T @ x + 1e-3 * np.eye(2)
        w += np.linalg.solve(curve, x.T @ (y - p) - 1e-3 * w)
    return usual.Stretch(float(w[0]), float(w[1]))
