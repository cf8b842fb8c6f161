"""Small files of other people, read safely: their size is asked first, and what they may hold.

YAML may hold names, numbers, lists and mappings. Anchors let a file of a few hundred bytes stand
for gigabytes, and tags for objects of all kinds; no file of this package needs either. What looks
like a date is text.
"""

from __future__ import annotations

import errno
import json
import math
import os
import re
import stat
from pathlib import Path
from typing import Any, ClassVar

import yaml

MAX_NESTING = 60
"""Depth to which a file may be nested; those of this package have six."""

_Safe: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

_HALF_PAIR = re.compile(r"\\u[dD][89a-fA-F]|[\ud800-\udfff]")
"""What may be half of a surrogate pair, written out or as an escape."""

_LONG_NUMBER = re.compile(r"\d{309}")
"""Digits of a whole number that may be larger than any float (1.8e308 in IEEE 754, binary64)."""

_TIMESTAMP = "tag:yaml.org,2002:timestamp"


class _PlainLoader(_Safe):  # type: ignore[misc]
    """The safe loader without dates."""

    yaml_implicit_resolvers: ClassVar[dict[str, Any]] = {
        first: [(tag, pattern) for tag, pattern in rules if tag != _TIMESTAMP]
        for first, rules in _Safe.yaml_implicit_resolvers.items()
    }


def read_small_file(path: Path, max_bytes: int) -> bytes:
    """The content of a regular file; OSError for anything else, or for a larger one."""
    # A pipe would wait for a writer; without blocking it opens at once and is no regular file.
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    with os.fdopen(descriptor, "rb") as file:
        facts = os.fstat(descriptor)
        if not stat.S_ISREG(facts.st_mode):
            raise OSError(errno.EINVAL, "is no regular file", str(path))
        if facts.st_size > max_bytes:
            raise OSError(errno.EFBIG, f"is larger than {max_bytes / 2**20:g} MiB", str(path))
        return file.read()


def parse_json(data: bytes | str) -> Any:
    """The value of a JSON text; ValueError, also for one that is nested too deep.

    Half of a surrogate pair is refused: JSON can hold it, and no file or page can. So is a whole
    number that no float can hold.
    """
    text = data if isinstance(data, str) else data.decode(json.detect_encoding(data))
    try:
        value = json.loads(text)
        if _HALF_PAIR.search(text):
            json.dumps(value, ensure_ascii=False).encode("utf-8")
        if _LONG_NUMBER.search(text):
            json.loads(text, parse_int=_float_sized)
    except RecursionError:
        raise ValueError("is nested too deep") from None
    return value


def _float_sized(digits: str) -> int:
    """A whole number of a JSON text; ValueError for one that is larger than any float."""
    number = int(digits)
    try:
        float(number)
    except OverflowError:
        raise ValueError(f"a number of {len(digits.lstrip('-'))} digits is too large") from None
    return number


def parse_yaml(data: bytes) -> Any:
    """The value of a YAML text; ValueError names the line of what cannot be used."""
    depth = 0
    try:
        for event in yaml.parse(data, Loader=_Safe):
            mark = event.start_mark
            line = f"line {mark.line + 1}" if mark is not None else "the beginning"
            if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None) is not None:
                raise ValueError(f"{line}: anchors and aliases are not read")
            if (tag := getattr(event, "tag", None)) is not None:
                raise ValueError(f"{line}: the tag {str(tag)[:60]!r} is not read")
            depth += isinstance(event, yaml.CollectionStartEvent)
            depth -= isinstance(event, yaml.CollectionEndEvent)
            if depth > MAX_NESTING:
                raise ValueError(f"{line}: is nested more than {MAX_NESTING} deep")
        return yaml.load(data, Loader=_PlainLoader)
    except (yaml.YAMLError, RecursionError, TypeError) as error:
        raise ValueError(_yaml_cause(error)) from None


def _yaml_cause(error: Exception) -> str:
    mark = getattr(error, "problem_mark", None)
    line = f"line {mark.line + 1}: " if mark is not None else ""
    what = getattr(error, "problem", None) or " ".join(str(error).split())[:160]
    return f"{line}{what}"


def parse_number(value: Any) -> float:
    """A finite number as a file gives it; ValueError or TypeError for anything else."""
    if isinstance(value, bool):
        raise TypeError(f"{value} is no number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise ValueError(f"{str(value)[:40]} is no finite number")
    return number


def parse_share(value: Any) -> float:
    """A number from 0 to 1 as a file gives it; ValueError or TypeError for any other."""
    number = parse_number(value)
    if not 0.0 <= number <= 1.0:
        raise ValueError(f"{number} is not between 0 and 1")
    return number
