"""A store of models beside the one in use: every version kept whole, the one in use exchanged.

The store is a folder with a folder a version and `history.json`; the model in use is a folder of
its own (`models/weights`, or one that the user names), so that nothing that reads it need know.
"""

from __future__ import annotations

import datetime
import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crownlet.infer.drafts import draft_folder, replace_folder
from crownlet.infer.sessions import verified_files

HISTORY = "history.json"
PACKAGE = "__init__.py"


class StoreError(ValueError):
    """A version that cannot be kept or brought back; the message says why."""


@dataclass(frozen=True)
class Store:
    """Versions kept in `folder`; `current` is the folder of the model in use."""

    folder: Path
    current: Path

    def keep(self, model: Path, version: str) -> Path:
        """Keep a copy of a model under its version; StoreError if that names another already."""
        place = self.folder / version
        if place.exists():
            if verified_files(place) != verified_files(model):
                raise StoreError(f"{place} holds other networks; choose another export.version.")
            return place
        self.folder.mkdir(parents=True, exist_ok=True)
        draft = _copy(model, self.folder)
        verified_files(draft)
        draft.replace(place)
        return place

    def use(self, version: str, replaced: str, because: str) -> None:
        """Put a kept version in the place of the model in use, in one step, and note it."""
        place = self.folder / version
        verified_files(place)
        draft = _copy(place, self.current.parent)
        package = self.current / PACKAGE
        if package.exists():
            shutil.copy2(package, draft / PACKAGE)
        replace_folder(draft, self.current.resolve())
        shutil.rmtree(draft, ignore_errors=True)
        today = datetime.date.today().isoformat()
        entry = {"date": today, "from": replaced, "to": version, "because": because}
        self._note([*self.history(), entry])

    def history(self) -> list[dict[str, Any]]:
        """Every exchange, the oldest first."""
        path = self.folder / HISTORY
        return list(json.loads(path.read_text("utf-8"))) if path.exists() else []

    def restore(self) -> str:
        """Bring back the version that the last exchange put aside; its name.

        StoreError if nothing was exchanged yet.
        """
        history = self.history()
        if not history:
            raise StoreError(f"{self.folder}: no model was put aside yet.")
        last = history[-1]
        self.use(last["from"], last["to"], "brought back")
        return str(last["from"])

    def _note(self, entries: list[dict[str, Any]]) -> None:
        draft = self.folder / f".{HISTORY}"
        draft.write_text(json.dumps(entries, ensure_ascii=False, indent=1) + "\n", "utf-8")
        draft.replace(self.folder / HISTORY)


def _copy(model: Path, beside: Path) -> Path:
    """The files of a model in a fresh folder of the same file system as `beside`."""
    draft = draft_folder(beside)
    for path in sorted(model.iterdir()):
        if path.is_file() and path.name != PACKAGE:
            shutil.copy2(path, draft / path.name)
    return draft
