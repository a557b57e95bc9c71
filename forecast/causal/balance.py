"""Whether weights made groups alike: standardised differences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast.errors import DataError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["balance_table", "standardised_differences"]

FloatArray = npt.NDArray[np.float64]


def standardised_differences(
    values: FloatArray, weight: npt.ArrayLike, target: npt.ArrayLike
) -> FloatArray:
    """Return how far weighted means lie from target means, in standard deviations.

    Parameters
    ----------
    values : ndarray of shape (n, p)
        One column per covariate.
    weight, target : array-like of shape (n,)
        The weights to be judged, and those of the group that they should resemble. The spread
        is that of the target group, the same before and after (Austin & Stuart 2015, Stat Med
        34:3661). A column without spread gives 0 where the means agree.

    Examples
    --------
    >>> import numpy as np
    >>> values = np.array([[0.0], [2.0]])
    >>> standardised_differences(values, [0, 1], [1, 1])
    array([1.])
    """
    w = np.asarray(weight, dtype=np.float64)
    t = np.asarray(target, dtype=np.float64)
    if w.sum() <= 0 or t.sum() <= 0:
        return np.full(values.shape[1], np.nan)
    mean = w @ values / w.sum()
    wanted = t @ values / t.sum()
    spread = np.sqrt(t @ (values - wanted) ** 2 / t.sum())
    gap = mean - wanted
    gap[np.abs(gap) < 1e-12] = 0.0
    result: FloatArray = np.divide(gap, spread, out=np.zeros_like(gap), where=spread > 0)
    return result


def balance_table(
    covariates: pd.DataFrame, group: npt.ArrayLike, weight: npt.ArrayLike
) -> pd.DataFrame:
    """Return standardised differences of group 1 minus group 0, before and after weighting.

    Returns
    -------
    DataFrame
        Index: covariate; columns ``before`` and ``after``; both in standard deviations pooled
        over the unweighted groups (Austin 2009, Stat Med 28:3083).
    """
    import pandas as pd

    member = np.asarray(group) == 1
    w = np.asarray(weight, dtype=np.float64)
    if not member.any() or member.all():
        raise DataError("All rows are in one group.", "Give rows of both groups.")
    values = covariates.to_numpy(dtype=np.float64)
    variance = [values[rows].var(axis=0) for rows in (member, ~member)]
    spread = np.sqrt(np.mean(variance, axis=0))
    columns = {}
    for name, used in (("before", np.ones(len(w))), ("after", w)):
        means = [np.average(values[rows], axis=0, weights=used[rows]) for rows in (member, ~member)]
        gap = means[0] - means[1]
        columns[name] = np.divide(gap, spread, out=np.zeros_like(gap), where=spread > 0)
    return pd.DataFrame(columns, index=covariates.columns)
