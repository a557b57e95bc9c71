"""Hazard ratios of covariates that change with time, so that no time is immortal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

import numpy as np

from forecast._checks import nearest
from forecast.errors import DataError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["hazard_ratios"]


def hazard_ratios(
    frame: pd.DataFrame,
    *,
    stop: str,
    event: str,
    covariates: Sequence[str],
    start: str | None = None,
    ties: Literal["breslow", "efron"] = "efron",
) -> pd.DataFrame:
    """Return Cox coefficients from rows at risk in (start, stop].

    A subject whose covariates change has one row per spell. Classifying a subject by what
    happened later instead gives away the time it had to last for that to happen.

    Returns
    -------
    DataFrame
        Index: covariate; columns ``coefficient``, ``error``, ``hazard_ratio``, ``p_value``.
    """
    import pandas as pd
    from statsmodels.duration.hazard_regression import PHReg

    named = [stop, event, start, *covariates]
    missing = [name for name in named if name is not None and name not in frame.columns]
    if missing:
        raise DataError(
            f"The frame has no column {missing[0]!r}.",
            f"Its columns are {list(frame.columns)}.{nearest(missing[0], frame.columns)}",
        )
    # PHReg counts a row as at risk at its own entry time too; the small shift opens the interval
    entry = None if start is None else frame[start].to_numpy(dtype=np.float64) + 1e-6
    fitted = PHReg(
        frame[stop].to_numpy(dtype=np.float64),
        frame[list(covariates)].to_numpy(dtype=np.float64),
        status=frame[event].to_numpy(dtype=np.float64),
        entry=entry,
        ties=ties,
    ).fit()
    return pd.DataFrame(
        {
            "coefficient": fitted.params,
            "error": fitted.bse,
            "hazard_ratio": np.exp(fitted.params),
            "p_value": fitted.pvalues,
        },
        index=pd.Index(list(covariates), name="covariate"),
    )
