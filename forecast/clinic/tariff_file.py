"""A tariff as a TOML file: read with exact decimals, and a commented template to start from."""

import tomllib
from collections.abc import Iterable
from dataclasses import MISSING, fields
from decimal import Decimal
from pathlib import Path
from typing import Any

from forecast._checks import nearest
from forecast.clinic.offer import Package
from forecast.clinic.tariff import Tariff
from forecast.errors import DataError, ForecastError

__all__ = ["read_tariff", "tariff_template"]

TARIFF_KEYS = tuple(field.name for field in fields(Tariff))
PACKAGE_KEYS = tuple(field.name for field in fields(Package))
REQUIRED = tuple(field.name for field in fields(Tariff) if field.default is MISSING)
LARGEST_FILE = 1_000_000

TEMPLATE = """\
# Tariff: what a course costs the clinic, its rules, and the packages it sells.
# Every number here is invented: replace it by your own. Amounts are exact decimals in one
# currency; write 120.00 or "120.00 EUR". Costs exclude tax that you reclaim, prices include it.

currency = "EUR"
session_price = 150.00          # one session paid on its own, tax included

# Cost of a session. Give cost_per_session when you know it; otherwise its parts.
# cost_per_session = 55.00
minutes_per_session = 20        # staff and room time of the smallest tattoo
minutes_per_100_cm2 = 15        # and what each 100 cm2 of tattoo adds
staff_per_hour = 45.00
room_per_hour = 20.00
consumables = 6.50              # per session
device_price = 90000.00         # purchase price, spread over its life and use
device_life_years = 7
device_sessions_per_year = 900
device_service_per_year = 6000.00
# Or spread the device over pulses instead of years:
# device_life_pulses = 20000000
# pulses_per_session = 100
# pulses_per_cm2 = 30
typical_area_cm2 = 50           # used where an enquiry has no area; the quote says so

fixed_cost = 30.00              # consultation, test spot, booking: once per course

# Rules
tax_rate = 0.20                 # 0.20 is 20 % on the net price
target_margin = 0.30            # share of revenue net of tax
largest_chance_of_loss = 0.10   # 1 course in 10 may lose money
discount_rate = 0.00            # a year's interest: money of later sessions counts for less
weeks_between_sessions = 8
cap = 15                        # the most sessions in one course, whatever was sold
refund_share = 0.0              # share of an unused prepaid part that is handed back
stop_factor = 1.0               # below 1 where prepaying keeps clients coming: a package may
                                # have its own, drop_out.stop_factors(log) estimates it
round_to = 5.00                 # step of the price list; asked prices are rounded up to it

# Packages. kind is per_session, block, fixed or part_fixed.
# Leave the price of a block or a fixed price out and it is asked for.
[[packages]]
kind = "per_session"
name = "pay_per_session"        # as the log's column package calls it

[[packages]]
kind = "block"
name = "block_6"
sessions = 6
price = 780.00
extra_price = 140.00            # each session after the sixth; without it the course ends there
refund_share = 0.5              # half of the unused part is handed back

[[packages]]
kind = "fixed"
name = "fixed_price"
cap = 15

[[packages]]
kind = "part_fixed"
name = "reduced_after_8"
sessions = 8
price = 150.00
extra_price = 75.00
"""


def tariff_template() -> str:
    """Return a commented tariff with invented numbers, ready to be edited.

    Examples
    --------
    >>> tariff_template().splitlines()[0]
    '# Tariff: what a course costs the clinic, its rules, and the packages it sells.'
    """
    return TEMPLATE


def read_tariff(path: str | Path) -> Tariff:
    """Return the tariff of a TOML file, with its packages.

    Raises
    ------
    DataError
        The file cannot be read, a key is unknown (the nearest known one is named) or missing, or
        a value is refused; the message names the file and the key.
    """
    path = Path(path)
    table = _parse(path)
    packages = table.pop("packages", [])
    if not isinstance(packages, list) or not all(isinstance(one, dict) for one in packages):
        raise DataError(
            f"{path.name}: packages is not a list of tables.", "Start each with [[packages]]."
        )
    _check_keys(table, TARIFF_KEYS, path.name, "")
    for number, one in enumerate(packages, start=1):
        _check_keys(one, PACKAGE_KEYS, path.name, f" of package {number}")
    missing = [name for name in REQUIRED if name not in table]
    missing += [f"kind of package {i}" for i, one in enumerate(packages, 1) if "kind" not in one]
    if missing:
        raise DataError(
            f"{path.name}: {len(missing)} required key(s) missing, first {missing[0]}.",
            f"Add {', '.join(missing)}; forecast price --template writes an example.",
        )
    try:
        offered = tuple(_package(one, number) for number, one in enumerate(packages, start=1))
        _check_names(offered)
        return Tariff(**table, packages=offered)
    except ForecastError as error:
        raise DataError(f"{path.name}: {error.problem}", error.remedy) from error


def _parse(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise DataError(f"{path.name} is larger than 1 MB.", "A tariff is a short TOML file.")
        return tomllib.loads(path.read_text(encoding="utf-8-sig"), parse_float=Decimal)
    except OSError as error:
        raise DataError(
            f"{path} cannot be read: {error.strerror}.",
            "Check the path; forecast price --template writes an example.",
        ) from error
    except UnicodeDecodeError as error:
        raise DataError(f"{path.name} is not UTF-8 text.", "Save it as UTF-8.") from error
    except tomllib.TOMLDecodeError as error:
        raise DataError(
            f"{path.name} is not TOML: {error}.",
            'Write key = value, text in "quotes", decimals with a point.',
        ) from error


def _check_keys(given: Iterable[str], known: tuple[str, ...], file: str, where: str) -> None:
    unknown = [key for key in given if key not in known]
    if unknown:
        hint = nearest(unknown[0], known)
        raise DataError(
            f"{file}: unknown key {unknown[0]!r}{where} ({len(unknown)} in all).{hint}",
            f"Known keys are {', '.join(known)}.",
        )


def _package(one: dict[str, Any], number: int) -> Package:
    try:
        return Package(**one)
    except ForecastError as error:
        raise DataError(f"package {number}: {error.problem}", error.remedy) from error


def _check_names(packages: tuple[Package, ...]) -> None:
    names = [package.name for package in packages]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise DataError(f"Two packages are called {twice[0]!r}.", "Give each its own name.")
