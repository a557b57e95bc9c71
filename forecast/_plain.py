"""Frozen dataclasses of numbers, arrays and texts as plain JSON values, and back."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from decimal import Decimal
from functools import cache
from types import NoneType, UnionType
from typing import TYPE_CHECKING, Any, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np

from forecast._notes import Note

if TYPE_CHECKING:
    import pandas as pd

T = TypeVar("T")


def plain(value: Any, *, arrays: bool = True) -> Any:
    """Return a value as JSON has it: a dataclass by its fields, money as text.

    An array is a list of its numbers, or left out of its dataclass without ``arrays``.

    Examples
    --------
    >>> plain({"pmf": np.array([0.5, 0.25]), "ends": (1, None)})
    {'pmf': [0.5, 0.25], 'ends': [1, None]}
    """
    if dataclasses.is_dataclass(value):
        fields = [field.name for field in dataclasses.fields(value) if field.init]
        named = {name: getattr(value, name) for name in fields}
        return {
            name: plain(one, arrays=arrays)
            for name, one in named.items()
            if arrays or not isinstance(one, np.ndarray)
        }
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    if isinstance(value, Mapping):
        return {str(name): plain(one, arrays=arrays) for name, one in value.items()}
    if isinstance(value, tuple | list):
        return [plain(one, arrays=arrays) for one in value]
    return str(value) if isinstance(value, Decimal) else value


def read(kind: type[T], stored: Mapping[str, Any]) -> T:
    """Return the dataclass that :func:`plain` gave, its parts in the types of its fields.

    Raises
    ------
    KeyError, TypeError, ValueError
        If a part is missing or cannot be of its type; whoever opens files says so in words.
    """
    hints = _hints(kind)  # type: ignore[arg-type]
    return kind(**{
        field.name: _part(hints[field.name], stored[field.name])
        for field in dataclasses.fields(kind)  # type: ignore[arg-type]
        if field.init and (field.name in stored or _is_needed(field))
    })  # fmt: skip


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _is_needed(field: dataclasses.Field[Any]) -> bool:
    return field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING


def _part(hint: Any, stored: Any) -> Any:
    kind, inner = get_origin(hint), get_args(hint)
    if kind in (Union, UnionType):
        rest = [one for one in inner if one is not NoneType]
        return None if stored is None else _part(rest[0], stored)
    if kind is tuple:
        each = inner[:1] * len(stored) if inner[1:] == (...,) else inner
        return tuple(_part(one, part) for one, part in zip(each, stored, strict=True))
    if kind is np.ndarray:
        return np.array(stored, dtype=get_args(inner[1])[0])
    if hint is Note:
        return Note.from_dict(stored) if isinstance(stored, Mapping) else stored
    if dataclasses.is_dataclass(hint):
        return read(hint, stored)  # type: ignore[arg-type]
    return hint(stored) if hint in (int, float, bool, str) else stored


def plain_values(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values with missing numbers as None.

    Examples
    --------
    >>> plain_values({"low": 1.0, "high": float("nan")})
    {'low': 1.0, 'high': None}
    """
    return {name: None if value != value else value for name, value in values.items()}


def plain_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a frame as mappings, missing values as None."""
    return list(json.loads(frame.to_json(orient="records")))


def plain_table(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a frame as mappings, every digit kept, missing numbers as None."""
    return [plain_values({str(k): v for k, v in row.items()}) for row in frame.to_dict("records")]
