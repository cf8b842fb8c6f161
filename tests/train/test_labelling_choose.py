"""Letters worth labelling: doubtful ones, and not all alike."""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import CATALOGUE, LEARNED_DEFECTS
from crownlet.infer.records import GlyphRecord, PageRecord
from crownlet.infer.review.models import ReviewStoreError
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.review.subset import read_requested_items
from crownlet.infer.run.run import open_run
from crownlet.infer.run.write import write_page
from crownlet.train.labelling.choose import (
    LETTER_DOUBTS,
    ChosenLetter,
    choose_letters,
    measure_doubts,
)
from crownlet.train.scans_cli import main

COUNT = 400


def glyph(number: int, letter: str, p: dict[str, float], expected: str | None) -> GlyphRecord:
    can = {name for name in LEARNED_DEFECTS if CATALOGUE[name].applies_to(letter)}
    every: dict[str, float | None] = {n: 0.001 if n in can else None for n in LEARNED_DEFECTS}
    x = 10.0 * number
    return GlyphRecord(
        number, 1, 1, number, letter, 0.99, expected, (x, 0.0, x + 9, 20.0), (x, 0.0, 20.0, 0.0), 0,
        None, every | {"shape_doubt": 0.01} | p,
    )  # fmt: skip


@pytest.fixture(scope="module")
def page() -> PageRecord:
    """A hand with a habit: half of its yuds are doubted most for one thing, others less for many.

    A letter whose class is in doubt, but which the text names, comes last.
    """
    rng = np.random.default_rng(1)
    rows = [glyph(k + 1, "י", {"foot_level": 0.5 - 0.0001 * k}, "י") for k in range(COUNT // 2)]
    for k in range(COUNT // 2, COUNT - 1):
        letter = LETTERS[k % 27]
        can = [name for name in LEARNED_DEFECTS if CATALOGUE[name].applies_to(letter)]
        rows.append(glyph(k + 1, letter, {str(rng.choice(can)): rng.uniform(0.05, 0.4)}, letter))
    rows.append(glyph(COUNT, "ר", {"shape_doubt": 0.5}, "ר"))
    return PageRecord("p", ImageFacts("p.png", 9000, 90, "L", "PNG"), tuple(rows), (), None, 0)


def plainly_uncertain(page: PageRecord, n: int) -> list[ChosenLetter]:
    ranked = sorted(page.glyphs, key=lambda g: -max(measure_doubts(g)))[:n]
    kinds = [LETTER_DOUBTS[int(np.argmax(measure_doubts(g)))] for g in ranked]
    return [
        ChosenLetter("p", g.glyph, g.letter, k, 0.0) for g, k in zip(ranked, kinds, strict=True)
    ]


def cells(chosen: tuple[ChosenLetter, ...] | list[ChosenLetter]) -> Counter[tuple[str, str]]:
    return Counter((c.letter, c.kind) for c in chosen)


def test_the_choice_is_more_varied_than_chance_or_doubt_alone(page: PageRecord) -> None:
    chosen = choose_letters([page], 50)
    assert len(chosen) == len({c.glyph for c in chosen}) == 50
    alone = cells(plainly_uncertain(page, 50))
    drawn = np.random.default_rng(0).choice(COUNT - 1, 50, replace=False)
    by_chance = cells([c for c in plainly_uncertain(page, COUNT) if c.glyph - 1 in drawn])
    assert len(alone) == 1  # fifty times the same yud
    assert len(cells(chosen)) > 1.3 * len(by_chance)
    assert cells(chosen).most_common(1)[0][1] <= 3
    assert len({c.letter for c in chosen}) >= 20


def test_what_the_text_answers_is_asked_of_nobody(page: PageRecord) -> None:
    assert max(measure_doubts(page.glyphs[-1])) < 0.01
    unknown = replace(page.glyphs[-1], expected=None)
    assert max(measure_doubts(unknown)) == 0.5
    skipped = replace(page.glyphs[0], not_examined=("foot_level",))
    assert max(measure_doubts(skipped)) < 0.01


def test_the_same_seed_chooses_the_same(page: PageRecord) -> None:
    assert choose_letters([page], 20, seed=3) == choose_letters([page], 20, seed=3)
    assert choose_letters([page], 20, seed=3) != choose_letters([page], 20, seed=4)
    assert len(choose_letters([page], 10_000)) == COUNT - 1  # all that are in doubt, no more
    assert choose_letters([page], 0) == choose_letters([], 5) == ()


def test_the_list_is_what_a_review_shows(page: PageRecord, tmp_path: Path) -> None:
    write_page(page, tmp_path / "run")
    with pytest.raises(SystemExit) as end:
        main(["choose", str(tmp_path / "run"), "--n", "30"])
    assert end.value.code == 0
    path = tmp_path / "run" / "choice.csv"
    rows = list(csv.DictReader(path.open(encoding="utf-8", newline="")))
    assert len(rows) == 30
    run = open_run(tmp_path / "run")
    whole = ReviewStore.open(tmp_path / "db", run)
    before = len(whole.items("anna"))
    store = ReviewStore.open(tmp_path / "db", run, only=read_requested_items(path, run))
    shown = {(i.page, str(i.glyphs[0]), i.kind) for i in store.items("anna")}
    assert shown == {(r["page"], r["glyph"], r["kind"]) for r in rows}
    assert store.progress("anna").total == 30
    assert sum(g.open for g in store.groups("anna")) == 30
    seen = set()
    while (item := store.next_open("ben")) is not None:
        store.decide(item.id, "ben", "not_present", version=item.version)
        seen.add(item.glyphs[0])
    assert seen == {int(r["glyph"]) for r in rows}
    # Without the list the whole queue is there, the listed questions in it.
    assert len(ReviewStore.open(tmp_path / "db", run).items("anna")) >= max(before, 30)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("page,kind\r\n", "it has no column glyph"),
        ("page,glyph,kind\r\nq,1,foot_level\r\n", "line 2: page 'q' is not in the run"),
        ("page,glyph,kind\r\np,1,foot_level\r\np,0,foot_level\r\n", "line 3: page p has no letter"),
        ("page,glyph,kind\r\np,1,ring_open\r\n", "line 2: 'ring_open' cannot be asked of letter 1"),
    ],
)
def test_wrong_lines_of_a_list_are_named(
    page: PageRecord, tmp_path: Path, text: str, why: str
) -> None:
    write_page(page, tmp_path / "run")
    (tmp_path / "list.csv").write_text(text, "utf-8", newline="")
    with pytest.raises(ReviewStoreError, match=why):
        read_requested_items(tmp_path / "list.csv", open_run(tmp_path / "run"))
