"""The attributes of a tattoo and its client at the consultation, before any treatment."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

from forecast._checks import check_kind
from forecast.errors import RequestError
from forecast.log.cells import UnreadableError, inside, meant, read_cell, rule_of
from forecast.log.columns import Column, column

if TYPE_CHECKING:
    import pandas as pd


REQUIRED = ("skin_type", "body_site", "inks", "ink_density", "layering")


@dataclass(frozen=True, slots=True)
class Enquiry:
    """What is asked about: one tattoo of one client, as the log's columns describe it.

    Values are written as in the log; spellings that a log may use are tolerated and kept in the
    log's own form. None is "not recorded".

    Attributes
    ----------
    skin_type : str
        Fitzpatrick type, "I" to "VI".
    body_site : str
        For example "forearm".
    inks : str
        Ink colours joined by ``;`` in the log's order; a list or set of them may be given.
    ink_density : str
        "light", "medium" or "heavy".
    layering : str
        "single" or "layered".
    age_years, area_cm2, tattoo_age_years : float or None
        Age of the client, area and age of the tattoo.
    origin, scarring, smoker : str or None
        As in the log; ``smoker`` is "yes" or "no".
    sessions_elsewhere : int
        Sessions had at another clinic first.

    Raises
    ------
    RequestError
        If a value is not one that the log's column may hold; it names field, value and rule.

    Examples
    --------
    >>> enquiry = Enquiry("II", "forearm", {"red", "black"}, "medium", "single", smoker="no")
    >>> enquiry.inks
    'black;red'
    >>> Enquiry("II", "forearm", "black", "solid", "single")
    Traceback (most recent call last):
    forecast.errors.RequestError: ink_density is 'solid'. Give one of light, medium, heavy.
    """

    skin_type: str
    body_site: str
    inks: str | Iterable[str]
    ink_density: str
    layering: str
    age_years: float | None = None
    origin: str | None = None
    area_cm2: float | None = None
    tattoo_age_years: float | None = None
    scarring: str | None = None
    smoker: str | None = None
    sessions_elsewhere: int = 0

    def __post_init__(self) -> None:
        for field in fields(self):
            rule = column("courses", field.name)
            object.__setattr__(self, field.name, checked(rule, getattr(self, field.name)))


def checked(rule: Column, given: object) -> str | int | float | None:
    """Return ``given`` in the form of a column's ``rule``, or raise RequestError."""
    if rule.kind == "set" and not isinstance(given, str) and isinstance(given, Iterable):
        given = ";".join(sorted(str(part) for part in given))
    if isinstance(given, bool):
        given = "yes" if given else "no"
    text = "" if given is None or given != given else str(given)  # NaN is the only value != itself
    try:
        value = read_cell(rule, text).value
    except UnreadableError as error:
        remedy = f"Give {error}.{meant(rule, text)}"
        raise RequestError(f"{rule.name} is {given!r}.", remedy) from None
    value = rule.default if value is None else value
    if value is None and rule.required:
        raise RequestError(f"{rule.name} is not given.", f"Give {rule_of(rule)}.")
    if isinstance(value, int | float) and not inside(rule, value):
        raise RequestError(f"{rule.name} is {given!r}.", f"Give {rule_of(rule)}.")
    assert value is None or isinstance(value, str | int | float)
    return value


def check_enquiry(enquiry: object) -> Enquiry:
    """Return ``enquiry``, or what a mapping or a frame of one row is as one.

    Columns that are no field of an enquiry are left out; raises RequestError on anything else.
    """
    if hasattr(enquiry, "to_dict") and hasattr(enquiry, "columns"):
        rows = enquiries_of(enquiry)  # type: ignore[arg-type]
        if len(rows) != 1:
            raise RequestError(f"A frame of {len(rows)} rows.", "Give one row, or estimate_many.")
        return rows[0]
    if isinstance(enquiry, Mapping):
        given = {name: enquiry[name] for name in Enquiry.__slots__ if name in enquiry}
        return Enquiry(**dict.fromkeys(REQUIRED, "") | given)
    return check_kind(
        enquiry, Enquiry, name="enquiry", give='an Enquiry, for example Enquiry("II", "forearm", …)'
    )


def known_fields(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the columns of ``frame`` that an enquiry has, or raise RequestError."""
    if not hasattr(frame, "to_dict") or not hasattr(frame, "columns"):
        check_kind(frame, (), name="enquiries", give="a DataFrame whose columns are an enquiry's")
    absent = [name for name in REQUIRED if name not in frame.columns]
    if absent:
        raise RequestError(
            f"The enquiries have no column {absent[0]!r}.", f"Give {', '.join(REQUIRED)}."
        )
    return frame[[name for name in frame.columns if name in Enquiry.__slots__]]


def enquiries_of(frame: pd.DataFrame) -> list[Enquiry]:
    """Return each row of ``frame``, whose columns are an enquiry's fields, as an enquiry.

    Raises
    ------
    RequestError
        If a required column is missing, or a value is not one that it may hold.
    """
    records = known_fields(frame).to_dict("records")
    return [Enquiry(**{str(name): value for name, value in row.items()}) for row in records]
