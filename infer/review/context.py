"""The line of text round the place in question, as the text has it, with the place marked."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

from crownlet.infer.records import AbsentLetter, GlyphRecord, PageRecord

if TYPE_CHECKING:
    from crownlet.infer.review.store import Item


class Mark(NamedTuple):
    """One letter of the line; `here` if the question is about it."""

    letter: str
    here: bool


class Context(NamedTuple):
    """A line in the order of reading: words of letters, and whether a Name is concerned."""

    words: tuple[tuple[Mark, ...], ...]
    expected: bool
    """Whether this is the expected text; else it is what the program read."""
    in_name: bool
    line: int


def context_of(item: Item, record: PageRecord) -> Context | None:
    """The line of an item's place; None where it stands on no line."""
    own = [record.glyphs[number - 1] for number in item.glyphs]
    if not own:
        return None
    line = own[0].line
    absent = _absent(item, record)
    glyphs = [glyph for glyph in record.glyphs if glyph.line == line]
    here = set() if absent else {glyph.glyph for glyph in own}
    return Context(
        words=tuple(_words(glyphs, here, record, absent)),
        expected=record.match is not None,
        in_name=any(glyph.in_name for glyph in own) or bool(absent and absent.in_name),
        line=line,
    )


def _absent(item: Item, record: PageRecord) -> AbsentLetter | None:
    """The absent letter that an item asks after, the nearest to its box."""
    if item.kind != "letter_absent" or record.match is None:
        return None
    x, y = (item.box[0] + item.box[2]) / 2, (item.box[1] + item.box[3]) / 2
    near = [e for e in record.match.absent if item.letter in ("", e.letter)]
    return min(near, key=lambda e: abs(e.at[0] - x) + abs(e.at[1] - y), default=None)


def _words(
    glyphs: Iterable[GlyphRecord], here: set[int], record: PageRecord, asked: AbsentLetter | None
) -> Iterable[tuple[Mark, ...]]:
    gone: dict[int, list[AbsentLetter]] = {}
    for entry in record.match.absent if record.match else ():
        gone.setdefault(entry.after, []).append(entry)
    word: list[Mark] = []
    number = None
    for glyph in glyphs:
        if number not in (None, glyph.word) and word:
            yield tuple(word)
            word = []
        number = glyph.word
        letter = glyph.letter if glyph.expected is None else glyph.expected
        # A letter too many has no place in the text; it is shown only where it is asked after.
        if letter or glyph.glyph in here:
            word.append(Mark(letter or glyph.letter, glyph.glyph in here))
        word.extend(Mark(entry.letter, entry is asked) for entry in gone.get(glyph.glyph, ()))
    if word:
        yield tuple(word)
