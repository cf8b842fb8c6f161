"""Pages that show one of two accepted forms each, for the customs that name one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import made
import numpy as np
from made_text import FOURTH, written

from crownlet.datasets.scribal.customs import Customs, load_customs
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.findings.customs import LISTED_TAGS
from crownlet.infer.records import Measurement, PageRecord
from crownlet.infer.routing.glyphs import defect_probabilities

DEFAULT = load_customs()


def customs(**settings: object) -> Customs:
    return replace(DEFAULT, **settings)  # type: ignore[arg-type]


MEZUZAH = load_portion("mezuzah")
LINES = [list(line) for line in MEZUZAH.lines or ()]


def mezuzah(**how: object) -> PageRecord:
    return written(MEZUZAH, LINES, **how)  # type: ignore[arg-type]


def fourth(**how: object) -> PageRecord:
    text = load_portion(FOURTH)
    words = list(text.words)
    rows = [words[k : k + 8] for k in range(0, 56, 8)]
    return written(text, rows, **how)  # type: ignore[arg-type]


def otherwise() -> PageRecord:
    """A mezuzah of which one word stands at the end of the line before."""
    lines = [list(line) for line in LINES]
    lines[2].append(lines[3].pop(0))
    return written(MEZUZAH, lines)


def bare() -> PageRecord:
    return made.record([made.flagged(1, "ש", "tag_bare")])


def headed() -> PageRecord:
    return made.record([made.glyph(1, "ש", tags_seen=3, tags_expected=3)])


def kaf(square: bool) -> PageRecord:
    reasons = ("corner_squared",) if square else ()
    return made.record([made.flagged(1, "ך", *reasons) if square else made.glyph(1, "ך")])


def crowned(letter: str, tags: int) -> Callable[[Customs], PageRecord]:
    """A letter with so many tags, as the inspection records it under these customs."""

    def page(by: Customs) -> PageRecord:
        wanted = by.tags_expected(letter)
        odds = np.eye(5)[tags]
        p = defect_probabilities(letter, np.zeros(0), odds, wanted, ())
        kinds = tuple(k for k in ("tag_missing", "tag_excess") if (p[k] or 0.0) > 0.5)
        glyph = made.glyph(
            1, letter, tags_seen=tags, tags_expected=wanted, reasons=kinds, sure=kinds,
            route="finding" if kinds else "clear", p=p,
        )  # fmt: skip
        return made.record([glyph])

    return page


def chet(flat: bool) -> PageRecord:
    says = "not_there" if flat else "there"
    measure = Measurement(1, "roof_end", 0.9 if flat else 0.1, None, (0.0, 0.0), (0.0, 9.0),
                          "custom_form", says)  # fmt: skip
    return made.record([made.glyph(1, "ח")], measurements=(measure,))


def listed(tags: int) -> PageRecord:
    """The kuf of "and bind them", which the list of Rambam, Tefillin 2:9, gives three zayins."""
    text = load_portion("shema")
    words = [list(text.words[33:40])]
    seen = {"35_1": {"tags_seen": tags}}
    for word, place in LISTED_TAGS["shema"]:
        seen.setdefault(f"{word}_{place}", {"tags_seen": LISTED_TAGS["shema"][word, place]})
    return written(text, words, first=33, **seen)


def back(both: bool) -> PageRecord:
    text = load_portion("mezuzah_reverse")
    rows = [list(text.words[:3]), [text.words[3]]] if both else [[text.words[3]]]
    page = written(text, rows, first=0 if both else 3)
    assert page.match is not None
    return page


def sized(large: bool) -> PageRecord:
    tall = {"tall": 1.6} if large else {}
    return mezuzah(**{"0_2": tall, "5_2": tall})


def legged(short: float) -> PageRecord:
    """A he that the network takes for short-legged, its left leg measured."""
    glyph = made.flagged(1, "ה", "leg_short")
    leg = Measurement(1, "left_leg_length", short, None, (0.0, 0.0), (0.0, 9.0), "leg_short",
                      "unclear")  # fmt: skip
    return made.record([glyph], measurements=(leg,))
