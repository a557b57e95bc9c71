"""The count model under a named strategy: always ns, always ps, or ns first and then ps.

Each course is followed while it keeps to the strategy and censored when it leaves it. Weights for
keeping to it, which see fading so far, interval, density and calendar time, stand in for the
courses that left (marginal structural model: Robins, Hernan and Brumback 2000, Epidemiology
11:550), the same weights as in the comparison of regimes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from forecast.causal import WeightModel, effective_number, followed
from forecast.counts import COVARIATES
from forecast.errors import DataError
from forecast.regimes.trial import read_strategies, trial_rows
from forecast.regimes.weighted_curves import RIDGE, TRUNCATE
from forecast.survival import Durations

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from forecast.log import OutcomeLog
    from forecast.survival import CountModel, FittedCountModel

OFFERED = ("ns", "ps", "ns:4>ps")
HORIZON = 15
FEWEST_EVENTS = 30
FEWEST_EFFECTIVE = 30.0


def fit_strategies(
    log: OutcomeLog, filled: pd.DataFrame, spec: CountModel
) -> Mapping[str, FittedCountModel]:
    """Return the model fitted under each strategy that enough courses follow.

    Parameters
    ----------
    log : OutcomeLog
    filled : DataFrame
        One row per course with ``course_id`` and every covariate, none missing.
    spec : CountModel
        The model chosen for the log's own practice.

    Returns
    -------
    mapping of strategy to fitted model
        Empty when the log has no sessions, one regime only, or too few followers: at least 30
        finished courses that kept to it, and an effective number of 30 after weighting, both
        among the courses that were still at risk when the strategy's change came.
    """
    if log.sessions.empty:
        return {}
    try:
        trial = trial_rows(log, horizon=HORIZON)
    except DataError:
        return {}
    if trial is None:
        return {}
    panel = trial.panel
    weights = WeightModel(panel, ridge=RIDGE).fit()
    courses = filled.set_index("course_id").loc[trial.courses["course_id"], list(COVARIATES)]
    clients = trial.courses["client_id"].to_numpy()
    found = {}
    for strategy in read_strategies(OFFERED, horizon=HORIZON):
        mask = followed(panel, np.array(strategy.plan))
        used = weights.used(mask, quantile=TRUNCATE)[0]
        kept = mask & (used > 0)
        since = kept & (panel.step >= strategy.begins)
        too_few = panel.event[since].sum() < FEWEST_EVENTS
        there = kept & (panel.step == strategy.begins)
        if too_few or effective_number(used[there]) < FEWEST_EFFECTIVE:
            continue
        subject = panel.subject[kept]
        found[strategy.name] = spec.fit(
            Durations(
                step=panel.step[kept],
                observed=panel.event[kept],
                covariates=courses.iloc[subject],
                subject=clients[subject],
                entry=panel.step[kept] - 1,
                weight=used[kept] / used[kept].mean(),
            )
        )
    return found
