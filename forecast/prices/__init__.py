"""What to ask, and what it risks."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.prices.appointments import NEWEST, Appointments, forecast_appointments
    from forecast.prices.enquiries import (
        PriceList,
        WhoLoses,
        make_price_list,
        mean_estimates,
        price_many,
    )
    from forecast.prices.package import Package, from_cents
    from forecast.prices.past_and_open import (
        backtest_package,
        clients_drawn,
        past_courses,
        stop_factors,
        value_open_book,
    )
    from forecast.prices.quote import (
        Quote,
        cap_note,
        draws_of,
        price_package,
        price_rows,
        quotes_lines,
    )
    from forecast.prices.tariff import Tariff, left_of, no_longer_sold, read_tariff, tariff_template
    from forecast.prices.year import Book, Variation, price_caseload


__getattr__, __dir__ = door(__name__, __file__)
