"""Splits by hand, and pages read in one process or several."""

from dataclasses import replace

import pytest

from crownlet.datasets.render.letterforms.draw_hand import SPLITS, draw_hand, split_of
from crownlet.datasets.render.letterforms.hand import STYLES
from crownlet.datasets.render.page.spec import NO_AUGMENT, PageSpec, Split, clean
from crownlet.infer.networks import weights_folder
from crownlet.train.evaluation.held_out import held_out_mezuzot, held_out_pages
from crownlet.train.evaluation.workers import OWN_TEXT, PageReader, ReadingJob


def few(job: ReadingJob) -> ReadingJob:
    """A quick page by the same hand, which is drawn before anything else."""
    assert isinstance(job.spec, PageSpec)
    return replace(job, spec=replace(job.spec, letters=(8, 10), augment=NO_AUGMENT))


def hand_of(job: ReadingJob, split: Split) -> tuple[int, str]:
    """Identity and style of the hand that wrote a page."""
    meta = job.page().meta
    assert meta["split"] == split
    hand = draw_hand(int(str(meta["hand"])), split)
    assert split_of(hand) == split
    return hand.seed, hand.style


def test_no_hand_is_in_two_splits() -> None:
    # Issue 3, item 4: several thousand hands for training, the split by hand.
    hands = {split: {draw_hand(k, split).seed for k in range(3000)} for split in SPLITS}
    assert [len(found) for found in hands.values()] == [3000] * 3
    assert len(set.union(*hands.values())) == 9000


def test_a_seed_gives_each_split_a_hand_of_another_shape() -> None:
    # A hand is its shape, not its number: no measure of width and pen may recur.
    drawn = [draw_hand(k, split) for split in SPLITS for k in range(1000)]
    assert len({(h.width, h.horizontal, h.vertical, h.letter_gap) for h in drawn}) == len(drawn)


def test_held_out_pages_are_by_sixty_hands_of_every_style_that_no_other_split_has() -> None:
    # Issue 3, item 4: at least 60 held-out hands, across the style families.
    jobs = held_out_pages(80)
    assert all(isinstance(j.spec, PageSpec) and j.spec.split == "heldout" for j in jobs)
    found = {hand_of(few(job), "heldout") for job in jobs}
    assert len(found) >= 60
    assert {style for _, style in found} == set(STYLES)
    trained = {draw_hand(k, split).seed for split in ("train", "calibrate") for k in range(3000)}
    assert not {seed for seed, _ in found} & trained
    assert {j.spec.split for j in held_out_mezuzot(3) if isinstance(j.spec, PageSpec)} == {
        "heldout"
    }


def test_the_quick_page_has_the_hand_of_the_whole_one() -> None:
    job = held_out_pages(3)[2]
    assert few(job).page().meta["hand"] == job.page().meta["hand"]


def test_any_number_of_processes_reads_the_same() -> None:
    spec = clean(letters=(12, 14), body=(40.0, 44.0), split="heldout")
    jobs = [ReadingJob(spec, 30 + k, (None, OWN_TEXT)) for k in range(3)]
    folder = str(weights_folder())
    one = list(PageReader(folder, "beit_yosef", 1).read(jobs))
    two = list(PageReader(folder, "beit_yosef", 2).read(jobs))
    assert [page.job for page in two] == jobs
    for a, b in zip(one, two, strict=True):
        assert a.truth.letters == b.truth.letters
        assert a.records is not None and b.records is not None
        for mine, theirs in zip(a.records, b.records, strict=True):
            assert mine.glyphs == theirs.glyphs
            assert mine.gaps == theirs.gaps
        assert a.records[0].match is None
        assert a.records[1].match is not None


def test_a_failing_page_is_not_passed_over() -> None:
    with pytest.raises(ValueError, match="nonesuch"):
        list(
            PageReader(str(weights_folder()), "beit_yosef", 1).read(
                [ReadingJob(clean(portion="nonesuch"), 1)]
            )
        )
