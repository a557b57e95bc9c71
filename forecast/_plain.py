"""Results as plain JSON values."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pandas as pd


def plain(value: Any) -> Any:
    """Return a value as JSON has it: a dataclass by its fields, an array or tuple as a list.

    Examples
    --------
    >>> plain({"pmf": np.array([0.5, 0.25]), "ends": (1, None)})
    {'pmf': [0.5, 0.25], 'ends': [1, None]}
    """
    if dataclasses.is_dataclass(value):
        fields = [field.name for field in dataclasses.fields(value) if field.init]
        return {name: plain(getattr(value, name)) for name in fields}
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    if isinstance(value, Mapping):
        return {str(name): plain(one) for name, one in value.items()}
    if isinstance(value, tuple | list):
        return [plain(one) for one in value]
    return value


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
