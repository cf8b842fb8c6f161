"""Records made of what JSON holds, each value checked against the annotation of its field.

A file of a run may be anybody's by the time that it is read: a value of another type would end a
sheet or a review half way, far from the file that is at fault.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import fields
from functools import cache
from types import NoneType, UnionType
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

MAX_WHOLE_NUMBER = 2**53
"""Largest whole number that JSON keeps everywhere (RFC 8259, section 6)."""

Record = TypeVar("Record")


def build_record(kind: type[Record], data: object) -> Record:
    """A record of a dataclass from those of its fields that `data` has; lists become tuples.

    TypeError or ValueError for what is no mapping, for an absent field, and for a value of another
    type than its annotation.
    """
    if not isinstance(data, Mapping):
        raise TypeError(f"{kind.__name__} is no mapping")
    values: dict[str, Any] = {}
    for key, check in _checks(kind).items():  # type: ignore[arg-type]
        if key in data:
            values[key] = as_tuples(data[key])
            if not check(values[key]):
                raise ValueError(f"{key} is {str(values[key])[:40]!r}")
    return kind(**values)


def strings(data: object, name: str) -> tuple[str, ...]:
    """A list of texts; ValueError for anything else."""
    if not isinstance(data, list | tuple) or not all(isinstance(item, str) for item in data):
        raise ValueError(f"{name} is no list of texts")
    return tuple(data)


def mapping(data: object, name: str) -> Mapping[str, Any]:
    """A mapping; ValueError for anything else."""
    if not isinstance(data, Mapping):
        raise ValueError(f"{name} is no mapping")
    return data


def mappings(data: object, name: str) -> Mapping[str, Mapping[str, Any]]:
    """A mapping of mappings; ValueError for anything else."""
    return {key: mapping(value, f"{name}: {key}") for key, value in mapping(data, name).items()}


def numbers(data: object, name: str) -> Mapping[str, float]:
    """A mapping of finite numbers; ValueError for anything else."""
    if wrong := [key for key, value in mapping(data, name).items() if not _is_finite(value)]:
        raise ValueError(f"{name}: {str(wrong[0])[:40]} is no number")
    return mapping(data, name)


def as_tuples(value: Any) -> Any:
    """Lists, and lists in them, as tuples."""
    return tuple(as_tuples(item) for item in value) if isinstance(value, list) else value


@cache
def _checks(kind: type[Any]) -> Mapping[str, Callable[[Any], bool]]:
    hints = get_type_hints(kind)
    return {field.name: _check_of(hints[field.name]) for field in fields(kind)}


def _check_of(hint: Any) -> Callable[[Any], bool]:
    """Whether a value is what an annotation of our records says."""
    origin, inner = get_origin(hint), get_args(hint)
    if hint is float:
        return _is_finite
    if hint is int:
        return lambda value: _is_number(value) and isinstance(value, int)
    if hint in (str, bool, NoneType):
        return lambda value: isinstance(value, hint)
    if origin is Literal:
        return lambda value: isinstance(value, str) and value in inner
    if origin in (Union, UnionType):
        parts = [_check_of(part) for part in inner]
        return lambda value: any(part(value) for part in parts)
    if origin is tuple:
        return _check_of_tuple(inner)
    if origin is not None and issubclass(origin, Mapping):
        return lambda value: isinstance(value, Mapping)
    return lambda value: isinstance(value, hint)


def _check_of_tuple(inner: tuple[Any, ...]) -> Callable[[Any], bool]:
    if inner[-1] is Ellipsis:
        each = _check_of(inner[0])
        return lambda value: isinstance(value, tuple) and all(map(each, value))
    parts = [_check_of(part) for part in inner]
    return lambda value: (
        isinstance(value, tuple)
        and len(value) == len(parts)
        and all(part(item) for part, item in zip(parts, value, strict=True))
    )


def _is_finite(value: object) -> bool:
    return _is_number(value) and abs(value) < math.inf  # type: ignore[arg-type]


def _is_number(value: object) -> bool:
    return (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and (isinstance(value, float) or abs(value) <= MAX_WHOLE_NUMBER)
    )
