"""All measures of a picture's quality, letter by letter, in one go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crownlet.infer.quality.edges import edge_widths
from crownlet.infer.quality.light import light, noise
from crownlet.infer.records import Floats, Located
from crownlet.infer.turning import letters_back

Gray = npt.NDArray[np.uint8]

SAMPLED = 2.0
"""An edge of so many px from 10 to 90% is as sharp as its pixels: a Gaussian edge of w px keeps
half its contrast up to 0.48 / w cycles a px, here just half of what the pixels can carry."""


@dataclass(frozen=True)
class Measures:
    """Quality of the picture around N letters, each (N,), and of the page."""

    q_px: Floats
    """px per kulmus, from the height of the body."""
    edge_px: Floats
    """10-90% width of the ink's edges in px; the page's usual one where a letter tells nothing."""
    contrast: Floats
    """(skin - ink) / (skin + ink) in the light of the picture as given."""
    glare: Floats
    """Share of the letter's box burnt out, white paper aside."""
    dark: Floats
    """Share of the letter's box black beyond telling."""
    rise: Floats
    """Skin less ink in grey levels."""
    noise: float
    """Standard deviation of the page's noise in grey levels."""

    @property
    def edge_q(self) -> Floats:
        """10-90% width of the edges in kulmus."""
        return self.edge_px / np.maximum(self.q_px, 1e-6)

    def take(self, index: npt.NDArray[np.int64] | npt.NDArray[np.bool_]) -> Measures:
        """The letters that `index` names, in its order."""
        return Measures(
            self.q_px[index], self.edge_px[index], self.contrast[index], self.glare[index],
            self.dark[index], self.rise[index], self.noise,
        )  # fmt: skip

    def summary(self) -> dict[str, float]:
        """The page's usual values, and how many px a kulmus its edges are worth."""
        edge, q = float(np.median(self.edge_px)), float(np.median(self.q_px))
        return {
            "edge_px": edge,
            "edge_q": float(np.median(self.edge_q)),
            "true_q_px": q * min(1.0, SAMPLED / max(edge, 1e-6)),
            "contrast": float(np.median(self.contrast)),
            "glare_share": float(self.glare.mean()),
            "dark_share": float(self.dark.mean()),
            "noise_levels": self.noise,
        }


def measure(gray: Gray, flat: Gray, found: Located, turn: int) -> Measures:
    """Measures of the letters `found` on the upright flattened page `flat`.

    `gray` is the picture as given (H, W), which is turned clockwise by `turn` degrees.
    """
    q = found.body[:, 2] / 3.0
    usual = float(np.median(q)) if len(q) else 1.0
    edge = edge_widths(flat, found.box, usual)
    known = np.isfinite(edge)
    edge[~known] = np.median(edge[known]) if known.any() else 2.0
    given = letters_back(found, turn, (gray.shape[1], gray.shape[0]))
    seen = light(gray, given.box)
    return Measures(q, edge, seen.contrast, seen.glare, seen.dark, seen.rise, noise(gray))
