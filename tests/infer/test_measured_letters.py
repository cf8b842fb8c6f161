"""Which letters are measured: doubts, what the customs ask about, or all of them.

The project's own rules (infer/routing/measured.py); no outside source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crownlet.datasets.scribal.alphabet import index_of
from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.networks import weights_folder
from crownlet.infer.routing.measured import MIN_DOUBT_P, MeasureScope, measure_request
from crownlet.infer.thresholds import load_thresholds

LIMITS = load_thresholds(weights_folder())


def chosen(
    letter: str,
    p: dict[str, float] | None = None,
    letter_p: float = 0.999,
    tags: int = 0,
    scope: MeasureScope = "doubts",
    customs: str = "unspecified",
    **settings: object,
) -> bool:
    """Whether a letter that the assessor reads so is measured."""
    letters = np.full((1, 28), (1 - letter_p) / 27)
    letters[0, index_of(letter)] = letter_p
    defects = np.array([[(p or {}).get(name, 1e-4) for name in LEARNED_DEFECTS]])
    seen = np.full((1, 5), 1e-4)
    seen[0, tags] = 1 - 4e-4
    chosen = replace(load_customs(customs), **settings)  # type: ignore[arg-type]
    request = measure_request(scope, LEARNED_DEFECTS, LIMITS, chosen)
    return bool(request.choose(letters, defects, seen)[0])


def test_a_letter_in_no_doubt_is_measured_only_on_request() -> None:
    assert not chosen("ס")
    assert chosen("ס", scope="all")
    assert not chosen("ס", {"ring_open": 0.9}, scope="none")


def test_doubts_are_measured() -> None:
    assert chosen("ס", {"ring_open": MIN_DOUBT_P})
    assert chosen("ס", letter_p=0.3)
    clear = LIMITS.of("ink_lost").clear
    assert chosen("ס", {"ink_lost": clear})
    assert not chosen("ס", {"ink_lost": 0.9 * clear})


def test_a_defect_that_a_letter_cannot_have_is_no_doubt() -> None:
    assert not chosen("ו", {"ring_open": 0.9})


def test_crowns_are_measured_where_their_tags_are_not_those_of_the_customs() -> None:
    expected = load_customs("beit_yosef").tags_expected("ש")
    assert expected == 3
    assert not chosen("ש", tags=expected, customs="beit_yosef")
    assert chosen("ש", tags=expected - 1, customs="beit_yosef")
    assert chosen("ש", tags=expected + 1, customs="beit_yosef")


@pytest.mark.parametrize(("top", "asked"), [("hump", True), ("flat", True), ("unspecified", False)])
def test_chets_are_measured_where_the_customs_name_their_top(top: str, asked: bool) -> None:
    assert chosen("ח", chet_top=top) is asked
    assert not chosen("ה", chet_top=top)
