"""The attributes of a tattoo and its client at the consultation, before any treatment."""

from collections.abc import Iterable
from dataclasses import dataclass, fields

from forecast._checks import nearest
from forecast.clinic.courses import Column, column
from forecast.clinic.tolerance import UnreadableError, first_unknown, inside, read_cell, rule_of
from forecast.errors import RequestError

__all__ = ["Enquiry"]


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
    """Return ``given`` in the log's own form, or raise RequestError."""
    if rule.kind == "set" and not isinstance(given, str) and isinstance(given, Iterable):
        given = ";".join(sorted(str(part) for part in given))
    if isinstance(given, bool):
        given = "yes" if given else "no"
    text = "" if given is None or given != given else str(given)  # NaN is the only value != itself
    try:
        value = read_cell(rule, text).value
    except UnreadableError as error:
        hint = nearest(first_unknown(rule, text), rule.levels)
        raise RequestError(f"{rule.name} is {given!r}.", f"Give {error}.{hint}") from None
    value = rule.default if value is None else value
    if value is None and rule.required:
        raise RequestError(f"{rule.name} is not given.", f"Give {rule_of(rule)}.")
    if isinstance(value, int | float) and not inside(rule, value):
        raise RequestError(f"{rule.name} is {given!r}.", f"Give {rule_of(rule)}.")
    assert value is None or isinstance(value, str | int | float)
    return value
