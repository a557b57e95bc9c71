"""What `forecast price --log` adds for the owner: price list, courses under way, the past."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from forecast.cli.options import progress
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast.forecaster import Forecaster
    from forecast.log import OutcomeLog
    from forecast.prices import Tariff

__all__ = ["owner_view"]

LISTED = ("block", "fixed")


def owner_view(
    forecaster: Forecaster, log: OutcomeLog, tariff: Tariff, *, seed: int
) -> tuple[dict[str, Any], str]:
    """Return, as JSON values and in words, what the tariff means for the clinic's own courses.

    A price list for each package with one price for several sessions, from the log's own mix;
    the courses under way; and what each package that has a price would have earned so far.
    """
    from forecast.prices import backtest_package, make_price_list, value_open_book

    progress("Making the price list")
    lists = [
        make_price_list(forecaster, log.courses, package, tariff)
        for package in tariff.packages
        if package.kind in LISTED
    ]
    progress("Valuing the courses under way")
    try:
        book = value_open_book(forecaster, log, tariff, seed=seed)
    except RequestError as error:
        open_data, open_text = None, f"Courses under way: {error}"
    else:
        open_data, open_text = book.to_dict(), book.to_text()
    progress("Trying the tariff on the past")
    priced = [one for one in tariff.packages if one.price is not None or one.kind == "per_session"]
    past = [backtest_package(log, package, tariff, seed=seed) for package in priced]
    unpriced = [one.name for one in tariff.packages if one not in priced]
    data = {
        "price_lists": [one.to_dict() for one in lists],
        "open_book": open_data,
        "backtests": [one.to_dict() for one in past],
    }
    parts = [
        "Price list, from the mix of this log:",
        *(one.to_text() for one in lists),
        "Courses under way:",
        open_text,
        "What this tariff would have earned on past courses:",
        *(one.to_text() for one in past),
        *(f"{name}: no price in the tariff, so nothing to try on the past." for name in unpriced),
    ]
    return data, "\n\n".join(parts)
