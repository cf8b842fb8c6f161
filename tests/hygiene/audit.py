"""What is installed for the package, by the metadata of it: names, licences, needs."""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

ROOT = "crownlet"
ROOM = Path(__file__).resolve().parents[2]
_NEED = re.compile(r"(?P<name>[A-Za-z0-9._-]+)\s*(\[(?P<extras>[^\]]*)\])?")
_EXTRA = re.compile(r"""extra\s*==\s*['"](?P<name>[^'"]+)['"]""")

PERMISSIVE = (
    "MIT", "BSD", "APACHE", "PSF", "PYTHON SOFTWARE FOUNDATION", "ISC", "ZLIB", "0BSD", "BSL-1.0",
    "CC0", "HPND", "UNLICENSE", "MIT-CMU", "MATPLOTLIB",
)  # fmt: skip
_WORDS = {
    "Permission is hereby granted, free of charge": "MIT",
    "Apache License": "Apache-2.0",
    "Redistribution and use in source and binary forms": "BSD-3-Clause",
}
"""What the text of a licence says where the metadata name none."""


def plain(name: str) -> str:
    """A distribution's name as they are compared (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def needs(found: Distribution, extras: frozenset[str]) -> dict[str, frozenset[str]]:
    """Distributions that one asks for with these extras, each with the extras asked of it."""
    asked: dict[str, frozenset[str]] = {}
    for line in found.requires or ():
        only = _EXTRA.search(line.partition(";")[2])
        if only is None or only["name"] in extras:
            name, more = _part(line)
            asked[name] = asked.get(name, frozenset()) | more
    return asked


def declared(extras: frozenset[str]) -> dict[str, frozenset[str]]:
    """What `pyproject.toml` asks for: in a checkout, metadata of the package itself may be old."""
    project = tomllib.loads((ROOM / "pyproject.toml").read_text("utf-8"))["project"]
    asked: dict[str, frozenset[str]] = {}
    todo, done = ["", *extras], set[str]()
    while todo:
        extra = todo.pop()
        done.add(extra)
        lines = project["optional-dependencies"][extra] if extra else project["dependencies"]
        for line in lines:
            name, more = _part(line)
            if name == ROOT:
                todo += more - done
            else:
                asked[name] = asked.get(name, frozenset()) | more
    return asked


def _part(line: str) -> tuple[str, frozenset[str]]:
    """Name and extras of a requirement (PEP 508)."""
    part = _NEED.match(line)
    if part is None:
        raise ValueError(f"{line!r} is no requirement")
    more = frozenset(e.strip() for e in (part["extras"] or "").split(",") if e.strip())
    return plain(part["name"]), more


def installed(*extras: str) -> dict[str, Distribution]:
    """All that the package with these extras brings, by name; what is not installed is left out.

    A need for another platform or Python is not installed here; `pip check` tells of others.
    """
    found: dict[str, Distribution] = {}
    done: set[tuple[str, frozenset[str]]] = set()
    todo = list(declared(frozenset(extras)).items())
    while todo:
        name, wanted = todo.pop()
        if (name, wanted) in done:
            continue
        done.add((name, wanted))
        try:
            found[name] = distribution(name)
        except PackageNotFoundError:
            continue
        todo += needs(found[name], wanted).items()
    return dict(sorted(found.items()))


def licence(found: Distribution) -> str:
    """The licence of a distribution, as its metadata or the licence beside them name it; or ""."""
    data = found.metadata
    if data.get("License-Expression"):
        return str(data["License-Expression"])
    classes = [c for c in data.get_all("Classifier") or () if c.startswith("License ::")]
    if classes:
        return " AND ".join(sorted({c.rpartition(" :: ")[2] for c in classes}))
    first = (data.get("License") or "").strip().splitlines()
    return first[0] if first else _written(found)


def _written(found: Distribution) -> str:
    for file in found.files or ():
        if re.search(r"LICEN[CS]E|COPYING", file.name, re.I):
            text = " ".join(file.read_text("utf-8").split())
            return next((name for words, name in _WORDS.items() if words in text), "")
    return ""


def permissive(name: str) -> bool:
    """Whether a licence, each part of it, asks for no more than to be named."""
    parts = re.split(r"\bAND\b|\bWITH\b|;", name.upper().replace("(", "").replace(")", ""))
    parts = [part.strip() for part in parts if part.strip() not in ("", "LLVM-EXCEPTION")]
    return bool(parts) and all(
        any(re.search(rf"(?<![A-Z]){re.escape(word)}", part) for word in PERMISSIVE)
        for part in parts
    )
