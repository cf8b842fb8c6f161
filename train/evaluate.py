"""All suites on one pair of networks, written to the card that goes with the weights."""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import Any

from crownlet.datasets.customs import load_customs
from crownlet.infer import Inspector
from crownlet.infer.reading import PageError
from crownlet.train.suites.errors import LetterErrors
from crownlet.train.suites.held_out import held_out_mezuzot, held_out_pages, measure_fragments
from crownlet.train.suites.held_out_text import measure_mezuzot
from crownlet.train.suites.photographs import PhotoReport, measure_photographs
from crownlet.train.suites.reading import Reader
from crownlet.train.suites.speed import measure_speed
from crownlet.train.suites.type_suite import measure_type_pages
from crownlet.train.suites.worst import draw_sheet, wrong_letters

CUSTOMS = "beit_yosef"
"""Expects tags on all the letters that any custom asks them of, so that each is measured."""


LARGE = 45
"""Body height in px from which a photograph should be read nearly without error."""


def evaluate(config: Any) -> Path:
    """Run the suites as configured and write the card; its path."""
    settings = config.evaluate
    model = str(settings.model)
    inspector = Inspector(model, CUSTOMS)
    reader = Reader(model, CUSTOMS, settings.workers)
    customs, suites = load_customs(CUSTOMS), dict[str, object]()
    if settings.held_out_pages:
        pages = list(reader.read(held_out_pages(settings.held_out_pages)))
        suites["held-out hands"] = measure_fragments(pages, customs)
        if settings.sheet:
            draw_sheet(wrong_letters(pages), Path(settings.sheet))
    if settings.mezuzot:
        read = reader.read(held_out_mezuzot(settings.mezuzot))
        suites["held-out mezuzot"] = measure_mezuzot(read, customs)
    if settings.type_pages:
        suites["type pages"] = measure_type_pages(reader.read)
    photographs = Path(settings.photographs)
    if photographs.is_dir():
        report = measure_photographs(photographs, lambda path: _glyphs(inspector, path))
        suites["photographs"] = photo_card(report)
    path = Path(settings.card)
    before = json.loads(path.read_text("utf-8")) if settings.update and path.exists() else {}
    version = inspector.networks.info.version
    before = before if before.get("version") == version else {}
    card: dict[str, object] = {
        **before,
        "version": version,
        "measured": datetime.date.today().isoformat(),
        "customs": CUSTOMS,
        "promise": inspector.versions()["thresholds"]["promise"],
        "suites": {**before.get("suites", {}), **suites},
    }
    if settings.speed:
        card["speed"] = measure_speed(model)
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
