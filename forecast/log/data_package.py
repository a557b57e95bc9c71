"""The log as a Frictionless Data Package: CSV files beside a description of their rules."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._files import BESIDE, sum_of, write_whole
from forecast.log.columns import ALL_TABLES, FOREIGN_KEYS, KEYS, TABLES, Column

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log.outcome_log import OutcomeLog

TYPES = {"integer": "integer", "number": "number", "date": "date"}  # all else is a string
OWN = "A column of the clinic's own."
NUMBER = r"[0-9]+(\.[0-9]+)?"


def data_package(
    columns: Mapping[str, tuple[Column, ...]] = TABLES,
    *,
    title: str = "Outcome log",
    cleared_at: float = 95.0,
    cleared_judged: str = "",
) -> dict[str, Any]:
    """Return ``datapackage.json`` for a log whose tables have these columns.

    A Frictionless Data Package, as its specification version 1 describes it.
    """
    return {
        "profile": "tabular-data-package",
        "name": "outcome-log",
        "title": title,
        "cleared_at": cleared_at,
        **({"cleared_judged": cleared_judged} if cleared_judged else {}),
        "resources": [_resource(name, [*columns], rules) for name, rules in columns.items()],
    }


def _resource(name: str, present: list[str], columns: tuple[Column, ...]) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "fields": [_field(rule, KEYS.get(name) == (rule.name,)) for rule in columns],
        "missingValues": [""],
    }
    if name in KEYS:
        here = {rule.name for rule in columns}
        schema["primaryKey"] = [key for key in KEYS[name] if key in here]
    if name in FOREIGN_KEYS and FOREIGN_KEYS[name][1] in present:
        key, other = FOREIGN_KEYS[name]
        schema["foreignKeys"] = [
            {"fields": [key], "reference": {"resource": other, "fields": [key]}}
        ]
    return {
        "profile": "tabular-data-resource",
        "name": name,
        "path": f"{name}.csv",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": schema,
    }


def _field(rule: Column, unique: bool) -> dict[str, Any]:
    constraints: dict[str, Any] = {"required": True} if rule.required else {}
    if unique:
        constraints["unique"] = True
    if rule.kind in ("level", "flag"):
        constraints["enum"] = list(rule.levels)
    if rule.kind == "set":
        member = f"({'|'.join(rule.levels)})" if rule.levels else NUMBER
        constraints["pattern"] = f"{member}(;{member})*"
    elif rule.low is not None and rule.high is not None:
        constraints |= {"minimum": rule.low, "maximum": rule.high}
    described = rule.meaning + (f" Unit: {rule.unit}." if rule.unit else "")
    if rule.default is not None:
        described += f" Empty means {rule.default}."
    field = {"name": rule.name, "type": TYPES.get(rule.kind, "string"), "description": described}
    return field | ({"constraints": constraints} if constraints else {})


def write_log(
    log: OutcomeLog,
    folder: str | Path,
    *,
    title: str = "Outcome log",
    promises: pd.DataFrame | None = None,
    beside: Mapping[str, str] | None = None,
) -> None:
    """Write the log's tables as CSV files with ``datapackage.json``, byte for byte repeatable.

    The same log gives the same bytes anywhere: UTF-8, line ends of one character, numbers in their
    shortest form, dates as YYYY-MM-DD, empty cells for what is not recorded. Tables without rows
    are not written, nor further columns in which nothing stands. `read_log` of the folder gives the
    same frames back, and says so where a table is not as it was written: the description, with its
    ``title``, holds the SHA-256 of each. ``promises`` are written beside them, and ``beside`` has
    the checksums of further files, by their name. OSError where it cannot be written.

    Examples
    --------
    >>> write_log(log, folder / "log")
    >>> sorted(file.name for file in (folder / "log").iterdir())[:3]
    ['courses.csv', 'datapackage.json', 'gradings.csv']
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    present = [name for name in TABLES if len(getattr(log, name))]
    columns = {name: _written(getattr(log, name), name) for name in present}
    if promises is not None:
        columns["promises"] = ALL_TABLES["promises"]
    described = data_package(
        columns, title=title, cleared_at=log.cleared_at, cleared_judged=log.cleared_judged
    )
    for (name, rules), resource in zip(columns.items(), described["resources"], strict=True):
        whole: Any = getattr(log, name, promises)
        frame: pd.DataFrame = whole[[rule.name for rule in rules]]
        texts = frame.assign(**{rule.name: _as_texts(rule, frame) for rule in rules})
        content = texts.to_csv(index=False, lineterminator="\n").encode()
        resource["hash"] = sum_of(content)
        write_whole(folder / f"{name}.csv", content)
    described |= {BESIDE: dict(beside)} if beside else {}
    text = json.dumps(described, indent=2, ensure_ascii=False)
    write_whole(folder / "datapackage.json", text + "\n")


def _written(frame: pd.DataFrame, table: str) -> tuple[Column, ...]:
    known = {rule.name for rule in TABLES[table]}
    own = {name: frame[name] for name in frame.columns if name not in known}
    rules = *TABLES[table], *(
        Column(name, "number" if cells.dtype.kind == "f" else "text", further=True, meaning=OWN)
        for name, cells in own.items()
    )  # fmt: skip
    said = {
        rule.name: frame[rule.name].notna() & (frame[rule.name] != rule.default) for rule in rules
    }
    return tuple(rule for rule in rules if not rule.further or said[rule.name].any())


def _as_texts(rule: Column, frame: pd.DataFrame) -> pd.Series[Any]:
    cells = frame[rule.name]
    if rule.kind == "date":
        dated: pd.Series[Any] = cells.dt.strftime("%Y-%m-%d")
        return dated
    if rule.kind in ("integer", "number"):
        distinct = cells.dropna().unique()
        return cells.map(dict(zip(distinct, map(_shortest, distinct), strict=True)))
    return cells


def _shortest(number: float) -> str:
    whole = float(number) == np.floor(number)
    return str(int(number)) if whole else repr(float(number))
