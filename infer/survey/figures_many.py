"""Figures for many sources: rates in order, and funnels. One colour, sources named by their codes.

Twenty colours or markers cannot be distinguished; a code beside each mark can be read.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from crownlet.infer.survey.figures import MATPLOTLIB_STYLE
from crownlet.infer.survey.records import DefectRate, ShrunkenRate
from crownlet.infer.survey.shrinkage import compute_funnel

INK, SHRUNKEN, BAND = "#1a1a1a", "#D55E00", "#dce6ee"

MAX_PANELS, PANEL_COLUMNS = 6, 3

PAGE_WIDTH_INCHES = 7.5


def draw_ranked(rates: Sequence[DefectRate], names: dict[str, str]) -> Figure:
    """One panel per defect, at most `MAX_PANELS`: its sources from the highest rate to the lowest.

    `names` maps a defect to its title.
    """
    defects = list(dict.fromkeys(rate.defect for rate in rates))[:MAX_PANELS]
    sources = len({rate.source for rate in rates})
    with mpl.rc_context(MATPLOTLIB_STYLE):
        figure, panels = _make_panels(len(defects), 0.6 + 0.15 * sources)
        for defect, axes in zip(defects, panels, strict=True):
            own = sorted((r for r in rates if r.defect == defect), key=lambda r: -r.estimate)
            for row, rate in enumerate(own):
                if rate.ci_low is not None and rate.ci_high is not None:
                    axes.plot([rate.ci_low, rate.ci_high], [row, row], color=INK, linewidth=1)
                fill = "white" if rate.basis == "unaudited" else INK
                axes.plot(
                    [rate.estimate], [row], "o", color=INK, markerfacecolor=fill, markersize=4
                )
            axes.set_yticks(range(len(own)), [rate.source for rate in own])
            axes.tick_params(axis="y", length=0, labelsize=8)
            axes.set_ylim(len(own) - 0.4, -0.6)
            axes.set_xlim(left=0)
            axes.xaxis.set_major_locator(MaxNLocator(4))
            axes.xaxis.set_major_formatter(FuncFormatter(_percent))
            axes.set_title(names.get(defect, defect), fontsize=9, loc="left")
            axes.grid(axis="x", color="#dddddd", linewidth=0.6)
        figure.tight_layout(pad=0.4, w_pad=1.6, h_pad=1.6)
    return figure


def draw_funnel(
    shrunken: Sequence[ShrunkenRate], variances: dict[str, float], names: dict[str, str], word: str
) -> Figure:
    """Rate against the number of units, one panel per defect, at most `MAX_PANELS`.

    The band holds 95% of sources that are all alike, by the variance between units in `variances`;
    those outside are named. The coloured dash is the shrunken rate. `word` names the units.
    """
    defects = list(dict.fromkeys(row.defect for row in shrunken))[:MAX_PANELS]
    with mpl.rc_context(MATPLOTLIB_STYLE):
        figure, panels = _make_panels(len(defects), 2.3)
        for place, (defect, axes) in enumerate(zip(defects, panels, strict=True)):
            own = [row for row in shrunken if row.defect == defect]
            _draw_one_funnel(axes, own, variances[defect])
            axes.set_title(names.get(defect, defect), fontsize=9, loc="left")
            if place % PANEL_COLUMNS == 0:
                axes.set_ylabel("rate")
            axes.set_xlabel(f"{word}s")
        figure.tight_layout(pad=0.4, w_pad=1.2, h_pad=1.4)
    return figure


def _draw_one_funnel(axes: Axes, own: Sequence[ShrunkenRate], variance: float) -> None:
    units = np.array([row.n_clusters for row in own], dtype=np.float64)
    rates = np.array([row.estimate for row in own])
    centre = float((units * rates).sum() / units.sum())
    along = np.geomspace(max(units.min() * 0.8, 1), units.max() * 1.15, 60)
    low, high = compute_funnel(centre, variance, along)
    axes.fill_between(along, low, high, color=BAND, linewidth=0)
    axes.axhline(centre, color="#8899aa", linewidth=0.8)
    for row in own:
        axes.plot([row.n_clusters], [row.shrunken], "_", color=SHRUNKEN, markersize=9)
        axes.plot([row.n_clusters], [row.estimate], "o", color=INK, markersize=3)
        outside = abs(row.estimate - centre) > 1.96 * math.sqrt(variance / row.n_clusters)
        if outside:
            axes.annotate(
                row.source, (row.n_clusters, row.estimate), (4, 2), textcoords="offset points",
                fontsize=8, fontweight="bold", color=INK,
            )  # fmt: skip
    axes.set_ylim(bottom=0)
    axes.yaxis.set_major_locator(MaxNLocator(4))
    axes.xaxis.set_major_locator(MaxNLocator(4, integer=True))
    axes.yaxis.set_major_formatter(FuncFormatter(_percent))


def _make_panels(count: int, height: float) -> tuple[Figure, list[Axes]]:
    rows = math.ceil(count / PANEL_COLUMNS)
    figure = Figure(figsize=(PAGE_WIDTH_INCHES, 0.2 + rows * height))
    FigureCanvasAgg(figure)
    grid = figure.subplots(rows, PANEL_COLUMNS, squeeze=False)
    panels = list(grid.flat)
    for axes in panels[count:]:
        axes.set_axis_off()
    return figure, panels[:count]


def _percent(share: float, _: int) -> str:
    return f"{100 * share:g}%"
