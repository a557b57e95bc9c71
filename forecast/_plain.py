"""Results as plain JSON values."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd


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
