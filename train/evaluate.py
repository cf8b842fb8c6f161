"""All suites on one pair of networks, written to the card that goes with the weights."""

from __future__ import annotations

import datetime
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from crownlet.datasets.customs import load_customs
from crownlet.datasets.texts import Portion
from crownlet.infer import Inspector
from crownlet.infer.reading import PageError
from crownlet.infer.records import GlyphRecord, PageRecord
from crownlet.train.suites.errors import LetterErrors
from crownlet.train.suites.held_out import held_out_mezuzot, held_out_pages, measure_fragments
from crownlet.train.suites.held_out_text import measure_mezuzot
from crownlet.train.suites.photographs import PhotoReport, measure_photographs
from crownlet.train.suites.speed import measure_speed
from crownlet.train.suites.type_suite import measure_type_pages

CUSTOMS = "beit_yosef"
"""Expects tags on all the letters that any custom asks them of, so that each is measured."""


LARGE = 45
"""Body height in px from which a photograph should be read nearly without error."""


def evaluate(config: Any) -> Path:
    """Run the suites as configured and write the card; its path."""
    model = str(config.evaluate.model)
    inspector = Inspector(model, CUSTOMS)

    def read(
        image: npt.NDArray[np.uint8], texts: Sequence[Portion | None] = (None,)
    ) -> list[PageRecord] | None:
        try:
            look = inspector.look(image)
        except PageError:
            return None
        return [inspector.record(look, text) for text in texts]

    def glyphs_of(
        image: npt.NDArray[np.uint8], texts: Sequence[Portion | None]
    ) -> list[tuple[GlyphRecord, ...]]:
        records = read(image, texts)
        return [() for _ in texts] if records is None else [record.glyphs for record in records]

    customs = load_customs(CUSTOMS)
    suites: dict[str, object] = {}
    pages, mezuzot = config.evaluate.held_out_pages, config.evaluate.mezuzot
    if pages:
        suites["held-out hands"] = measure_fragments(read, held_out_pages(pages), customs)
    if mezuzot:
        suites["held-out mezuzot"] = measure_mezuzot(read, held_out_mezuzot(mezuzot))
    if config.evaluate.type_pages:
        suites["type pages"] = measure_type_pages(glyphs_of)
    photographs = Path(config.evaluate.photographs)
    if photographs.is_dir():
        report = measure_photographs(photographs, lambda path: _glyphs(inspector, path))
        suites["photographs"] = photo_card(report)
    card: dict[str, object] = {
        "version": inspector.networks.info.version,
        "measured": datetime.date.today().isoformat(),
        "customs": CUSTOMS,
        "promise": inspector.versions()["thresholds"]["promise"],
        "suites": suites,
    }
    if config.evaluate.speed:
        card["speed"] = measure_speed(model)
    path = Path(config.evaluate.card)
    path.write_text(json.dumps(_rounded(card), ensure_ascii=False, indent=1) + "\n", "utf-8")
    return path


def _glyphs(inspector: Inspector, path: Path) -> tuple[Any, ...]:
    try:
        return inspector.inspect(path).glyphs
    except PageError:
        return ()


def photo_card(report: PhotoReport) -> dict[str, object]:
    """Letter errors of each photograph, of all, and of those with letters that are not small."""
    large = [photo.errors for photo in report.photos if (photo.body_px or 0) >= LARGE]
    return {
        **report.errors.summary(),
        f"letters of {LARGE} px and more": sum(large, LetterErrors()).summary(),
        "photos": {
            photo.photo: {**photo.errors.summary(), "body_px": photo.body_px}
            for photo in report.photos
        },
    }


def _rounded(value: object) -> object:
    """Five significant digits say enough, and keep the card readable in a diff."""
    if isinstance(value, float):
        return float(f"{value:.5g}")
    if isinstance(value, dict):
        return {str(key): _rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    return value
