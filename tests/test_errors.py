"""All errors of the package are one tree, drawn at the top of `datasets/files/errors.py`.

The tree is this project's own decision; no outside source. That one class at the root lets a caller
catch whatever a package raises on purpose is common practice.
"""

from __future__ import annotations

import ast
import builtins
import pickle
import re
from collections import Counter
from pathlib import Path

from crownlet.datasets.files import errors

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("datasets", "infer", "models", "train")
OURS = "CrownletError"
PYTHON = {
    name
    for name, value in vars(builtins).items()
    if isinstance(value, type) and issubclass(value, BaseException)
}
NODE = re.compile(r"^ {4}(?P<indent>[│├└─ ]*)(?P<name>\w+)(?: \((?P<also>\w+)\))?(?: {2}|$)", re.M)


def classes() -> list[tuple[str, tuple[str, ...]]]:
    """Every class of the package with the last names of its bases."""
    paths = sorted(path for room in ROOMS for path in (ROOT / room).rglob("*.py"))
    nodes = [n for path in paths for n in ast.walk(ast.parse(path.read_text(encoding="utf-8")))]
    return [
        (node.name, tuple(ast.unparse(base).rpartition(".")[2] for base in node.bases))
        for node in nodes
        if isinstance(node, ast.ClassDef)
    ]


CLASSES = classes()


def exceptions() -> dict[str, tuple[str, ...]]:
    """Classes that are exceptions by their bases or by their names, with their bases."""
    found: dict[str, tuple[str, ...]] = {}
    known, before = {*PYTHON}, -1
    while before != len(found):
        before = len(found)
        for name, bases in CLASSES:
            named = re.search(r"(Error|Exception|Warning|Fault)$", " ".join(bases))
            if known & {*bases} or named or re.search(r"(Error|Exception)$", name):
                found[name] = bases
                known.add(name)
    return found


def test_every_exception_is_below_the_root() -> None:
    bases = exceptions()
    assert len(bases) > 15
    below = {OURS}
    for _ in bases:
        below |= {name for name, own in bases.items() if below & {*own}}
    assert {*bases} - below == set()


def test_names_of_exceptions_are_their_own() -> None:
    counts = Counter(name for name, _ in CLASSES if name in exceptions())
    assert [name for name, count in counts.items() if count > 1] == []
    assert {*exceptions()} & PYTHON == set()


def test_the_drawn_tree_is_the_tree() -> None:
    """Each class stands below its base, with a base of Python's own in brackets."""
    drawn: dict[str, tuple[str, ...]] = {}
    above: list[str] = []
    for node in NODE.finditer(errors.__doc__ or ""):
        depth = len(node["indent"]) // 4
        above[depth:] = [node["name"]]
        parent = (above[depth - 1],) if depth else ("Exception",)
        drawn[node["name"]] = parent + ((node["also"],) if node["also"] else ())
    assert drawn == exceptions()


def test_faults_of_files_travel_between_processes() -> None:
    fault = errors.FileFault("a\nb.png", "is gone.")
    back = pickle.loads(pickle.dumps(fault))
    assert (str(back), back.path, back.reason) == ("a\ufffdb.png: is gone.", "a\nb.png", "is gone.")
