"""From the flat writing, in q, to the pixels of the image: bow of the sheet, tilt, perspective.

Outlines are bent before they are drawn, so the truth stays exact; only the pictures of a pool are
resampled, from ink that was drawn flat once for several of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

Points = npt.NDArray[np.float64]

Field = npt.NDArray[np.float32]

_NODE_PX = 16
"""px between the places whose source is found exactly."""


@dataclass(frozen=True)
class Geometry:
    """Maps page points in q to image points in px; `size` is (width, height) of the image."""

    matrix: npt.NDArray[np.float64]
    size: tuple[int, int]
    scale: float
    """px per q at the middle of the image."""
    centre: tuple[float, float]
    half: tuple[float, float]
    bow: float = 0.0
    """Sag in q of lines towards the sides of the frame."""
    sway: float = 0.0
    """Amplitude in q of a slow wave along the lines."""
    curl: float = 0.0
    """Foreshortening towards the sides, as of a sheet that rolls up."""

    def sources(self, flat: Geometry) -> tuple[Field, Field]:
        """(H, W) each: x and y of the px of a `flat` picture that each px of this one shows.

        Exact every `_NODE_PX` px and linear between, which is true to a fiftieth of a px.
        """
        (width, height), step = self.size, _NODE_PX
        columns, rows = -(-width // step) + 2, -(-height // step) + 2
        x, y = np.meshgrid((np.arange(columns) - 0.5) * step, (np.arange(rows) - 0.5) * step)
        # OpenCV counts from the middle of a px.
        nodes = flat(self.inverse(np.stack([x.ravel(), y.ravel()], axis=1))) - 0.5
        size, inner = (
            (columns * step, rows * step),
            np.s_[step : step + height, step : step + width],
        )
        grids = (axis.reshape(rows, columns).astype(np.float32) for axis in nodes.T)
        across, down = (np.asarray(cv2.resize(grid, size), np.float32)[inner] for grid in grids)
        return across, down

    def inverse(self, pixels: Points) -> Points:
        """(N, 2) points in px to (N, 2) points in q, to a hundredth of a px."""
        flat = np.column_stack([pixels, np.ones(len(pixels))]) @ np.linalg.inv(self.matrix).T
        bent = flat[:, :2] / flat[:, 2:]
        points: Points = bent
        for _ in range(4):  # Bends are mild: each turn leaves a small part of the error.
            points = points + bent - self._bend(points)
        return points

    def _bend(self, points: Points) -> Points:
        """Points of the flat page on the bent one, in q."""
        u = (points[:, 0] - self.centre[0]) / self.half[0]
        v = (points[:, 1] - self.centre[1]) / self.half[1]
        x = points[:, 0] - self.curl * self.half[0] * u**3
        y = points[:, 1] + self.bow * u * u * (1.0 + 0.3 * v) + self.sway * np.sin(3.0 * u + v)
        return np.stack([x, y], axis=1)

    def __call__(self, points: Points) -> Points:
        """(N, 2) points in q to (N, 2) points in px."""
        x, y = self._bend(points).T
        m = self.matrix
        w = m[2, 0] * x + m[2, 1] * y + m[2, 2]
        px = (m[0, 0] * x + m[0, 1] * y + m[0, 2]) / w
        py = (m[1, 0] * x + m[1, 1] * y + m[1, 2]) / w
        return np.stack([px, py], axis=1)


def draw_geometry(
    frame: tuple[float, float, float, float],
    scale: float,
    warp: float,
    rng: np.random.Generator,
) -> Geometry:
    """Geometry that shows `frame` (x0, y0, x1, y1 in q) at `scale` px per q.

    `warp` 0 is a flat scan, 1 a careless photograph.
    """
    x0, y0, x1, y1 = frame
    width = max(8, round((x1 - x0) * scale))
    height = max(8, round((y1 - y0) * scale))
    centre = ((x0 + x1) / 2, (y0 + y1) / 2)
    half = ((x1 - x0) / 2, (y1 - y0) / 2)
    tilt, keystone_x, keystone_y, bow, sway, curl = rng.normal(size=6)
    angle = np.deg2rad(np.clip(1.3 * tilt, -3.5, 3.5) * warp)
    c, s = np.cos(angle), np.sin(angle)
    to_middle = np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, 1.0]])
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    lean = np.eye(3)
    lean[2, :2] = warp * np.clip([keystone_x, keystone_y], -2, 2) * 0.025 / np.array(half)
    to_image = np.array([[scale, 0, width / 2], [0, scale, height / 2], [0, 0, 1.0]])
    return Geometry(
        to_image @ lean @ turn @ to_middle, (width, height), scale, centre, half,
        bow=0.25 * warp * float(bow), sway=0.08 * warp * float(sway),
        curl=0.02 * warp * float(np.clip(curl, -1.5, 1.5)),
    )  # fmt: skip


def visible(polygon: Points, size: tuple[int, int]) -> Points:
    """The part of a polygon within an image of `size` (Sutherland-Hodgman); may be empty."""
    width, height = size
    if (polygon >= 0).all() and (polygon <= size).all():
        return polygon
    for axis, limit, sign in ((0, 0.0, 1.0), (0, width, -1.0), (1, 0.0, 1.0), (1, height, -1.0)):
        if len(polygon) == 0:
            break
        polygon = _clip(polygon, axis, float(limit), sign)
    return polygon


def _clip(polygon: Points, axis: int, limit: float, sign: float) -> Points:
    depth = sign * (polygon[:, axis] - limit)
    within = depth >= 0
    if within.all():
        return polygon
    after = np.arange(1, len(polygon) + 1) % len(polygon)
    crosses = within != within[after]
    share = depth[crosses] / (depth[crosses] - depth[after][crosses])
    edge = polygon[crosses] + (polygon[after][crosses] - polygon[crosses]) * share[:, None]
    # Each point that stays, and behind it the crossing on the way to the next.
    places = np.concatenate([2.0 * np.flatnonzero(within), 2.0 * np.flatnonzero(crosses) + 1.0])
    return np.concatenate([polygon[within], edge])[np.argsort(places)]
