"""All suites on one pair of networks, written to the card that goes with the weights.

Time and memory of one page are measured in a process of its own, as a user has them.
"""

from __future__ import annotations

import datetime
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image

from crownlet.datasets.files.atomic import atomic_write, write_json
from crownlet.datasets.files.images import PageError
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.inspector import Inspector
from crownlet.train.evaluation.clean_hands import clean_hand_pages, measure_clean_hands
from crownlet.train.evaluation.habits import habit_pages, measure_habits
from crownlet.train.evaluation.held_out import held_out_mezuzot, held_out_pages, measure_fragments
from crownlet.train.evaluation.held_out_text import measure_mezuzot
from crownlet.train.evaluation.matching import LetterErrors
from crownlet.train.evaluation.painted_crowns import (
    measure_painted_photographs,
    measure_painted_renders,
    painted_card,
    painted_card_by_size,
)
from crownlet.train.evaluation.photographs import PhotoReport, measure_photographs
from crownlet.train.evaluation.type_pages import TypeSpec, compose_type_page
from crownlet.train.evaluation.type_suite import measure_type_pages
from crownlet.train.evaluation.workers import PageReader
from crownlet.train.evaluation.worst import draw_sheet, find_wrong_letters

SPEED_SCRIPT = """
import json, sys, time
start = time.perf_counter()
from crownlet.infer import Inspector
inspector = Inspector(sys.argv[2] or None)
ready = time.perf_counter() - start
rounds = []
for _ in range(4):
    start = time.perf_counter()
    page = inspector.inspect(sys.argv[1], portion="mezuzah")
    rounds.append((time.perf_counter() - start, page.timing))
seconds, stages = min(rounds[1:], key=lambda each: each[0])
# VmHWM, not ru_maxrss: that one a process inherits from the one that started it.
status = open("/proc/self/status").read()
print(json.dumps({
    "import_and_sessions_s": round(ready, 2), "first_page_s": round(rounds[0][0], 2),
    "warm_page_s": round(seconds, 2), "letters": len(page.glyphs),
    "peak_mb": round(int(status.split("VmHWM:")[1].split()[0]) / 1024),
    "stages_s": {name: round(value, 3) for name, value in stages.items()},
}))
"""


EVALUATION_CUSTOMS = "beit_yosef"
"""Expects tags on all the letters that any custom asks them of, so that each is measured."""

LARGE_BODY_PX = 45
"""Body height in px from which a photograph should be read nearly without error."""


def measure_speed(model: str | None = None) -> dict[str, object]:
    """Inspect one type page of about 10 megapixels, cold once and warm three times."""
    page = compose_type_page(TypeSpec("ashkenaz", "mezuzah", 58.0, "cream"))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "page.png"
        Image.fromarray(page.image).save(path)
        run = subprocess.run(
            [sys.executable, "-c", SPEED_SCRIPT, str(path), model or ""],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
    facts: dict[str, object] = json.loads(run.stdout.strip().splitlines()[-1])
    megapixels = page.image.shape[0] * page.image.shape[1] / 1e6
    return {"megapixels": round(megapixels, 1), "cores": os.cpu_count(), **facts}


def evaluate(config: Any) -> Path:
    """Run the suites as configured and write the card; its path."""
    settings = config.evaluate
    model = str(settings.model)
    inspector = Inspector(model, EVALUATION_CUSTOMS)
    reader = PageReader(model, EVALUATION_CUSTOMS, settings.workers)
    customs, suites = load_customs(EVALUATION_CUSTOMS), dict[str, object]()
    if settings.held_out_pages:
        pages = list(reader.read(held_out_pages(settings.held_out_pages)))
        suites["held-out hands"] = measure_fragments(pages, customs)
        if settings.sheet:
            draw_sheet(find_wrong_letters(pages), Path(settings.sheet))
    if settings.mezuzot:
        read = reader.read(held_out_mezuzot(settings.mezuzot))
        suites["held-out mezuzot"] = measure_mezuzot(read, customs)
    if settings.clean_hands:
        read = reader.read(clean_hand_pages(settings.clean_hands))
        suites["clean hands"] = measure_clean_hands(read, customs)
    if settings.habits:
        suites["habits"] = {
            "planted": measure_habits(reader.read(habit_pages(settings.habits)), customs),
            "faultless": measure_habits(
                reader.read(habit_pages(settings.habits, planted=False)), customs
            ),
        }
    if settings.type_pages:
        suites["type pages"] = measure_type_pages(reader.read)
    if settings.photographs and Path(settings.photographs).is_dir():
        report = measure_photographs(
            Path(settings.photographs), lambda path: _read_glyphs(inspector, path)
        )
        suites["photographs"] = photo_card(report)
        listed = Path(settings.crowned_letters) if settings.crowned_letters else None
        pictures = measure_painted_photographs(inspector, Path(settings.photographs), listed)
        suites["painted crowns, photographs"] = painted_card(pictures)
    if settings.painted_pages:
        rendered = measure_painted_renders(reader, settings.painted_pages)
        suites["painted crowns, renders"] = painted_card_by_size(rendered)
    path = Path(settings.card)
    before = json.loads(path.read_text("utf-8")) if settings.update and path.exists() else {}
    version = inspector.networks.info.version
    before = before if before.get("version") == version else {}
    card: dict[str, object] = {
        **before,
        "version": version,
        "measured": datetime.date.today().isoformat(),
        "customs": EVALUATION_CUSTOMS,
        "promise": inspector.versions()["thresholds"]["promise"],
        "suites": {**before.get("suites", {}), **suites},
    }
    if settings.speed:
        card["speed"] = measure_speed(model)
    with atomic_write(path) as draft:
        write_json(draft, _round_floats(card))
    return path


def _read_glyphs(inspector: Inspector, path: Path) -> tuple[Any, ...]:
    try:
        return inspector.inspect(path).glyphs
    except PageError:
        return ()


def photo_card(report: PhotoReport) -> dict[str, object]:
    """Letter errors of each photograph, of all, and of those with letters that are not small."""
    large = [photo.errors for photo in report.photos if (photo.body_px or 0) >= LARGE_BODY_PX]
    return {
        **report.errors.summary(),
        f"letters of {LARGE_BODY_PX} px and more": sum(large, LetterErrors()).summary(),
        "photos": {
            photo.photo: {**photo.errors.summary(), "body_px": photo.body_px}
            for photo in report.photos
        },
    }


def _round_floats(value: object) -> object:
    """Five significant digits say enough, and keep the card readable in a diff."""
    if isinstance(value, float):
        return float(f"{value:.5g}")
    if isinstance(value, dict):
        return {str(key): _round_floats(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_round_floats(item) for item in value]
    return value
