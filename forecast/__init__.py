"""Honest session counts, prices and regime comparisons from a clinic's own outcome log.

The names below are loaded on first use, so that importing the package costs next to nothing and
an enquiry at the desk waits for numpy alone. In their examples ``log`` is
``simulate_log(150, seed=1)``, ``forecaster`` what `fit_forecaster` makes of it, ``enquiry`` a plain
black tattoo, ``tariff`` one of 150 EUR a session and ``folder`` a place for files.
"""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.counts import Estimate
    from forecast.daybook import Daybook, Visit, make_daybook, read_promises
    from forecast.errors import DataError, FitError, ForecastError, RequestError
    from forecast.fading import fit_fading
    from forecast.forecaster import (
        Forecaster,
        assess_forecaster,
        assess_promises,
        bootstrap,
        card_text,
        fit_forecaster,
        load_forecaster,
        promise_of,
        value_of_quoting,
    )
    from forecast.invented import simulate_log
    from forecast.log import Enquiry, OutcomeLog, enquiry_of, read_log
    from forecast.log.files import corrected_file, propose_map, write_to_correct
    from forecast.page import estimate_panel
    from forecast.prices import (
        Package,
        Tariff,
        backtest_package,
        forecast_appointments,
        make_price_list,
        price_caseload,
        price_many,
        price_package,
        read_tariff,
        stop_factors,
        tariff_template,
        value_open_book,
    )
    from forecast.reach import log_reach, reach_effect, tattoo_reach, what_would_change
    from forecast.reactions import fit_reactions
    from forecast.regimes import compare_regimes, plan_comparison
    from forecast.tattoo import cautions_for

__version__ = "0.1.0"

__getattr__, __dir__ = door(__name__, __file__)
