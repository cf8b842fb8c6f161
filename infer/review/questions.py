"""The question put to the examiner, one a doubt: plain words, to which "present" means yes.

Questions name what the catalogue describes and nothing more; what it means for the scroll is never
asked. A doubt without words of its own is asked by its description.
"""

from __future__ import annotations

from crownlet.datasets.alphabet import BY_CHAR
from crownlet.datasets.catalogue import CATALOGUE

QUESTIONS = {
    "tag_missing": "Do fewer tags stand on this {letter} than expected{tags}?",
    "tag_bare": "Is a tag of this {letter} a plain line, without its small head?",
    "tag_loose": "Is there white between a tag and this {letter}?",
    "tag_merged": "Do two tags of this {letter} touch each other?",
    "tag_excess": "Do more tags stand on this {letter} than expected{tags}?",
    "part_loose": "Is there white between {part} and the body of this {letter}?",
    "head_melted": "Is a thin joint of this {letter} gone, its yud, head or drop run into a bar?",
    "yud_astray": "Is a yud of this {letter} joined at the wrong place, or out of line?",
    "heads_touch": "Do two heads of this {letter} touch each other?",
    "leg_touches_roof": "Does the left leg of this {letter} touch its roof or its right leg?",
    "stroke_broken": "Does white cut across a stroke of this {letter}?",
    "ink_lost": "Has ink flaked or faded from this {letter}?",
    "foot_level": "Is the right foot of this {letter} no lower than the left one?",
    "heel_missing": "Is the heel behind the corner of this {letter} missing?",
    "corner_rounded": "Is a corner of this {letter} rounded where it should be sharp?",
    "corner_squared": "Has this {letter} a corner where it should be round?",
    "leg_short": "Is a leg of this {letter} shorter than the letter asks for?",
    "leg_long": "Is a leg of this {letter} so long that it comes near another letter?",
    "kotz_missing": "Is the small point at the lower left of this {letter} missing?",
    "ring_open": "Is this {letter} open somewhere, where it should be closed all round?",
    "ring_closed": "Is this {letter} closed, where it should be open?",
    "overstretched": "Is this {letter} much wider than others of its kind on the page?",
    "letters_touch": "Does this {letter} touch a neighbour?",
    "words_joined": "Is the gap between these words so small that they may read as one?",
    "words_near": "Does this hand leave, as a rule, much less than a yud between words?",
    "word_parted": "Is the gap inside this word so wide that it may read as two?",
    "letter_absent": "Is a letter of the text absent at this place?",
    "letter_extra": "Does a letter stand here that the text does not have?",
    "letter_swapped": "Is a letter other than the text's {expected} written here?",
    "shape_doubt": "Does this form lie between two letters, so that a reader cannot tell which?",
    "margin_uneven": "Do these lines begin, or end, out of line with one another?",
    "block_narrowing": "Does an edge of this column move in or out, line by line?",
    "line_over_margin": "Does this line run past the margin of its column?",
    "lines_near": "Do these lines stand too near, or letters reach far into another line?",
    "line_start": "Does this line begin with another word than the handed-down list has?",
    "portion_break": "Is the white between these portions laid out otherwise than the custom has?",
    "letter_size": "Is the size of this {letter} other than the custom has it?",
    "verse_gap": "Is the white between these verses other than the custom has it?",
    "reverse_text": "Is the text on this reverse other than the custom has it?",
    "custom_form": "Has this {letter} the form that the chosen customs do not name?",
    "unfamiliar": "Is this something other than a plain letter (a stain, other writing)?",
}
"""Question by catalogue name; `{letter}` is the letter's Latin name."""

PARTS = {
    "א": "a yud", "ג": "the foot", "ל": "the neck", "מ": "the nose", "ע": "a head",
    "פ": "the drop", "ף": "the drop", "צ": "the yud", "ץ": "the yud", "ש": "a head",
    "ת": "the foot",
}  # fmt: skip
"""What may lie apart from the body, by letter; else "a part"."""


def question(kind: str, letter: str, expected: str | None = None, tags: int | None = None) -> str:
    """The question for a doubt of `kind` about a letter.

    `expected` is the text's letter if it is known, `tags` the tags expected by the customs.
    """
    words = QUESTIONS.get(kind)
    if words is None:
        entry = CATALOGUE.get(kind)
        told = entry.description if entry else kind.replace("_", " ")
        return f"{told} Is it so here?"
    return words.format(
        letter=_name(letter) or "letter",
        expected=_name(expected or letter) or "letter",
        part=PARTS.get(letter, "a part"),
        tags="" if tags is None else f" ({tags})",
    )


def _name(letter: str) -> str:
    return BY_CHAR[letter].name if letter in BY_CHAR else ""
