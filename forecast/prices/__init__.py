"""What to ask, and what it risks."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.prices.appointments import NEWEST, Appointments, forecast_appointments
    from forecast.prices.backtest import backtest_package, clients_drawn, past_courses, stop_factors
    from forecast.prices.money import from_cents
    from forecast.prices.open_courses import value_open_book
    from forecast.prices.payoff import left_of, price_rows
    from forecast.prices.price_list import PriceList, make_price_list, mean_estimates
    from forecast.prices.quote import Quote, draws_of, price_package, quotes_lines
    from forecast.prices.tariff import Package, Tariff, read_tariff, tariff_template
    from forecast.prices.who_loses import WhoLoses, price_many
    from forecast.prices.year import Book, Variation, price_caseload


__getattr__, __dir__ = door(__name__, __file__)
