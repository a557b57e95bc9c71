"""The library that the fit is measured against, given the data in the form it wants."""

from typing import Any

import numpy as np
import pandas as pd

from forecast.survival import PIVOT

__all__ = ["long_form", "statsmodels_fit", "statsmodels_glm"]


def long_rows(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return row of origin, step and event of every step at risk."""
    last, entry = frame.step.to_numpy(), frame.entry.to_numpy()
    long = last - entry
    row = np.repeat(np.arange(len(frame)), long)
    step = np.arange(len(row)) - np.repeat(np.cumsum(long) - long, long) + entry[row] + 1
    return row, step, frame.event.to_numpy()[row] & (step == last[row])


def long_form(frame: pd.DataFrame, wide: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return the expanded design (the smooth baseline first) and the events."""
    row, step, event = long_rows(frame)
    x = np.log(step / PIVOT)
    design = np.column_stack([np.ones(len(x)), x, x * x, wide.to_numpy()[row]]).astype(float)
    return design, event


def statsmodels_glm(design: np.ndarray, event: np.ndarray) -> Any:
    """Return statsmodels' binomial GLM, complementary log-log, not yet fitted."""
    import statsmodels.api as sm

    family = sm.families.Binomial(sm.families.links.CLogLog())
    return sm.GLM(event.astype(float), design, family=family)


def statsmodels_fit(frame: pd.DataFrame, wide: pd.DataFrame) -> Any:
    """Return a binomial GLM of the expanded rows."""
    return statsmodels_glm(*long_form(frame, wide)).fit()
