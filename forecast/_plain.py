"""Frozen dataclasses of numbers, arrays and texts as plain JSON values, and back."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import MISSING
from decimal import Decimal
from functools import cache
from textwrap import shorten
from types import NoneType, UnionType
from typing import TYPE_CHECKING, Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np

from forecast._notes import Note, notes_as_json, text_of

if TYPE_CHECKING:
    import pandas as pd

T = TypeVar("T")
LONGEST_FACE = 100  # characters of a result's first line in its ``repr``


class Result:
    """What every result offers: plain values, a frame of one row, and its first line as ``repr``.

    A notebook shows the whole of ``to_text``.
    """

    __slots__ = ()

    def lines(self, language: str) -> list[str]:
        """Return the result in words, line by line; what can be said in a language later is kept.

        Tables, whose columns are as wide as their words, are in the ``language`` already.
        """
        return [", ".join(f"{name} {value}" for name, value in _scalars(self.to_dict()))]

    def to_text(self, *, language: str = "en") -> str:
        """Return the result in words, ``language`` "en" or "de"."""
        return text_of(self.lines(language), language)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values; money as numbers, in its currency."""
        notes = getattr(self, "notes", None)
        return {**plain(self, arrays=False), **(notes_as_json(notes) if notes is not None else {})}

    def to_frame(self) -> pd.DataFrame:
        """Return the numbers and texts of `to_dict` in one row; of an interval, both its ends."""
        import pandas as pd

        return pd.DataFrame([dict(_scalars(self.to_dict()))])

    def __repr__(self) -> str:
        first = self.to_text().partition("\n")[0]
        return f"<{type(self).__name__}: {shorten(first, LONGEST_FACE, placeholder=' …')}>"

    def _repr_html_(self) -> str:
        from html import escape  # which a command does not need

        return f"<pre>{escape(self.to_text())}</pre>"


def _scalars(values: Mapping[str, Any], before: str = "") -> Iterator[tuple[str, Any]]:
    for name, value in values.items():
        if isinstance(value, Mapping):
            yield from _scalars(value, f"{before}{name}_")
        elif "interval" in name and isinstance(value, list | tuple) and len(value) == 2:
            yield from zip((f"{before}{name}_low", f"{before}{name}_high"), value, strict=True)
        elif value is None or isinstance(value, str | bool | int | float):
            yield f"{before}{name}", value


def plain(value: Any, *, arrays: bool = True) -> Any:
    """Return a value as JSON has it: a dataclass by its fields, money as a number.

    An array is a list of its numbers, or left out of its dataclass without ``arrays``; a frame is a
    list of its rows. What stands inside and has a ``to_dict`` says itself what it is as JSON.
    """
    if dataclasses.is_dataclass(value):
        every = fields_of(value).items()
        return plain({k: v for k, v in every if arrays or not isinstance(v, np.ndarray)})
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    if hasattr(value, "columns"):
        return plain_table(value)
    if isinstance(value, Mapping):
        return {str(name): _inside(one) for name, one in value.items()}
    if isinstance(value, tuple | list):
        return [_inside(one) for one in value]
    return float(value) if isinstance(value, Decimal) else value


def _inside(value: Any) -> Any:
    own = dataclasses.is_dataclass(value) and hasattr(value, "to_dict")
    return value.to_dict() if own else plain(value)


def fields_of(value: Any) -> dict[str, Any]:
    """Return what a dataclass was made of, by name: the values of its sentences, mostly."""
    return {one.name: getattr(value, one.name) for one in dataclasses.fields(value) if one.init}


def read(kind: type[T], stored: Mapping[str, Any]) -> T:
    """Return the dataclass that `plain` gave, its parts in the types of its fields.

    Raises KeyError, TypeError or ValueError if a part is missing or cannot be of its type; whoever
    opens files says so in words.
    """
    hints = _hints(kind)  # type: ignore[arg-type]
    return kind(**{
        one.name: _part(hints[one.name], stored[one.name])
        for one in dataclasses.fields(kind)  # type: ignore[arg-type]
        if one.init and (one.name in stored or MISSING is one.default is one.default_factory)
    })  # fmt: skip


@cache
def _hints(kind: type) -> dict[str, Any]:
    unknown: dict[str, Any] = {}
    while True:
        try:
            return get_type_hints(kind, localns=unknown)
        except NameError as error:  # imported for tools alone
            unknown[str(error.name)] = Any


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
    if kind is Mapping:
        return {name: _part(inner[1], part) for name, part in stored.items()}
    if hint is Note:
        return Note.from_dict(stored) if isinstance(stored, Mapping) else stored
    if dataclasses.is_dataclass(hint):
        return read(hint, stored)  # type: ignore[arg-type]
    return hint(stored) if hint in (int, float, bool, str) else stored


def check_parts(hint: Any, value: Any, name: str = "") -> None:
    """Raise ValueError naming the part where a value is not as its type says, or not finite.

    Looks through dataclasses, mappings, tuples and unions. A dataclass's arrays named after a
    covariance, or a matrix of one, must be square, symmetric and without a negative variance.
    """
    if type(value) is hint and (hint in (str, int) or (hint is float and math.isfinite(value))):
        return
    kind, inner = get_origin(hint) or hint, get_args(hint)
    if kind in (Union, UnionType) and (value is not None or NoneType in inner):
        hint = next(one for one in inner if (one is NoneType) == (value is None))
        kind, inner = get_origin(hint) or hint, get_args(hint)
    if not _fits(kind, inner, value, name):
        raise ValueError(f"{name.strip()} cannot be")
    for its, part, called in _parts_within(kind, inner, value, name):
        check_parts(its, part, called)


def _parts_within(
    kind: Any, inner: tuple[Any, ...], value: Any, name: str
) -> Iterator[tuple[Any, Any, str]]:
    if dataclasses.is_dataclass(value):
        for field, its in _hints(type(value)).items():  # type: ignore[arg-type]
            yield its, getattr(value, field), field
    elif kind is tuple:
        each = inner[:1] * len(value) if inner[1:] == (...,) else inner
        yield from ((one, part, name) for one, part in zip(each, value, strict=True))
    elif inner and isinstance(value, Mapping):
        yield from ((inner[1], part, f"{name} {key}") for key, part in value.items())


def _fits(kind: Any, inner: tuple[Any, ...], value: Any, name: str) -> bool:
    if kind is float:
        number = isinstance(value, int | float) and not isinstance(value, bool)
        return number and math.isfinite(value)
    if isinstance(value, Note):
        str(value)  # KeyError where there are no words for it, or a hole of theirs stays empty
    if kind is Any or getattr(kind, "_is_protocol", False):
        return kind is Any or dataclasses.is_dataclass(value)
    if kind is Literal:
        return value in inner
    if kind is np.ndarray:
        finite = isinstance(value, np.ndarray) and bool(np.isfinite(value).all())
        if not finite or not ("covarian" in name or "matrix" in name):
            return finite
        square = value.ndim == 2 and value.shape[0] == value.shape[1]
        return bool(square and np.allclose(value, value.T) and (np.diag(value) >= 0).all())
    return isinstance(value, kind) and (kind is not int or not isinstance(value, bool))


def plain_values(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values with missing numbers as None."""
    return {name: None if value != value else value for name, value in values.items()}


def plain_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a frame as mappings, missing values as None."""
    return list(json.loads(frame.to_json(orient="records")))


def plain_table(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a frame as mappings, every digit kept, missing numbers as None."""
    return [plain_values({str(k): v for k, v in row.items()}) for row in frame.to_dict("records")]
