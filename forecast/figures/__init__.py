"""Pictures of the package's results, for notebooks and pages; the only room that knows plotly."""

from typing import TYPE_CHECKING

from forecast._doors import door

if TYPE_CHECKING:
    from forecast.figures.estimate import (
        plot_candidates,
        plot_estimate,
        plot_hundred,
        plot_reliability,
        plot_subgroups,
    )
    from forecast.figures.prices import (
        plot_book,
        plot_price_list,
        plot_quote,
        plot_sensitivity,
        plot_volume,
    )
    from forecast.figures.regimes import (
        plot_balance,
        plot_curves,
        plot_followers,
        plot_readings,
        plot_tipping,
    )
    from forecast.figures.sessions import (
        plot_fading,
        plot_fading_shares,
        plot_laser_change,
        plot_log_reach,
        plot_operator_funnel,
        plot_reaction_rates,
        plot_split_fading,
        plot_uptake_table,
    )
    from forecast.figures.template import COLOURS, CONFIG, show_in_exports, titled

__all__ = [
    "COLOURS",
    "CONFIG",
    "plot_balance",
    "plot_book",
    "plot_candidates",
    "plot_curves",
    "plot_estimate",
    "plot_fading",
    "plot_fading_shares",
    "plot_followers",
    "plot_hundred",
    "plot_laser_change",
    "plot_log_reach",
    "plot_operator_funnel",
    "plot_price_list",
    "plot_quote",
    "plot_reaction_rates",
    "plot_readings",
    "plot_reliability",
    "plot_sensitivity",
    "plot_split_fading",
    "plot_subgroups",
    "plot_tipping",
    "plot_uptake_table",
    "plot_volume",
    "show_in_exports",
    "titled",
]

__getattr__, __dir__ = door(__name__, __file__)
