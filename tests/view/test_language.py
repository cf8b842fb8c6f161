"""Pages in another language than English: every message, its names, its words.

The rules of wording are those of tests/test_wording.py. How Hebrew stands on a page, its direction
and the isolates around foreign words, is that of UAX 9 and HTML.
"""

from __future__ import annotations

import re
import string
import subprocess
import sys
from pathlib import Path

import polib
import pytest
from jinja2 import Environment, nodes
from used_messages import INFER, ROOMS, used_messages

from crownlet.infer.view.choice import keep_locale, locale_of, read_locale
from crownlet.infer.view.language import (
    SENTENCE_CONTEXT,
    Locale,
    current_locale,
    isolate,
    translate,
    translate_count,
    use_locale,
)
from crownlet.infer.view.lengths import describe_length
from crownlet.infer.view.sentences import localize
from crownlet.infer.view.trade import trade_heading, trade_terms
from crownlet.infer.view.wording import count_of, latin_name

CATALOGUE = Path(__file__).resolve().parents[2] / "infer" / "view" / "he.po"

HEBREW = Locale("he", "plain")

RULING = re.compile(r"כשר|פסול|נפסל|תקין|תקינ|כהלכת|מהודר|להכשיר|לתקן|יש למחוק|לגרד|להוסיף דיו")
"""Words that rule or mend: fit, unfit, in order, by its law, choice; to mend, scrape, add ink."""

ADDRESSED = re.compile(r"\b(אתה|אתם|לחץ|בחר|הקלד)\b")
"""Words that speak to a man alone."""


def entries() -> list[polib.POEntry]:
    return list(polib.pofile(str(CATALOGUE)))


def names(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def translations(entry: polib.POEntry) -> list[str]:
    return [*entry.msgstr_plural.values()] if entry.msgid_plural else [entry.msgstr]


def test_every_message_stands_in_the_catalogue_and_none_is_left_over() -> None:
    known = {
        (e.msgid, e.msgid_plural) if e.msgid_plural else e.msgid
        for e in entries() if e.msgctxt is None
    }  # fmt: skip
    used = used_messages()
    assert sorted(used - known, key=str) == []
    assert sorted(known - used, key=str) == []


def test_templates_hold_no_text_beside_their_messages() -> None:
    """What stands outside `_("...")` is markup, names of files and signs."""
    signs = {"crownlet", "csv", "svg", "json", "run", "quot", "ldquo", "rdquo", "amp", "nbsp",
             "exodus", "broad", "one"}  # fmt: skip
    for room in ROOMS:
        for path in sorted((INFER / room).rglob("templates/*.html")):
            parsed = Environment().parse(path.read_text(encoding="utf-8"))
            source = "".join(
                node.data if isinstance(node, nodes.TemplateData) else "0"
                for output in parsed.find_all(nodes.Output) for node in output.nodes
            )  # fmt: skip
            shown = re.sub(
                r"<(style|code|kbd)\b.*?</\1>|@page {[^\n]*}", " ", source, flags=re.DOTALL
            )
            labels = re.findall(r'(?:aria-label|title|alt|placeholder)="([^"]*)"', shown)
            text = " ".join([*labels, re.sub(r"<[^>]*>", " ", shown)])
            words = {w for w in re.findall(r"[A-Za-z]{3,}", text) if w.lower() not in signs}
            assert not words, (path.name, words)


def test_every_message_is_translated_with_the_same_names() -> None:
    for entry in entries():
        for number, text in enumerate(translations(entry)):
            assert text.strip(), entry.msgid
            wanted = names(entry.msgid_plural or entry.msgid)
            # "One letter" is a word in Hebrew, not a figure.
            single = {"n"} if number == 0 and entry.msgid_plural else set()
            single |= set(re.findall(r"{(n2?)} (?:crown|letter)\b", entry.msgid))
            assert wanted - single <= names(text) <= wanted, entry.msgid
            assert re.findall(r"</?(\w+)", text) == re.findall(r"</?(\w+)", entry.msgid)
            words = re.sub(r"{\w+}", "", text)
            assert re.search("[א-ת]", words) or not re.search("[A-Za-z]{3}", words), entry.msgid


def test_no_translation_rules_mends_or_speaks_to_a_man_alone() -> None:
    texts = [text for entry in entries() for text in translations(entry)]
    texts += [term["he"] for term in trade_terms().values() if "he" in term]
    assert [text for text in texts if RULING.search(text) or ADDRESSED.search(text)] == []


def test_the_words_that_rule_are_recognised() -> None:
    assert RULING.search("המזוזה כשרה")
    assert RULING.search("אות פסולה")
    assert not RULING.search("יש לעיין בקלף")


def test_terms_of_the_trade_stand_beside_headings_and_only_where_chosen() -> None:
    assert trade_heading("Required at the outset") == ""
    with use_locale(Locale("en", "trade")):
        assert "l'chatchila" in trade_heading("Required at the outset").unescape()
        assert "b'dieved" in trade_heading("Commonly held to need a ruling").unescape()
        assert trade_heading("For information") == ""
    with use_locale(Locale("he", "trade")):
        assert "לכתחילה" in trade_heading("Required at the outset")
        assert "בדיעבד" in trade_heading("Commonly held to need a ruling")
    ruling = re.compile(r"kosher|kasher|pasul|posul|valid|fit", re.IGNORECASE)
    assert not [term for terms in trade_terms().values() for term in terms.values()
                if ruling.search(term)]  # fmt: skip


def test_a_heading_with_a_term_of_the_trade_is_one_that_pages_use() -> None:
    assert set(trade_terms()) <= {m for m in used_messages() if isinstance(m, str)}


def test_messages_are_their_own_english() -> None:
    assert current_locale() == Locale()
    assert translate("line {n}", n=3) == "line 3"
    assert translate_count("{n} letter", "{n} letters", 1_234) == "1,234 letters"
    assert localize("Whatever it is.") == "Whatever it is."
    assert isolate("A1") == "A1"


def test_hebrew_holds_only_inside_its_block() -> None:
    with use_locale(HEBREW):
        assert latin_name("ש") == "שין"
        assert count_of(1, "letter") == "אות אחת"
        assert count_of(2, "letter") == "2 אותיות"
        assert translate("") == ""
        assert describe_length(0.5, 0.4) == "חצי רוחב קולמוס, 0.4 מ״מ"
    assert latin_name("ש") == "shin"


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        # First strong isolates, U+2068 and U+2069 (UAX 9, 2.4), around what is not Hebrew.
        ("A1-face", "\u2068A1-face\u2069"), ("−3", "\u2068−3\u2069"), ("12", "12"), ("שמע", "שמע"),
    ],
)  # fmt: skip
def test_foreign_words_are_isolated(given: str, expected: str) -> None:
    with use_locale(HEBREW):
        assert isolate(given) == expected
        assert isolate(isolate(given)) == expected


@pytest.mark.parametrize(
    ("english", "hebrew"),
    [
        ("Shin: no crown seen, 3 crowns expected.", "שין: לא נראה תג; נדרש: 3 תגים."),
        ("Two words may read as one between shin and final mem: the gap is 0.4 of this hand's "
         "yud wide.",
         "שתי תיבות עשויות להיקרא כאחת בין שין ל־מם סופית: רוחב הרווח 0.4 מרוחב היוד של כתב זה."),
        ("No plain difference: shin, dalet and yud are crowned at times (face 3 of 4, reverse 0 of "
         "2 and 1 in doubt).",
         "אין הבדל ברור: שין, דלת ויוד מתויגות לעתים (בפנים 3 מתוך 4, בגב 0 מתוך 2 ועוד 1 בספק)."),
        ("B2-reverse: 10 letters at the edge are of another text (of a neighbouring column, or of "
         "the other side, showing through) and were not compared.",
         "\u2068B2-reverse\u2069: 10 אותיות שבקצה הן מנוסח אחר (של עמודה סמוכה, או של הצד השני "
         "הנראה מבעד לקלף) ולא הושוו."),
        ("Now and then in this hand: a gap across a stroke in 6 of 96 letters.",
         "לפעמים בכתב זה: לבן חוצה קו ב־6 מתוך 96 אותיות."),
        ("6 lines of this page end with letters that the text does not have there and that begin "
         "the word after them.",
         "בסופן של 6 שורות בדף זה יש אותיות שאינן בנוסח שם, והן תחילתה של התיבה שאחריהן."),
        ("By its words this is 'Exodus 19:17-20:17'.", "לפי תיבותיו זהו „שמות 19:17-20:17”."),
        ("Exodus 40:38 to Leviticus 1:3", "שמות 40:38–ויקרא 1:3"),
        ("A reader's own words", "\u2068A reader's own words\u2069"),
    ],
)  # fmt: skip
def test_sentences_of_the_tables_are_translated(english: str, hebrew: str) -> None:
    with use_locale(HEBREW):
        assert localize(english) == hebrew


def test_sentences_have_no_message_twice() -> None:
    forms = [e.msgid for e in entries() if e.msgctxt == SENTENCE_CONTEXT]
    assert len(forms) == len(set(forms)) > 200


def test_the_choice_is_kept_with_a_run(tmp_path: Path) -> None:
    assert read_locale(tmp_path) == Locale()
    keep_locale(tmp_path / "run", Locale("he", "trade"))
    assert read_locale(tmp_path / "run") == Locale("he", "trade")
    (tmp_path / "run" / "view.json").write_text('{"language": "xx", "terms": 3}')
    assert read_locale(tmp_path / "run") == Locale()
    with pytest.raises(ValueError, match="no language"):
        locale_of("yi", "plain")


def test_english_pages_do_not_load_the_catalogue() -> None:
    code = (
        "import sys; from crownlet.infer.sheet.render import render; "
        "render('index.html', rows=[], headings=[], teaching=False, lists=[], any_decided=False); "
        "assert 'polib' not in sys.modules and 'gettext' in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
