"""The pandera schema of each table, made from the rule table."""

from __future__ import annotations

from collections.abc import Collection
from functools import lru_cache
from typing import TYPE_CHECKING

from forecast.clinic.courses import TABLES, Column

if TYPE_CHECKING:
    import pandas as pd
    import pandera.pandas as pa

__all__ = ["broken_rules", "table_schema"]


@lru_cache
def table_schema(table: str, columns: frozenset[str] | None = None) -> pa.DataFrameSchema:
    """Return the schema of a cleaned table of the log, of all its columns or of some.

    It carries presence, levels and limits; the types are those of the cleaned frames. These
    fulfil it, but for numbers that are flagged and kept above their limit.
    """
    import pandera.pandas as pa

    known = {
        rule.name: pa.Column(
            checks=_checks(rule), nullable=not rule.required, description=rule.meaning
        )
        for rule in TABLES[table]
        if columns is None or rule.name in columns
    }
    return pa.DataFrameSchema(known, name=table, ordered=True)


def _checks(rule: Column) -> list[pa.Check]:
    import pandera.pandas as pa

    if rule.kind in ("level", "flag"):
        return [pa.Check.isin(rule.levels)]
    if rule.kind not in ("integer", "number"):
        return []
    checks = []
    if rule.low is not None:
        checks.append(pa.Check.ge(rule.low))
    if rule.high is not None:
        checks.append(pa.Check.le(rule.high))
    return checks


def broken_rules(table: str, frame: pd.DataFrame, *, sound: Collection[str] = ()) -> pd.DataFrame:
    """Return the cells of a typed table that break its rules, as columns ``row`` and ``column``.

    Columns known to be ``sound`` are not looked at again.
    """
    import warnings

    import pandas as pd
    import pandera.pandas as pa

    columns = frozenset(rule.name for rule in TABLES[table] if rule.name not in sound)
    checked = frame.copy(deep=False)
    try:
        with warnings.catch_warnings():
            # pandera 0.35 joins its failure cases in a way that pandas 2 warns about
            warnings.filterwarnings("ignore", "The behavior of DataFrame conc", FutureWarning)
            # nothing is coerced, so that there is no need for the copy it would make
            table_schema(table, columns).validate(checked, lazy=True, inplace=True)
    except pa.errors.SchemaErrors as errors:
        cases = errors.failure_cases
        return pd.DataFrame({"row": cases["index"], "column": cases["column"]})
    finally:
        # the frame and what pandera hangs on it hold each other, and with them a large table
        vars(checked).pop("pandera", None)
    return pd.DataFrame({"row": [], "column": []})
