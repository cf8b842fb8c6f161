"""Legs: cut off by the pen, like a leaf, or a zayin's that swells in its middle."""

from __future__ import annotations

from crownlet.datasets.letterforms.sketch import Sketch, clamp


def leg(
    d: Sketch,
    x: float,
    y0: float,
    y1: float,
    thick: float | None = None,
    drift: float = 0.0,
    name: str = "leg",
    fine: float = 1.0,
    leaf: bool = False,
) -> None:
    """A leg with its right edge at x from y0 on, thinning to its cut end at y1.

    `drift` is how far its end lies to the right; `fine` scales how much it thins; where it may be
    a `leaf`, it is one in hands that draw legs so.
    """
    t = d.v if thick is None else thick
    own = d.habits
    if leaf and d.leaf > 0:
        leaf_leg(d, x, y0, y1, t, drift, name)
        return
    thin = max(0.1, t * (1 - fine * (0.3 + 0.55 * d.taper)))
    body = t * (0.88 + 0.09 * own.leg_weight - 0.25 * fine * d.taper) + 0.5 * d.swell * t
    mid = x - t / 2
    drift += 0.14 * own.leg_drift + d.j(0.05)
    length = y1 - y0
    curve = 0.07 * own.leg_curve + 0.6 * d.bend * min(1.0, 0.45 * length)
    d.stroke(
        name,
        "leg",
        [
            (mid, y0, t),
            (mid + 0.3 * curve, y0 + 0.25 * length, 0.98 * t),
            (mid + curve + 0.4 * drift, y0 + 0.65 * length, body),
            (mid + drift + 0.2 * (t - thin), y1, thin),
        ],
        end=0.5 * d.cut + 0.6 * own.tip + d.j(0.3),
    )


def leaf_leg(d: Sketch, x: float, y0: float, y1: float, t: float, drift: float, name: str) -> None:
    """A leg like a leaf: a neck under its roof, a belly that passes it, a point.

    Seen in old scrolls; the neck stays thick enough that the leg is not taken to hang free.
    """
    mid, length, own = x - t / 2, y1 - y0, d.habits
    neck, belly = t * (1 - 0.42 * d.leaf), max(t, min(0.86, t * (1 + 0.3 * d.leaf)))
    curve = 0.12 * d.leaf + 0.6 * d.bend + 0.06 * own.leg_curve
    d.stroke(name, "leg", [
        (mid - 0.02, y0 - 0.35, 0.95 * t), (mid, y0 + 0.06, max(0.24, neck)),
        (mid + curve, y0 + (0.45 + 0.08 * own.leg_drift) * length, belly),
        (mid + drift + 0.1 * own.leg_drift, y1, max(0.14, 0.4 * t * (1.3 - d.taper))),
    ], end=0.5 * d.cut + 0.5 * own.tip + d.j(0.3))  # fmt: skip


def lens_leg(
    d: Sketch, x: float, y0: float, y1: float, name: str = "leg", drift: float = 0.0,
    thick: float = 0.6,
) -> None:  # fmt: skip
    """A leg from the middle of a head: thin where it leaves, swelling, thinning to a point."""
    own = d.habits
    t = thick * (0.72 + 0.36 * d.v) * (1 + 0.1 * own.leg_weight)
    neck = clamp(0.62 * t, 0.28, 0.42) + d.j(0.03)
    curve = 0.04 * own.leg_curve + 0.3 * d.bend
    drift += 0.06 * own.leg_drift
    length = y1 - y0
    d.stroke(
        name,
        "leg",
        [
            (x, y0, neck),
            (x + 0.3 * curve, y0 + 0.2 * length, 0.96 * neck),
            (x + curve + 0.4 * drift, y0 + (0.52 + 0.08 * own.leg_drift) * length, t),
            (x + drift, y1, max(0.09, 0.34 * t * (1.25 - d.taper))),
        ],
        end=0.4 * d.cut + 0.4 * own.tip + d.j(0.4),
    )
