"""Export of a review: labels that COCO readers accept, with no more in them than was decided."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import synthetic_runs as made
from faster_coco_eval import COCO

from crownlet.datasets.coco.read import load_coco
from crownlet.datasets.scribal.alphabet import BY_SLUG, index_of
from crownlet.datasets.scribal.catalogue import CATALOGUE, LEARNED_DEFECTS
from crownlet.infer.findings.finding import Finding, Scope
from crownlet.infer.review.decisions import Answer
from crownlet.infer.review.export import export_review
from crownlet.infer.review.models import Item, ReviewStoreError
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.run import Run, open_run
from crownlet.infer.run.tables import RunError
from crownlet.infer.run.write import write_page
from crownlet.train.fit.crops import defect_targets


@pytest.fixture
def run(tmp_path: Path) -> Run:
    return made.pictured(tmp_path / "סריקות one", ["a", "ב"])


@pytest.fixture
def store(run: Run) -> ReviewStore:
    return ReviewStore.open(run.folder / "review.sqlite3", run, audit_share=0.05)


def doubts(store: ReviewStore) -> list[Item]:
    """Doubts of page a that are faults of one letter, each of another letter."""
    every = [i for i in store.items("anna") if i.page == "a" and len(i.glyphs) == 1]
    faults = [i for i in every if i.letter not in "א" and i.kind != "shape_doubt"]
    return list({i.glyphs: i for i in faults}.values())


def written(run: Run) -> dict[int, dict]:  # type: ignore[type-arg]
    """Annotations of page a by the number of their letter."""
    data = json.loads((run.folder / "labels.coco.json").read_text("utf-8"))
    image = next(i for i in data["images"] if i["crownlet"]["meta"]["page"] == "a")
    of_page = [a for a in data["annotations"] if a["image_id"] == image["id"]]
    return dict(enumerate(of_page, start=1))


def test_each_decision_says_what_it_says_and_no_more(run: Run, store: ReviewStore) -> None:
    present, absent, unsure, question, other = doubts(store)[:5]
    store.decide(present.id, "anna", "present", version=0, note='of the left head, "thin"')
    store.decide(absent.id, "anna", "not_present", version=0, blind=False, opinion_shown=True)
    store.decide(unsure.id, "anna", "cannot_tell", version=0)
    store.decide(question.id, "anna", "authority", version=0)
    store.decide(other.id, "anna", "other_letter", version=0, right_letter="א")
    summary = export_review(run, store)
    assert (summary.decided, summary.letters, summary.left_out) == (5, 5, ())
    found = written(run)
    assert len(found) == 80  # every letter of the page: a letter without a label is not background

    def of(item: Item) -> tuple[list[str], list[str], bool]:
        own = found[item.glyphs[0]]["attributes"]
        return own["known"], list(own["defects"]), own["letter_known"]

    assert of(present) == ([present.kind], [present.kind], True)
    assert of(absent) == ([absent.kind], [], True)
    for item in (unsure, question):
        assert of(item) == ([], [], False)
    assert of(other) == ([], [], True)
    assert found[other.glyphs[0]]["category_id"] == index_of("א") + 1
    silent = set(found) - {i.glyphs[0] for i in (present, absent, unsure, question, other)}
    assert {json.dumps(found[k]["attributes"]["known"]) for k in silent} == {"[]"}
    assert not any(found[k]["attributes"]["letter_known"] for k in silent)
    made_by = found[absent.glyphs[0]]["attributes"]["decisions"][0]
    assert (made_by["reader"], made_by["blind"], made_by["opinion_shown"], made_by["round"]) == (
        "anna", False, True, 1,
    )  # fmt: skip
    assert made_by["at"].endswith("+00:00")


def test_readers_who_contradict_each_other_leave_it_unknown(run: Run, store: ReviewStore) -> None:
    first, second = doubts(store)[:2]
    for name, choice in (("anna", "present"), ("ben", "not_present")):
        store.decide(first.id, name, choice, version=0)
        store.decide(second.id, name, "present", version=0)
    export_review(run, store)
    own = written(run)[first.glyphs[0]]["attributes"]
    assert (own["known"], own["defects"]) == ([], {})
    assert {d["reader"] for d in own["decisions"]} == {"anna", "ben"}
    assert written(run)[second.glyphs[0]]["attributes"]["known"] == [second.kind]


def test_labels_are_read_back_and_unknown_is_not_absent(run: Run, store: ReviewStore) -> None:
    item = doubts(store)[0]
    store.decide(item.id, "anna", "present", version=0)
    export_review(run, store)
    (page,) = load_coco(run.folder / "labels.coco.json")
    record = run.pages["a"].record
    assert (page.image == run.pages["a"].pixels()).all()
    assert page.meta["page"] == "a"
    for letter, glyph in zip(page.letters, record.glyphs, strict=True):
        assert letter.letter == glyph.letter
        assert letter.box == pytest.approx(glyph.box)
        assert letter.body == pytest.approx(glyph.body)
        decided = glyph.glyph == item.glyphs[0]
        assert letter.known == ((item.kind,) if decided else ())
        assert letter.whole == decided  # of the others not even the letter is known
        # The trainer asks nothing of what nobody looked for: nan, never 0.
        asked = dict(zip(LEARNED_DEFECTS, defect_targets(letter), strict=True))
        known = {name: target for name, target in asked.items() if not np.isnan(target)}
        assert known == ({item.kind: 1.0} if decided and item.kind in LEARNED_DEFECTS else {})


def test_a_letter_asked_about_everything_is_whole(run: Run, store: ReviewStore) -> None:
    """Of a labelled letter the trainer takes each learned fault that applies, and what is there."""
    item = next(i for i in doubts(store) if i.kind in LEARNED_DEFECTS)
    store.decide(item.id, "anna", "present", version=0)
    export_review(run, store)
    path = run.folder / "labels.coco.json"
    data = json.loads(path.read_text("utf-8"))
    own = data["annotations"][item.glyphs[0] - 1]["attributes"]
    own["known"] = [d for d in LEARNED_DEFECTS if CATALOGUE[d].applies_to(item.letter)]
    own["added by another tool"] = {"x": 1}
    path.write_text(json.dumps(data), "utf-8")
    letter = load_coco(path)[0].letters[item.glyphs[0] - 1]
    asked = dict(zip(LEARNED_DEFECTS, defect_targets(letter), strict=True))
    assert letter.whole
    assert {name for name, target in asked.items() if target == 1} == {item.kind}
    assert {name for name, target in asked.items() if not np.isnan(target)} == set(own["known"])


def test_another_reader_of_coco_takes_the_labels(run: Run, store: ReviewStore) -> None:
    for item in store.items("anna"):
        store.decide(item.id, "anna", "not_present", version=0)
    export_review(run, store)
    coco = COCO(str(run.folder / "labels.coco.json"))
    assert len(coco.getImgIds()) == 2
    assert len(coco.getAnnIds()) == 160
    assert {c["name"] for c in coco.loadCats(coco.getCatIds())} == set(BY_SLUG)
    for image in coco.loadImgs(coco.getImgIds()):
        assert (run.folder / image["file_name"]).is_file()
        assert not Path(image["file_name"]).is_absolute()


def test_decisions_as_a_table(run: Run, store: ReviewStore) -> None:
    first, second = store.items("anna")[:2]
    store.decide_many(
        [Answer(k.id, "present", 0, None, 'a "b"\nc') for k in (first, second)], "anna"
    )
    store.undo("anna")
    export_review(run, store)
    # RFC 4180: CRLF ends a record, quotes are doubled.
    raw = (run.folder / "decisions.csv").read_bytes()
    assert raw.count(b"\r\n") == 2
    with (run.folder / "decisions.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["page"], row["kind"], row["letter"]) == (first.page, first.kind, first.letter)
    assert (row["reader"], row["choice"], row["note"]) == ("anna", "present", 'a "b"\nc')
    assert row["still_asked"] == "1"


def finding(kind: str, scope: Scope, glyphs: tuple[int, ...], letter: str | None) -> Finding:
    return Finding(
        1, kind, scope, glyphs, 1, letter, None, (1.0, 2.0, 3.0, 4.0), "finding", None, "question",
        (), (), False, "Look here.",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "choice", "meant"),
    [
        ("letter_swapped", "present", "ב"),  # another letter than the text's: as read
        ("letter_swapped", "not_present", "כ"),  # no other than the text's: misread
        ("letter_extra", "present", "ב"),
        ("shape_doubt", "not_present", "ב"),
        ("shape_doubt", "present", None),  # nobody can tell which
        ("unfamiliar", "present", None),
    ],
)
def test_what_an_answer_says_of_the_letter_itself(
    run: Run, kind: str, choice: str, meant: str | None
) -> None:
    record = run.pages["a"].record
    first = replace(record.glyphs[0], letter="ב", expected="כ")
    page = replace(record, glyphs=(first, *record.glyphs[1:]))
    scope: Scope = "text" if kind.startswith("letter") else "glyph"
    write_page(page, run.folder, [finding(kind, scope, (1,), "ב")])
    store = ReviewStore.open(run.folder / "r", open_run(run.folder))
    (item,) = [i for i in store.items("anna") if i.page == "a" and i.glyphs == (1,)]
    store.decide(item.id, "anna", choice, version=0)
    export_review(open_run(run.folder), store)
    own = written(run)[1]
    assert own["attributes"]["letter_known"] == (meant is not None)
    assert own["category_id"] == index_of(meant or "ב") + 1
    assert own["attributes"]["known"] == (["shape_doubt"] if kind == "shape_doubt" else [])


def test_places_of_text_and_layout_stand_in_the_table_only(run: Run) -> None:
    found = [
        finding("letter_absent", "text", (4,), None),
        finding("margin_uneven", "page", (1, 2, 3), None),
    ]
    write_page(run.pages["a"].record, run.folder, found)
    store = ReviewStore.open(run.folder / "r", open_run(run.folder))
    for item in store.items("anna"):
        if item.page == "a" and not item.letter:
            store.decide(item.id, "anna", "present", version=0)
    summary = export_review(open_run(run.folder), store)
    assert (summary.decided, summary.letters, summary.left_out) == (2, 0, ())
    assert len((run.folder / "decisions.csv").read_text("utf-8").splitlines()) == 3


def test_gaps_carry_what_was_said_of_them(run: Run, store: ReviewStore) -> None:
    gap = next(i for i in store.items("anna", kind="word_parted") if i.page == "a")
    store.decide(gap.id, "anna", "present", version=0)
    export_review(run, store)
    (page,) = load_coco(run.folder / "labels.coco.json")
    assert [(g.right, g.left, [m.name for m in g.defects]) for g in page.gaps] == [
        (0, 1, ["word_parted"])
    ]


def test_what_cannot_be_labelled_is_stated(run: Run, store: ReviewStore) -> None:
    item = doubts(store)[0]
    store.decide(item.id, "anna", "present", version=0)
    (run.folder.parent / "scans" / "a.png").unlink()
    summary = str(export_review(run, store))
    assert "page a is left out of the labels" in summary
    assert "no longer there" in summary
    assert load_coco(run.folder / "labels.coco.json").truths == []
    assert len((run.folder / "decisions.csv").read_text("utf-8").splitlines()) == 2


def test_decisions_on_an_older_inspection_find_their_letter(run: Run, store: ReviewStore) -> None:
    """The letters are numbered again when one before them is no longer read."""
    item = next(i for i in doubts(store) if i.glyphs[0] > 2)
    store.decide(item.id, "anna", "present", version=0)
    record = run.pages["a"].record
    less = tuple(
        replace(g, glyph=k, route="clear", reasons=())
        for k, g in enumerate(record.glyphs[1:], start=1)
    )
    made.write_page(replace(record, glyphs=less, gaps=()), run.folder)
    again = open_run(run.folder)
    summary = export_review(again, ReviewStore.open(store.path, again))
    assert (summary.letters, summary.left_out) == (1, ())
    assert written(again)[item.glyphs[0] - 1]["attributes"]["known"] == [item.kind]


def test_nothing_reviewed_and_no_run_are_stated(tmp_path: Path) -> None:
    with pytest.raises(RunError, match="no such run"):
        export_review(tmp_path / "none")
    made.pictured(tmp_path, ["a"])
    with pytest.raises(ReviewStoreError, match="nothing was reviewed"):
        export_review(tmp_path / "run")


def test_a_full_disk_leaves_the_older_files(
    run: Run, store: ReviewStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.decide(doubts(store)[0].id, "anna", "present", version=0)
    export_review(run, store)
    files = [run.folder / name for name in ("labels.coco.json", "decisions.csv")]
    before = [file.read_bytes() for file in files]
    store.undo("anna")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    # Each file is whole; the labels, which are written first, may be newer than the table.
    for name, old in (("write_json", (0, 1)), ("write_csv", (1,))):
        with monkeypatch.context() as patch:
            patch.setattr(f"crownlet.infer.review.export.{name}", full)
            with pytest.raises(OSError, match="No space"):
                export_review(run, store)
        assert all(files[k].read_bytes() == before[k] for k in old)
    assert json.loads(files[0].read_bytes())["images"] == []
    assert not list(run.folder.glob(".crownlet-*"))
