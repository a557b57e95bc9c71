"""Pictures of the package's results, for notebooks and pages; the only room that knows plotly.

Each takes a result and says what it shows in the language asked for.
"""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.figures.estimate import (
        plot_appointments,
        plot_book,
        plot_candidates,
        plot_estimate,
        plot_hundred,
        plot_price_list,
        plot_quote,
        plot_reliability,
        plot_sensitivity,
        plot_subgroups,
        plot_watch,
    )
    from forecast.figures.sessions import (
        plot_balance,
        plot_curves,
        plot_fading,
        plot_fading_shares,
        plot_followers,
        plot_laser_change,
        plot_log_reach,
        plot_operator_funnel,
        plot_reaction_rates,
        plot_readings,
        plot_split_fading,
        plot_tipping,
        plot_uptake_table,
    )
    from forecast.figures.template import COLOURS, CONFIG, show_in_exports, titled
    from forecast.figures.trial_report import write_report


__getattr__, __dir__ = door(__name__, __file__)
