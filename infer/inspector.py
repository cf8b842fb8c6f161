"""The Python API: one object that holds networks, customs and thresholds, and inspects pages."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from crownlet.datasets.files.images import ImageFacts, read_page
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.not_listed import unexamined
from crownlet.infer.networks import Networks, OnnxNetworks, weights_folder
from crownlet.infer.pipeline import (
    DetectedPage,
    PageRules,
    Stopwatch,
    compile_record,
    detect,
    orientation_notes,
    turn_reverse_over,
)
from crownlet.infer.records import PageRecord
from crownlet.infer.text.search import add_likely_passage, read_text_choice
from crownlet.infer.text.side import Side, exchange_side, portion_for
from crownlet.infer.thresholds import NO_PROMISE, load_thresholds

if TYPE_CHECKING:
    from crownlet.datasets.scribal.portion import Portion
    from crownlet.infer.text.search import TextChoice


def record_side(
    inspector: Inspector, look: LoadedPage, side: Side | None, given: TextChoice, name: str
) -> PageRecord:
    """The record of one side of a scroll whose text is `given`.

    A page that plainly reads as the other side is compared with that side's text, and says so; one
    that holds neither says where its writing seems to come from.
    """
    text = portion_for(side, given)
    record = inspector.record(look, text, name)
    letters = "".join(glyph.letter for glyph in record.glyphs)
    other = exchange_side(letters, side, text)
    if other is None:
        return add_likely_passage(record)
    right, said = other
    record = inspector.record(look, right, name)
    return add_likely_passage(replace(record, notes=(*record.notes, said)))


@dataclass(frozen=True)
class LoadedPage:
    """A page as the networks see it, and the time that took; `label` names it in messages."""

    label: str
    facts: ImageFacts
    seen: DetectedPage
    watch: Stopwatch


class Inspector:
    """Inspects pages with one pair of networks and one set of customs.

    `model` is a folder with other networks than the shipped ones, `customs` a shipped name or a
    YAML file; ModelError and ValueError say what is wrong with either. `measured` says whether
    lengths are taken on the ink and weighed against the networks.
    """

    def __init__(
        self,
        model: str | Path | None = None,
        customs: str | Path = "unspecified",
        *,
        networks: Networks | None = None,
        measured: bool = True,
    ) -> None:
        folder = Path(model) if model is not None else weights_folder()
        self.customs = load_customs(customs)
        self.networks = networks if networks is not None else OnnxNetworks(folder)
        self.thresholds = load_thresholds(folder)
        self.measured = measured

    def inspect(
        self,
        source: str | Path | npt.NDArray[Any],
        portion: str | Path | Portion | None = None,
        name: str | None = None,
    ) -> PageRecord:
        """Inspect one page, from a file or an array (H, W) or (H, W, 3) RGB.

        `portion` is a portion, its name, a passage such as `Exodus 13:1-16` or a text file; `auto`
        has the page's own words tell; without one nothing is compared. `name` is what the record
        is called.
        PageError says why a page cannot be inspected, ValueError what is wrong with the portion.
        """
        text = read_text_choice(portion) if isinstance(portion, str | Path) else portion
        return self.record(self.look(source), text, name)

    def look(self, source: str | Path | npt.NDArray[Any]) -> LoadedPage:
        """What the networks see on a page, before it is compared with any text.

        PageError says why a page cannot be inspected.
        """
        label = "array" if isinstance(source, np.ndarray) else str(source)
        watch = Stopwatch()
        with watch.stage("read"):
            image = read_page(source, colour=False)
        seen = turn_reverse_over(detect(label, image, self.networks, self.thresholds, watch))
        return LoadedPage(label, image.facts, seen, watch)

    def record(
        self, look: LoadedPage, portion: TextChoice = None, name: str | None = None
    ) -> PageRecord:
        """The record of a page already looked at, against one text or none."""
        rules = PageRules(
            self.networks.info.defects, self.customs, self.thresholds, portion, self.measured
        )
        watch = Stopwatch()
        record = compile_record(name or Path(look.label).stem, look.facts, look.seen, rules, watch)
        timing = look.watch.seconds | watch.seconds
        notes = (*orientation_notes(look.seen.turn), *record.notes)
        silent = (*unexamined(record, self.customs), *record.not_examined)
        return replace(
            record, versions=self.versions(), timing=timing, notes=notes, not_examined=silent
        )

    def versions(self) -> dict[str, dict[str, Any]]:
        """What the records of this inspector are made with, each with its checksum."""
        info = self.networks.info
        promise = self.thresholds.promise
        return {
            "model": {"version": info.version, **info.checksums},
            "thresholds": {
                "version": self.thresholds.version,
                "sha256": self.thresholds.checksum,
                "routing_sha256": self.thresholds.routing_checksum,
                "provenance": self.thresholds.provenance,
                "promise": promise.record(info.checksums) if promise else NO_PROMISE,
            },
            "customs": {
                "name": self.customs.name,
                "version": str(self.customs.version),
                "sha256": self.customs.checksum,
            },
        }
