"""A part of a very large log, by client: enough to choose a model and to check its promises."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.log import OutcomeLog
    from forecast.survival.durations import Durations

__all__ = ["MOST_TO_CHECK", "some_clients"]

# With so many courses the coverage of an interval is known to half a percentage point; more
# would cost hours on a registry and settle nothing that matters.
MOST_TO_CHECK = 10_000


def some_clients(
    log: OutcomeLog, rows: pd.DataFrame, durations: Durations, *, seed: int
) -> tuple[OutcomeLog, pd.DataFrame, Durations]:
    """Return the log, its model rows and durations, of clients drawn until there are enough.

    Whole clients are drawn, up to `MOST_TO_CHECK` courses; a smaller log comes back as it is.
    """
    if len(rows) <= MOST_TO_CHECK:
        return log, rows, durations
    clients, of_row = np.unique(rows["client_id"].to_numpy().astype(str), return_inverse=True)
    place = np.random.default_rng([seed, 11]).permutation(len(clients))
    courses = np.bincount(of_row)
    taken = np.cumsum(courses[place]) <= MOST_TO_CHECK
    chosen = np.zeros(len(clients), dtype=bool)
    chosen[place[taken]] = True
    keep = np.flatnonzero(chosen[of_row])
    part = replace(log, courses=log.courses.iloc[keep].reset_index(drop=True))
    return part, rows.iloc[keep].reset_index(drop=True), durations.take(keep)
