"""The catalogue against the rules it rests on, and its reader against broken entries."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from crownlet.datasets.render.defects.apply import applicable_defects
from crownlet.datasets.scribal import catalogue
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import CATALOGUE, GLYPH_DEFECTS, GRAVITIES, LEARNED_DEFECTS

ENTRY = """
gravity_codes:
  L: {meaning: m, heading: h}
defects:
  heel_missing:
    family: form
    scope: glyph
    letters: בד
    description: d
    trade_term: akev
    gravity:
      - {code: L, statement: "a, b", source: MS}
    unit: q
    size: s
    rendered: r
    how: learned
    implemented: true
"""


@pytest.mark.parametrize(
    ("name", "letters"),
    [
        ("leg_touches_roof", "הק"),  # Orach Chayim 36:2: all but he and kuf are one body
        ("ring_open", "סם"),  # Keset HaSofer 5:3: closed on every side
        ("heel_missing", "בד"),  # Mishnat Sofrim on bet and dalet
        ("foot_level", "ג"),  # Mishnat Sofrim on gimel
        ("kotz_missing", "י"),  # Mishnah Berurah 32:15
        ("tag_bare", "שעטנזגןצץ"),  # Menachot 29b; Mishnah Berurah 36:12
        ("tag_missing", "שעטנזגןצץ" + "בדקחיה" + "ל"),  # the same; Mishnat Sofrim under each letter
        ("tag_merged", "שעטנזגןצץ" + "ל"),  # Mishnah Berurah 36:13; lamed has two
        ("heads_touch", "טעצץש"),  # Mishnat Sofrim on tet, ayin, tsadi, shin
    ],
)
def test_letters_that_can_have_a_defect(name: str, letters: str) -> None:
    assert set(CATALOGUE[name].letters) == set(letters)
    assert len(CATALOGUE[name].letters) == len(letters)


@pytest.mark.parametrize("letter", "אעשפצ")
def test_joined_heads_may_melt(letter: str) -> None:
    # Orach Chayim 32:18 gloss: alef, shin, ayin, pe, tsadi have heads joined to a body
    assert CATALOGUE["head_melted"].applies_to(letter)
    assert CATALOGUE["part_loose"].applies_to(letter)


def test_every_opinion_names_its_source_and_speaks_of_the_defects_letters() -> None:
    work = re.compile(r"(MS|MB|OC|YD|Keset|Rambam Tef|Men\.|Shab\.|Magen Avraham|Tur) ")
    for defect in CATALOGUE.values():
        assert defect.gravity, defect.name
        for opinion in defect.gravity:
            assert set(opinion.letters) <= set(defect.letters), (defect.name, opinion)
            assert all(work.match(part) for part in opinion.source.split("; ")), opinion


def test_every_letter_a_defect_applies_to_has_an_opinion() -> None:
    silent = {d.name: [c for c in d.letters if not d.opinions_on(c)] for d in CATALOGUE.values()}
    assert {name: letters for name, letters in silent.items() if letters} == {}


def test_learned_outputs_are_the_glyph_defects_neither_counted_nor_measured() -> None:
    counted, measured = {"tag_missing", "tag_excess"}, {"overstretched", "shape_doubt"}
    assert set(GLYPH_DEFECTS) - set(LEARNED_DEFECTS) == counted | measured
    assert all(CATALOGUE[name].scope == "glyph" for name in LEARNED_DEFECTS)
    assert list(GLYPH_DEFECTS) == [name for name in CATALOGUE if name in GLYPH_DEFECTS]


def test_renderer_draws_each_defect_on_the_letters_of_the_catalogue() -> None:
    # letters_touch is made on the page, between neighbours; shape_doubt by morphs
    for name in set(GLYPH_DEFECTS) - {"letters_touch", "shape_doubt"}:
        drawn = {char for char in LETTERS if name in applicable_defects(char)}
        assert drawn == set(CATALOGUE[name].letters), name


def texts() -> Iterator[str]:
    for defect in CATALOGUE.values():
        yield from (defect.description, defect.size, defect.rendered)
        yield from (opinion.statement for opinion in defect.gravity)
    for gravity in GRAVITIES.values():
        yield from (gravity.meaning, gravity.heading)


def test_the_catalogue_never_rules_and_never_mends() -> None:
    verdict = re.compile(
        r"\b(kosher|kasher|pasul|posul|in?valid|(un)?fit|pass(ed|es)?|fail(ed|s)?|disqualif\w*|"
        r"scrap\w*|repair\w*|rewrit\w*|correct it)\b",
        re.IGNORECASE,
    )
    assert [text for text in texts() if verdict.search(text)] == []


VERB = re.compile(
    r"\b(is|are|was|were|does|do|must|may|stands?|lies|makes?|counts?|reads as|reaches|runs?|meets|"
    r"decides|differ|hold|leaves|lists|changes|matters|speak|end)\b"
)


SUBORDINATE = re.compile(r"^(If|When|Where)\b[^,]*?(,| it (?=is )|(?= the form )|$)|\bwhile .*")
"""A clause that opens a sentence, or hangs on one."""


def test_what_the_books_say_is_a_whole_sentence() -> None:
    """Before "The books ask for it at the outset" stood "Stretching a letter while its form
    stands", and "If a child reads one word" alone. Common practice, no source."""
    for row in CATALOGUE.values():
        for opinion in row.gravity:
            assert VERB.search(SUBORDINATE.sub("", opinion.statement)), opinion.statement


def test_reader_keeps_order_and_commas() -> None:
    gravities, defects = catalogue.parse_catalogue(ENTRY)
    assert list(gravities) == ["L"]
    assert defects["heel_missing"].letters == "בד"
    assert defects["heel_missing"].gravity[0].statement == "a, b"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("letters: בד", "letters: בדx", "heel_missing: unknown letters 'x'"),
        ("code: L", "code: PP", "heel_missing: gravity code is 'PP'; allowed are L"),
        ("scope: glyph", "scope: word", "heel_missing: scope is 'word'; allowed are glyph, gap"),
        ('"a, b"', "a, b", "heel_missing: unknown keys"),
        ("size: s", "size: s\n    sise: s", r"heel_missing: unknown keys \['sise'\]"),
    ],
)
def test_broken_entries_are_named(old: str, new: str, message: str) -> None:
    assert old in ENTRY
    with pytest.raises(ValueError, match=message):
        catalogue.parse_catalogue(ENTRY.replace(old, new))
