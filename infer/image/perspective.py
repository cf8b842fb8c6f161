"""A picture of writing that lies askew, made straight: rotated, or its perspective removed.

Everything after this sees the straight picture as if it were the one given; points and letters are
mapped back to the picture as given at the end.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from crownlet.datasets.files.images import Gray
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Floats, Located

_LIMITS = limits_of("image.perspective")

MARGIN_SHARE = _LIMITS.number("margin_share")
"""Margin of a slanted picture around its ink, in shares of the longer side of what holds it."""

MAX_AREA_GROWTH = _LIMITS.number("max_area_growth")
"""Pixels of the straight picture, in those of the picture as given; a larger one is shrunk."""

MIN_SLANT_DEGREES = _LIMITS.number("min_slant_degrees")
"""A smaller slant changes lengths by less than half a percent, and comes from chance as well: the
picture is only rotated."""

MIN_DEPTH_SHARE = _LIMITS.number("min_depth_share")
"""Parts of the plane nearer to the horizon than this share of the middle's depth are left out."""


@dataclass(frozen=True)
class Straightening:
    """The map from the picture as given to the straight picture."""

    matrix: Floats
    """(3, 3) homography; px count from the edges of pixels, not from their middles."""
    given_size: tuple[int, int]
    """Width and height of the picture as given, px."""
    size: tuple[int, int]
    """Width and height of the straight picture, px."""
    tilt_degrees: float
    """Clockwise rotation of the writing on the picture as given, at its middle, -45 to 45."""
    slant_degrees: float = 0.0
    """Angle between the writing and the sensor; 0 where the picture is only rotated."""

    def warp(self, gray: Gray) -> Gray:
        """The straight picture (h, w) of a picture (H, W); beyond its edges lies its usual grey."""
        # cv2 counts px from their middles.
        half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])
        matrix = np.linalg.inv(half) @ self.matrix @ half
        usual = float(np.median(gray[::8, ::8]))
        return np.asarray(
            cv2.warpPerspective(
                gray, matrix, self.size, flags=cv2.INTER_CUBIC,
                borderMode=cv2.BORDER_CONSTANT, borderValue=usual,
            ),
            np.uint8,
        )  # fmt: skip

    def points_back(self, points: Floats) -> Floats:
        """Points (N, 2) of the straight picture on the picture as given."""
        return map_points(np.asarray(np.linalg.inv(self.matrix), np.float64), points)

    def letters_back(self, found: Located) -> Located:
        """Letters of the straight picture on the picture as given; boxes end where it does."""
        if not len(found):
            return found
        ruled, middle = self.points_back(found.centre), self.points_back(found.anchors)
        down = middle - ruled
        turn = np.rad2deg(np.arctan2(-down[:, 0], down[:, 1])) % 360
        body = np.column_stack([ruled, 2 * np.hypot(*down.T), turn])
        corners = self.points_back(found.box[:, [0, 1, 2, 1, 2, 3, 0, 3]].reshape(-1, 2))
        corners = corners.reshape(-1, 4, 2)
        box = np.concatenate([corners.min(axis=1), corners.max(axis=1)], axis=1)
        return Located(
            body, np.clip(box, 0.0, np.tile(self.given_size, 2)), found.score, found.letters
        )

    def frame(self) -> Floats:
        """(4, 2) corners of the picture as given on the straight picture."""
        width, height = self.given_size
        return map_points(
            self.matrix, np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
        )


def map_points(matrix: Floats, points: Floats) -> Floats:
    """Points (N, 2) mapped by a homography (3, 3)."""
    mapped = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    result: Floats = mapped[:, :2] / mapped[:, 2:]
    return result


def rotation(degrees: float, size: tuple[int, int]) -> Straightening:
    """Undo a clockwise rotation of the writing on a picture of `size` (width, height) px."""
    c, s = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    turn = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    return _fit_canvas(turn, size, degrees, 0.0, 1.0)


def facing(
    axes: Floats,
    focal_px: float,
    size: tuple[int, int],
    seen: Floats,
    margin_share: float = MARGIN_SHARE,
) -> Straightening | None:
    """The picture that a camera sees that faces the page; None where no such picture is possible.

    `axes` (3, 3): rows along the lines, down the page and into the page, orthonormal, in the
    camera's frame (x right, y down, z ahead) with its axis through the picture's middle. `seen`
    (N, 2) are the places of ink; `margin_share` is as `MARGIN_SHARE`.
    """
    width, height = size
    camera = np.array([[focal_px, 0, width / 2], [0, focal_px, height / 2], [0, 0, 1.0]])
    matrix = camera @ axes @ np.linalg.inv(camera)
    depth = np.column_stack([seen, np.ones(len(seen))]) @ matrix[2]
    middle = float(np.median(depth))
    if middle <= 0 or (depth < MIN_DEPTH_SHARE * middle).any():
        return None
    at = np.median(seen, axis=0)
    step = map_points(matrix, at + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    jacobian = np.stack([step[1] - step[0], step[2] - step[0]], axis=1)
    area = float(np.linalg.det(jacobian))
    if area <= 0:
        return None
    along = np.linalg.solve(jacobian, np.array([1.0, 0.0]))
    tilt = float(np.rad2deg(np.arctan2(along[1], along[0])))
    slant = float(np.rad2deg(np.arccos(np.clip(abs(axes[2, 2]), 0.0, 1.0))))
    if slant < MIN_SLANT_DEGREES:
        return rotation(tilt, size)
    shown = map_points(matrix, seen)
    return _fit_canvas(matrix, size, tilt, slant, area**-0.5, shown, margin_share)


def _fit_canvas(
    matrix: Floats,
    size: tuple[int, int],
    tilt: float,
    slant: float,
    scale: float,
    seen: Floats | None = None,
    margin_share: float = MARGIN_SHARE,
) -> Straightening:
    """The map with the canvas that holds the picture, or of a slanted one its ink."""
    width, height = size
    corners = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    if seen is None:
        shown = map_points(matrix, corners)
    else:
        margin = margin_share * np.ptp(seen, axis=0).max()
        shown = np.stack([seen.min(axis=0) - margin, seen.max(axis=0) + margin])
        depth = np.column_stack([corners, np.ones(4)]) @ matrix[2]
        if (depth > 0).all():
            frame = map_points(matrix, corners)
            shown = np.clip(shown, frame.min(axis=0), frame.max(axis=0))
    low, extent = shown.min(axis=0), np.ptp(shown, axis=0)
    scale *= min(1.0, (MAX_AREA_GROWTH * width * height / (extent.prod() * scale**2)) ** 0.5)
    place = np.array([[scale, 0, -low[0] * scale], [0, scale, -low[1] * scale], [0, 0, 1.0]])
    fitted = place @ matrix
    wide, high = np.maximum(np.ceil(extent * scale - 1e-6), 1).astype(int)
    return Straightening(fitted / np.abs(fitted[2, 2]), size, (int(wide), int(high)), tilt, slant)
