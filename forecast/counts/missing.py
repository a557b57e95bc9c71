"""What stands in for an attribute that is not recorded: the log's mean in a fit, else its mix."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from forecast.counts.attributes import COVARIATES
from forecast.counts.rows import FEWEST_ALIKE
from forecast.survival import Durations

if TYPE_CHECKING:
    import pandas as pd

N_FILLS = 8

# What to fill in for an attribute that neither the enquiry nor any course of the log gives:
# eighths of a plausible client mix (no source).
DEFAULT_FILLS: dict[str, tuple[float, ...]] = {
    "origin_amateur": (0, 0, 0, 0, 0, 0, 0, 1),
    "origin_cosmetic": (0,) * N_FILLS,
    "origin_traumatic": (0,) * N_FILLS,
    "age_decades": (-0.8, -0.6, -0.4, -0.1, 0.1, 0.4, 0.8, 1.5),
    "area_doublings": (-2.0, -1.2, -0.7, -0.2, 0.2, 0.7, 1.2, 2.0),
    "tattoo_age_doublings": (-1.5, -0.9, -0.5, -0.2, 0.2, 0.5, 0.9, 1.5),
    "scarring": (0, 0, 0, 0, 0, 0, 1, 1),
    "smoker": (0, 0, 0, 0, 0, 1, 0, 1),
    "ink_unreached": (0,) * N_FILLS,
    "four_years_on": (0,) * N_FILLS,
}


def fills_of(values: pd.Series[float], name: str) -> tuple[float, ...]:
    """Return eight evenly spaced quantiles of a covariate, or defaults when hardly ever given."""
    known = values.dropna()
    if len(known) < FEWEST_ALIKE:
        return DEFAULT_FILLS.get(name, (0.0,) * N_FILLS)
    at = (np.arange(N_FILLS) + 0.5) / N_FILLS
    return tuple(float(value) for value in np.quantile(known, at, method="inverted_cdf"))


def spread_missing(
    found: Mapping[str, float], fills: Mapping[str, tuple[float, ...]]
) -> dict[str, list[float]]:
    """Return one enquiry's covariates with each missing one spread over its fills.

    Missing attributes are combined by shifting one against another, so that eight rows stand for
    their joint mix; where none is missing there is one row.
    """
    spread: dict[str, list[float]] = {}
    shifts = {name: 3 * k for k, name in enumerate(dict.fromkeys(COVARIATES.values()))}
    missing = any(np.isnan(value) for value in found.values())
    for name, value in found.items():
        if not np.isnan(value):
            spread[name] = [value] * (N_FILLS if missing else 1)
        else:
            shift = shifts[COVARIATES[name]]
            spread[name] = [fills[name][(k + shift) % N_FILLS] for k in range(N_FILLS)]
    return spread


def fill_missing(rows: pd.DataFrame, fills: Mapping[str, float | None]) -> pd.DataFrame:
    """Return the rows with missing covariates filled; the rows given are left as they are.

    Parameters
    ----------
    rows : DataFrame
        As ``course_rows`` returns it.
    fills : mapping of covariate to float or None
        What stands in for a missing value: None is the mean of the rows' own, 0 if there is none.

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"smoker": [0.0, 1.0, float("nan")], "scarring": float("nan")})
    >>> fill_missing(rows, {"smoker": None, "scarring": 0.25})["smoker"].tolist()
    [0.0, 1.0, 0.5]
    """
    filled = rows.copy(deep=False)
    for name, fill in fills.items():
        if rows[name].isna().any():
            mean = rows[name].mean() if fill is None else fill
            filled[name] = rows[name].fillna(0.0 if np.isnan(mean) else mean)
    return filled


def durations_of(rows: pd.DataFrame, fills: Mapping[str, float | None]) -> Durations:
    """Return the rows as a count model takes them, with the covariates of ``fills``, filled."""
    return Durations.from_frame(
        fill_missing(rows, fills),
        step="step",
        observed="observed",
        entry="entry",
        subject="client_id",
        covariates=list(fills),
    )
