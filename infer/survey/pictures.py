"""The report's figures, saved as SVG and PNG and set into its page."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path

from matplotlib.figure import Figure

from crownlet.infer.plain import said
from crownlet.infer.survey.figures import by_letter, forest, save
from crownlet.infer.survey.plainly import letters_of as counted
from crownlet.infer.survey.records import Rate
from crownlet.infer.survey.view import Embedded

SMALL = 4
"""Most defects shown letter by letter."""
SEEN = 0.0005
"""Defects rarer than this in every source are left out of the forest; the tables hold them."""
PX = 96
"""CSS px in an inch."""


def forest_of(rates: Sequence[Rate], out: Path) -> Embedded | None:
    """All defects met with; None where there is nothing to draw."""
    met = {rate.defect for rate in rates if rate.rate >= SEEN}
    height = {d: max(rate.rate for rate in rates if rate.defect == d) for d in met}
    drawn = sorted(
        (rate for rate in rates if rate.defect in met),
        key=lambda rate: (-height[rate.defect], rate.defect, rate.source),
    )
    if not drawn:
        return None
    figure = forest(drawn, {defect: said(defect) for defect in met})
    caption = (
        "The commonest first. Each mark is a rate, the line through it its 95% interval; the "
        "wider, the less is known. The scale is drawn out at its lower end. Kinds that are all "
        "but absent are left out."
    )
    return _embedded(figure, out / "forest", "Rates of each finding by source", caption)


def letters_of(rates: Sequence[Rate], defects: Sequence[str], out: Path) -> tuple[Embedded, ...]:
    """The first few of `defects`, letter by letter; a defect of one letter needs no such picture.

    Figures of an earlier report are taken away, so that none is left that says other things.
    """
    for old in sorted(out.glob("letters-*.*g")):
        old.unlink()
    made: list[Embedded] = []
    for defect in defects:
        mine = [rate for rate in rates if rate.defect == defect]
        if len({rate.letter for rate in mine}) > 1 and len(made) < SMALL:
            figure = by_letter(mine, said(defect))
            caption = f"Share of the {counted(defect)} on which it stands, letter by letter."
            alt = f"Rates of {said(defect)} by letter and source"
            made.append(_embedded(figure, out / f"letters-{defect}", alt, caption))
    return tuple(made)


def _embedded(figure: Figure, path: Path, alt: str, caption: str) -> Embedded:
    save(figure, path)
    data = base64.b64encode(path.with_suffix(".svg").read_bytes()).decode("ascii")
    width, height = (round(inches * PX) for inches in figure.get_size_inches())
    return Embedded(f"data:image/svg+xml;base64,{data}", width, height, alt, caption)
