"""The audit of a survey drawn and answered, and what is gathered of it to compare.

Pages are made-up records, so that what stands on them is known; no network takes part.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import synthetic_runs
from sklearn.metrics import cohen_kappa_score
from surveyed_runs import DEFECT, LETTERS, PAGES, ROW, answer, scrolls, surveyed

from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
from crownlet.infer.review.models import ReviewStoreError
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.review.survey_questions import read_audit, write_audit
from crownlet.infer.run.run import open_run
from crownlet.infer.run.survey_state import AuditDraw, read_survey, write_survey
from crownlet.infer.run.tables import RunError
from crownlet.infer.run.write import write_page
from crownlet.infer.scrolls.same_page import SAME_PAGE_NOTE
from crownlet.infer.survey.audit import compute_chances, draw_audit, list_chances
from crownlet.infer.survey.compare import compare_sources
from crownlet.infer.survey.data import load_survey


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return surveyed(tmp_path / "S", 6)


def test_an_even_draw_has_as_many_letters_of_each_scroll_and_its_chance(tmp_path: Path) -> None:
    """Weights of a stratified draw sum to the stratum (Cochran 1977, section 5.2): drawn letters
    counted as 1 / chance are all letters that can have the defect."""
    folder = surveyed(tmp_path / "S", 6, GLYPH_DEFECTS, "even")
    pairs = read_audit(folder)
    able = Counter(
        (page.page.partition("-")[0], defect)
        for page in (p for group in scrolls(folder, checksums(folder)).values() for p in group)
        for row, defect in enumerate(GLYPH_DEFECTS)
        for value in page.predicted[row]
        if not math.isnan(value)
    )
    drawn = Counter((pair.page.partition("-")[0], pair.defect) for pair in pairs)
    assert drawn == {stratum: min(6, size) for stratum, size in able.items()}
    for stratum, size in able.items():
        chances = {
            p.inclusion_probability
            for p in pairs
            if (p.page.partition("-")[0], p.defect) == stratum
        }
        assert chances == {drawn[stratum] / size}
    assert len({(pair.page, pair.glyph, pair.defect) for pair in pairs}) == len(pairs)


def test_a_draw_by_doubt_asks_about_as_many_letters(folder: Path) -> None:
    """The chances of a sample of expected size n sum to n (Sarndal, Swensson & Wretman 1992,
    result 2.6.1), and a spread draw keeps close to it."""
    drawn = Counter(pair.page.partition("-")[0] for pair in read_audit(folder))
    for chances in list_chances(scrolls(folder, checksums(folder)), (DEFECT,), 6, "doubt"):
        assert chances.chance.sum() == pytest.approx(6)
    assert set(drawn) == {"S001", "S002", "S003", "S004", "S005", "S006"}
    assert all(3 <= count <= 9 for count in drawn.values())


def checksums(folder: Path) -> dict[str, str]:
    return {name: page.checksum for name, page in open_run(folder).pages.items()}


@pytest.mark.parametrize("draw", ["doubt", "even"])
def test_each_letter_is_drawn_as_often_as_its_chance_says(folder: Path, draw: AuditDraw) -> None:
    """Over 400 seeds, within 4.5 standard errors of a binomial count."""
    strata = scrolls(folder, checksums(folder))
    seeds, size = 400, 6
    counts: Counter[tuple[str, int]] = Counter()
    for seed in range(seeds):
        counts.update((p.page, p.glyph) for p in draw_audit(strata, [DEFECT], size, seed, draw))
    of_letter: dict[tuple[str, int], float] = {}
    for chances in list_chances(strata, [DEFECT], size, draw):
        places = [(page.page, int(page.glyph[k]))
                  for page, own in zip(chances.pages, chances.examined, strict=True)
                  for k in own]  # fmt: skip
        of_letter |= dict(zip(places, chances.chance.tolist(), strict=True))
    assert len(of_letter) == LETTERS * len(PAGES)
    for place, chance in of_letter.items():
        spread = math.sqrt(seeds * chance * (1 - chance))
        assert abs(counts[place] - seeds * chance) < 4.5 * spread
    marked = {
        (page.page, int(page.glyph[k]))
        for group in strata.values()
        for page in group
        for k in np.flatnonzero(page.predicted[ROW] > 0.5)
    }
    assert len(marked) > 15
    more = np.mean([of_letter[place] for place in marked])
    less = np.mean([of_letter[place] for place in of_letter.keys() - marked])
    assert (more > 2 * less) if draw == "doubt" else more == pytest.approx(less, rel=0.3)


@pytest.mark.parametrize("size", [3, 10, 40, 55])
def test_chances_sum_to_the_size_and_none_is_far_below_an_even_draw(size: int) -> None:
    """No outside source for the floor of one half: it is the definition of a defensive mixture
    (Hesterberg 1995); the sum of inclusion probabilities is the expected size of the sample."""
    rng = np.random.default_rng(3)
    predicted = np.where(rng.random(60) < 0.1, rng.beta(8, 2, 60), rng.beta(0.3, 20, 60))
    chance = compute_chances(predicted, size)
    assert chance.sum() == pytest.approx(size)
    assert chance.max() <= 1 and chance.min() >= 0.5 * min(1, size / 60) - 1e-12
    order = np.argsort(predicted)
    assert (np.diff(chance[order]) >= -1e-12).all()
    assert (compute_chances(predicted, 60) == 1).all()
    assert (compute_chances(predicted, size + 1) >= chance - 1e-12).all()
    assert set(compute_chances(np.full(60, 0.3), size)) == {size / 60}


def test_a_larger_audit_draws_the_same_letters_and_more(folder: Path) -> None:
    strata = scrolls(folder, checksums(folder))
    less, more = (
        {(p.page, p.glyph) for p in draw_audit(strata, [DEFECT], size, 7)} for size in (3, 9)
    )
    assert less < more
    even = [draw_audit(strata, [DEFECT], size, 7, "even") for size in (3, 9, 0.1)]
    assert [len(drawn) for drawn in even] == [6 * 3, 6 * 9, 5 * 6 + 12]
    assert draw_audit(strata, [DEFECT], 0, 7) == ()


def test_a_survey_wholly_read_gives_the_share_that_was_put_in(tmp_path: Path) -> None:
    """Every letter judged: the rate is a plain count, 3 letters of 60 on each page."""
    folder = surveyed(tmp_path / "S", 1e5)
    answer(folder, "first", dict.fromkeys((4, 9, 30), "present"))
    gathered = load_survey(folder)
    assert gathered.audit.drawn == gathered.audit.decided == LETTERS * len(PAGES)
    rates = [rate for rate in compare_sources(gathered.arrays).rates if rate.defect == DEFECT]
    assert [(r.source, r.basis, r.n_audited) for r in rates] == [
        ("A", "read", 4 * LETTERS), ("B", "read", 3 * LETTERS),
    ]  # fmt: skip
    assert [r.estimate for r in rates] == pytest.approx([3 / 60, 3 / 60])
    assert [(s.code, s.faces, s.reverses, s.letters) for s in gathered.scrolls][:2] == [
        ("A", 1, 1, 2 * LETTERS), ("A", 1, 0, LETTERS),
    ]  # fmt: skip


def test_labels_chances_and_predictions_stand_at_their_letters(folder: Path) -> None:
    marked = {pair.glyph for pair in read_audit(folder) if pair.glyph % 2}
    answer(folder, "first", dict.fromkeys(marked, "present"))
    gathered, run = load_survey(folder), open_run(folder)
    table, row = gathered.arrays, GLYPH_DEFECTS.index(DEFECT)
    drawn = {(pair.page, pair.glyph): pair.inclusion_probability for pair in read_audit(folder)}
    for k, place in enumerate(zip(gathered.page.tolist(), gathered.glyph.tolist(), strict=True)):
        glyph = run.pages[place[0]].record.glyphs[place[1] - 1]
        assert table.letter[k] == glyph.letter
        assert table.side[k] == place[0].partition("-")[2]
        assert table.sources[table.source_of[table.scroll[k]]] == PAGES[place[0]]
        for number, defect in enumerate(GLYPH_DEFECTS):
            p = glyph.p[defect]
            assert table.predicted[number, k] == pytest.approx(math.nan if p is None else p,
                                                               nan_ok=True)  # fmt: skip
            # Accepted by some and so not listed by unspecified customs: bare crowns (MB 36:12), and
            # a final kaf with a square top (MB 32:73).
            accepted = defect == "tag_bare" or (defect, glyph.letter) == ("corner_squared", "ך")
            assert table.found[number, k] == (defect in glyph.sure and not accepted)
        says = math.nan if place not in drawn else float(place[1] % 2)
        assert table.label[row, k] == pytest.approx(says, nan_ok=True)
    for (page, number), chance in drawn.items():
        k = next(iter(np.flatnonzero((gathered.page == page) & (gathered.glyph == number))))
        assert table.inclusion_probability[row, k] == chance
    for scroll in np.unique(table.scroll):
        own = table.scroll == scroll
        assert table.inclusion_probability[row, own].sum() == pytest.approx(6)
    other = np.delete(np.arange(len(GLYPH_DEFECTS)), row)
    assert np.isnan(table.label[other]).all() and (table.inclusion_probability[other] == 1).all()
    assert {rate.basis for rate in compare_sources(table).rates if rate.defect == DEFECT} == {
        "audited"
    }


def test_an_unanswered_question_leaves_the_others_their_word(folder: Path) -> None:
    """Under the named assumption a label counts for the unlabelled of its scroll as well: weights
    then still sum to the estimated letters of the scroll (Sarndal, Swensson & Wretman 1992,
    chapter 15)."""
    pairs = read_audit(folder)
    first = pairs[0].glyph
    answer(folder, "first", {first: "cannot_tell"})
    unsure = sum(pair.glyph == first for pair in pairs)
    store = ReviewStore.open(folder / "review.sqlite3", open_run(folder))
    store.undo("first")
    store.close()
    gathered = load_survey(folder)
    counts = gathered.audit
    assert counts.drawn == len(pairs)
    assert counts.cannot_tell in (unsure, unsure - 1)
    assert counts.decided + counts.cannot_tell == len(pairs) - 1
    label, probability = gathered.arrays.label[ROW], gathered.arrays.inclusion_probability[ROW]
    assert np.isfinite(label).sum() == counts.decided
    for scroll in np.unique(gathered.arrays.scroll):
        own = (gathered.arrays.scroll == scroll) & np.isfinite(label)
        asked = sum(
            1 / pair.inclusion_probability
            for pair in pairs
            if pair.page.partition("-")[0] == gathered.scrolls[scroll].name
        )
        assert (1 / probability[own]).sum() == pytest.approx(asked)


def test_fewer_than_half_of_the_answers_do_not_count(folder: Path) -> None:
    pairs = read_audit(folder)
    store = ReviewStore.open(folder / "review.sqlite3", open_run(folder))
    for item in store.items("first")[: len(pairs) // 5]:
        store.decide(item.id, "first", "not_present", version=item.version)
    store.close()
    gathered = load_survey(folder)
    assert gathered.audit.decided == len(pairs) // 5
    assert np.isnan(gathered.arrays.label).all()


def test_answers_after_being_informed_do_not_count(folder: Path) -> None:
    answer(folder, "first", {}, informed=True)
    assert load_survey(folder).audit.decided == 0
    answer(folder, "second", {})
    assert load_survey(folder).audit.decided == len(read_audit(folder))


def test_two_readers_both_count_and_their_kappa_is_that_of_scikit_learn(folder: Path) -> None:
    places = read_audit(folder)
    answer(folder, "first", dict.fromkeys({p.glyph for p in places[:9]}, "present"))
    answer(folder, "second", dict.fromkeys({p.glyph for p in places[4:14]}, "present"))
    gathered = load_survey(folder)
    first, second = (
        [place.glyph in {p.glyph for p in marked} for place in places]
        for marked in (places[:9], places[4:14])
    )
    label = dict(zip(
        zip(gathered.page.tolist(), gathered.glyph.tolist(), strict=True),
        gathered.arrays.label[ROW].tolist(), strict=True,
    ))  # fmt: skip
    for place, one, two in zip(places, first, second, strict=True):
        assert label[place.page, place.glyph] == (one + two) / 2
    [every, by_defect] = gathered.agreement
    assert (every.defect, by_defect.defect) == ("any", DEFECT)
    assert (every.first, every.second, every.n_both) == (1, 2, len(places))
    assert every.kappa == pytest.approx(cohen_kappa_score(first, second))


def test_a_larger_audit_keeps_what_was_decided(folder: Path) -> None:
    answer(folder, "first", {})
    before = len(read_audit(folder))
    pairs = draw_audit(scrolls(folder, checksums(folder)), (DEFECT,), 8, 7)
    write_audit(folder, pairs)
    with pytest.raises(RunError, match="does not fit the survey"):
        load_survey(folder)
    survey = read_survey(folder)
    assert survey is not None
    write_survey(folder, replace(survey, audit=8))
    audit = load_survey(folder).audit
    assert (audit.drawn, audit.decided) == (len(pairs), before)
    store = ReviewStore.open(folder / "review.sqlite3", open_run(folder))
    assert store.progress("first").open == len(pairs) - before
    store.close()


@pytest.mark.parametrize(
    ("gone", "message"),
    [
        ("survey.json", "holds no survey"),
        ("sources.csv", "which says whose"),
        ("audit.csv", "cannot be read"),
    ],
)
def test_what_is_absent_is_stated(folder: Path, gone: str, message: str) -> None:
    (folder / gone).unlink()
    with pytest.raises(RunError, match=message):
        load_survey(folder)


def test_a_folder_of_an_earlier_version_is_refused_in_one_sentence(folder: Path) -> None:
    """Schema 1 had the column `chance` in audit.csv and other columns in the report's tables."""
    record = json.loads((folder / "survey.json").read_bytes())
    assert record["schema"] == 2
    (folder / "survey.json").write_text(json.dumps(record | {"schema": 1}), encoding="utf-8")
    for read in (load_survey, lambda old: ReviewStore.open(old / "new.sqlite3", open_run(old))):
        with pytest.raises(RunError) as caught:
            read(folder)
        assert caught.value.reason == (
            "was written by an earlier version of the program, whose tables have other columns; "
            "make the survey again in a new folder."
        )


def test_an_audit_with_the_earlier_column_is_refused(folder: Path) -> None:
    path = folder / "audit.csv"
    text = path.read_text(encoding="utf-8")
    header = "page,glyph,letter,defect,inclusion_probability\n"
    assert text.startswith(header)
    path.write_text(text.replace("inclusion_probability", "chance", 1), encoding="utf-8")
    with pytest.raises(RunError, match="is no audit of a survey"):
        load_survey(folder)


@pytest.mark.parametrize(
    ("old", "new"), [("-face,", "-fave,"), (DEFECT, "ink_lsot"), ("1,", "999999,"), ("1,", "0,")]
)
def test_questions_about_what_is_not_there_are_refused(folder: Path, old: str, new: str) -> None:
    """No outside source: what hostile files showed (tests/hostile/README.md)."""
    path = folder / "audit.csv"
    header, first, *others = path.read_text("utf-8").splitlines()
    page, _, rest = first.split(",", 2)
    first = f"{page},{new}{rest}" if old == "1," else first.replace(old, new)
    path.write_text("\n".join((header, first, *others)) + "\n", "utf-8")
    with pytest.raises(RunError, match="does not fit the survey") as caught:
        load_survey(folder)
    assert caught.value.path == str(path)
    with pytest.raises(ReviewStoreError):
        ReviewStore.open(folder / "review.sqlite3", open_run(folder))


@pytest.mark.parametrize(("key", "value"), [("versions", True), ("quality", 1), ("text", "x")])
def test_a_damaged_record_is_refused_with_its_file(folder: Path, key: str, value: object) -> None:
    path = folder / "S001-face" / "page.json"
    path.write_text(json.dumps(json.loads(path.read_bytes()) | {key: value}), "utf-8")
    with pytest.raises(RunError, match="is damaged") as caught:
        load_survey(folder)
    assert caught.value.path == str(path)


def test_probabilities_beyond_1_and_letters_out_of_order_are_refused(folder: Path) -> None:
    path = folder / "S001-face" / "glyphs.csv"
    whole = path.read_text("utf-8")
    header, first, *others = whole.splitlines()
    cells, at = first.split(","), header.split(",").index(f"p_{DEFECT}")
    beyond = ",".join((*cells[:at], "3", *cells[at + 1 :]))
    for damaged in ((beyond, *others), (*others, first)):
        path.write_text("\n".join((header, *damaged)) + "\n", "utf-8")
        with pytest.raises(RunError, match="its tables are damaged"):
            load_survey(folder)


def test_pages_inspected_outside_the_survey_are_refused(folder: Path) -> None:
    write_page(synthetic_runs.record("S002-face", LETTERS, seed=99), folder)
    with pytest.raises(RunError, match="inspected outside the survey"):
        load_survey(folder)


def test_a_page_that_may_be_counted_twice_is_stated_once(folder: Path) -> None:
    assert not [note for note in load_survey(folder).notes if "same page" in note]
    path = folder / "scrolls.json"
    listed = json.loads(path.read_bytes())
    sentence = SAME_PAGE_NOTE.format("S001-face", "S004-face")
    for scroll in listed["scrolls"]:
        if {"S001-face", "S004-face"} & {*scroll["faces"]}:
            scroll["notes"].append(sentence)
    path.write_text(json.dumps(listed), encoding="utf-8")
    assert [note for note in load_survey(folder).notes if "same page" in note] == [sentence]
