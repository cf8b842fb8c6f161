"""What is not examined is said: settings without effect, forms accepted, texts not known."""

from __future__ import annotations

from typing import get_args, get_type_hints

import pytest
from made_customs import DEFAULT, bare, customs, headed, kaf, mezuzah

from crownlet.datasets.scribal.customs import Customs, load_customs
from crownlet.infer.findings.customs import RECORDED_ONLY, not_examined_by_customs


@pytest.mark.parametrize("setting", sorted(RECORDED_ONLY))
def test_a_setting_that_nothing_examines_is_stated_so(setting: str) -> None:
    for value in get_args(get_type_hints(Customs)[setting]):
        sentences = not_examined_by_customs(headed(), customs(**{setting: value}))
        named = [s for s in sentences if s.startswith("settings recorded but not examined")]
        assert bool(named) == (value != "unspecified")
        assert not named or RECORDED_ONLY[setting] in named[0]


def test_what_the_default_accepts_is_counted_and_not_hidden() -> None:
    # A bare line is an accepted custom, a tiny zayin is held to be better: MB 36:12.
    (sentences,) = not_examined_by_customs(bare(), DEFAULT)
    assert (
        sentences.startswith("1 letter whose crown is a bare line seen:")
        and "Mishnah Berurah 36:12" in sentences
    )
    assert "tag_form: zayin" in sentences
    assert not_examined_by_customs(bare(), load_customs("strict")) == ()
    assert not_examined_by_customs(bare(), customs(tag_form="line")) == ()
    assert any(
        "final_kaf_top" in sentence for sentence in not_examined_by_customs(kaf(True), DEFAULT)
    )


def test_settings_that_need_a_text_are_named_without_one() -> None:
    by = customs(verse_gap="wider", large_letters="expected")
    assert not_examined_by_customs(headed(), by) == (
        "settings that need the page's portion by name: large_letters, verse_gap",
    )
    assert not_examined_by_customs(mezuzah(), by) == ()
