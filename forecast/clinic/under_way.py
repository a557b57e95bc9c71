"""What is left of an offer for a course that has begun: sessions already had count."""

from __future__ import annotations

from dataclasses import replace

from forecast._checks import check_whole_number
from forecast.clinic.tariff import Package, Tariff

__all__ = ["left_of"]


def left_of(package: Package, tariff: Tariff, sessions_done: int) -> tuple[Package, Tariff] | None:
    """Return what a package and its tariff are for the sessions that are left, or None.

    The most sessions of a course count from its first one. A package with a reduced price after
    so many sessions goes on where the course stands. A block is a new one, from the next session
    on. A fixed price is asked for anew: the tariff's own was for a course from its beginning.
    None stands for a package that cannot be sold any more: nothing of the most sessions is left,
    or less than the block holds.

    Parameters
    ----------
    package : Package
        What is sold.
    tariff : Tariff
        Costs and rules.
    sessions_done : int
        Sessions had here, from 0.

    Examples
    --------
    >>> tariff = Tariff(currency="EUR", session_price=150, cap=15, cost_per_session=60)
    >>> reduced = Package("part_fixed", sessions=8, price=150, extra_price=75)
    >>> left, _ = left_of(reduced, tariff, 6)
    >>> left.sessions, left.cap
    (2, 9)
    >>> left, _ = left_of(reduced, tariff, 8)
    >>> left.kind, left.price
    ('per_session', Decimal('75'))
    >>> left_of(reduced, tariff, 15) is None
    True
    """
    done = check_whole_number(sessions_done, name="sessions_done", low=0)
    if not done:
        return package, tariff
    most = (package.cap or tariff.cap) - done
    in_block = package.sessions if package.kind == "block" else None
    if min(most, tariff.cap - done) < (in_block or 1):
        return None
    rest = replace(tariff, cap=tariff.cap - done)
    if package.kind == "fixed":
        return replace(package, cap=most, price=None), rest
    if package.kind != "part_fixed" or package.sessions is None:
        return replace(package, cap=most), rest
    if package.sessions > done:
        return replace(package, sessions=package.sessions - done, cap=most), rest
    return _at_the_reduced_price(package, most), rest


def _at_the_reduced_price(package: Package, most: int) -> Package:
    return Package(
        "per_session",
        name=package.name,
        price=package.extra_price,
        cap=most,
        stop_factor=package.stop_factor,
        currency=package.currency,
    )
