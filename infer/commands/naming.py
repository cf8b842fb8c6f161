"""Names of pages: the folders of a run."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path


def page_names(paths: Sequence[Path]) -> list[str]:
    """A folder name for each page: its stem, made distinct where several pages share it.

    The names depend on the list alone, and differ without regard to upper and lower case.
    """
    names: list[str] = []
    taken: set[str] = set()
    for path in paths:
        stem = path.stem.strip(". ") or "page"
        for candidate in _candidates(stem, path):
            if candidate.casefold() not in taken:
                break
        taken.add(candidate.casefold())
        names.append(candidate)
    return names


def _candidates(stem: str, path: Path) -> list[str]:
    """Names to try for a page: its stem, with its suffix, with its folder, with numbers."""
    suffix, folder = path.suffix.lstrip("."), path.parent.name
    tries = [stem, f"{stem}-{suffix}" if suffix else stem]
    tries += [f"{folder}-{stem}"] if folder else []
    return tries + [f"{stem}-{number}" for number in range(2, 100_000)]
