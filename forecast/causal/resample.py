"""The bootstrap by cluster, as counts: no row is ever copied."""

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level, check_whole_number
from forecast.errors import RequestError

__all__ = ["bootstrap_interval", "cluster_counts"]

FloatArray = npt.NDArray[np.float64]


def cluster_counts(n_clusters: int, replicates: int, *, seed: int) -> npt.NDArray[np.int64]:
    """Return how often each cluster is drawn in each replicate, shape (replicates, n_clusters).

    Replicate r is the same whatever ``replicates`` is, so work may be split at will.

    Examples
    --------
    >>> cluster_counts(5, 3, seed=1).sum(axis=1)
    array([5, 5, 5])
    """
    check_whole_number(n_clusters, name="n_clusters", low=1)
    check_whole_number(replicates, name="replicates", low=1)
    rng = np.random.default_rng(seed)
    equal = np.full(n_clusters, 1 / n_clusters)
    return rng.multinomial(n_clusters, equal, size=replicates)


def bootstrap_interval(
    draws: npt.ArrayLike, *, level: float = 0.95, estimate: float | None = None
) -> tuple[float, float]:
    """Return an interval from replicates; those that are not numbers are left out.

    With ``estimate``, a normal interval around it whose error is the replicates' standard
    deviation; without, their percentiles.
    """
    from statistics import NormalDist

    check_level(level)
    values = np.asarray(draws, dtype=np.float64)
    values = values[np.isfinite(values)]
    if len(values) < 2:
        raise RequestError(f"{len(values)} replicate(s).", "Ask for at least 2 replicates.")
    if estimate is None:
        low, high = np.quantile(values, [(1 - level) / 2, (1 + level) / 2])
        return float(low), float(high)
    reach = NormalDist().inv_cdf((1 + level) / 2) * float(values.std(ddof=1))
    return estimate - reach, estimate + reach
