"""A boosted hazard: trees on every step at risk, kept as plain arrays.

The chance of the event at a step, given none before, is what scikit-learn's histogram gradient
boosting learns from one row per step at risk, with the step itself as a feature.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import check_whole_number
from forecast._notes import Note
from forecast._plain import plain, read
from forecast._types import BoolArray, FloatArray, IntArray
from forecast.errors import RequestError
from forecast.survival.distribution import CountDistribution, Durations, first_seen
from forecast.survival.encoding import Encoding
from forecast.survival.model import FitNotes, FittedCountModel, fit_notes, refuse_no_events

if TYPE_CHECKING:
    import pandas as pd

# Trees settle on far fewer; this many take half a gigabyte.
MOST_STEPS_AT_RISK = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class BoostedHazard:
    """A hazard from boosted trees, for effects that no straight line follows.

    It needs more data than the regressions: leaves hold at least ``leaf_rows`` steps at risk.
    Every step at risk is written out, so of more than ``MOST_STEPS_AT_RISK`` only those of some
    subjects are used, drawn with ``seed``; the notes say so.

    Attributes
    ----------
    trees : int
        Rounds of boosting.
    rate : float
        How much of each tree is believed, 0 to 1.
    leaves : int
        At most this many leaves per tree.
    leaf_rows : int
        At least this many steps at risk per leaf.
    penalty : float
        Ridge precision on the leaf values.
    refits : int
        Refits to subjects drawn with replacement, made at the fit; draws of the parameters
        are these, taken in turn. With 0, draws repeat the plain prediction.
    seed : int
        For drawing the subjects.
    """

    trees: int = 80
    rate: float = 0.06
    leaves: int = 6
    leaf_rows: int = 30
    penalty: float = 1.0
    refits: int = 8
    seed: int = 0

    def __post_init__(self) -> None:
        for name in ("trees", "leaves", "leaf_rows"):
            low = 2 if name == "leaves" else 1
            check_whole_number(getattr(self, name), name=name, low=low)
        check_whole_number(self.refits, name="refits", low=0)
        if not (math.isfinite(self.penalty) and self.penalty >= 0):
            raise RequestError(f"penalty is {self.penalty!r}.", "Give a number from 0 up.")
        if not 0 < self.rate <= 1:
            raise RequestError(f"rate is {self.rate!r}.", "Give a number above 0, up to 1.")

    @property
    def name(self) -> str:
        """A short name for tables."""
        return "boosted hazard"

    def fit(
        self, durations: Durations, near: FittedCountModel | None = None
    ) -> FittedBoostedHazard:
        """Return the trees fitted to ``durations``; FitError if nobody had the event."""
        refuse_no_events(durations)
        given = len(durations)
        durations = some_subjects(durations, MOST_STEPS_AT_RISK, seed=self.seed)
        frame = durations.covariates
        encoding = Encoding.learn(frame[sorted(frame.columns, key=str)])
        matrix = encoding.encode(frame)
        # a fixed order of rows makes ties between splits fall the same way every time
        keys = [*matrix.T, durations.entry, durations.observed, durations.step]
        order = np.lexsort([*keys, durations.weight])
        long = LongRows.build(durations, matrix, order)
        subjects = first_seen(durations.subject[order])
        rng = np.random.default_rng(self.seed)
        forests = [self.grow(long, long.weight)]
        for _ in range(self.refits):
            times = np.bincount(rng.integers(0, subjects.max() + 1, subjects.max() + 1))
            times = np.pad(times, (0, subjects.max() + 1 - len(times)))
            weight = long.weight * times[subjects][long.row]
            if weight[long.event].sum() > 0:
                forests.append(self.grow(long, weight))
        last = int(durations.step[durations.weight > 0].max())
        messages = [Note("fit.last_watched", "caution", {"step": last})]
        if len(durations) < given:
            used = {"rows": len(durations), "given": given}
            messages.append(Note("fit.some_subjects", "info", used))
        notes = fit_notes(
            durations,
            n_covariates=len(encoding.names),
            dropped=encoding.dropped,
            messages=messages,
        )
        return FittedBoostedHazard(encoding, tuple(forests), last, notes)

    def grow(self, long: LongRows, weight: FloatArray) -> Forest:
        """Return the trees for these weights."""
        from sklearn.ensemble import HistGradientBoostingClassifier

        used = weight > 0
        if long.event[used].all():
            return Forest((), math.inf)
        booster = HistGradientBoostingClassifier(
            learning_rate=self.rate,
            max_iter=self.trees,
            max_leaf_nodes=self.leaves,
            min_samples_leaf=self.leaf_rows,
            l2_regularization=self.penalty,
            early_stopping=False,
            random_state=0,
        )
        # equal weights change nothing, but make scikit-learn look for each cut on its own
        own = weight[used]
        weights = None if (own == own[0]).all() else own
        booster.fit(long.features[used], long.event[used], sample_weight=weights)
        return Forest.of(booster)


@dataclass(frozen=True, slots=True, eq=False)
class LongRows:
    """One row per step at risk: its features (step first), event, weight and row of origin."""

    features: FloatArray
    event: BoolArray
    weight: FloatArray
    row: IntArray

    @classmethod
    def build(cls, durations: Durations, matrix: FloatArray, order: IntArray) -> LongRows:
        """Return the steps at risk of the rows in ``order``; ``row`` counts in that order."""
        entry, last = durations.entry[order], durations.step[order]
        long = last - entry
        row = np.repeat(np.arange(len(order)), long)
        step = np.arange(long.sum()) - np.repeat(np.cumsum(long) - long, long) + entry[row] + 1
        features = np.column_stack([step.astype(np.float64), matrix[order][row]])
        event = durations.observed[order][row] & (step == last[row])
        return cls(features, event, durations.weight[order][row], row)


@dataclass(frozen=True, slots=True, eq=False)
class Forest:
    """Trees as arrays: a leaf has ``left`` 0; otherwise go left where feature <= threshold.

    Attributes
    ----------
    trees : tuple of (feature, threshold, left, right, value)
        One array per field, one entry per node, node 0 the root.
    start : float
        The log odds before any tree.
    """

    trees: tuple[tuple[IntArray, FloatArray, IntArray, IntArray, FloatArray], ...]
    start: float

    @classmethod
    def of(cls, booster: Any) -> Forest:
        """Return the trees of a fitted scikit-learn booster."""
        trees = []
        # scikit-learn offers its histogram trees under these names only; a test holds the
        # numbers to predict_proba, so that a change there cannot pass unseen.
        for (predictor,) in booster._predictors:
            nodes = predictor.nodes
            leaf = nodes["is_leaf"] == 1
            trees.append(
                (
                    nodes["feature_idx"].astype(np.int64),
                    nodes["num_threshold"].astype(np.float64),
                    np.where(leaf, 0, nodes["left"]).astype(np.int64),
                    np.where(leaf, 0, nodes["right"]).astype(np.int64),
                    nodes["value"].astype(np.float64),
                )
            )
        return cls(tuple(trees), float(np.ravel(booster._baseline_prediction)[0]))

    def chance(self, features: FloatArray) -> FloatArray:
        """Return the chance for each row of features, shape (n,)."""
        total = np.full(len(features), self.start)
        columns = np.ascontiguousarray(features.T)
        for feature, threshold, left, right, value in self.trees:
            # from the last node to the first, so that what hangs below a node is known there
            below: list[Any] = value.tolist()
            for node in np.flatnonzero(left)[::-1].tolist():
                goes_left = columns[feature[node]] <= threshold[node]
                below[node] = np.where(goes_left, below[left[node]], below[right[node]])
            total += below[0]
        return np.asarray(1 / (1 + np.exp(-total)))

    def to_list(self) -> list[Any]:
        """Return plain lists."""
        start = None if math.isinf(self.start) else self.start
        return [start, [[part.tolist() for part in tree] for tree in self.trees]]

    @classmethod
    def from_list(cls, stored: Sequence[Any]) -> Forest:
        """Return the forest that :meth:`to_list` wrote."""
        kinds = (np.int64, np.float64, np.int64, np.int64, np.float64)
        trees = [
            tuple(np.array(part, dtype=kind) for part, kind in zip(tree, kinds, strict=True))
            for tree in stored[1]
        ]
        return cls(tuple(trees), math.inf if stored[0] is None else float(stored[0]))  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True, eq=False)
class FittedBoostedHazard:
    """Fitted trees: the plain fit first, then the refits that stand for its uncertainty.

    Attributes
    ----------
    encoding : Encoding
    forests : tuple of Forest
    last : int
        The last step watched; nothing is predicted beyond it.
    notes : FitNotes
    """

    encoding: Encoding
    forests: tuple[Forest, ...]
    last: int
    notes: FitNotes

    def predict(
        self, covariates: pd.DataFrame | Mapping[str, Any], horizon: int
    ) -> CountDistribution:
        """Return each row's distribution over steps 1 to ``horizon``."""
        horizon = check_whole_number(horizon, name="horizon", low=1)
        return CountDistribution(
            self.pmf(self.forests[0], self.encoding.encode(covariates), horizon)
        )

    def predict_draws(
        self, covariates: pd.DataFrame | Mapping[str, Any], horizon: int, *, n_draws: int, seed: int
    ) -> FloatArray:
        """Return pmfs of shape (n_draws, n, horizon): the refits, in an order set by ``seed``."""
        horizon = check_whole_number(horizon, name="horizon", low=1)
        n_draws = check_whole_number(n_draws, name="n_draws", low=1)
        matrix = self.encoding.encode(covariates)
        refits = self.forests[1:] or self.forests
        pmfs = np.stack([self.pmf(forest, matrix, horizon) for forest in refits])
        order = np.random.default_rng(seed).permutation(len(refits))
        return np.asarray(pmfs[np.resize(order, n_draws)])

    def pmf(self, forest: Forest, matrix: FloatArray, horizon: int) -> FloatArray:
        """Return one forest's pmf for encoded rows, shape (n, horizon)."""
        known = min(horizon, self.last)
        steps = np.tile(np.arange(1.0, known + 1), len(matrix))
        features = np.column_stack([steps, np.repeat(matrix, known, axis=0)])
        hazard = np.zeros((len(matrix), horizon))
        hazard[:, :known] = forest.chance(features).reshape(len(matrix), known)
        return CountDistribution.from_hazard(hazard).pmf

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "model": "boosted_hazard",
            "encoding": self.encoding.to_dict(),
            "forests": [forest.to_list() for forest in self.forests],
            "last": self.last,
            "notes": plain(self.notes),
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> FittedBoostedHazard:
        """Return the model that :meth:`to_dict` wrote."""
        return cls(
            Encoding.from_dict(stored["encoding"]),
            tuple(Forest.from_list(forest) for forest in stored["forests"]),
            int(stored["last"]),
            read(FitNotes, stored["notes"]),
        )


def some_subjects(durations: Durations, most: int, *, seed: int) -> Durations:
    """Return the rows of subjects drawn until ``most`` steps at risk are there, or all."""
    long = durations.step - durations.entry
    if long.sum() <= most:
        return durations
    subject = np.unique(durations.subject.astype(str), return_inverse=True)[1]
    steps = np.bincount(subject, long)
    drawn = np.random.default_rng([seed, 7]).permutation(len(steps))
    chosen = np.zeros(len(steps), dtype=bool)
    chosen[drawn[np.cumsum(steps[drawn]) <= most]] = True
    return durations.take(chosen[subject])
