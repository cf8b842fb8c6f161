"""Figures of a survey: a forest plot of rates by defect, and small ones by letter; SVG and PNG.

Sources differ in colour, marker and order at once, and an unaudited rate is hollow, so that nothing
is lost to colour blindness or a grey print. The same numbers give the same bytes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter

from crownlet.datasets.files.atomic import atomic_write
from crownlet.infer.survey.intervals import Floats
from crownlet.infer.survey.records import DefectRate

# Okabe & Ito, Color Universal Design (2008): distinct for the colour blind too.
SOURCE_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00", "#000000")

SOURCE_MARKERS = ("o", "s", "^", "D", "v", "P", "X")

TICK_SHARES = (0, 0.005, 0.02, 0.05, 0.1, 0.2, 0.4, 0.7, 1)

SMALL_FIGURE_TICK_SHARES, LOW_RATE_TICK_SHARES = (0, 0.1, 0.4, 0.9), (0, 0.02, 0.08)

PNG_DPI = 150

MATPLOTLIB_STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "svg.hashsalt": "crownlet",
    "svg.fonttype": "path",
}

MIN_TICK_GAP_WIDTHS = 0.4
"""Least distance of two labels under a small figure, in widths of it."""


def draw_forest(rates: Sequence[DefectRate], names: dict[str, str]) -> Figure:
    """Rates with their limits, one group of rows per defect; `names` maps a defect to its title.

    A row without an interval, for lack of scrolls, is a marker alone. Per cent of letters on a
    scale of square roots, on which rare and common defects can both be read.
    """
    defects, sources = _list_rows(rates)
    with mpl.rc_context(MATPLOTLIB_STYLE):
        figure = Figure(figsize=(7.5, 0.9 + 0.2 * len(defects) * (len(sources) + 0.8)))
        FigureCanvasAgg(figure)
        axes = figure.add_subplot()
        step = len(sources) + 0.8
        for rate in rates:
            row = defects.index(rate.defect) * step + sources.index(rate.source)
            _draw_rate(axes, rate, row, sources.index(rate.source))
        middles = [place * step + (len(sources) - 1) / 2 for place in range(len(defects))]
        axes.set_yticks(middles, [names.get(defect, defect) for defect in defects])
        between = [place * step - 0.9 for place in range(1, len(defects))]
        axes.hlines(between, 0, 1, "#eeeeee", linewidth=0.6, transform=axes.get_yaxis_transform())
        axes.tick_params(axis="y", length=0, pad=8)
        axes.spines["left"].set_visible(False)
        axes.set_ylim(len(defects) * step - 0.6, -0.8)
        _set_percent_scale(axes, _scale_end(rates), TICK_SHARES)
        axes.set_xlabel("letters with it, of those that can have it (95% limits)")
        _add_legend(figure, sources, any(rate.basis == "unaudited" for rate in rates))
    return figure


def draw_by_letter(rates: Sequence[DefectRate], defect_name: str, columns: int = 6) -> Figure:
    """One defect's rates letter by letter, one small plot each, all on one scale."""
    letters = sorted({rate.letter for rate in rates})
    sources = _list_rows(rates)[1]
    rows = math.ceil(len(letters) / columns)
    end = _scale_end(rates)
    ticks = SMALL_FIGURE_TICK_SHARES if end > 0.2 else LOW_RATE_TICK_SHARES
    with mpl.rc_context(MATPLOTLIB_STYLE):
        figure = Figure(figsize=(7.5, 0.95 + rows * (0.5 + 0.16 * len(sources))))
        FigureCanvasAgg(figure)
        grid = figure.subplots(rows, columns, sharex=True, squeeze=False)
        for place, axes in enumerate(grid.flat):
            axes.set_yticks([])
            axes.spines["left"].set_visible(False)
            if place >= len(letters):
                axes.set_axis_off()
                continue
            axes.set_title(letters[place], fontsize=13)
            for rate in rates:
                if rate.letter == letters[place]:
                    _draw_rate(axes, rate, sources.index(rate.source), sources.index(rate.source))
            axes.set_ylim(len(sources) - 0.4, -0.6)
            _set_percent_scale(axes, end, _space_ticks(ticks, end))
            axes.tick_params(labelbottom=place + columns >= len(letters), length=2)
        height = figure.get_figheight()
        figure.text(0.01, 1 - 0.06 / height, defect_name, ha="left", va="top", fontsize=10)
        _add_legend(figure, sources, any(rate.basis == "unaudited" for rate in rates), 0.25)
    return figure


def save_figure(figure: Figure, path: Path) -> None:
    """Write `path`.svg and `path`.png, each whole; OSError if they cannot be written."""
    with mpl.rc_context(MATPLOTLIB_STYLE):
        with atomic_write(path.with_suffix(".svg")) as draft:
            figure.savefig(draft, format="svg", metadata={"Date": None, "Creator": None})
        with atomic_write(path.with_suffix(".png")) as draft:
            figure.savefig(draft, format="png", dpi=PNG_DPI, metadata={"Software": None})


def _list_rows(rates: Sequence[DefectRate]) -> tuple[list[str], list[str]]:
    """Defects as they come, sources sorted, so that a source keeps its colour in every figure."""
    return list(dict.fromkeys(r.defect for r in rates)), sorted({r.source for r in rates})


def _draw_rate(axes: Axes, rate: DefectRate, row: float, source: int) -> None:
    colour = _cycle(SOURCE_COLOURS, source)
    if rate.ci_low is not None and rate.ci_high is not None:
        dashes = (0, (3, 1.5)) if rate.basis == "unaudited" else "-"
        ends = [rate.ci_low, rate.ci_high]
        axes.plot(ends, [row, row], color=colour, linewidth=1.4, linestyle=dashes, zorder=2)
    fill = "white" if rate.basis == "unaudited" else colour
    axes.plot(
        [rate.estimate], [row], _cycle(SOURCE_MARKERS, source),
        color=colour, markerfacecolor=fill, markersize=5, zorder=3, clip_on=False,
    )  # fmt: skip


def _cycle(styles: Sequence[str], number: int) -> str:
    return styles[number % len(styles)]


def _scale_end(rates: Sequence[DefectRate]) -> float:
    """Where the scale ends, a little beyond the highest limit."""
    highest = max((max(rate.estimate, rate.ci_high or 0) for rate in rates), default=1.0)
    return min(1.0, 1.1 * highest)


def _set_percent_scale(axes: Axes, end: float, ticks: Sequence[float]) -> None:
    axes.set_xscale("function", functions=(_root, _square))
    axes.set_xlim(0, max(end, 0.01))
    axes.set_xticks([tick for tick in ticks if tick <= end])
    axes.xaxis.set_major_formatter(FuncFormatter(lambda share, _: f"{share * 100:g}%"))
    axes.grid(axis="x", color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)


def _space_ticks(ticks: Sequence[float], end: float) -> list[float]:
    """The ticks of a small figure whose labels do not run into each other."""
    kept: list[float] = []
    for tick in ticks:
        if not kept or (tick / end) ** 0.5 - (kept[-1] / end) ** 0.5 >= MIN_TICK_GAP_WIDTHS:
            kept.append(tick)
    return kept


def _root(shares: Floats) -> Floats:
    """The axis's scale; shares below 0 come only from its margin."""
    return np.asarray(np.abs(shares) ** 0.5)


def _square(roots: Floats) -> Floats:
    return np.asarray(roots**2)


def _add_legend(figure: Figure, sources: Sequence[str], hollow: bool, below: float = 0.0) -> None:
    """The legend in the upper right corner, `below` inches under the edge."""
    handles = [
        Line2D([], [], color=_cycle(SOURCE_COLOURS, i), marker=_cycle(SOURCE_MARKERS, i),
               label=f"source {code}")
        for i, code in enumerate(sources)
    ]  # fmt: skip
    if hollow:
        note = "hollow: unaudited, the network's word alone"
        look: dict[str, Any] = {"color": "#555555", "marker": "o", "linestyle": ""}
        handles.append(Line2D([], [], markerfacecolor="white", label=note, **look))
    # The axes have no title of their own: 0.35 inches hold the legend in a figure of any height.
    height = figure.get_figheight()
    figure.tight_layout(rect=(0, 0, 1, 1 - (0.35 + below) / height), pad=0.3, w_pad=1.4)
    corner: dict[str, Any] = {
        "loc": "upper right",
        "bbox_to_anchor": (1, 1 + (0.02 - below) / height),
    }
    figure.legend(handles=handles, ncols=len(handles), frameon=False, **corner)
