"""The tool never rules and never mends: no such word in what users are shown or told."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.review.web.item_view import QUESTION_BY_KIND
from crownlet.infer.view.wording import defect_words

ROOT = Path(__file__).resolve().parents[1]
INFER = ROOT / "infer"
TEMPLATES = (".html", ".js", ".j2", ".jinja", ".svg", ".md", ".txt")

# "fit" only where it says what something is: not as a verb, nor as CSS writes it.
RULING = re.compile(
    r"(?<![-\w])(kosher|kasher|pasul|posul|(in)?valid|passed|unfit|disqualif\w+|"
    r"(is|are|was|be|seems?)( not)? fit|"
    r"need(s|ed)? no genizah|scrap(e|ing)|repair\w*|rewrit\w+|add (a stroke|ink))(?![-\w(])",
    re.IGNORECASE,
)


def sentences(source: str) -> Iterator[str]:
    """String literals of more than one word, docstrings left out."""
    tree = ast.parse(source)
    docs = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        constant = node.value if isinstance(node, ast.Constant) else None
        if isinstance(constant, str) and " " in constant and id(node) not in docs:
            yield constant


def shown() -> Iterator[tuple[str, str]]:
    for path in sorted(INFER.rglob("*")):
        if path.suffix == ".py":
            for text in sentences(path.read_text(encoding="utf-8")):
                yield path.name, text
        elif path.suffix in TEMPLATES:
            yield path.name, path.read_text(encoding="utf-8")
    for path in (ROOT / "README.md", *sorted((ROOT / "configs" / "customs").glob("*.yaml"))):
        yield path.name, path.read_text(encoding="utf-8")


def test_nothing_shown_rules_or_mends() -> None:
    texts = list(shown())
    assert texts
    assert [(name, m[0]) for name, text in texts for m in RULING.finditer(text)] == []


@pytest.mark.parametrize(
    ("text", "caught"),
    [
        ("This letter is Kosher.", True),
        ("The mezuzah passed.", True),
        ("an invalid bet", True),
        ("this scroll is fit", True),
        ("repair the tag", True),
        ("this paper needs no genizah", True),
        ("img { object-fit: cover; width: fit-content }", False),
        ("the page does not fit into memory", False),
        ("Look here: a tag may be missing.", False),
    ],
)
def test_the_words_are_recognised(text: str, caught: bool) -> None:
    assert bool(RULING.search(text)) == caught


def test_docstrings_are_not_shown() -> None:
    assert list(sentences('"""A b."""\nX = "c d"\ndef f():\n    """E f."""\n')) == ["c d"]


# "tag" as a word by itself: names of columns, defects and HTML keep it.
TAG = re.compile(r"(?<![-\w.%#{/\"'])[Tt]ags?(?![-\w(.=:\"'])")


def test_readers_are_stated_of_crowns_and_tables_of_tags() -> None:
    """One word on each page: sentences say "crown", names in tables keep "tag" (own rule)."""
    for name, entry in CATALOGUE.items():
        phrases = (defect_words(name), entry.description, *(o.statement for o in entry.gravity))
        assert not [text for text in phrases if TAG.search(text)]
    assert defect_words("tag_missing") == "crown missing"
    for template in sorted(INFER.rglob("templates/*.html")):
        text = re.sub(r"{%.*?%}|{{.*?}}|<[^>]*>", " ", template.read_text(encoding="utf-8"))
        assert not TAG.search(text), template.name
    for kind, question in QUESTION_BY_KIND.items():
        assert not TAG.search(question.replace("{tags}", "")), kind


def test_no_page_abbreviates_a_book_of_its_own() -> None:
    """Sources are spelled out at their first use; what templates and sentences cite is whole."""
    short = re.compile(r"\b(OC|YD|MB|MS|Keset)\b(?! HaSofer) \d")
    for name, text in shown():
        if name.endswith((".html", ".py")):
            assert not short.search(text), (name, short.search(text))
