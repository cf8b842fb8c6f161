"""A page with a known text labels its own letters, and leaves out what is doubtful."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from crownlet.datasets.coco.truth import LetterTruth, PageTruth
from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import training
from crownlet.datasets.scans.check_coco import coco_complaints
from crownlet.datasets.scans.manifest import Scan, open_scans
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.inspector import Inspector
from crownlet.infer.records import AbsentLetter, GlyphRecord, PageRecord, TextMatch
from crownlet.train.evaluation.matching import match_boxes
from crownlet.train.labelling.measure import LabelTally, tally_labels
from crownlet.train.labelling.self_labels import (
    NoLabelsError,
    SelfLabelled,
    coco,
    label_page,
    self_labels,
)
from crownlet.train.scans_cli import main

# 60 letters of the mezuzah; in what is written, resh stands for dalet in line 1 (word 6: `one`).
TEXT = "שמע ישראל יהוה אלהינו יהוה אחד ואהבת\nאת יהוה אלהיך בכל לבבך ובכל נפשך ובכל מאדך\n"
CHANGED = TEXT.replace("אחד", "אחר")


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, PageTruth]:
    """A page by a hand that nothing was trained on, with one letter changed."""
    folder = tmp_path_factory.mktemp("self")
    (folder / "written.txt").write_text(CHANGED, "utf-8")
    spec = training(
        portion=str(folder / "written.txt"), split="heldout", body=(30.0, 30.0), margin=(2.0, 3.0),
        tight=0.0, columns=0.0, text_rate=0.0, morph_rate=0.0, defect_rate=0.1,
    )  # fmt: skip
    page = compose(spec, 5)
    cv2.imwrite(str(folder / "page.png"), page.image[:, :, ::-1])
    return folder, page


@pytest.fixture(scope="module")
def labelled(written: tuple[Path, PageTruth]) -> Path:
    folder, _ = written
    own = ["--split", "train", "--scroll", "s", "--provenance", "rendered"]
    lines = "".join(
        f'<TextLine id="l{k}"><TextEquiv><Unicode>{line}</Unicode></TextEquiv></TextLine>'
        for k, line in enumerate(TEXT.splitlines())
    )
    page = f'<Page imageFilename="page.png"><TextRegion id="r">{lines}</TextRegion></Page>'
    (folder / "page.xml").write_text(f"<PcGts>{page}</PcGts>", "utf-8")
    for arguments in (
        [
            "add",
            folder / "set",
            "--scans",
            folder / "page.png",
            "--labels",
            folder / "page.xml",
            *own,
        ],
        ["label", folder / "set"],
    ):
        with pytest.raises(SystemExit) as end:
            main([str(a) for a in arguments])
        assert end.value.code == 0
    return folder / "set"


def test_letters_are_labelled_by_the_text(labelled: Path, written: tuple[Path, PageTruth]) -> None:
    _, truth = written
    scans = open_scans(labelled)
    (page,) = scans.pages("train")
    assert scans.version == 2
    sure = [letter for letter in page.letters if letter.whole]
    assert len(sure) >= 0.8 * len(truth.letters)
    pairs = match_boxes([t.box for t in truth.letters], [s.box for s in sure])
    assert len(pairs) == len(sure)  # every box lies on the letter it names
    assert [truth.letters[i].letter for i, _ in pairs] == [sure[k].letter for _, k in pairs]
    # Nobody looked for faults, and nobody counted tags.
    assert {letter.known for letter in page.letters} == {()}
    assert {letter.tags for letter in page.letters} == {-1}


def test_the_changed_letter_is_not_labelled(
    labelled: Path, written: tuple[Path, PageTruth]
) -> None:
    _, truth = written
    (page,) = open_scans(labelled).pages("train")
    changed = next(t for t in truth.letters if t.letter == "ר" and t.word == 5)
    pairs = match_boxes([changed.box], [x.box for x in page.letters])
    (found,) = [page.letters[k] for _, k in pairs]
    assert not found.whole and not found.legible


def test_a_page_of_another_text_labels_nothing(written: tuple[Path, PageTruth]) -> None:
    folder, _ = written
    with pytest.raises(NoLabelsError, match="of its letters agree with the text"):
        label_page(Inspector(measure="none"), folder / "page.png", load_portion("kadesh"))


def test_the_measure_counts_what_was_planted() -> None:
    """Four letters: read and labelled; misread, labelled right; labelled wrong; not labelled."""
    boxes = [(30.0 * k, 0.0, 30.0 * k + 20, 20.0) for k in range(4)]
    body = (0.0, 0.0, 20.0, 0.0)

    def letters(chars: str) -> tuple[LetterTruth, ...]:
        pairs = zip(chars, boxes, strict=True)
        return tuple(LetterTruth(c, c, 0, 0, 0, box, body, 0) for c, box in pairs)

    glyphs = tuple(
        GlyphRecord(k + 1, 1, 1, 1, c, 0.9, c, box, body, 0, 0, {})
        for k, (c, box) in enumerate(zip("אהגד", boxes, strict=True))
    )
    facts = ImageFacts("a.png", 200, 40, "L", "PNG")
    page = PageTruth(np.zeros((40, 200), np.uint8), letters("אבגד"))
    labels = PageTruth(page.image, letters("אבהד"))
    found = SelfLabelled(labels, np.array([True, True, True, False]))
    record = PageRecord("a", facts, glyphs, (), None, 0)
    assert tally_labels(page, record, found) == LabelTally(
        written=4, misread=1, labelled=3, wrong=1, corrected=1
    )


def test_letters_that_lack_in_one_place_make_labels_without_a_wrong_record() -> None:
    """Two letters of the text that nobody found, both after glyph 2: the labels pass the check."""
    boxes = [(30.0 + 40 * k, 40.0, 55.0 + 40 * k, 70.0) for k in range(4)]
    glyphs = tuple(
        GlyphRecord(k + 1, 1, 1, k + 1, c, 0.9, c, box, (*box[:2], 30.0, 0.0), 0, 0, {})
        for k, (c, box) in enumerate(zip("אבגד", boxes, strict=True))
    )
    absent = tuple(AbsentLetter(c, 1, 1, 5, 2, (90.0, 55.0)) for c in "הו")
    facts = ImageFacts("a.png", 240, 120, "L", "PNG")
    record = PageRecord(
        "a", facts, glyphs, (), TextMatch("text", 6, 4, 0, 0, absent), 0, {"q_px": 10.0}
    )
    odds = np.zeros((4, 27))
    for k in range(4):
        odds[k, k] = 1.0
    found = self_labels(record, odds, np.ones(4))
    labels = coco(found, Scan("scans/a.png", "", "", "s", "train", "rendered"))
    assert not coco_complaints(labels, "a.json", {"a.png": (240, 120)})
    assert [a["attributes"]["letter_known"] for a in labels["annotations"]].count(False) >= 1
