"""The sums of a regime comparison, done once for the log and again for each resample of clients.

Everything that does not change between resamples (rows, masks, designs) is held here; a
resample is a count per client, and costs one refit of the weight models and a few sums.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from forecast._jobs import run_units
from forecast._types import BoolArray, FloatArray
from forecast.causal import (
    HazardGFormula,
    StrategyWeights,
    WeightModel,
    cluster_counts,
    followed,
    life_sums,
)
from forecast.regimes.trial import Strategy, Trial
from forecast.tattoo import INK_GROUPS

RIDGE = 0.5  # on standardised covariates: a prior of standard deviation 1.4 on each log odds
TRUNCATE = 0.995
CHUNK = 25
SECOND_ROUTE_REPLICATES = 200


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """What one pass over the rows gives.

    Attributes
    ----------
    survival : ndarray of shape (n_strategies, 1 + n_ink_groups, horizon + 1)
        Weighted share not cleared after each session; place 0 is everyone.
    unadjusted : ndarray of shape (n_strategies, horizon + 1)
        Without weights.
    weeks : ndarray of shape (n_strategies,)
        Mean weeks until cleared, up to ``Engine.last_week``.
    second : ndarray of shape (n_strategies, horizon + 1)
        By the g-formula; NaN where it was not asked for.
    """

    survival: FloatArray
    unadjusted: FloatArray
    weeks: FloatArray
    second: FloatArray


class Engine:
    """The comparison of some strategies on one trial.

    Parameters
    ----------
    trial : Trial
    strategies : sequence of Strategy
    horizon : int
    seed : int
        For the g-formula's simulated histories.
    """

    def __init__(
        self, trial: Trial, strategies: Sequence[Strategy], *, horizon: int, seed: int = 0
    ) -> None:
        panel = trial.panel
        self.panel, self.horizon = panel, horizon
        self.plans = [np.array(strategy.plan) for strategy in strategies]
        self.masks = [followed(panel, plan) for plan in self.plans]
        names = trial.courses["ink_group"].to_numpy(dtype=object)
        groups = np.array([INK_GROUPS.index(name) for name in names], dtype=np.int64)
        self.ink = groups[panel.subject]
        self.model = WeightModel(panel, ridge=RIDGE)
        self.weights: StrategyWeights = self.model.fit()
        self.second_model = HazardGFormula(
            panel,
            baseline=trial.baseline,
            state=trial.ink_left,
            state_after=trial.ink_left_after,
            fresh=trial.graded,
            horizon=horizon,
            seed=seed,
        )
        self.second_fit = self.second_model.fit()
        self._set_weeks(trial)

    def _set_weeks(self, trial: Trial) -> None:
        """Place the rows on a grid of weeks: each ends in the week of its session."""
        first = self.panel.first
        stop = np.floor(trial.week).astype(np.int64) + 1
        entry = np.where(first, 0, np.concatenate([[0], stop[:-1]]))
        self.week_entry, self.week_stop = entry, np.maximum(stop, entry + 1)
        gaps = np.diff(trial.week)[~first[1:]]
        self.spacing = float(np.median(gaps)) if gaps.size else 8.0
        self.last_week = max(1, round(self.spacing * (self.horizon - 1)))

    def run(self, clusters: FloatArray | None = None, *, second: bool = True) -> Result:
        """Return the result when each client counts so many times."""
        panel = self.panel
        subjects = np.ones(panel.n_subjects) if clusters is None else clusters[panel.cluster]
        rows = subjects[panel.subject]
        if clusters is None:
            weights = self.weights
            fit = self.second_fit if second else None
        else:
            start = self.weights.coefficients
            weights = self.model.fit(rows, start=start, tolerance=1e-5)
            fit = self.second_model.fit(rows, start=self.second_fit) if second else None
        survival, unadjusted, weeks = [], [], []
        for mask in self.masks:
            used, _ = weights.used(mask, quantile=TRUNCATE, rows=rows)
            survival.append(self.curves(used * rows, mask))
            unadjusted.append(self.curves(rows, mask)[0])
            weeks.append(self._weeks(used * rows, mask))
        other = np.full((len(self.masks), self.horizon + 1), np.nan)
        if fit is not None:
            for place, plan in enumerate(self.plans):
                each = self.second_model.survival(fit, plan)
                other[place] = subjects @ each / subjects.sum()
        return Result(np.array(survival), np.array(unadjusted), np.array(weeks), other)

    def curves(self, weight: FloatArray, mask: BoolArray) -> FloatArray:
        """Return survival of everyone and of each ink group, shape (1 + groups, horizon + 1)."""
        size, groups = self.horizon, len(INK_GROUPS)
        place = self.ink[mask] * size + self.panel.step[mask] - 1
        used = weight[mask]
        shape = (groups, size)
        risk = np.bincount(place, weights=used, minlength=groups * size).reshape(shape)
        happened = used * self.panel.event[mask]
        events = np.bincount(place, weights=happened, minlength=groups * size).reshape(shape)
        risk = np.vstack([risk.sum(axis=0), risk])
        events = np.vstack([events.sum(axis=0), events])
        hazard = np.divide(events, risk, out=np.zeros_like(risk), where=risk > 0)
        return np.hstack([np.ones((groups + 1, 1)), np.cumprod(1 - hazard, axis=1)])

    def _weeks(self, weight: FloatArray, mask: BoolArray) -> float:
        risk, events = life_sums(
            self.week_stop[mask],
            self.panel.event[mask],
            self.week_entry[mask],
            weight[mask],
            self.last_week,
        )
        hazard = np.divide(events, risk, out=np.zeros_like(risk), where=risk > 1e-9)
        return float(1 + np.cumprod(1 - hazard)[:-1].sum())


def bootstrap(engine: Engine, *, replicates: int, seed: int) -> Result:
    """Return the results of resamples of clients, stacked along a first axis."""
    n_clusters = int(engine.panel.cluster.max()) + 1
    counts = cluster_counts(n_clusters, replicates, seed=seed).astype(np.float64)
    pieces = [(place, counts[place : place + CHUNK]) for place in range(0, replicates, CHUNK)]
    done = run_units(partial(_chunk, engine), pieces, label="resamples")
    found = [result for chunk in done for result in chunk]
    return Result(
        survival=np.array([one.survival for one in found]),
        unadjusted=np.array([one.unadjusted for one in found]),
        weeks=np.array([one.weeks for one in found]),
        second=np.array([one.second for one in found]),
    )


def _chunk(engine: Engine, piece: tuple[int, FloatArray]) -> list[Result]:
    first, counts = piece
    return [
        engine.run(row, second=first + place < SECOND_ROUTE_REPLICATES)
        for place, row in enumerate(counts)
    ]
