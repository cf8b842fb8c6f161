"""The Python API: one object that holds networks, customs and thresholds, and inspects pages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from crownlet.datasets.files.images import ImageFacts, read_page
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.customs import not_examined_by_customs
from crownlet.infer.habits.apply import find_habits, is_unlike
from crownlet.infer.habits.doubts import set_accepted_aside, share_doubts
from crownlet.infer.habits.marks import state_marks
from crownlet.infer.habits.unlike import doubt_single_findings
from crownlet.infer.habits.widespread import state_widespread
from crownlet.infer.hand.adapt import HandSettings, LabelledLetters, label_letters
from crownlet.infer.hand.kernel import describe_letters
from crownlet.infer.letters.assessor import MaskChoice, assess
from crownlet.infer.letters.straighten import orientation_notes
from crownlet.infer.limits import LIMITS_SHA256
from crownlet.infer.networks import Networks, OnnxNetworks, weights_folder
from crownlet.infer.pipeline import (
    Stopwatch,
    compile_record,
    detect,
    read_letters,
    turn_reverse_over,
)
from crownlet.infer.promises import NO_PROMISE
from crownlet.infer.records import LETTER_EXTRA, Assessed, Located, PageRecord
from crownlet.infer.routing.measured import MeasureScope, measure_request
from crownlet.infer.stages import DetectedPage, PageReading, PageRules, ReadPage
from crownlet.infer.text.search import add_likely_passage, read_text_choice
from crownlet.infer.text.side import Side, exchange_side, portion_for
from crownlet.infer.thresholds import load_thresholds

if TYPE_CHECKING:
    from crownlet.datasets.scribal.portion import Portion
    from crownlet.infer.image.crops import FittedPage
    from crownlet.infer.text.search import TextChoice


NUMERIC_PACKAGES = ("numpy", "onnxruntime", "opencv-python-headless", "pillow")
"""Packages on which the numbers of a record depend: of two versions of them some letters differ."""


@dataclass(frozen=True)
class LoadedPage:
    """A page as the networks read it, before any text; `label` names it in messages."""

    label: str
    facts: ImageFacts
    detected: DetectedPage
    seconds: Mapping[str, float]
    """Seconds by stage."""


class Inspector:
    """Inspects pages with one pair of networks and one set of customs.

    `model` is a folder with other networks than the shipped ones, `customs` a shipped name or a
    YAML file. `measure`: of which letters lengths are taken on the ink and weighed against the
    networks: those in doubt or asked for by the customs (`doubts`), `all`, or none (`none`).
    `hand`: whether a page whose text is known is read again by the forms of its own letters.
    Errors: ModelError for the networks, ValueError for the customs.
    """

    def __init__(
        self,
        model: str | Path | None = None,
        customs: str | Path = "unspecified",
        *,
        networks: Networks | None = None,
        measure: MeasureScope = "doubts",
        hand: bool = True,
    ) -> None:
        folder = Path(model) if model is not None else weights_folder()
        self.customs = load_customs(customs)
        self.networks = networks if networks is not None else OnnxNetworks(folder)
        self.thresholds = load_thresholds(folder)
        self.measure = measure
        self.hand = hand

    def inspect(
        self,
        source: str | Path | npt.NDArray[Any],
        portion: str | Path | Portion | None = None,
        name: str | None = None,
    ) -> PageRecord:
        """Inspect one page, from a file or an array (H, W) or (H, W, 3) RGB.

        `portion` is a portion, its name, a passage such as `Exodus 13:1-16` or a text file; `auto`
        searches for the page's own words; without one nothing is compared. `name` is the name of
        the record. Errors: PageError for a page that cannot be inspected, ValueError for the
        portion.
        """
        text = read_text_choice(portion) if isinstance(portion, str | Path) else portion
        return self.record(self.load(source), text, name)

    def load(self, source: str | Path | npt.NDArray[Any]) -> LoadedPage:
        """Read a page with the networks, before it is compared with any text.

        Errors: PageError for a page that cannot be inspected.
        """
        label = "array" if isinstance(source, np.ndarray) else str(source)
        watch = Stopwatch()
        with watch.stage("read"):
            image = read_page(source, colour=False)
        detected = detect(label, image, self.networks, self.thresholds, watch, self._mask_choice())
        detected = turn_reverse_over(detected, self.thresholds)
        return LoadedPage(label, image.facts, detected, watch.seconds)

    def record(
        self,
        page: LoadedPage,
        text: TextChoice = None,
        name: str | None = None,
        others: Sequence[LabelledLetters] = (),
    ) -> PageRecord:
        """The record of a loaded page, against one text or none.

        `others` are the letters of other pages of the scroll, as `label` gives them.
        """
        return self.judge_hand(self.record_letters(page, text, name, others))

    def record_letters(
        self,
        page: LoadedPage,
        text: TextChoice = None,
        name: str | None = None,
        others: Sequence[LabelledLetters] = (),
    ) -> PageRecord:
        """As `record`, each letter judged by itself; `judge_hand` has to follow."""
        rules = self._rules(text, others)
        watch = Stopwatch(page.seconds)
        name = name or Path(page.label).stem
        record = compile_record(name, page.facts, page.detected, rules, watch)
        return replace(
            record,
            versions=self.versions(),
            timing=watch.seconds,
            notes=(*orientation_notes(page.detected.placement), *record.notes),
        )

    def judge_hand(self, record: PageRecord, others: Sequence[PageRecord] = ()) -> PageRecord:
        """A record of `record_letters` with its letters judged against the hand.

        `others` are such records of other pages of the scroll.
        """
        watch = Stopwatch(record.timing)
        with watch.stage("habits"):
            record = find_habits(record, self.thresholds, self.customs, others)
            record = state_widespread(record, self.customs)
            if is_unlike(record):
                record = doubt_single_findings(record)
                record = share_doubts(record, self.thresholds, self.customs)
            if any(LETTER_EXTRA in (*glyph.reasons, *glyph.habits) for glyph in record.glyphs):
                record = state_marks(record, self.customs)
            record = set_accepted_aside(record, self.customs)
            left_out = not_examined_by_customs(record, self.customs)
        not_examined = (*left_out, *record.not_examined)
        return replace(record, not_examined=not_examined, timing=watch.seconds)

    @property
    def learns_hands(self) -> bool:
        """Whether the letters of a scroll's other pages make a difference."""
        return self.hand and self.networks.info.letter_means is not None

    def read(self, page: LoadedPage, text: TextChoice) -> ReadPage:
        """A loaded page compared with its text, and read again by its hand."""
        return self._read(page, text).read

    def label(self, page: LoadedPage, text: TextChoice) -> LabelledLetters | None:
        """The letters by which other pages of the scroll learn the hand; None without a text.

        Labels are those of the page as read by its own hand.
        """
        reading = self._read(page, text)
        alone, read = reading.alone, reading.read
        letters = describe_letters(page.detected.fitted, alone.page.found, alone.page.assessed)
        if letters is None or read.aligned is None:
            return None
        return LabelledLetters(
            letters, alone.page.odds, label_letters(read.aligned, read.page.odds)
        )

    def _read(self, page: LoadedPage, text: TextChoice) -> PageReading:
        """A page as read by the networks alone, and as read by its own hand."""
        return read_letters(page.detected, self._rules(text), Stopwatch())

    def _rules(self, text: TextChoice, others: Sequence[LabelledLetters] = ()) -> PageRules:
        info = self.networks.info
        hand = HandSettings(self.hand, info.letter_means, tuple(others))
        choose = self._mask_choice()

        def assess_boxes(fitted: FittedPage, found: Located) -> Assessed:
            return assess(self.networks, fitted, found, choose)

        return PageRules(info.defects, self.customs, self.thresholds, text, hand, assess_boxes)

    def _mask_choice(self) -> MaskChoice | None:
        """Which letters get part masks: those to be measured."""
        if self.measure == "none":
            return None
        learned = self.networks.info.defects
        return measure_request(self.measure, learned, self.thresholds, self.customs).choose

    def versions(self) -> dict[str, dict[str, Any]]:
        """What the records of this inspector are made with, each with its checksum."""
        info = self.networks.info
        return {
            "model": {"version": info.version, **info.checksums},
            "thresholds": {
                "version": self.thresholds.version,
                "sha256": self.thresholds.checksum,
                "routing_sha256": self.thresholds.routing_checksum,
                "limits_sha256": LIMITS_SHA256,
                "provenance": self.thresholds.provenance,
                "promise": self._promise,
            },
            "customs": {
                "name": self.customs.name,
                "version": str(self.customs.version),
                "sha256": self.customs.checksum,
            },
            "program": dict(_program_versions()),
        }

    @cached_property
    def _promise(self) -> dict[str, Any] | str:
        """What the thresholds promise for these networks, the same in the record of each page."""
        promise = self.thresholds.promise
        return promise.record(self.networks.info.checksums) if promise else NO_PROMISE


@cache
def _program_versions() -> dict[str, str]:
    """Versions of this program and of the libraries on which its numbers depend."""
    made_by = {"version": version_of("crownlet")}
    return made_by | {name: version_of(name) for name in NUMERIC_PACKAGES}


def version_of(package: str) -> str:
    """The installed version of a package, by its own metadata; "unknown" without."""
    try:
        return version(package)
    except PackageNotFoundError:
        return "unknown"


def record_side(
    inspector: Inspector,
    page: LoadedPage,
    side: Side | None,
    given: TextChoice,
    name: str,
    others: Sequence[LabelledLetters] = (),
) -> PageRecord:
    """The record of one side of a scroll whose text is `given`, as `record_letters` gives it.

    A page that plainly reads as the other side is compared with that side's text, and a note of the
    record says so; the note of one that holds neither text names the passage it seems to hold.
    """
    text = portion_for(side, given)
    record = inspector.record_letters(page, text, name, others)
    letters = "".join(glyph.letter for glyph in record.glyphs)
    other = exchange_side(letters, side, text)
    if other is None:
        return add_likely_passage(record)
    right, note = other
    record = inspector.record_letters(page, right, name, others)
    return add_likely_passage(replace(record, notes=(*record.notes, note)))
