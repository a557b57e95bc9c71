"""The rules of the outcome log: every table, its columns and what each may hold.

They stand in ``columns.toml``: the checks of a log, those of an enquiry, ``datapackage.json`` and
the tables of a daybook are all made from that one table.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal

from forecast._shipped import shipped
from forecast.tattoo import INKS, SITES

Kind = Literal["id", "text", "date", "integer", "number", "level", "set", "flag"]


@dataclass(frozen=True, slots=True)
class Column:
    """What one column of the log may hold.

    Attributes
    ----------
    name : str
        Heading, with the unit where there is one.
    kind : str
        "id", "text", "date", "integer", "number", "level" (one of ``levels``), "set" (some of
        ``levels``, or numbers where there are none, joined by ``;``) or "flag" (yes or no).
    required : bool
        Whether an empty cell sets the row aside.
    levels : tuple of str
        The values allowed, in their order.
    low, high : float or None
        Limits of a number, both allowed.
    default : str or int or None
        What an empty cell means; None is "not recorded".
    kept_above : bool
        Whether a number above ``high`` is kept as written and flagged; see `OutcomeLog.graded`.
    further : bool
        Whether the column is written only where a log has something in it.
    unit : str
        Unit of a number.
    meaning : str
        One sentence for the clinic.

    Examples
    --------
    >>> Column("area_cm2", "number", low=0.01, high=10_000).may_be_blank
    True
    """

    name: str
    kind: Kind
    required: bool = False
    levels: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    default: str | int | None = None
    kept_above: bool = False
    further: bool = False
    unit: str = ""
    meaning: str = ""

    @property
    def may_be_blank(self) -> bool:
        """Whether a cell that cannot be used is read as not recorded, and its row is used.

        Where the row rests on the cell it is set aside instead: in required columns, and in
        those where an empty cell has a meaning of its own.
        """
        return not self.required and self.default is None


def words(text: str) -> tuple[str, ...]:
    """Return the words of ``text``."""
    return tuple(text.split())


TYPES = {"integer": "integer", "number": "number", "date": "date"}  # all else is a string
NUMBER = r"[0-9]+(\.[0-9]+)?"
LEVELS = {"inks": INKS, "inks_treated": INKS, "body_site": tuple(SITES)}


def _rule(name: str, row: dict[str, Any]) -> Column:
    levels = LEVELS.get(name, words("yes no" if row["kind"] == "flag" else row.get("levels", "")))
    return Column(name, **row | {"levels": levels})


ALL_TABLES: dict[str, tuple[Column, ...]] = {
    table: tuple(_rule(name, row) for name, row in rules.items())
    for table, rules in shipped(Path(__file__).with_suffix(".toml")).items()
}
TABLES = {table: rules for table, rules in ALL_TABLES.items() if table != "promises"}  # of a log

# Columns that together name a row; a table not listed may repeat.
KEYS: dict[str, tuple[str, ...]] = {
    "courses": ("course_id",),
    "sessions": ("course_id", "session_no", "part"),
    "lasers": ("laser_id",),
    "promises": ("promise_no",),
}

OF_COURSES = ("sessions", "gradings", "reactions")  # whose course_id is one of courses


@cache
def column(table: str, name: str) -> Column:
    """Return the rule of the column ``name`` of a ``table``; StopIteration if there is none.

    Examples
    --------
    >>> column("courses", "layering").levels
    ('single', 'layered')
    """
    return next(rule for rule in ALL_TABLES[table] if rule.name == name)


@cache
def column_names(table: str) -> tuple[str, ...]:
    """Return the headings of a table, in order.

    Examples
    --------
    >>> column_names("lasers")
    ('laser_id', 'regime', 'wavelengths_nm', 'in_use_from')
    """
    return tuple(rule.name for rule in ALL_TABLES[table])


def data_package(
    columns: Mapping[str, tuple[Column, ...]] = TABLES,
    *,
    title: str = "Outcome log",
    cleared_at: float = 95.0,
    cleared_judged: str = "",
) -> dict[str, Any]:
    """Return ``datapackage.json`` for tables of these columns, a Frictionless Data Package 1."""
    resources = []
    for name, rules in columns.items():
        fields = [_field(rule, KEYS.get(name) == (rule.name,)) for rule in rules]
        schema: dict[str, Any] = {"fields": fields, "missingValues": [""]}
        if name in KEYS:
            here = {rule.name for rule in rules}
            schema["primaryKey"] = [key for key in KEYS[name] if key in here]
        if name in OF_COURSES and "courses" in columns:
            key = ["course_id"]
            of_courses = {"resource": "courses", "fields": key}
            schema["foreignKeys"] = [{"fields": key, "reference": of_courses}]
        resources.append(
            {
                "profile": "tabular-data-resource",
                "name": name,
                "path": f"{name}.csv",
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "schema": schema,
            }
        )
    return {
        "profile": "tabular-data-package",
        "name": "outcome-log",
        "title": title,
        "cleared_at": cleared_at,
        **({"cleared_judged": cleared_judged} if cleared_judged else {}),
        "resources": resources,
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
