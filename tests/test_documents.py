"""What the documents name exists: paths, names of the package, commands, options, numbers.

The list of documents, their limits of words and the table of the README are this project's own
decisions (common practice, no source). Configurations are composed by Hydra itself.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import re
import shlex
import tomllib
from collections import Counter
from collections.abc import Iterator
from fnmatch import fnmatch
from functools import cache
from pathlib import Path, PurePosixPath

import pytest

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("configs", "datasets", "infer", "models", "tests", "train")
# The datasheet is a template of a program, and no document of the repository.
TEMPLATES = {"datasets/scans/datasheet.md"}
MAX_WORDS = {"README.md": 1499, "DEVELOPERS.md": 1700}
MAX_PICTURE_BYTES = 250_000
MIN_REPEATED_WORDS = 12
"""A line of at least so many words stands in one document only."""

PROGRAM = re.compile(r"(?:\.venv/bin/)?(crownlet(?:-render|-scans|-train)?|python3?|pip)$")
FILE_NAME = re.compile(r"[\w.*/-]+\.(?:py|ya?ml|md|html|safetensors|sh)$")
# Suites of the card, by the row of the README's table that gives their letter error rate.
CARD_ROWS = {
    "pages by drawn hands that training never saw": ("held-out hands",),
    "whole mezuzot by such hands": ("held-out mezuzot",),
    "two scribal typefaces, never trained on, clean": ("type pages", "letters, clean, 64 px"),
    "the same with faults cut in, 32 px a letter, degraded": (
        "type pages", "defects, degraded, 32 px"
    ),
    "photographs of old scrolls": ("photographs",),
}  # fmt: skip


def _documents() -> list[str]:
    found = [*ROOT.glob("*.md"), *(path for room in ROOMS for path in (ROOT / room).rglob("*.md"))]
    return sorted({path.relative_to(ROOT).as_posix() for path in found} - TEMPLATES)


DOCUMENTS = _documents()


@cache
def _text(document: str) -> str:
    return (ROOT / document).read_text(encoding="utf-8")


@cache
def _blocks(document: str) -> tuple[tuple[str, str], ...]:
    """Language and content of the fenced blocks."""
    found = re.findall(r"^ *```(\w*)\n(.*?)^ *```", _text(document), re.DOTALL | re.MULTILINE)
    return tuple((language, content) for language, content in found)


@cache
def _spans(document: str) -> tuple[str, ...]:
    """Code within sentences and tables."""
    prose = re.sub(r"^ *```.*?^ *```", "", _text(document), flags=re.DOTALL | re.MULTILINE)
    return tuple(re.findall(r"`([^`\n]+)`", prose))


@cache
def _paths() -> frozenset[str]:
    """Files and folders of the repository that documents may name."""
    files = [path for room in ROOMS for path in (ROOT / room).rglob("*") if path.is_file()]
    files += [path for path in ROOT.iterdir() if path.is_file()]
    files += [path for path in (ROOT / ".ci").iterdir() if path.is_file()]
    names = [path.relative_to(ROOT) for path in files if "__pycache__" not in path.parts]
    folders = {parent.as_posix() for name in names for parent in name.parents}
    return frozenset({name.as_posix() for name in names} | folders)


def path_exists(name: str) -> bool:
    """Whether a path from the root, or the end of one, is in the repository; `*` stands for any."""
    wanted = name.rstrip("/")
    return any(fnmatch(path, wanted) or fnmatch(f"/{path}", f"*/{wanted}") for path in _paths())


def named_paths(span: str) -> Iterator[str]:
    """What looks like a path of the repository in a piece of code."""
    for word in re.split(r"[\s=,:\[\]'\"()]+", span):
        rooted = PurePosixPath(word).parts[:1] in [(room,) for room in (*ROOMS, ".ci")]
        if (rooted and "/" in word and "<" not in word) or FILE_NAME.match(word):
            yield word


@pytest.mark.parametrize("document", DOCUMENTS)
def test_paths_exist(document: str) -> None:
    code = [*_spans(document), *(content for _, content in _blocks(document))]
    named = {path for piece in code for path in named_paths(piece)}
    # Pages, tables and sets of the user, of which the examples speak.
    of_users = {path for path in named if re.match(r"(scans|run|demo-out|/tmp|SET|RUN|S)/", path)}
    assert sorted(path for path in named - of_users if not path_exists(path)) == []


@pytest.mark.parametrize("document", DOCUMENTS)
def test_links_lead_somewhere(document: str) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", _text(document)):
        if re.match(r"[a-z]+://", target):
            continue
        path, _, anchor = target.partition("#")
        home = (ROOT / document).parent / path if path else ROOT / document
        assert home.exists(), target
        if anchor:
            titles = re.findall(r"^#+ (.+)$", home.read_text(encoding="utf-8"), re.MULTILINE)
            anchors = {re.sub(r"[^\w -]", "", title.lower()).replace(" ", "-") for title in titles}
            assert anchor in anchors, target
        if home.suffix == ".png" and home.name != "sampler.png":
            assert home.stat().st_size <= MAX_PICTURE_BYTES, target


def module_file(name: str) -> Path | None:
    """The file of a module `crownlet.x.y`."""
    place = ROOT.joinpath(*name.split(".")[1:])
    files = (place.with_suffix(".py"), place / "__init__.py")
    return next((file for file in files if file.is_file()), None)


def is_defined(name: str) -> bool:
    """Whether `crownlet.x.y` is a module or a name that a module defines or offers."""
    module, _, last = name.rpartition(".")
    if name == "crownlet" or module_file(name):
        return True
    file = module_file(module)
    if file is None:
        return False
    tree = ast.parse(file.read_text(encoding="utf-8"))
    defined = {node.name for node in tree.body if isinstance(node, ast.ClassDef | ast.FunctionDef)}
    for node in ast.walk(tree):
        if isinstance(node, ast.alias):
            defined.add(node.asname or node.name)
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            defined.add(node.id)
    return last in defined


@pytest.mark.parametrize("document", DOCUMENTS)
def test_names_of_the_package_exist(document: str) -> None:
    names = {name.rstrip(".") for name in re.findall(r"\bcrownlet(?:\.\w+)+", _text(document))}
    for language, content in _blocks(document):
        if language == "python":
            for node in ast.walk(ast.parse(content)):
                if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("crownlet"):
                    names |= {f"{node.module}.{alias.name}" for alias in node.names}
    assert sorted(name for name in names if not is_defined(name)) == []


def commands(document: str) -> Iterator[tuple[str, list[str]]]:
    """Programs with their arguments, from shell blocks and from code within sentences."""
    shell = [content for language, content in _blocks(document) if language == "sh"]
    for text in (*shell, *_spans(document)):
        joined = re.sub(r"\\\n\s*", " ", text)
        for line in re.split(r"\n|&&|;|\||\s&(?=\s|$)|\s#\s.*", joined):
            try:
                words = shlex.split(line, comments=True)
            except ValueError:
                continue
            for place, word in enumerate(words[:3]):
                if match := PROGRAM.match(word):
                    yield match[1], words[place + 1 :]
                    break


def _subparser(parser: argparse.ArgumentParser, name: str) -> argparse.ArgumentParser | None:
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            found: argparse.ArgumentParser | None = action.choices.get(name)
            return found
    return None


def unknown_arguments(parser: argparse.ArgumentParser, words: list[str]) -> list[str]:
    """Sub-commands and options that a parser does not have."""
    while words and (below := _subparser(parser, words[0])):
        parser, words = below, words[1:]
    options = {option for action in parser._actions for option in action.option_strings}
    wrong = [
        word for word in words if word.startswith("-") and word.partition("=")[0] not in options
    ]
    has_commands = any(isinstance(a, argparse._SubParsersAction) for a in parser._actions)
    if has_commands and words and not words[0].startswith(("-", ".")):
        wrong.append(words[0])
    return wrong


def _overrides(words: list[str]) -> list[str]:
    """Hydra's overrides; values that a shell fills in, and the choices of a sweep, are left out."""
    return [
        word
        for word in words
        if re.match(r"\+?[\w./]+=", word) and "$" not in word and not word.endswith(",")
    ]


def settings(document: str) -> Iterator[list[str]]:
    """Settings of `crownlet-train` within sentences, such as `trainer=tiny`."""
    for span in _spans(document):
        words = span.split()
        if all(re.fullmatch(r"\+?[a-z][\w.]*=[^{.][^{]*", word) for word in words):
            yield words


def check_python(words: list[str]) -> list[str]:
    """What `python` is asked for and is not there: a module, a script, or one of its options."""
    if words[:1] == ["-m"] and len(words) > 1:
        if not words[1].startswith("crownlet"):
            return []
        file = module_file(words[1])
        if file is not None and file.name == "__init__.py":
            file = file.with_name("__main__.py")
        rest = words[2:]
    elif words and words[0].endswith(".py"):
        file, rest = ROOT / words[0], words[1:]
    else:
        return []
    if file is None or not file.is_file():
        return words[:2]
    source = file.read_text(encoding="utf-8")
    wrong = [word for word in rest if word.startswith("--") and f'"{word}"' not in source]
    return wrong if '__name__ == "__main__"' in source else [*wrong, "no main"]


@pytest.mark.parametrize("document", DOCUMENTS)
def test_commands_exist(document: str) -> None:
    from hydra import compose, initialize_config_module

    from crownlet.infer import cli
    from crownlet.train import scans_cli

    extras = tomllib.loads(_text("pyproject.toml"))["project"]["optional-dependencies"]
    for program, words in commands(document):
        if program == "crownlet":
            wrong = unknown_arguments(cli._parser(), words)
        elif program == "crownlet-scans":
            wrong = unknown_arguments(scans_cli.build_parser(), words)
        elif program == "pip":
            named = [name for word in words for name in re.findall(r"\[([\w,]+)\]", word)]
            wrong = [extra for name in named for extra in name.split(",") if extra not in extras]
        elif program.startswith("python"):
            wrong = check_python(words)
        else:
            given, wrong = _overrides(words), []
            # Hydra refuses what no group and no key is called, jobs among them.
            with initialize_config_module("crownlet.configs", version_base="1.3"):
                compose(program.removeprefix("crownlet-"), overrides=given)
        assert wrong == [], (program, words)


@pytest.mark.parametrize("document", [d for d in DOCUMENTS if d.startswith("train/")])
def test_settings_exist(document: str) -> None:
    from hydra import compose, initialize_config_module

    for words in settings(document):
        with initialize_config_module("crownlet.configs", version_base="1.3"):
            compose("train", overrides=[word.replace(",...", "") for word in words])


@pytest.mark.parametrize("document", sorted(MAX_WORDS))
def test_documents_stay_short_and_open_with_one_paragraph(document: str) -> None:
    assert len(_text(document).split()) <= MAX_WORDS[document]
    title, opening, *_ = re.split(r"\n\n+", _text(document))
    assert re.fullmatch(r"# .+", title)
    assert re.match(r"Crownlet [a-z].*\.$", opening) and "\n" not in opening


def test_checks_can_be_run() -> None:
    for path in (ROOT / ".ci").iterdir():
        assert os.access(path, os.X_OK), path.name


def test_nothing_stands_twice() -> None:
    lines = Counter(
        line
        for document in DOCUMENTS
        for line in {line.strip() for line in _text(document).splitlines()}
        if len(line.split()) >= MIN_REPEATED_WORDS
    )
    assert [line for line, count in lines.items() if count > 1] == []


def test_accuracy_in_the_readme_is_that_of_the_card() -> None:
    card = json.loads((ROOT / "models" / "weights" / "card.json").read_text(encoding="utf-8"))
    section = _text("README.md").partition("## How accurate it is")[2].partition("\n## ")[0]
    assert f"Networks {card['version']}." in section
    rows = dict(re.findall(r"^\| (.+?) \| (.+) \|$", section, re.MULTILINE))
    for name, keys in CARD_ROWS.items():
        suite = card["suites"]
        for key in keys:
            suite = suite[key]
        rate = 100 * suite["letter_error_rate"]
        digits = 1 if rate >= 1 else 2
        assert rows[name] == f"{suite['letters']:,} | {rate:.{digits}f}%", name


@pytest.mark.parametrize(
    ("name", "there"),
    [("infer/pipeline.py", True), ("web/pages.py", True), ("letters_*.py", True), ("infer/", True),
     ("infer/sizing.py", False), ("datasets/coco.py", False), ("train/gate/", False)],
)  # fmt: skip
def test_missing_paths_are_seen(name: str, there: bool) -> None:
    assert path_exists(name) == there


def test_missing_names_and_commands_are_seen() -> None:
    from crownlet.infer import cli

    assert is_defined("crownlet.infer.open_run") and not is_defined("crownlet.infer.bench")
    assert unknown_arguments(cli._parser(), ["survey", "plan", "--rate", "1"]) == []
    assert unknown_arguments(cli._parser(), ["survey", "draw"]) == ["draw"]
    assert unknown_arguments(cli._parser(), ["sheet", "run", "--force"]) == ["--force"]
    assert check_python(["-m", "crownlet.train.bench", "--json", "f"]) == []
    assert check_python(["-m", "crownlet.train.bench", "--speed"]) == ["--speed"]
    assert check_python(["-m", "crownlet.infer.bench"]) == ["-m", "crownlet.infer.bench"]
