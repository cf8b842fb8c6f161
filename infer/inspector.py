"""The Python API: one object that holds networks, customs and thresholds, and inspects pages."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from crownlet.datasets.customs import load_customs
from crownlet.datasets.texts import read_portion
from crownlet.infer.compiling import Rules, compile_page
from crownlet.infer.reading import read_page
from crownlet.infer.records import PageRecord
from crownlet.infer.seeing import Stopwatch, see
from crownlet.infer.sessions import Networks, Sessions, weights_folder
from crownlet.infer.thresholds import load_thresholds

if TYPE_CHECKING:
    from crownlet.datasets.texts import Portion


class Inspector:
    """Inspects pages with one pair of networks and one set of customs.

    `model` is a folder with other networks than the shipped ones, `customs` a shipped name or a
    YAML file. ModelError and ValueError say what is wrong with either.
    """

    def __init__(
        self,
        model: str | Path | None = None,
        customs: str | Path = "unspecified",
        *,
        networks: Networks | None = None,
    ) -> None:
        folder = Path(model) if model is not None else weights_folder()
        self.customs = load_customs(customs)
        self.networks = networks if networks is not None else Sessions(folder)
        self.thresholds = load_thresholds(folder)

    def inspect(
        self,
        source: str | Path | npt.NDArray[Any],
        portion: str | Path | Portion | None = None,
        name: str | None = None,
    ) -> PageRecord:
        """Inspect one page, from a file or an array (H, W) or (H, W, 3) RGB.

        `portion` is a portion, its name or a text file; `name` is what the record is called.
        PageError says why a page cannot be inspected, ValueError what is wrong with the portion.
        """
        text = read_portion(portion) if isinstance(portion, str | Path) else portion
        label = "array" if isinstance(source, np.ndarray) else str(source)
        watch = Stopwatch()
        with watch.stage("read"):
            image = read_page(source)
        seen = see(label, image, self.networks, self.thresholds, watch)
        rules = Rules(self.networks.info.defects, self.customs, self.thresholds, text)
        record = compile_page(name or Path(label).stem, image.facts, seen, rules, watch)
        return replace(record, versions=self.versions(), timing=dict(watch.seconds))

    def versions(self) -> dict[str, dict[str, str]]:
        """What the records of this inspector are made with, each with its checksum."""
        info = self.networks.info
        return {
            "model": {"version": info.version, **info.checksums},
            "thresholds": {
                "version": self.thresholds.version,
                "sha256": self.thresholds.checksum,
                "routing_sha256": self.thresholds.routing_checksum,
                "provenance": self.thresholds.provenance,
            },
            "customs": {
                "name": self.customs.name,
                "version": str(self.customs.version),
                "sha256": self.customs.checksum,
            },
        }
