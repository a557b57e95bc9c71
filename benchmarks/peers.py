"""The library that the fit is measured against, given the data in the form it wants."""

from typing import Any

import numpy as np
import pandas as pd

from benchmarks.data import LAST

__all__ = ["long_form", "statsmodels_fit", "statsmodels_glm"]


def long_rows(
    frame: pd.DataFrame, weight: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return row of origin, step, event of every step at risk, and the steps that are in use.

    Steps without an event, or with nothing else, are left out: their coefficients are infinite.
    """
    weight = np.ones(len(frame)) if weight is None else weight
    last, entry = frame.step.to_numpy(), frame.entry.to_numpy()
    long = last - entry
    row = np.repeat(np.arange(len(frame)), long)
    step = np.arange(len(row)) - np.repeat(np.cumsum(long) - long, long) + entry[row] + 1
    event = frame.event.to_numpy()[row] & (step == last[row])
    seen = np.bincount(step, weight[row] * event, LAST + 1)
    quiet = np.bincount(step, weight[row] * ~event, LAST + 1)
    used = np.flatnonzero((seen > 0) & (quiet > 0))
    keep = np.isin(step, used) & (weight[row] > 0)
    return row[keep], step[keep], event[keep], used


def long_form(
    frame: pd.DataFrame, wide: pd.DataFrame, weight: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the expanded design (step indicators first), the events and the row of each."""
    row, step, event, used = long_rows(frame, weight)
    design = np.hstack([step[:, None] == used, wide.to_numpy()[row]]).astype(float)
    return design, event, row


def statsmodels_glm(design: np.ndarray, event: np.ndarray, link: str, **options: Any) -> Any:
    """Return statsmodels' binomial GLM, not yet fitted."""
    import statsmodels.api as sm

    links = {"cloglog": sm.families.links.CLogLog(), "logit": sm.families.links.Logit()}
    family = sm.families.Binomial(links[link])
    return sm.GLM(event.astype(float), design, family=family, **options)


def statsmodels_fit(frame: pd.DataFrame, wide: pd.DataFrame, link: str) -> Any:
    """Return a binomial GLM of the expanded rows."""
    design, event, _ = long_form(frame, wide)
    return statsmodels_glm(design, event, link).fit()
