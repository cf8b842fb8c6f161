"""Damaged and absurd tables, each made from a whole one and a number, the same every time.

Half of the damage is done to bytes, as by a disk or a bad transfer; half to what they mean: a cell,
a value, an attribute exchanged for one that nobody expects there, absent, or there twice.
"""

from __future__ import annotations

import csv
import io
import json
import random
import re
from collections.abc import Callable
from typing import Any

import yaml

CELLS = (
    "", " ", "nan", "inf", "-inf", "1e999", "-1", "0", "9" * 400, "0x" + "f" * 900, "²", "٣", "1.5",
    "true", "null", "=1+1", "\u202eabc", "\x00", "\ufeff", "א" * 50, "a" * 100_000, "[", "{",
    "!!timestamp 1", "&a x", "*a", "../../x", "/dev/zero", "9" * 19, "a;b;c", '"', "'", "\ud800",
)  # fmt: skip
"""Texts that numbers, names, paths and formulas are exchanged for."""

VALUES: tuple[Any, ...] = (
    None, True, False, -1, 0, 2**63, 10**400, 1e308, float("nan"), float("inf"), "", "x", [], {},
    [1], {"a": 1}, [[[]]], [None], "א", "-", "9" * 50, [0.0] * 3, {"": None},
)  # fmt: skip
"""Values that those of JSON and YAML are exchanged for."""

DEEP = 5_000
"""Levels of the deepest nesting: Python gives up at a thousand."""


def mutant(kind: str, whole: bytes, number: int, name: str) -> bytes:
    """The file `name`, damaged as this number has it; `kind` keeps those of two kinds apart."""
    rng = random.Random(f"{kind} {name} {number}")
    change = STRUCTURES.get(name.rpartition(".")[2])
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        if change is not None and rng.random() < 0.6:
            try:
                whole = change(whole, rng)
                continue
            except (ValueError, yaml.YAMLError, RecursionError, IndexError, csv.Error):
                pass  # It is no table any more: only its bytes can be damaged further.
        whole = rng.choice(BYTES)(whole, rng)
    return whole


def _cut(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data) + 1)]


def _flip(data: bytes, rng: random.Random) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice((1, 2, 8, 40)) if out else 0):
        out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def _overwrite(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data) + 1)
    text = rng.choice(CELLS).encode("utf-8", "surrogatepass")
    return data[:at] + text + data[at + rng.choice((0, 1, len(text))) :]


def _move(data: bytes, rng: random.Random) -> bytes:
    a, b = sorted(rng.randrange(len(data) + 1) for _ in range(2))
    return rng.choice((data[:a] + data[b:], data[:b] + data[a:b][:50_000] * 2 + data[b:]))


def _encode(data: bytes, rng: random.Random) -> bytes:
    text = data.decode("utf-8", "replace")
    return text.encode(rng.choice(("utf-16", "utf-8-sig", "cp1255", "utf-32")), "replace")


def _nest(data: bytes, rng: random.Random) -> bytes:
    open_, close = rng.choice((("[", "]"), ("{", "}"), ("<a>", "</a>"), ('{"a":', "}"), ("- ", "")))
    at = rng.randrange(len(data) + 1)
    deep = (open_ * DEEP + close * rng.choice((0, DEEP))).encode()
    return data[:at] + deep + data[at:] if rng.random() < 0.5 else deep


BYTES: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    _cut, _flip, _flip, _overwrite, _overwrite, _move, _encode, _nest,
)  # fmt: skip


def _csv(data: bytes, rng: random.Random) -> bytes:
    rows = list(csv.reader(io.StringIO(data.decode(), newline="")))
    row = rng.choice(rows)
    action, at = rng.randrange(7), rng.randrange(len(row))
    if action < 4:
        row[at] = rng.choice(CELLS) if action < 3 else rng.choice(rng.choice(rows))
    elif action == 4:
        del row[at]
    elif action == 5:
        rows.insert(rng.randrange(len(rows) + 1), [*row, *row[: rng.randrange(2)]])
    else:
        rows.remove(row)
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=rng.choice(",,,;\t")).writerows(rows)
    return out.getvalue().encode("utf-8", "surrogatepass")


def _places(data: Any) -> list[tuple[Any, Any]]:
    """Every container with a key or number in it."""
    inside = list(data.items()) if isinstance(data, dict) else list(enumerate(data))
    found: list[tuple[Any, Any]] = [(data, key) for key, _ in inside]
    for _, value in inside:
        if isinstance(value, dict | list):
            found += _places(value)
    return found


def _damage(data: Any, rng: random.Random) -> Any:
    """A value of a tree exchanged, absent, moved, or put one level lower."""
    if not isinstance(data, dict | list) or not data or rng.random() < 0.05:
        return rng.choice(VALUES)
    places = _places(data)
    # Lists of thousands of letters would hide the few values that are not in them.
    tops = [place for place in places if place[0] is data]
    holder, key = rng.choice(tops if rng.random() < 0.3 else places)
    action = rng.randrange(6)
    if action < 3:
        holder[key] = rng.choice(VALUES)
    elif action == 3:
        del holder[key]
    elif action == 4:
        holder[key] = rng.choice(([holder[key]], {"a": holder[key]}))
    else:
        other, there = rng.choice(places)
        holder[key] = other[there] if not isinstance(other[there], dict | list) else None
    return data


def _json(data: bytes, rng: random.Random) -> bytes:
    changed = json.dumps(_damage(json.loads(data), rng))
    return changed.encode()


def _yaml(data: bytes, rng: random.Random) -> bytes:
    changed: str = yaml.safe_dump(_damage(yaml.safe_load(data), rng), allow_unicode=True)
    return changed.encode("utf-8", "surrogatepass")


def _xml(data: bytes, rng: random.Random) -> bytes:
    text = data.decode()
    action = rng.randrange(4)
    if action < 2:
        found = rng.choice(list(re.finditer(r'="([^"]*)"|>([^<>]+)<', text)))
        place = found.span(1 if found[1] is not None else 2)
        new = rng.choice(CELLS).replace("<", "").replace('"', "")
        text = text[: place[0]] + new + text[place[1] :]
    elif action == 2:
        found = rng.choice(list(re.finditer(r"<[^/?!][^>]*>", text)))
        text = text[: found.start()] + text[found.end() :]
    else:
        found = rng.choice(list(re.finditer(r'\w+="[^"]*"', text)))
        text = text[: found.start()] + rng.choice(("", found[0] * 2)) + text[found.end() :]
    return text.encode("utf-8", "surrogatepass")


STRUCTURES: dict[str, Callable[[bytes, random.Random], bytes]] = {
    "csv": _csv, "json": _json, "yaml": _yaml, "xml": _xml,
}  # fmt: skip
"""How a file is damaged in what it means, by the ending of its name."""
