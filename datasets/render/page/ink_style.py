"""One page's ink in numbers: colour, thickness and wear, drawn from a seed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Colour = tuple[float, ...]
"""Red, green and blue, 0 to 255; in a grey picture its grey alone."""

MAX_INK_GAIN_Q = 0.04
"""Most that ink spreads over each edge, in q: strokes thicken by twice this; he stays open."""


_BLACK, _BROWN, _GREY, _BLUE, _GREEN = (
    (14.0, 13.0, 12.0), (60.0, 40.0, 25.0), (46.0, 46.0, 48.0), (16.0, 18.0, 30.0),
    (20.0, 26.0, 22.0),
)  # fmt: skip

_THIN_INK_COLOURS_RGB = (
    (96.0, 62.0, 34.0),
    (84.0, 76.0, 66.0),
    (70.0, 50.0, 62.0),
    (58.0, 60.0, 58.0),
)
"""Brown, grey, purplish, slate: what black inks look like where they are thin."""


@dataclass(frozen=True)
class InkStyle:
    """One page's ink. Lengths in q, strengths 0 (none) to 1, colours in RGB 0 to 255."""

    colour: Colour = (12.0, 10.0, 8.0)
    """Ink laid thickly."""
    thin: Colour = (12.0, 10.0, 8.0)
    """The same ink where it is thin."""
    patch: Colour = (12.0, 10.0, 8.0)
    """The other ink of what was gone over later."""
    opacity: float = 1.0
    """What age has left of the ink's darkness."""
    gain: float = 0.0
    soft: float = 0.0
    rough: float = 0.0
    ragged: float = 0.0
    """Edges that follow the skin, here sharp and there blunt."""
    spatter: float = 0.0
    """Tiny drops about the letters."""
    grain: float = 0.0
    """Speckle of the ink itself."""
    uneven: float = 0.0
    """Clouds of thick and thin ink within a stroke."""
    lifts: float = 0.0
    """Strokes put together from dabs of the pen, each with its own load."""
    double: float = 0.0
    """Strokes gone over twice, not quite in the same place."""
    dry: float = 0.0
    """Streaks along the stroke where the pen ran dry."""
    pool: float = 0.0
    """Ink gathered in broad places, joints and ends; hairlines pale."""
    worn: float = 0.0
    """Middles of broad strokes rubbed thin."""
    dips: float = 0.0
    """Letters fade from one dip of the pen to the next, strokes from their start to their end."""
    retouch: float = 0.0
    """Parts of some letters gone over in another ink."""
    flakes: float = 0.0
    cracks: float = 0.0
    halo: float = 0.0
    """Oil of the ink that crept into the skin around the letters."""
    fringe: float = 0.0
    """A narrow pale border where ink crept along the surface."""
    gloss: float = 0.0
    """Raised, shining ink."""
    lamp: float = 0.0
    """Where the light stands that the ink mirrors, radians clockwise from the right."""


def draw_ink(strength: float, rng: np.random.Generator) -> InkStyle:
    """Ink of a page; `strength` 0 is even black with sharp edges."""
    if strength <= 0:
        return InkStyle()
    u = rng.random(8) * strength
    old = u[0] ** 3
    kinds = (_BROWN, _GREY, _BLUE, _GREEN)
    toward = np.array(kinds[int(rng.choice(4, p=(0.35, 0.3, 0.15, 0.2)))])
    colour = np.array(_BLACK) * (1 - old) + toward * old
    thin = np.array(
        _THIN_INK_COLOURS_RGB[int(rng.choice(4, p=(0.3, 0.3, 0.1, 0.3)))]
    ) * rng.uniform(0.3, 1.0)
    patch = np.array(kinds[int(rng.integers(4))]) * rng.uniform(0.2, 1.0)

    # Well kept pages show a little of everything, damaged ones much of it.
    spoilt = strength * (0.12 + 0.88 * rng.random() ** 1.7)
    faded = 0.75 * strength * rng.random() ** 1.5 if rng.random() < 0.08 else 0.0
    # Ink that is both faded and damaged is unreadable.
    spoilt *= 1.0 - faded

    def some(share: float, power: float = 1.0) -> float:
        """A strength for `share` of the pages; a higher `power` keeps most of them low."""
        here, amount = rng.random(2)
        return float(spoilt * amount**power) if here < share else 0.0

    shining, sheen = rng.random(2)
    return InkStyle(
        colour=_as_colour(colour),
        thin=_as_colour(strength * thin + (1 - strength) * colour),
        patch=_as_colour(patch),
        opacity=float(1.0 - faded),
        gain=float(MAX_INK_GAIN_Q * (1.4 * u[1] - 0.4)),
        soft=float(0.02 + 0.06 * u[2]),
        rough=float(u[3]),
        ragged=float(strength * rng.random()),
        spatter=some(0.3),
        grain=0.3 * float(u[4]),
        uneven=some(0.8),
        lifts=some(0.45),
        double=some(0.18),
        dry=some(0.2, 1.3),
        pool=0.15 * float(u[5]) + 0.6 * some(0.3),
        worn=some(0.2),
        dips=some(0.5),
        retouch=some(0.15),
        flakes=some(0.5, 1.5),
        cracks=some(0.2),
        halo=0.25 * some(0.3),
        fringe=some(0.3),
        gloss=float(strength * sheen**0.6) if shining < 0.11 else 0.0,
        lamp=float(rng.normal(-np.pi / 2, 1.2)),
    )


def in_gray(style: InkStyle, weights: npt.NDArray[np.float32]) -> InkStyle:
    """The ink as a picture shows it in which `weights` (3,) of red, green and blue are the grey."""
    colour, thin, patch = (
        (float(np.dot(weights, c)),) for c in (style.colour, style.thin, style.patch)
    )
    return replace(style, colour=colour, thin=thin, patch=patch)


def _as_colour(values: npt.NDArray[np.float64]) -> Colour:
    red, green, blue = (float(v) for v in np.clip(values, 0.0, 255.0))
    return red, green, blue
