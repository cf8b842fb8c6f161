"""How soft are the edges of the ink? 10 to 90% widths, letter by letter.

An edge blurred by a Gaussian of standard deviation s rises from 10 to 90% over 2.563 s and from 25
to 75% over 1.349 s (quantiles of the normal distribution). Plateaus beside an edge are short and
noisy in writing, so the middle half is measured and multiplied by 1.9.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from crownlet.infer.limits import limits_of
from crownlet.infer.records import Floats, Ints

_LIMITS = limits_of("quality.blur")

Gray = npt.NDArray[np.uint8]

EDGE_GREY = _LIMITS.whole("edge_grey")
"""Grey of a flattened page (skin 224, ink 32) taken as the edge: faint ink is still below it."""

TENTHS_PER_QUARTERS = 2.5631 / 1.3490
"""Width from 10 to 90% over that from 25 to 75% of a Gaussian edge."""

MIN_EDGE_RISE = _LIMITS.whole("min_edge_rise")
"""Edges of less than a third of the page's contrast are shadows, specks and show-through."""

ROWS_PER_BODY = _LIMITS.whole("rows_per_body")
"""Rows of a body along which edges are measured."""

EDGE_REACH_PX = _LIMITS.whole_span("edge_reach_px")
"""Least and most px measured on either side of an edge; a strong blur is within 0.6 q."""

MAX_EDGES = _LIMITS.whole("max_edges")
"""Edges measured in each direction: twenty per letter on a page of eight hundred."""

MIN_EDGE_COSINE = _LIMITS.number("min_edge_cosine")
"""An edge is measured where its normal has at least this cosine with the line of measurement."""

CELL_PX = _LIMITS.whole("cell_px")
"""Side of a cell of the map that gives the letter to which a pixel belongs."""

MIN_EDGES_PER_LETTER = _LIMITS.whole("min_edges_per_letter")
"""A letter with fewer edges has no width of its own."""


def measure_edge_widths(flat: Gray, box: Floats, q: float) -> Floats:
    """(N,) 10-90% width in px of each letter's edges, NaN where none could be measured.

    `flat` is the flattened page (H, W), `box` (N, 4) in its px, `q` its kulmus in px. Upright and
    level edges are measured apart and the wider kept, since camera shake blurs one of them.
    """
    if not len(box):
        return np.zeros(0)
    owner = _owner_map(flat.shape, box)
    step = max(1, round(3 * q / ROWS_PER_BODY))
    across = _edge_widths_along_rows(flat, owner, step, q, len(box))
    down = _edge_widths_along_rows(flat.T, owner.T, step, q, len(box))
    return np.fmax(across, down)


def _owner_map(shape: tuple[int, ...], box: Floats) -> npt.NDArray[np.int32]:
    """Number of the letter in whose box each cell lies, -1 outside; small boxes lie on top."""
    owner = np.full((shape[0] // CELL_PX + 1, shape[1] // CELL_PX + 1), -1, np.int32)
    low = np.maximum(np.floor(box[:, :2] / CELL_PX), 0).astype(int)
    high = np.maximum(np.ceil(box[:, 2:] / CELL_PX), 0).astype(int)
    size = (box[:, 2] - box[:, 0]) * (box[:, 3] - box[:, 1])
    for i in np.argsort(-size, kind="stable"):
        owner[low[i, 1] : high[i, 1], low[i, 0] : high[i, 0]] = i
    return owner


def _edge_widths_along_rows(
    page: Gray, owner: npt.NDArray[np.int32], step: int, q: float, count: int
) -> Floats:
    """(count,) median width of each letter's edges met along every `step`-th row."""
    reach = int(np.clip(round(0.6 * q), *EDGE_REACH_PX))
    rows = np.arange(step // 2 + 1, page.shape[0] - 1, step)
    if not len(rows) or page.shape[1] < 2 * reach + 2:
        return np.full(count, np.nan)
    lines = np.ascontiguousarray(page[rows])
    dark = lines < EDGE_GREY
    line, column = _change_positions(dark[:, 1:] != dark[:, :-1])
    inside = (column >= reach) & (column < page.shape[1] - reach - 1)
    line, column = line[inside], column[inside]
    whose = owner[rows[line] // CELL_PX, column // CELL_PX]
    line, column, whose = line[whose >= 0], column[whose >= 0], whose[whose >= 0]
    thin = max(1, -(-len(line) // MAX_EDGES))
    line, column, whose = line[::thin], column[::thin], whose[::thin]
    width, rise = _edge_profiles(lines, line, column, reach)
    cosine = _edge_cosine(page, rows[line], column)
    good = (rise >= MIN_EDGE_RISE) & (cosine >= MIN_EDGE_COSINE) & np.isfinite(width)
    return _group_medians(whose[good], (width * cosine)[good], count)


def _change_positions(changes: npt.NDArray[np.bool_]) -> tuple[Ints, Ints]:
    """Rows and columns of the true cells, row by row."""
    flat = np.flatnonzero(changes)
    return flat // changes.shape[1], flat % changes.shape[1]


def _edge_profiles(lines: Gray, line: Ints, column: Ints, reach: int) -> tuple[Floats, Floats]:
    """(M,) 10-90% width in px, and rise in grey levels, of the edges right of `column`."""
    at = line * lines.shape[1] + column
    first, second = lines.ravel()[at], lines.ravel()[at + 1]
    away = np.arange(reach + 1)
    # From the last light pixel outwards over the skin, from the first dark one into the ink.
    right = first > second
    origin = np.where(right, at, at + 1)[:, None]
    turn = np.where(right, 1, -1)[:, None]
    light = lines.ravel()[origin - turn * away].astype(np.float32)
    dark = lines.ravel()[origin + turn * (away + 1)].astype(np.float32)
    top, low = light.max(axis=1), dark.min(axis=1)
    rise = top - low
    upper, lower = low + 0.75 * rise, low + 0.25 * rise
    above = _steps_to_level(-light, -upper, -dark[:, 0])
    below = _steps_to_level(dark, lower, light[:, 0])
    width = TENTHS_PER_QUARTERS * (above + below - 1.0)
    return np.asarray(width, np.float64), np.asarray(rise, np.float64)


def _steps_to_level(values: Floats, level: Floats, before: Floats) -> Floats:
    """Steps from the pixel before the first of `values` (M, K) to where they fall to `level`.

    `before` (M,) is that pixel's value; NaN where the level is never reached.
    """
    reached = values <= level[:, None]
    index = reached.argmax(axis=1)
    row = np.arange(len(values))
    here = values[row, index]
    last = np.where(index > 0, values[row, np.maximum(index - 1, 0)], before)
    part = (last - level) / np.maximum(last - here, 1e-6)
    return np.where(reached[row, index], index + np.clip(part, 0.0, 1.0), np.nan)


def _edge_cosine(page: Gray, row: Ints, column: Ints) -> Floats:
    """(M,) cosine between the row and the way across the edge right of `column`."""
    above, here, below = (page[row + k, column].astype(np.int16) for k in (-1, 0, 1))
    above_next, next_, below_next = (page[row + k, column + 1].astype(np.int16) for k in (-1, 0, 1))
    across = (next_ - here) * 2 + (above_next - above) + (below_next - below)
    down = (below - above) + (below_next - above_next)
    result: Floats = np.abs(across) / np.maximum(np.hypot(across, down), 1e-6)
    return result


def _group_medians(group: npt.NDArray[np.int32], value: Floats, count: int) -> Floats:
    """(count,) median of the values of each group, NaN for groups below `MIN_EDGES_PER_LETTER`."""
    order = np.lexsort((value, group))
    sizes = np.bincount(group, minlength=count)
    starts = np.cumsum(sizes) - sizes
    answer = np.full(count, np.nan)
    known = sizes >= MIN_EDGES_PER_LETTER
    answer[known] = value[order][(starts + (sizes - 1) // 2)[known]]
    return answer
