"""Customs: what the user's tradition expects where the sources leave room.

Each file of `configs/customs` documents every setting. `unspecified`, the default, expects only
what no custom disputes and flags neither of two accepted forms.
"""

from __future__ import annotations

import difflib
import hashlib
import reprlib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal, cast, get_args, get_type_hints

import yaml

from crownlet.datasets.files.documents import parse_yaml
from crownlet.datasets.files.errors import plain, quoted
from crownlet.datasets.files.names import is_file, is_unicode
from crownlet.datasets.scribal.alphabet import BY_CHAR, index_of

SHIPPED_CUSTOMS = ("unspecified", "beit_yosef", "arizal", "vellish", "strict")
"""Customs that are shipped."""

MAX_CUSTOMS_BYTES = 64 * 1024

LARGE_LETTER_RATIO_LIMITS = (1.0, 4.0)

Expectation = Literal["expected", "not_expected", "unspecified"]

Heading = Literal["question", "outset", "information", "unspecified"]


@dataclass(frozen=True)
class Customs:
    """A set of customs. `unspecified` always means: accept either form, expect nothing.

    The values allowed are those of the annotations; why each is a setting stands, with its source,
    in `configs/customs/unspecified.yaml`.
    """

    name: str
    checksum: str
    """SHA-256 of the file, in hexadecimal, so that a record can say by what it was made."""
    version: int = 1
    style: Literal["beit_yosef", "arizal", "alter_rebbe", "vellish", "unspecified"] = "unspecified"
    tsadi_yud_reversed: Expectation = "unspecified"
    chet_top: Literal["hump", "flat", "unspecified"] = "unspecified"
    chet_right_leg: Literal["zayin", "vav", "unspecified"] = "unspecified"
    tag_form: Literal["zayin", "line", "unspecified"] = "unspecified"
    tags_absent: Heading = "unspecified"
    bedek_chaya: Expectation = "unspecified"
    lamed_tags: Expectation = "unspecified"
    crown_list: Literal["rambam", "no_list", "unspecified"] = "unspecified"
    final_kaf_top: Literal["round", "square_accepted", "unspecified"] = "unspecified"
    final_mem_upper_right: Literal["round", "square", "unspecified"] = "unspecified"
    pe_white_bet: Expectation = "unspecified"
    tav_foot: Literal["vav", "dalet", "unspecified"] = "unspecified"
    mezuzah_break: Literal["tur", "nine_yuds", "open", "unspecified"] = "unspecified"
    tefillin_break: Literal["rambam", "line_head", "divided", "unspecified"] = "unspecified"
    reverse_text: Literal["both", "name_only", "unspecified"] = "unspecified"
    large_letters: Expectation = "unspecified"
    large_letter_ratio: float = 1.5
    mezuzah_lines: Literal["tur", "free", "unspecified"] = "unspecified"
    tefillin_lines: Literal["tur", "free", "unspecified"] = "unspecified"
    verse_gap: Literal["wider", "same", "unspecified"] = "unspecified"
    yud_kotz: Heading = "unspecified"
    leg_minimum: Literal["strict", "yud_size", "unspecified"] = "unspecified"
    inner_surround: Literal["babylonian", "jerusalem", "unspecified"] = "unspecified"

    def tags_expected(self, letter: str) -> int | None:
        """Tags these customs expect on `letter`; None where they expect nothing either way.

        ValueError if `letter` is not one of the 27.
        """
        index_of(letter)
        crown = BY_CHAR[letter].crown
        if letter == "ל":
            return _tags_by_expectation(self.lamed_tags, 2)
        return _tags_by_expectation(self.bedek_chaya, 1) if crown == 1 else crown


def load_customs(name_or_path: str | Path = "unspecified") -> Customs:
    """Customs by their shipped name, or from a YAML file; keys left out are unspecified.

    ValueError, in one sentence naming the file, the key and the values allowed, for anything else.
    """
    if isinstance(name_or_path, str) and name_or_path in SHIPPED_CUSTOMS:
        return _load_shipped(name_or_path)
    path = Path(name_or_path)
    if not is_file(path):
        known = ", ".join(SHIPPED_CUSTOMS)
        raise ValueError(
            f"{quoted(str(name_or_path))} is neither shipped customs ({known}) nor a file"
        )
    if not is_unicode(path):
        raise ValueError(f"{plain(path)}: its name is not in UTF-8; give it another")
    if path.stat().st_size > MAX_CUSTOMS_BYTES:
        raise ValueError(
            f"{path} is larger than {MAX_CUSTOMS_BYTES // 1024} KiB, too large for customs"
        )
    return _parse(str(path), path.stem, path.read_bytes())


def _tags_by_expectation(expectation: Expectation, tags: int) -> int | None:
    return {"expected": tags, "not_expected": 0, "unspecified": None}[expectation]


@cache
def _load_shipped(name: str) -> Customs:
    file = f"{name}.yaml"
    return _parse(file, name, (resources.files("crownlet.configs.customs") / file).read_bytes())


def _parse(file: str, stem: str, content: bytes) -> Customs:
    settings = {"name": stem, **_read_mapping(file, content)}
    known = {field.name for field in fields(Customs)} - {"checksum"}
    for key, value in settings.items():
        if key not in known:
            near = difflib.get_close_matches(key if isinstance(key, str) else "", known, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(sorted(known))}"
            raise ValueError(f"{file}: unknown key {_short_repr(key)}; {hint}")
        _check_value(file, key, value)
    return Customs(checksum=hashlib.sha256(content).hexdigest(), **settings)


def _read_mapping(file: str, content: bytes) -> Mapping[str, Any]:
    """The top level of a YAML file, checked to be one mapping without doubled keys."""
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    try:
        data = parse_yaml(content)
        node = yaml.compose(content, Loader=loader)
    except (yaml.YAMLError, ValueError) as error:
        raise ValueError(f"{file} is not a YAML file: {' '.join(str(error).split())}") from None
    if not isinstance(data, dict) or not isinstance(node, yaml.MappingNode):
        raise ValueError(f"{file} holds no settings: lines of the form `key: value` are needed")
    keys = [key.value for key, _ in node.value]
    if doubled := sorted({str(key) for key in keys if keys.count(key) > 1}):
        raise ValueError(f"{file}: the key {doubled[0]!r} is given more than once")
    return data


def _check_value(file: str, key: str, value: object) -> None:
    allowed = get_args(get_type_hints(Customs)[key])
    low, high = LARGE_LETTER_RATIO_LIMITS
    whole = isinstance(value, int) and not isinstance(value, bool)
    if key == "name":
        fine, wanted = isinstance(value, str) and bool(value), "a name"
    elif key == "version":
        fine, wanted = whole and 1 <= cast(int, value) < 2**31, "a whole number from 1"
    elif key == "large_letter_ratio":
        number = isinstance(value, float) or whole
        fine = number and low <= cast(float, value) <= high
        wanted = f"a number from {low:g} to {high:g}"
    else:
        fine, wanted = value in allowed, ", ".join(allowed)
    if not fine:
        raise ValueError(f"{file}: {key} is {_short_repr(value)}; allowed: {wanted}")


def _short_repr(value: object) -> str:
    """A value in short: written out, a few aliases can fill the memory."""
    try:
        return reprlib.repr(value)[:80]
    except ValueError:
        return "a number of more digits than can be shown"
