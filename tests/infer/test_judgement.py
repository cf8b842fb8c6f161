"""Seen, doubted, clear and not examined: one definition, in the record and in words.

The rule is the issue's: seen from the threshold of a finding on, doubted between clear and finding,
not examined where the picture does not show it; no outside source.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from made import flagged, gap, glyph, record
from made_customs import DEFAULT

from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
from crownlet.infer.findings.customs import accepted_forms, not_examined_by_customs
from crownlet.infer.networks import weights_folder
from crownlet.infer.records import Measurement
from crownlet.infer.routing.judgement import (
    Tally,
    describe_tally,
    judge,
    judgement_of,
    tally_of,
)
from crownlet.infer.routing.reasons import review_disagreements
from crownlet.infer.thresholds import ThresholdPair, load_thresholds

BARE = {"tag_bare": 0.4}


@pytest.mark.parametrize(
    ("p", "expected"),
    [(0.099, "clear"), (0.1, "doubted"), (0.949, "doubted"), (0.95, "seen"), (1.0, "seen")],
)
def test_the_two_thresholds_divide_the_judgements(p: float, expected: str) -> None:
    assert judge(p, ThresholdPair(0.1, 0.95)) == expected


def test_a_letter_is_judged_by_its_record() -> None:
    seen = flagged(1, "ש", "tag_bare")
    assert judgement_of(seen, "tag_bare") == "seen"
    doubted = flagged(1, "ש", "tag_bare", route="review", sure=())
    assert judgement_of(doubted, "tag_bare") == "doubted"
    # Beside a fault that is sure a doubt stays a doubt.
    both = flagged(1, "ש", "heads_touch", "tag_bare", sure=("heads_touch",))
    assert judgement_of(both, "heads_touch") == "seen"
    assert judgement_of(both, "tag_bare") == "doubted"
    clear = glyph(p=dict.fromkeys(GLYPH_DEFECTS) | {"tag_bare": 0.001})
    assert judgement_of(clear, "tag_bare") == "clear"
    assert judgement_of(clear, "tag_bare", unresolved=("tag_bare",)) == "not_examined"
    assert judgement_of(replace(clear, not_examined=("tag_bare",)), "tag_bare") == "not_examined"
    assert judgement_of(glyph(), "tag_bare") == "not_asked"


def test_a_gap_is_judged_by_its_record() -> None:
    near = gap(1, 2, p_words_joined=0.9, route="finding", reasons=("words_joined",),
               sure=("words_joined",))  # fmt: skip
    assert judgement_of(near, "words_joined") == "seen"
    assert judgement_of(near, "word_parted") == "not_asked"
    assert judgement_of(replace(near, route="review", sure=()), "words_joined") == "doubted"
    assert judgement_of(gap(1, 2, p_words_joined=0.001), "words_joined") == "clear"


def test_what_a_measure_denies_is_doubted_beside_another_finding() -> None:
    row = flagged(1, "ה", "leg_touches_roof", "leg_short", p=0.999)
    measured = Measurement(1, "leg_gap", 0.3, None, (1, 1), (1, 1), "leg_touches_roof", "not_there")
    (after,) = review_disagreements((row,), [measured], load_thresholds(weights_folder()))
    assert after.route == "finding"
    assert judgement_of(after, "leg_touches_roof") == "doubted"
    assert judgement_of(after, "leg_short") == "seen"


def test_counts_add_up_over_all_letters() -> None:
    letters = [
        flagged(1, "ש", "tag_bare"),
        flagged(2, "ש", "tag_bare", route="review", sure=()),
        flagged(3, "ש", "tag_bare", route="review", sure=()),
        glyph(4, p=BARE, not_examined=("tag_bare",)),
        glyph(5, p=BARE),
        glyph(6),
    ]
    count = tally_of(letters, "tag_bare")
    assert count == Tally(seen=1, doubted=2, clear=1, not_examined=1)
    assert count.judged == 4
    assert tally_of(letters[:2], "tag_bare") + tally_of(letters[2:], "tag_bare") == count


@pytest.mark.parametrize(
    ("count", "words"),
    [
        (Tally(1, 28), "1 bare crown seen, 28 more doubtful"),
        (Tally(2, 0), "2 bare crowns seen"),
        (Tally(0, 3), "no bare crown seen, 3 doubtful"),
        (Tally(0, 0, 5), "no bare crown seen"),
        (Tally(1234, 1), "1,234 bare crowns seen, 1 more doubtful"),
    ],
)
def test_what_is_doubted_is_not_told_as_fact(count: Tally, words: str) -> None:
    assert describe_tally(count, "bare crown", "bare crowns") == words


def test_accepted_forms_are_counted_apart_from_doubts() -> None:
    # The issue: "29 letters whose crowns look like bare lines" where 1 was planted.
    page = record(
        [
            flagged(1, "ש", "tag_bare"),
            *(flagged(k, "ש", "tag_bare", route="review", sure=()) for k in range(2, 30)),
        ]
    )
    assert accepted_forms(page, DEFAULT) == (("tag_form", Tally(seen=1, doubted=28)),)
    (sentence,) = not_examined_by_customs(page, DEFAULT)
    assert sentence.startswith("1 letter whose crown is a bare line seen, 28 more doubtful: ")
