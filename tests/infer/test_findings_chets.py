"""Roofs of chets measured on held-out renders, whose parts say which form was drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import Augment, clean
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.findings.forms import CHET_MEASURE
from crownlet.infer.inspector import Inspector
from crownlet.infer.records import PageRecord

WORDS = "אחד חמשה לחם\nזבח רחם חדש\nמנחה חתם אח\nשמח חיים פתח"
SCAN = Augment("scanner", 0.5, 0.5, 0.5, 0.5, 0.5, 0.2)


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[PageTruth, PageRecord]]:
    text = tmp_path_factory.mktemp("text") / "words.txt"
    text.write_text(WORDS, encoding="utf-8")
    inspector = Inspector(measure="all")
    found = []
    for seed in range(8):
        spec = clean(portion=str(text), body=(48.0, 48.0), split="heldout", augment=SCAN)
        truth = compose(spec, seed)
        found.append((truth, inspector.inspect(truth.image, str(text), f"page {seed}")))
    return found


def humps(truth: PageTruth, record: PageRecord) -> dict[int, bool]:
    """Whether each chet of the record was drawn with a hump, by glyph."""
    drawn = {}
    for letter in truth.letters:
        if letter.letter != "ח":
            continue
        for glyph in record.glyphs:
            away = np.hypot(glyph.body[0] - letter.body[0], glyph.body[1] - letter.body[1])
            if away < letter.q:
                drawn[glyph.glyph] = any(part.name == "hump" for part in letter.parts)
    return drawn


def test_roofs_are_measured_as_they_were_drawn(
    pages: list[tuple[PageTruth, PageRecord]],
) -> None:
    right, wrong, forms = 0, 0, set()
    for truth, record in pages:
        drawn = humps(truth, record)
        forms |= set(drawn.values())
        for m in record.measurements:
            if m.name == CHET_MEASURE and m.glyph in drawn and m.claim != "unclear":
                agrees = (m.claim == "there") == drawn[m.glyph]
                right, wrong = right + agrees, wrong + (not agrees)
    assert forms == {True, False}  # both forms are among the hands
    assert wrong == 0
    assert right >= 60  # of 80


def test_the_other_form_is_one_finding(pages: list[tuple[PageTruth, PageRecord]]) -> None:
    for truth, record in pages:
        drawn = humps(truth, record)
        if not drawn:
            continue
        humped = all(drawn.values())
        for wanted in ("hump", "flat", "unspecified"):
            customs = replace(load_customs(), chet_top=wanted)
            kinds = [f.kind for f in collect_findings(record, customs)]
            asked = wanted == ("flat" if humped else "hump")
            assert kinds.count("custom_form") == int(asked)
