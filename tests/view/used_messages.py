"""Every message that the pages use: read from templates, scripts, code, and the data they show."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from jinja2 import Environment
from jinja2.ext import extract_from_ast

from crownlet.datasets.scribal.alphabet import ALPHABET
from crownlet.datasets.scribal.catalogue import CATALOGUE, GRAVITIES
from crownlet.datasets.scribal.pentateuch.text import BOOKS
from crownlet.datasets.scribal.texts import KNOWN_PORTIONS
from crownlet.infer.batch import inputs
from crownlet.infer.demo.scenario import SAMPLE_SOURCES, SAMPLE_STORIES
from crownlet.infer.desk import choices, guidance
from crownlet.infer.desk.web import pages as desk_pages
from crownlet.infer.desk.web import views
from crownlet.infer.limits import limits_of
from crownlet.infer.review.web import actions, app, habits, item_view, locale, pages
from crownlet.infer.review.wording import CHOICE_BUTTONS
from crownlet.infer.scrolls.scroll import SIDES
from crownlet.infer.sheet import (
    drawings,
    elsewhere,
    scroll_habits,
    statements,
    teaching_sheet,
    wording,
)
from crownlet.infer.view import lengths
from crownlet.infer.view.wording import NAME_CAUTION, NEVER_EXAMINED, RULING_TEXT, UNFAMILIAR_TEXT

INFER = Path(__file__).resolve().parents[2] / "infer"
ROOMS = ("view", "sheet", "review", "desk", "demo")

Message = str | tuple[str, str]
"""A message, or one for a single thing and one for several."""

ONE = {"translate": 1, "translate_count": 2, "UserFacingError": 1}
"""Functions of the code, and how many of their first arguments are messages."""


def code_messages() -> set[Message]:
    """Messages written as literals in the Python code."""
    found: set[Message] = set()
    for room in ROOMS:
        for path in sorted((INFER / room).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                    found.update(_of_call(node.func.id, node.args))
    return found


def _of_call(name: str, arguments: list[ast.expr]) -> Iterator[Message]:
    if name == "count_of":
        words = [_literal(each) for each in arguments[1:3]]
        if words and words[0]:
            yield _counted(words[0], *words[1:])
    elif name == "translate_count":
        one, many = (_literal(each) for each in arguments[:2])
        if one and many:
            yield one, many
    elif name in ONE and arguments:
        first = arguments[0]
        for each in (first.body, first.orelse) if isinstance(first, ast.IfExp) else (first,):
            if text := _literal(each):
                yield text


def _counted(one: str, many: str | None = None) -> tuple[str, str]:
    return f"{{n}} {one}", f"{{n}} {many or one + 's'}"


def _literal(node: ast.expr) -> str | None:
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else None


def template_messages() -> set[Message]:
    """Messages of the templates."""
    found: set[Message] = set()
    for room in ROOMS:
        for path in sorted((INFER / room).rglob("templates/*.html")):
            parsed = Environment().parse(path.read_text(encoding="utf-8"))
            for _, name, text in extract_from_ast(parsed, ("_", "_n", "count_of")):
                words = [text] if isinstance(text, str) else [each for each in text if each]
                if name == "count_of":
                    found.add(_counted(*words))
                elif words:
                    found.add(words[0] if name == "_" else (words[0], words[1]))
    return found


def script_messages() -> set[Message]:
    """Messages of the scripts: first argument of `translate`, first two of `translateCount`."""
    found: set[Message] = set()
    for path in sorted(INFER.rglob("static/*.js")):
        text = path.read_text(encoding="utf-8")
        found.update(m[1] for m in re.finditer(r'\btranslate\(\s*"([^"]+)"', text))
        found.update(
            (m[1], m[2]) for m in re.finditer(r'\btranslateCount\(\s*"([^"]+)",\s*"([^"]+)"', text)
        )
    return found


def data_messages() -> set[Message]:
    """What pages show of the catalogue and of tables in the code."""
    measures = {row["name"] for row in limits_of("measure.letters").rows("table")}
    words = [*CATALOGUE, *measures, *KNOWN_PORTIONS]
    opinions = [o for entry in CATALOGUE.values() for o in entry.gravity]
    return {
        *(word.replace("_", " ").replace("tag ", "crown ") for word in words), "unfamiliar",
        *(entry.description for entry in CATALOGUE.values()),
        *(entry.trade_term for entry in CATALOGUE.values() if entry.trade_term),
        *(gravity.heading for gravity in GRAVITIES.values()),
        *(opinion.statement for opinion in opinions),
        *(letter.name for letter in ALPHABET), *SIDES, "this scroll", "this run", *BOOKS,
        *wording.BOOK_BY_ABBREVIATION, *wording.BOOK_BY_ABBREVIATION.values(),
        *wording.OTHER_SOURCE_WORDS, *wording._VERDICT_WORDS.values(),
        *(words for _, words in wording._PROBABILITY_WORDS),
        *wording._NO_PROBABILITY_WORDS.values(), wording.SOURCES_DIFFER_NOTE,
        wording.DISAGREEMENT_NOTE, lengths.PEN_WIDTH_NOTE, "a hair",
        *(words for _, words in lengths._PARTS), *statements.WHO_TO_ASK.values(),
        statements.LOOK_FIRST,
        *scroll_habits.READER_WORDS, elsewhere.ELSEWHERE,
        teaching_sheet.SAME_SCROLL, teaching_sheet.OTHER_SCROLL,
        *drawings.DRAWING_BY_STYLE.values(), *NEVER_EXAMINED, RULING_TEXT, NAME_CAUTION,
        UNFAMILIAR_TEXT,
        *(words for s in SAMPLE_SOURCES for words in (s.name, s.manner)),
        *(story.planted for story in SAMPLE_STORIES.values()),
        *inputs.CAUSE_BY_SUFFIX.values(), inputs.UNKNOWN_CAUSE, inputs.LINK_CAUSE,
        *(words for a in guidance.ADVICE.values() for words in (a.title, a.scanner, a.phone)),
        *(words for t in choices.TEXT_SENTENCES for words in (t.title, t.sentence)),
        *(words for c in choices.CUSTOMS_SENTENCES for words in (c.title, c.sentence)),
        *(words for s in choices.SETTING_SENTENCES for words in (s.question, *s.answers.values())),
        *(words for _, words in views.SIGN_BY_VERDICT.values()), views.BEING_LOOKED_AT,
        views.PROPOSED_BY_NAME, *views.PROPOSED_BY_LETTERS.values(), views.SCROLL_PROPOSED,
        desk_pages.NO_SHEET, desk_pages.NO_PAGE_YET, actions.STALE_MESSAGE,
        app.OTHER_STATUS_MESSAGE, *app.STATUS_MESSAGES.values(),
        *habits.SAVED_WORDS.values(), habits.NOT_THIS_GROUP, *item_view.QUESTION_BY_KIND.values(),
        *item_view.LOOSE_PART_BY_LETTER.values(), item_view.OTHER_PART,
        *item_view.ROUTE_SENTENCES.values(), *item_view.VERDICT_WORDS.values(), *pages.CAUTIONS,
        pages.CHOOSE_READERS_MESSAGE, pages.LETTER_WORDS, *locale.STYLE_MESSAGES.values(),
        *(words for b in CHOICE_BUTTONS for words in (b.words, b.short, b.brief) if words),
    }  # fmt: skip


def used_messages() -> set[Message]:
    """All of them."""
    return code_messages() | template_messages() | script_messages() | data_messages()
