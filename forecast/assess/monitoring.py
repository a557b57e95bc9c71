"""Events watched from month to month: whether they come later than predicted, and since when.

A cumulative sum of log-likelihood ratios of a slowdown against none, held at zero from below
(Page 1954, Biometrika 41:100; with predicted hazards: Biswas & Kalbfleisch 2008, Stat Med 27:3382).
Its threshold is where it would cry wolf once in so many years (Siegmund 1985, Sequential Analysis,
2.51, without the overshoot, which steps upwards hardly have).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast.errors import DataError

if TYPE_CHECKING:
    import pandas as pd

YEARS = 5.0  # in which it may cry wolf once
FEWEST_EXPECTED = 10.0  # events, for anything to be watched
LEAST_HAZARD = 1e-6
DAYS = 365.25


@dataclass(frozen=True, slots=True, eq=False)
class Watch:
    """What was seen against what was expected, by month.

    ``table`` has ``month, seen, expected, score``: events, their number by the predictions, and the
    sum at the end of the month. Beyond the ``threshold`` of the score a slowdown to ``ratio`` of
    the hazards, below 1, is signalled; ``signal`` is the first month at whose end it was, or None.
    """

    table: pd.DataFrame
    threshold: float
    ratio: float
    signal: str | None


def watch(
    when: npt.ArrayLike, hazard: npt.ArrayLike, event: npt.ArrayLike, *, ratio: float
) -> Watch | None:
    """Return the watch over steps as they were taken; None where too little was expected.

    ``when`` is the day of each step of a subject still at risk, ``hazard`` its predicted chance of
    the event at that step and ``event`` whether it came, each (n,); ``ratio``, above 0 and below 1,
    is that of cumulative hazards under the slowdown looked for. Raises DataError if lengths differ
    or a chance is none.

    Examples
    --------
    >>> days = np.datetime64("2026-01-15") + np.arange(400)
    >>> found = watch(days, np.full(400, 0.1), np.arange(400) % 20 == 0, ratio=0.7)
    >>> found.signal is not None, int(found.table["seen"].sum())
    (True, 20)
    """
    import pandas as pd

    day, chance = np.asarray(when, dtype="datetime64[D]"), np.asarray(hazard, dtype=np.float64)
    came = np.asarray(event, dtype=bool)
    if not day.shape == chance.shape == came.shape or not ((chance >= 0) & (chance <= 1)).all():
        raise DataError(
            "Days, hazards and events differ in number, or a hazard is no chance.",
            "Give one of each per step, hazards from 0 to 1.",
        )
    chance = np.clip(chance, LEAST_HAZARD, 1 - LEAST_HAZARD)
    expected = -np.log1p(-chance)  # cumulative hazard within the step
    if not 0 < ratio < 1 or expected.sum() < FEWEST_EXPECTED:
        return None
    slower = -np.expm1(-ratio * expected)
    gain = np.where(came, np.log(slower / chance), (1 - ratio) * expected)
    steps = pd.DataFrame({"month": day.astype("datetime64[M]"), "seen": came, "expected": chance})
    by_month = steps.assign(gain=gain).groupby("month").sum()
    every = pd.date_range(by_month.index.min(), by_month.index.max(), freq="MS")
    by_month = by_month.reindex(every, fill_value=0.0)
    total = by_month["gain"].to_numpy().cumsum()
    score = total - np.minimum.accumulate(np.minimum(total, 0.0))  # held at zero from below
    years = max(float((day.max() - day.min()).astype(int)) / DAYS, 1 / 12)
    threshold = threshold_for(YEARS * float(expected.sum()) / years, ratio)
    beyond = np.flatnonzero(score > threshold)
    names = [f"{month:%Y-%m}" for month in every]
    table = by_month.drop(columns="gain").assign(score=score, month=names)
    table["seen"] = table["seen"].astype(np.int64)
    return Watch(
        table=table[["month", "seen", "expected", "score"]].reset_index(drop=True),
        threshold=threshold,
        ratio=float(ratio),
        signal=names[int(beyond[0])] if len(beyond) else None,
    )


def threshold_for(expected: float, ratio: float) -> float:
    """Return the threshold that is passed by chance once in so many expected events."""
    falls = expected * -(np.log(ratio) + 1 - ratio)
    low, high = 0.0, 50.0
    while high - low > 1e-6:
        middle = (low + high) / 2
        low, high = (middle, high) if np.expm1(middle) - middle < falls else (low, middle)
    return float(high)
