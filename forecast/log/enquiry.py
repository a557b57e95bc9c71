"""The attributes of a tattoo and its client at the consultation, the clinic's own among them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any, NoReturn
from warnings import warn

import numpy as np

from forecast._checks import check_kind, nearest
from forecast._notes import problem_and_remedy, sentence
from forecast.errors import RequestError
from forecast.log.cells import (
    EMPTY_WORDS,
    UnreadableError,
    as_text,
    by_their_marks,
    inside,
    meant,
    normal_heading,
    read_cell,
    rule_of,
)
from forecast.log.columns import Column, column, column_names

if TYPE_CHECKING:
    import pandas as pd


AS_TYPED: dict[str, type] = {"number": float, "integer": int}
NUMBER = Column("", "number")
EXTRA = "extra"  # an enquiry's field for them, and so no heading of one


class Extra(dict[str, str | float]):
    """What an enquiry says of the clinic's own columns: a mapping that does not change, hashable.

    Names are kept in the log's spelling, texts as levels, and what is not recorded is left out.

    Examples
    --------
    >>> Extra({"Sun exposure": " Often ", "visits": 3, "referral": None})
    {'sun_exposure': 'often', 'visits': 3.0}
    """

    def __init__(self, given: Any = ()) -> None:
        try:
            found = {normal_heading(name): extra_value(one) for name, one in dict(given).items()}
        except (TypeError, ValueError):
            values = {"given": repr(given)}
            raise RequestError(*problem_and_remedy("refused.extra_pairs", values)) from None
        super().__init__((name, one) for name, one in found.items() if one is not None)

    def _refuse(self, *_: Any) -> NoReturn:
        raise TypeError("An enquiry does not change: make another with dataclasses.replace.")

    __setitem__ = __delitem__ = __ior__ = clear = pop = _refuse
    popitem = setdefault = update = _refuse  # type: ignore[assignment]

    def __hash__(self) -> int:  # type: ignore[override]
        return hash(frozenset(self.items()))

    def __reduce__(self) -> tuple[Any, ...]:
        return Extra, (dict(self),)


def extra_value(given: object) -> str | float | None:
    """Return a value as a number or a level, True as "yes", None where it is not recorded."""
    if isinstance(given, int | float | np.number) and not isinstance(given, bool):
        return float(given) if np.isfinite(given) else None
    level = " ".join((as_text(given) or "").lower().replace(";", ",").split())
    return None if not level or level.replace(" ", "_") in EMPTY_WORDS else level


def extra_number(value: str | float | None) -> float | None:
    """Return a value as a number, read as a cell of a log is; None where it is none.

    Examples
    --------
    >>> extra_number("1,5"), extra_number("often")
    (1.5, None)
    """
    if value is None or isinstance(value, float):
        return value
    try:
        return float(str(read_cell(NUMBER, value).value))
    except UnreadableError:
        return None


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
    extra : mapping of name to text or number
        What it says of the clinic's own columns, those that a model was fitted with
        (``fit_forecaster(log, extra=[…])``); kept as an immutable mapping.

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
    extra: Mapping[str, Any] = field(default_factory=Extra)

    def __post_init__(self) -> None:
        for name in ATTRIBUTES:
            rule = column("courses", name)
            object.__setattr__(self, name, checked(rule, getattr(self, name)))
        object.__setattr__(self, "extra", Extra(self.extra))

    def value(self, name: str) -> Any:
        """Return an attribute, or what it says of a column of the clinic's own, None if nothing."""
        return getattr(self, name) if name in ATTRIBUTES else self.extra.get(name)


ATTRIBUTES = tuple(one.name for one in fields(Enquiry) if one.name != "extra")
REQUIRED = tuple(name for name in ATTRIBUTES if column("courses", name).required)
LEVELLED = tuple(name for name in ATTRIBUTES if column("courses", name).kind in ("level", "flag"))


def checked(rule: Column, given: Any) -> str | int | float | None:
    """Return ``given`` in the form of a column's ``rule``, or raise RequestError.

    A number is in the rule's unit, a set is text joined by ``;``, and what is empty is the rule's
    default, None where it has none.

    Examples
    --------
    >>> checked(column("courses", "age_years"), "34,5"), checked(column("courses", "smoker"), True)
    (34.5, 'yes')
    """
    typed = type(given) is AS_TYPED.get(rule.kind)
    if inside(rule, given) if typed else isinstance(given, str) and given in rule.levels:
        return given  # type: ignore[no-any-return]
    if given is None and not rule.required:
        return rule.default
    if rule.kind == "set" and not isinstance(given, str) and isinstance(given, Iterable):
        given = ";".join(sorted(str(part) for part in given))
    if isinstance(given, bool):
        given = "yes" if given else "no"
    text = as_text(given) or ""
    values: dict[str, Any] = {"name": rule.name, "given": repr(given), "hint": ""}
    values["rule"] = rule_of(rule)
    try:
        value = read_cell(rule, text).value
    except UnreadableError as error:
        values |= {"rule": error.args[0], "hint": meant(rule, text)}
        raise RequestError(*problem_and_remedy("refused.value", values)) from None
    value = rule.default if value is None else value
    if value is None and rule.required:
        raise RequestError(*problem_and_remedy("refused.no_value", values))
    if isinstance(value, int | float) and not inside(rule, value):
        raise RequestError(*problem_and_remedy("refused.value", values))
    assert value is None or isinstance(value, str | int | float)
    return value


def likely_slip(name: str, known: Iterable[str]) -> str:
    """Return a question for the known column that ``name`` may be meant as, or an empty text.

    A column of the log is well known and no slip; part of a name is as likely one as a wrong
    letter.

    Examples
    --------
    >>> likely_slip("smokr", ["smoker", "age_years"]), likely_slip("age", ["smoker", "age_years"])
    (" Did you mean 'smoker'?", " Did you mean 'age_years'?")
    """
    if name in column_names("courses"):
        return ""
    close = [one for one in known if set(one.split("_")) & set(name.split("_"))]
    near = nearest(name, known)
    return near or (sentence("reading.did_you_mean", {"word": close[0]}) if close else "")


def _name_unused(given: Iterable[str], extra: Sequence[str]) -> None:
    unused = _unused(given, extra)
    if unused and "course_id" not in set(given):  # the courses of a log may have more
        warn(f"Columns that are not used: {', '.join(unused)}.", stacklevel=4)


def _unused(given: Iterable[str], extra: Sequence[str]) -> list[str]:
    known = {*ATTRIBUTES, *extra, *column_names("courses"), "enquiry_id", "facts", "extra"}
    names = {normal_heading(str(name)) for name in given}
    unused = sorted(names - known)
    for name in unused:
        if slip := likely_slip(name, [one for one in (*ATTRIBUTES, *extra) if one not in names]):
            raise RequestError(*problem_and_remedy("refused.slip", {"name": name, "slip": slip}))
    return unused


def check_enquiry(enquiry: object, extra: Sequence[str] = ()) -> Enquiry:
    """Return ``enquiry``, or what a mapping or a frame of one row is as one.

    What is neither a field of an enquiry nor among ``extra``, the clinic's own columns, is left
    out, with a warning where a log does not know it either.

    Raises
    ------
    RequestError
        If it is none of these, a frame of several rows, or has a column that may be meant as
        another one.

    Examples
    --------
    >>> given = {"skin_type": 2, "body_site": "back", "inks": "Red", "ink_density": "heavy"}
    >>> check_enquiry({**given, "layering": "single"}).inks
    'red'
    """
    if hasattr(enquiry, "to_dict") and hasattr(enquiry, "columns"):
        rows = enquiries_of(enquiry, extra)  # type: ignore[arg-type]
        if len(rows) != 1:
            raise RequestError(*problem_and_remedy("refused.one_row", {"n": len(rows)}))
        return rows[0]
    if isinstance(enquiry, Mapping):
        _name_unused(enquiry, extra)
        enquiry = enquiry_of({**dict.fromkeys(REQUIRED, ""), **enquiry}, extra)
    give = 'an Enquiry, for example Enquiry("II", "forearm", …)'
    found = check_kind(enquiry, Enquiry, name="enquiry", give=give)
    _unused(found.extra, extra)  # the others are said in its notes
    return found


def enquiry_of(row: Mapping[str, Any], extra: Sequence[str] = ()) -> Enquiry:
    """Return the enquiry that a row is, such as a course of the log at its consultation.

    ``extra`` names the columns of the clinic's own that it may have. Raises RequestError on a value
    that a field cannot hold.

    Examples
    --------
    >>> row = {"skin_type": "II", "body_site": "Lower leg", "inks": "Red", "ink_density": "heavy"}
    >>> enquiry_of({**row, "layering": "single"}).body_site
    'lower_leg'
    """
    given = {name: row[name] for name in ATTRIBUTES if name in row}
    own = {name: row[name] for name in row if normal_heading(name) in extra} if extra else {}
    return Enquiry(**given, extra={**row.get("extra", {}), **own})


def enquiries_of(
    frame: pd.DataFrame | Sequence[Enquiry], extra: Sequence[str] = ()
) -> list[Enquiry]:
    """Return each row of ``frame``, whose columns are an enquiry's fields, as an enquiry.

    A sequence of enquiries, or of what `check_enquiry` takes for one, will do. ``extra`` names the
    columns of the clinic's own that it may have; a warning names the others that no log has, unless
    it is a log's own frame.

    Raises
    ------
    RequestError
        If a required column is missing, another may be meant as one that is not there, or a value
        is not one that it may hold.

    Examples
    --------
    >>> [one.inks for one in enquiries_of(log.courses.head(3))]
    ['dark_blue', 'black', 'dark_blue']
    """
    if isinstance(frame, Sequence) and not isinstance(frame, str):
        return [check_enquiry(enquiry, extra) for enquiry in frame]
    if not hasattr(frame, "to_dict") or not hasattr(frame, "columns"):
        check_kind(frame, (), name="enquiries", give="a DataFrame whose columns are an enquiry's")
    _name_unused(frame.columns, extra)
    absent = [name for name in REQUIRED if name not in frame.columns]
    if absent:
        values = {"name": absent[0], "needed": REQUIRED}
        raise RequestError(*problem_and_remedy("refused.no_field", values))
    kept = [name for name in frame.columns if name in ATTRIBUTES or normal_heading(name) in extra]
    rows: list[dict[str, Any]] = frame[kept].to_dict("records")  # type: ignore[assignment]
    return [enquiry_of(row, extra) for row in with_their_marks(rows, kept)]


def with_their_marks(
    rows: Iterable[Mapping[str, Any]], names: Iterable[str]
) -> list[dict[str, Any]]:
    """Return rows of several enquiries with texts whose numbers show which mark is the decimal one.

    Each column of those ``names`` settles it, or one beside it, as columns of a log do.

    Examples
    --------
    >>> with_their_marks([{"area_cm2": "1.200"}, {"area_cm2": "12,5"}], ["area_cm2"])
    [{'area_cm2': '1.200,0'}, {'area_cm2': '12,5'}]
    """
    found = [dict(row) for row in rows]
    columns: dict[Column, list[str]] = {}
    for name in names:
        rule = column("courses", name) if name in ATTRIBUTES else Column(name, "number")
        columns[rule] = [row[name] for row in found if isinstance(row.get(name), str)]
    for rule, texts in columns.items():
        settled = iter(by_their_marks(rule, texts, columns.items()))
        for row in found:
            if isinstance(row.get(rule.name), str):
                row[rule.name] = next(settled)
    return found
