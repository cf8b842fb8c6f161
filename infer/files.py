"""Tables and JSON as every room writes them; files that appear whole and on disk or not."""

from __future__ import annotations

import csv
import json
import os
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from crownlet.infer.drafts import draft_folder


@contextmanager
def replacing(target: Path) -> Iterator[Path]:
    """A draft of one file that takes its target's place when it is whole and on disk.

    The folder is made if need be; OSError if there is no writing in it.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    folder = draft_folder(target.parent)
    try:
        yield folder / target.name
        to_disk(folder)
        (folder / target.name).replace(target)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def to_disk(draft: Path) -> None:
    """Every file of a folder on disk before it takes its place, so that power may fail after it."""
    for path in draft.iterdir():
        with path.open("r+b") as file:
            os.fsync(file.fileno())


def write_rows(path: Path, columns: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
    """A CSV file by RFC 4180: UTF-8, commas, CRLF, a header row, quotes where needed."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(columns)
        writer.writerows(rows)


def write_json(path: Path, data: Any) -> None:
    """A JSON file, UTF-8, indented."""
    with path.open("w", encoding="utf-8") as file:
        json.dump(data, file, ensure_ascii=False, indent=1)
        file.write("\n")
