"""Where *Miqra al pi ha-Masorah*, in the same package, spells otherwise than the codex.

Only the places are kept: the word of the codex and how the other text writes it.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from crownlet.datasets.alphabet import BY_CHAR

SPACE = "{http://www.bibletechnologies.net/2003/OSIS/namespace}"
SHORT = {"Gen": "Genesis", "Exod": "Exodus", "Lev": "Leviticus", "Num": "Numbers",
         "Deut": "Deuteronomy"}  # fmt: skip
KETIV = "\x01"


def differences(package: Path, words: Mapping[str, Sequence[str]]) -> list[dict[str, Any]]:
    """Verse, word from 0, number of words, spelling here and there, wherever words are spelled
    otherwise."""
    other = _verses(package / "MAPM" / "MAPM.xml")
    found = []
    for name, ours in words.items():
        theirs = other.get(name, list(ours))
        if "".join(theirs) == "".join(ours):
            continue
        for start, stop, first, last in _unlike(ours, theirs):
            here, there = " ".join(ours[start:stop]), " ".join(theirs[first:last])
            # A word on one side only is a qere of two words, or a verse numbered otherwise.
            if here and there and here.replace(" ", "") != there.replace(" ", ""):
                found.append({"verse": name, "word": start, "words": stop - start,
                              "here": here, "there": there})  # fmt: skip
    return found


def _unlike(ours: Sequence[str], theirs: Sequence[str]) -> Iterator[tuple[int, int, int, int]]:
    matcher = difflib.SequenceMatcher(None, ours, theirs, autojunk=False)
    for kind, start, stop, first, last in matcher.get_opcodes():
        if kind != "equal":
            yield start, stop, first, last


def _verses(path: Path) -> dict[str, list[str]]:
    """The words of the Torah by verse; chapters and verses are milestones in this file."""
    verses: dict[str, str] = {}
    group = ElementTree.parse(path).getroot().find(f".//{SPACE}div[@type='bookGroup']")
    if group is None:
        raise ValueError(f"{path} holds no group of books")
    current = ""
    for kind, value in _walk(group):
        if kind == "verse":
            current = value
        elif current:
            verses[current] = verses.get(current, "") + value
    return {name: _words(text) for name, text in verses.items() if name}


def _walk(node: ElementTree.Element) -> Iterator[tuple[str, str]]:
    tag = node.tag.removeprefix(SPACE)
    if tag == "verse":
        book, _, rest = (node.get("sID") or "").partition(".")
        yield "verse", f"{SHORT[book]} {rest.replace('.', ':')}" if book in SHORT else ""
    kind = node.get("type")
    if tag not in ("title", "note") and kind not in ("x-paseq", "x-symbol", "x-reversednun"):
        if kind == "x-ketiv":
            yield "text", f" {KETIV}{node.text or ''} "
        else:
            # Songs are broken into half lines without a space.
            yield "text", (" " if tag in ("l", "lb", "lg") else "") + (node.text or "")
        for child in node:
            yield from _walk(child)
    if node.tail:
        yield "text", node.tail


def _words(text: str) -> list[str]:
    """Words as written: what follows a ketiv is its qere and is left out."""
    words: list[str] = []
    qere = False
    for token in re.sub(r"[־\s]+", " ", text).split():
        letters = "".join(char for char in token if char in BY_CHAR)
        if not letters:
            continue
        if not qere:
            words.append(letters)
        qere = token.startswith(KETIV)
    return words
