"""Language and terms as a person chooses them, kept with a run so that its later pages agree."""

from __future__ import annotations

import argparse
from pathlib import Path

from crownlet.infer.view.language import LANGUAGES, TERMS, Locale

VIEW_FILE = "view.json"
"""In a run's folder; absent where nobody has chosen, and pages are English."""

MAX_VIEW_BYTES = 4096


def add_locale_arguments(parser: argparse.ArgumentParser) -> None:
    """Add `--language` and `--terms` to a command that makes pages."""
    parser.add_argument(
        "--language", choices=LANGUAGES, help="language of the pages, kept with the run (en)"
    )
    parser.add_argument(
        "--terms", choices=TERMS,
        help="whether headings show the trade's terms as well, kept with the run (plain)",
    )  # fmt: skip


def read_locale(folder: Path) -> Locale:
    """What was chosen for a run; English and plain where nothing was, or it cannot be read."""
    # Every command knows these arguments, and few read the file.
    from crownlet.datasets.files.documents import parse_json, read_small_file

    try:
        kept = parse_json(read_small_file(folder / VIEW_FILE, MAX_VIEW_BYTES))
        return locale_of(str(kept["language"]), str(kept["terms"]))
    except (OSError, ValueError, KeyError, TypeError):
        return Locale()


def locale_of(language: str, terms: str) -> Locale:
    """The choice by its names; ValueError for one that there is not."""
    for known in LANGUAGES:
        for shown in TERMS:
            if (language, terms) == (known, shown):
                return Locale(known, shown)
    raise ValueError(f"there is no language {language!r} with {terms!r} terms")


def keep_locale(folder: Path, chosen: Locale) -> None:
    """Keep a choice with a run; OSError if it cannot be written."""
    from crownlet.datasets.files.atomic import atomic_write, write_json

    folder.mkdir(parents=True, exist_ok=True)
    with atomic_write(folder / VIEW_FILE) as draft:
        write_json(draft, chosen._asdict())


def choose_locale(options: argparse.Namespace, folder: Path) -> Locale:
    """What the command's arguments choose, kept with the run, else what was chosen before."""
    kept = read_locale(folder)
    chosen = locale_of(options.language or kept.language, options.terms or kept.terms)
    if chosen != kept:
        keep_locale(folder, chosen)
    return chosen
