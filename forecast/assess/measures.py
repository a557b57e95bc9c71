"""Every single-number score of out-of-fold predictions, with its standard error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.assess.concordance import auc_at, uno_concordance
from forecast.assess.dropout import still_watched
from forecast.assess.outcomes import Outcomes
from forecast.assess.pit import d_calibration
from forecast.assess.reliability import calibration_at, observed_to_expected
from forecast.assess.scores import brier, log_score
from forecast.survival import CountDistribution

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["measure", "measure_all"]

FloatArray = npt.NDArray[np.float64]
Measures = dict[tuple[str, int | None], float]


def measure(
    distribution: CountDistribution,
    seen: Outcomes,
    *,
    steps: Sequence[int],
    horizon: int,
    drop_out_group: npt.ArrayLike | None = None,
) -> Measures:
    """Return each measure by name and step (None where it is not of one step).

    ``log_score`` per watched step, ``crps``, ``concordance``, ``observed_to_expected``; and at
    each step ``brier``, ``auc``, ``calibration_slope``, ``calibration_intercept``, ``ici``,
    ``e50``, ``e90``.
    """
    watched = still_watched(seen, horizon=horizon, group=drop_out_group)
    scores = brier(distribution, seen, horizon=horizon, watched=watched)
    found: Measures = {
        ("log_score", None): log_score(distribution, seen),
        ("crps", None): float(scores.sum()),
        ("concordance", None): uno_concordance(
            distribution, seen, horizon=horizon, watched=watched
        ),
        ("observed_to_expected", None): observed_to_expected(distribution, seen)[0],
    }
    areas = auc_at(distribution, seen, steps, watched=watched)
    calibrations = calibration_at(distribution, seen, steps, watched=watched)
    for step, area, (slope, error) in zip(steps, areas, calibrations, strict=True):
        found |= {
            ("brier", step): float(scores[step - 1]),
            ("auc", step): float(area),
            ("calibration_slope", step): slope.slope,
            ("calibration_intercept", step): slope.intercept,
            ("ici", step): error.ici,
            ("e50", step): error.e50,
            ("e90", step): error.e90,
        }
    return found


def measure_all(
    repeats: Sequence[CountDistribution],
    seen: Outcomes,
    *,
    steps: Sequence[int],
    horizon: int,
    reference: Sequence[CountDistribution] = (),
    drop_out_group: npt.ArrayLike | None = None,
    replicates: int = 60,
    seed: int = 0,
) -> pd.DataFrame:
    """Return the measures averaged over repeats, with standard errors by resampling subjects.

    Columns ``metric``, ``step``, ``value``, ``standard_error``. With ``reference`` predictions
    there is ``skill``, one less the ratio of their ranked probability scores. The p-value of
    D-calibration is of the first repeat.
    """
    import pandas as pd

    options = _Options(steps, horizon, reference, drop_out_group)

    def values(weight: FloatArray, sets: Sequence[CountDistribution]) -> Measures:
        return _averaged(sets, replace(seen, weight=weight), options)

    drawn = [
        values(seen.weight * times, repeats[:1])
        for times in _resamples(seen, replicates=replicates, seed=seed)
    ]
    rows: list[dict[str, object]] = []
    for key, value in values(seen.weight, repeats).items():
        error = _spread([each[key] for each in drawn])
        rows.append({"metric": key[0], "step": key[1], "value": value, "standard_error": error})
    chance = d_calibration(repeats[0], seen, seed=seed).p_value
    rows.append({"metric": "d_calibration_p", "value": chance, "standard_error": float("nan")})
    return pd.DataFrame(rows).astype({"step": "Int64"})


class _Options(NamedTuple):
    steps: Sequence[int]
    horizon: int
    reference: Sequence[CountDistribution]
    drop_out_group: npt.ArrayLike | None


def _averaged(sets: Sequence[CountDistribution], seen: Outcomes, options: _Options) -> Measures:
    """Return the measures averaged over sets of predictions; who has no weight says nothing."""
    steps, horizon, reference, labels = options
    used = seen.weight > 0
    seen = seen.take(used)
    group = None if labels is None else np.asarray(labels)[used]
    found = [
        measure(each[used], seen, steps=steps, horizon=horizon, drop_out_group=group)
        for each in sets
    ]
    mean = {key: float(np.mean([each[key] for each in found])) for key in found[0]}
    if reference:
        watched = still_watched(seen, horizon=horizon, group=group)
        other = [
            brier(each[used], seen, horizon=horizon, watched=watched).sum()
            for each in reference[: len(sets)]
        ]
        mean["skill", None] = float(1 - mean["crps", None] / np.mean(other))
    return mean


def _resamples(seen: Outcomes, *, replicates: int, seed: int) -> list[FloatArray]:
    """Return how often each path counts when subjects are drawn with replacement."""
    rng = np.random.default_rng(seed)
    _, owner = np.unique(seen.subject.astype(str), return_inverse=True)
    n_subjects = int(owner.max()) + 1
    even = np.full(n_subjects, 1 / n_subjects)
    return [rng.multinomial(n_subjects, even)[owner].astype(float) for _ in range(replicates)]


def _spread(values: Sequence[float]) -> float:
    known = np.array([value for value in values if np.isfinite(value)])
    return float(known.std(ddof=1)) if len(known) > 1 else float("nan")
