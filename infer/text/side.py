"""Which side of a mezuzah a page shows, by its letters alone.

The back has, by one custom, fourteen letters upside down behind line 1, and the Name of three
letters behind the gap between the portions (Keset HaSofer 27:7; Tur, Yoreh Deah 288).
"""

from __future__ import annotations

from difflib import SequenceMatcher
from typing import TYPE_CHECKING, Literal

from crownlet.datasets.scribal.texts import load_portion, read_portion
from crownlet.infer.layout.lines import lay_out
from crownlet.infer.limits import limits_of
from crownlet.infer.text.search import AUTO

if TYPE_CHECKING:
    from crownlet.datasets.scribal.portion import Portion
    from crownlet.infer.records import Located
    from crownlet.infer.text.search import TextChoice

_LIMITS = limits_of("text.side")

Side = Literal["face", "reverse"]

FACE, REVERSE = "mezuzah", "mezuzah_reverse"

MIN_REVERSE_SIMILARITY = _LIMITS.number("min_reverse_similarity")
"""Similarity (2 matches / both lengths) of a page's letters to those of the reverse, 0 to 1."""

MIN_NAME_SIMILARITY = _LIMITS.number("min_name_similarity")
"""The same for the Name: two of its three letters suffice, with a speck or two read as letters."""

MAX_REVERSE_LETTERS = _LIMITS.whole("max_reverse_letters")
"""A page with more letters is no reverse, whatever was read on it."""

GIVEN_AS_OPENING = "Given as a {}, this page reads"
"""Beginning of the sentence on exchanged sides; by it a later step finds the sentence."""


def side_by_letters(letters: str) -> Side | None:
    """The side whose text a page holds, by its letters in reading order; None if it holds
    neither."""
    if len(letters) > MAX_REVERSE_LETTERS:
        return "face"
    if any(letter_similarity(letters, text) >= MIN_REVERSE_SIMILARITY for text in reverse_texts()):
        return "reverse"
    return None


def is_reverse_upside_down(found: Located, letters: str) -> bool:
    """Whether a page of these letters is a reverse of which the wrong line stands upright.

    `letters` holds the letter read for each row of the page's reading order.
    """
    order = lay_out(found).order
    over = found.upside_down[order]
    upright = "".join(letters[i] for i in order[~over])
    turned = "".join(letters[i] for i in order[over])
    behind_line_1, name = reverse_lines()
    return (
        letter_similarity(upright, behind_line_1) >= MIN_REVERSE_SIMILARITY
        and letter_similarity(turned, name) >= MIN_NAME_SIMILARITY
    )


def reverse_lines() -> tuple[str, str]:
    """Letters behind line 1, and of the Name behind the gap between the portions."""
    first, name = load_portion(REVERSE).lines or ((), ())
    return "".join(first), "".join(name)


def reverse_texts() -> tuple[str, ...]:
    """The texts of the reverse by either custom, also in the order of a picture upside down."""
    first, name = reverse_lines()
    return first + name, name + first, first, name


def letter_similarity(a: str, b: str) -> float:
    """Twice the letters that two texts share in order, over the letters of both: 0 to 1."""
    return SequenceMatcher(None, a, b, autojunk=False).ratio()


def portion_for(side: Side | None, given: TextChoice) -> TextChoice:
    """The text of a page of this side, where the scroll's is `given`."""
    if side == "reverse" and given is not None and given != AUTO and given.name == FACE:
        return read_portion(REVERSE)
    return given


def exchange_side(letters: str, side: Side | None, text: TextChoice) -> tuple[Portion, str] | None:
    """The text with which a page is compared instead, and the sentence on the exchange.

    None where the page holds the side that it was given as, or is of no mezuzah.
    """
    reads = side_by_letters(letters)
    if text == AUTO and side is not None and reads is not None and reads != side:
        text = read_portion(FACE if side == "face" else REVERSE)
    if text is None or text == AUTO or text.name not in (FACE, REVERSE) or reads is None:
        return None
    if reads == "reverse" and text.name == FACE:
        opening = GIVEN_AS_OPENING.format("face") if side == "face" else "This page reads"
        compared = "as the reverse of a mezuzah; it was compared with the text of the reverse."
        return read_portion(REVERSE), f"{opening} {compared}"
    if reads == "face" and text.name == REVERSE:
        compared = (
            f"as a face ({len(letters)} letters); it was compared with the text of the mezuzah."
        )
        return read_portion(FACE), f"{GIVEN_AS_OPENING.format('reverse')} {compared}"
    return None
