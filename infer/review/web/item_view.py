"""What the page shows of one item: question and line of text; after the decision, the opinions.

Before a blind decision nothing is shown that the program thinks: no probability, no measure, no
name of scroll or source, and no line as the program read it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from crownlet.datasets.scribal.alphabet import BY_CHAR
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.records import (
    AbsentLetter,
    GapRecord,
    GlyphRecord,
    Measurement,
    PageRecord,
    Route,
    word_of_line,
)
from crownlet.infer.review.item_crops import measures_of
from crownlet.infer.review.models import LETTER_KIND
from crownlet.infer.view.language import translate, translate_count
from crownlet.infer.view.lengths import describe_crowns, describe_length, split_crowns
from crownlet.infer.view.wording import defect_words, latin_name

if TYPE_CHECKING:
    from crownlet.infer.review.models import Item
    from crownlet.infer.run.run import Run


QUESTION_BY_KIND = {
    "tag_missing": "Do fewer crowns stand on this {letter} than expected{tags}?",
    "tag_bare": "Is a crown of this {letter} a plain line, without its small head?",
    "tag_loose": "Is there a gap between a crown and this {letter}?",
    "tag_merged": "Do two crowns of this {letter} touch each other?",
    "tag_excess": "Do more crowns stand on this {letter} than expected{tags}?",
    "part_loose": "Is there a gap between {part} and the body of this {letter}?",
    "head_melted": "Is a thin joint of this {letter} gone, its yud, head or drop run into a bar?",
    "yud_misplaced": "Is a yud of this {letter} joined at the wrong place, or out of line?",
    "heads_touch": "Do two heads of this {letter} touch each other?",
    "leg_touches_roof": "Does the left leg of this {letter} touch its roof or its right leg?",
    "stroke_broken": "Does a gap cut across a stroke of this {letter}?",
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
    "portion_break": "Is the gap between these portions laid out otherwise than the custom has?",
    "letter_size": "Is the size of this {letter} other than the custom has it?",
    "verse_gap": "Is the gap between these verses other than the custom has it?",
    "reverse_text": "Is the text on this reverse other than the custom has it?",
    "custom_form": "Has this {letter} the form that the chosen customs do not name?",
    LETTER_KIND: "Is anything about this {letter} other than it should be?",
    "unfamiliar": "Is this something other than a plain letter (a stain, other writing)?",
}
"""Question by catalogue name; `{letter}` is the letter's Latin name."""

LOOSE_PART_BY_LETTER = {
    "א": "a yud", "ג": "the foot", "ל": "the neck", "מ": "the nose", "ע": "a head",
    "פ": "the drop", "ף": "the drop", "צ": "the yud", "ץ": "the yud", "ש": "a head",
    "ת": "the foot",
}  # fmt: skip
"""The part that may lie apart from the body, by letter; "a part" for the others."""

OTHER_PART = "a part"

ROUTE_SENTENCES: dict[Route, str] = {
    "clear": "It saw nothing to look at here.",
    "review": "It was in doubt and sent this place to review.",
    "finding": "It listed this place as a finding.",
}

VERDICT_WORDS = {
    "there": "speaks for it",
    "not_there": "speaks against it",
    "unclear": "leaves it open",
}


TEXT_KINDS = frozenset({"letter_absent", "letter_extra"})
"""Doubts about the text, of which a crop shows only one side."""


class ContextLetter(NamedTuple):
    """One letter of the line; `asked` if the question is about it."""

    letter: str
    asked: bool


class LineContext(NamedTuple):
    """A line in the order of reading: words of letters, and whether a Name is concerned."""

    words: tuple[tuple[ContextLetter, ...], ...]
    expected: bool
    """Whether this is the expected text; else it is what the program read."""
    in_name: bool
    line: int


@dataclass(frozen=True)
class ItemView:
    """One item as the page puts it to the examiner."""

    item: Item
    question: str
    letter: str
    """Latin name of the letter; "" where the question is about no single letter."""
    context: LineContext | None
    opinion: ProgramOpinion | None
    """Results of the networks and the measures; None until a blind decision is made."""


@dataclass(frozen=True)
class ProgramOpinion:
    """What is hidden until a blind decision is made."""

    scroll: str
    source: str | None
    page: str
    place: str
    network: tuple[str, ...]
    measures: tuple[str, ...]


def line_context(item: Item, record: PageRecord) -> LineContext | None:
    """The line of an item's place; None for an item without letters."""
    own = [record.glyphs[number - 1] for number in item.glyphs]
    if not own:
        return None
    line = own[0].line
    absent = _nearest_absent(item, record)
    glyphs = [glyph for glyph in record.glyphs if glyph.line == line]
    here = set() if absent else {glyph.glyph for glyph in own}
    return LineContext(
        words=tuple(_split_words(glyphs, here, record, absent)),
        expected=record.match is not None,
        in_name=any(glyph.in_name for glyph in own) or bool(absent and absent.in_name),
        line=line,
    )


def asked_words(item: Item, record: PageRecord) -> tuple[tuple[ContextLetter, ...], ...]:
    """The words of the text that a question about the text asks about: without them nobody knows
    which letter is absent at a place, or which of a crop's letters is in excess."""
    context = line_context(item, record) if item.kind in TEXT_KINDS else None
    if context is None or not context.expected:
        return ()
    return tuple(word for word in context.words if any(letter.asked for letter in word))


def _nearest_absent(item: Item, record: PageRecord) -> AbsentLetter | None:
    """The absent letter that an item asks about: the nearest to its box."""
    if item.kind != "letter_absent" or record.match is None:
        return None
    x, y = (item.box[0] + item.box[2]) / 2, (item.box[1] + item.box[3]) / 2
    near = [e for e in record.match.absent if item.letter in ("", e.letter)]
    return min(near, key=lambda e: abs(e.at[0] - x) + abs(e.at[1] - y), default=None)


def _split_words(
    glyphs: Iterable[GlyphRecord], here: set[int], record: PageRecord, asked: AbsentLetter | None
) -> Iterable[tuple[ContextLetter, ...]]:
    gone: dict[int, list[AbsentLetter]] = {}
    for entry in record.match.absent if record.match else ():
        gone.setdefault(entry.after, []).append(entry)
    word: list[ContextLetter] = []
    number = None
    for glyph in glyphs:
        if number not in (None, glyph.word) and word:
            yield tuple(word)
            word = []
        number = glyph.word
        letter = glyph.letter if glyph.expected is None else glyph.expected
        # A letter that is not in the text is shown only where the question is about it.
        if letter or glyph.glyph in here:
            word.append(ContextLetter(letter or glyph.letter, glyph.glyph in here))
        word.extend(
            ContextLetter(entry.letter, entry is asked) for entry in gone.get(glyph.glyph, ())
        )
    if word:
        yield tuple(word)


def question_text(
    kind: str, letter: str, expected: str | None = None, tags: int | None = None
) -> str:
    """The question for a doubt of `kind` about a letter.

    `expected` is the text's letter if it is known, `tags` the tags expected by the customs.
    """
    words = QUESTION_BY_KIND.get(kind)
    if words is None:
        entry = CATALOGUE.get(kind)
        description = entry.description if entry else defect_words(kind)
        return f"{translate(description)} {translate('Is it so here?')}"
    return translate(
        words,
        letter=_letter_name(letter) or translate("letter"),
        expected=_letter_name(expected or letter) or translate("letter"),
        part=translate(LOOSE_PART_BY_LETTER.get(letter, OTHER_PART)),
        tags="" if tags is None else f" ({tags})",
    )


def _letter_name(letter: str) -> str:
    """Latin name of a letter; "" for none or several."""
    return latin_name(letter) if letter in BY_CHAR else ""


def view_item(item: Item, run: Run, *, blind: bool) -> ItemView:
    """Everything the page shows of an item; without the program's opinion while `blind`."""
    record = run.pages[item.page].record
    glyph = record.glyphs[item.glyphs[0] - 1] if item.glyphs else None
    context = line_context(item, record)
    if blind and context is not None and not context.expected:
        # The line as the program read it is part of its opinion.
        context = LineContext((), False, context.in_name, context.line)
    return ItemView(
        item=item,
        question=question_text(
            item.kind,
            item.letter or "",
            glyph.expected if glyph else None,
            glyph.tags_expected if glyph else None,
        ),
        letter=_letter_name(item.letter),
        context=context,
        opinion=None if blind else program_opinion(item, run),
    )


def program_opinion(item: Item, run: Run) -> ProgramOpinion:
    """Results of the networks and the measures about an item, and where it stands."""
    record, scroll = run.pages[item.page].record, run.scroll_of(item.page)
    glyph = record.glyphs[item.glyphs[0] - 1] if item.glyphs else None
    word = word_of_line(record, glyph) if glyph else 0
    where = ""
    if glyph:
        where = translate(
            "line {line}, word {word}, letter {place}", line=glyph.line, word=word,
            place=glyph.place,
        )  # fmt: skip
    return ProgramOpinion(
        scroll=scroll.name,
        source=scroll.source,
        page=item.page,
        place=where,
        network=(
            *_network_sentences(item, glyph, _find_gap(item, record.gaps)),
            *_other_findings(item, run),
        ),
        measures=_measure_sentences(item, glyph, run),
    )


def _other_findings(item: Item, run: Run) -> tuple[str, ...]:
    """The other findings at the same place, in a sentence."""
    kinds = [
        defect_words(kind)
        for finding in run.pages[item.page].findings
        if item.glyphs and finding.glyphs == item.glyphs
        for kind in (finding.kind, *finding.others)
        if kind != item.kind
    ]
    if not kinds:
        return ()
    return (translate("It also says of this place: {kinds}.", kinds=", ".join(kinds)),)


def _find_gap(item: Item, gaps: tuple[GapRecord, ...]) -> GapRecord | None:
    pair = set(item.glyphs)
    return next((gap for gap in gaps if {gap.right_glyph, gap.left_glyph} == pair), None)


def _network_sentences(item: Item, glyph: GlyphRecord | None, gap: GapRecord | None) -> list[str]:
    p: float | None = None
    if gap is not None and len(item.glyphs) == 2:
        p = getattr(gap, f"p_{item.kind}", None)
    elif glyph is not None:
        p = glyph.p.get(item.kind)
    lines = (
        []
        if p is None
        else [translate("It gives {chances} that it is so.", chances=chances_in_100(p))]
    )
    seen = gap if gap is not None and len(item.glyphs) == 2 else glyph
    if seen is not None:
        lines.append(translate(ROUTE_SENTENCES[seen.route]))
    if glyph is not None and len(item.glyphs) == 1:
        name = latin_name(glyph.letter)
        chances = chances_in_100(glyph.letter_p)
        lines.append(
            translate("It read the letter as {letter} ({chances}).", letter=name, chances=chances)
        )
    return lines


def _measure_sentences(item: Item, glyph: GlyphRecord | None, run: Run) -> tuple[str, ...]:
    crowns, others = split_crowns(measures_of(item, run))
    words = (describe_crowns(crowns, glyph.tags_seen if glyph else None),) if crowns else ()
    return words + tuple(measure_sentence(m) for m in others)


def chances_in_100(p: float) -> str:
    """A probability in words: chances in a hundred."""
    if p < 0.005:
        return translate("less than 1 chance in 100")
    if p > 0.995:
        return translate("more than 99 chances in 100")
    return translate_count("{n} chance in 100", "{n} chances in 100", round(p * 100))


def measure_sentence(m: Measurement) -> str:
    """A measurement in words; lengths in widths of the pen, and in mm where known."""
    length = describe_length(m.q, m.mm)
    return f"{defect_words(m.name)}: {length}; {translate(VERDICT_WORDS.get(m.claim, m.claim))}"
