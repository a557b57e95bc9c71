"""Fit candidates on folds, score what they predicted for the rest, and choose the simplest.

Folds keep a subject whole, so that nothing is scored on what it was fitted to. It is a race:
who lies far behind after some folds leaves, and is neither fitted nor imported again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number
from forecast._jobs import run_units
from forecast._types import BoolArray, FloatArray, IntArray
from forecast.assess.outcomes import Outcomes, by_subject, last_supported
from forecast.assess.scores import brier_terms, log_score_terms, uno_concordance
from forecast.errors import DataError, FitError, ForecastError, RequestError
from forecast.survival import CountDistribution

if TYPE_CHECKING:
    import pandas as pd

    from forecast.survival import CountModel, Durations, FittedCountModel


def grouped_folds(
    subject: npt.ArrayLike,
    *,
    events: npt.ArrayLike | None = None,
    n_folds: int = 10,
    repeats: int = 2,
    seed: int = 0,
    leave_one_out_below: int = 100,
) -> IntArray:
    """Return the fold of each row in each repeat, shape (repeats, n); rows of a subject together.

    Folds differ by at most one subject. With fewer than ``leave_one_out_below`` subjects each
    subject is its own fold, once: repeating would change nothing. Subjects with ``events``, 1 where
    the row has one, are spread evenly over the ``n_folds`` of each of the ``repeats``. The same
    ``seed`` gives the same folds, whatever the order of the rows. Raises DataError if there are
    fewer than two subjects.
    """
    n_folds = check_whole_number(n_folds, name="n_folds", low=2)
    repeats = check_whole_number(repeats, name="repeats", low=1)
    labels = np.array(subject, dtype=object)
    distinct = sorted(set(labels), key=str)
    if len(distinct) < 2:
        raise DataError(
            f"There is {len(distinct)} subject.", "Folds need at least two: collect more data."
        )
    position = {label: place for place, label in enumerate(distinct)}
    owner = np.array([position[label] for label in labels], dtype=np.int64)
    if len(distinct) < leave_one_out_below:
        return owner[None, :]
    happened = np.zeros(len(labels)) if events is None else np.asarray(events, dtype=np.float64)
    n_events = np.bincount(owner, weights=happened, minlength=len(distinct))
    rng = np.random.default_rng(seed)
    folds = np.empty((repeats, len(labels)), dtype=np.int64)
    for repeat in range(repeats):
        shuffled = rng.permutation(len(distinct))
        dealt = shuffled[np.argsort(-n_events[shuffled], kind="stable")]
        fold_of = np.empty(len(distinct), dtype=np.int64)
        fold_of[dealt] = np.arange(len(distinct)) % n_folds
        folds[repeat] = fold_of[owner]
    return folds


LEAVES = 3.0  # paired errors behind the best
LOOKS = (1, 2, 4, 8)  # folds after which it is asked who leaves; then once each path was scored
FEWEST_SUBJECTS = 40  # scored, before anyone leaves: an error from fewer is itself uncertain


@dataclass(frozen=True, slots=True, eq=False)
class OutOfFold:
    """What one candidate, ``name``, predicted for paths it was not fitted to.

    ``predicted`` has a distribution for each repeat, one row per path; it is empty if the candidate
    failed, for the reason in ``problem``. Of one that left the race after ``left_after`` folds (0:
    it did not) there is a single one, of the paths scored until then. ``outcomes`` is what was seen
    of those paths, ``rows`` their rows among the durations, to look up covariates.
    """

    name: str
    predicted: tuple[CountDistribution, ...]
    outcomes: Outcomes
    rows: IntArray
    problem: str = ""
    left_after: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class _Unit:
    model: CountModel
    near: FittedCountModel | None
    train: Durations
    test: Durations
    horizon: int
    n_draws: int
    seed: int


def _predict_unit(unit: _Unit) -> tuple[FloatArray, FittedCountModel] | str:
    """Return the pmf of the test rows and the fit behind it, or why there is none."""
    try:
        fitted = unit.model.fit(unit.train, unit.near)
        if unit.n_draws:
            draws = fitted.predict_draws(
                unit.test.covariates, unit.horizon, n_draws=unit.n_draws, seed=unit.seed
            )
            return CountDistribution.mixture(draws).pmf, fitted
        return fitted.predict(unit.test.covariates, unit.horizon).pmf, fitted
    except ForecastError as error:
        return str(error)


def predict_out_of_fold(
    candidates: Sequence[CountModel],
    durations: Durations,
    *,
    horizon: int,
    n_folds: int = 10,
    repeats: int = 2,
    n_draws: int = 0,
    seed: int = 0,
    leave_one_out_below: int = 100,
    leaves: float = LEAVES,
    like: IntArray | None = None,
    workers: int | None = None,
) -> tuple[OutOfFold, ...]:
    """Return each candidate's predictions for the paths left out, over repeated folds by subject.

    ``candidates`` have different names, ``durations`` one row per path. ``horizon`` is the last
    step predicted: paths that enter only then are fitted to but not scored. ``n_folds``,
    ``repeats``, ``leave_one_out_below`` and ``seed`` are as in `grouped_folds`, ``workers`` as in
    ``run_units``. The prediction is the average over ``n_draws`` parameter draws; 0 predicts at the
    estimate. Candidates ``leaves`` paired errors behind the best go no further; half as many once
    each path was scored. Rows of one number in ``like``, (n,), have the same covariates and
    subject: they are predicted together. Raises RequestError if two candidates have one name, or
    there is none.

    A candidate that fails on a fold is reported with its problem, not dropped; a level that is in
    the rows of one fold only is no reason to fail, see `Encoding.encode`. From the second fold on a
    fit starts where that to the first ended.
    """
    names = [model.name for model in candidates]
    if not names or len(set(names)) < len(names):
        raise RequestError(
            f"The candidates are called {names}.", "Give at least one, each its own name."
        )
    horizon = check_whole_number(horizon, name="horizon", low=1)
    folds = grouped_folds(
        durations.subject,
        events=durations.observed,
        n_folds=n_folds,
        repeats=repeats,
        seed=seed,
        leave_one_out_below=leave_one_out_below,
    )
    tests = [np.flatnonzero(fold == number) for fold in folds for number in np.unique(fold)]
    first = len(tests) // len(folds)
    racing = [
        _Racing(model, np.zeros((len(folds), len(durations), horizon))) for model in candidates
    ]
    every, done = np.arange(len(durations)), 0
    same = every if like is None else like
    for until in sorted({*(look for look in LOOKS if look < first), first, len(tests)}):
        running = [one for one in racing if not one.problem and not one.left_after]
        alike = [
            np.unique(same[test], return_index=True, return_inverse=True)[1:]
            for test in tests[done:until]
        ]
        splits = [
            (durations.take(np.delete(every, test)), durations.take(test[distinct]))
            for test, (distinct, _) in zip(tests[done:until], alike, strict=True)
        ]
        units = [
            _Unit(one.model, one.fitted, *split, horizon, n_draws, seed)
            for one in running
            for split in splits
        ]
        results = iter(run_units(_predict_unit, units, workers=workers, label="folds"))
        for one in running:
            for place in range(done, until):
                one.take(next(results), place // first, tests[place], alike[place - done][1])
        done = until
        if done <= first:
            scored = np.isin(every, np.concatenate(tests[:done]))
            # once each path was scored, other folds move a difference by little of its error
            _leave(running, durations, scored, done, leaves / 2 if done == first else leaves)
    return tuple(one.result(durations) for one in racing)


@dataclass(slots=True, eq=False)
class _Racing:
    """A candidate on its way through the folds."""

    model: CountModel
    pmf: FloatArray  # (repeats, rows, horizon)
    fitted: FittedCountModel | None = None
    problem: str = ""
    left_after: int = 0
    scored: BoolArray | None = None  # rows; None: all of them

    def take(
        self,
        found: tuple[FloatArray, FittedCountModel] | str,
        repeat: int,
        test: IntArray,
        which: IntArray,
    ) -> None:
        if isinstance(found, str):
            self.problem = self.problem or found
            return
        self.pmf[repeat, test] = found[0][which]
        self.fitted = self.fitted or found[1]

    def result(self, durations: Durations) -> OutOfFold:
        """Return what was predicted of the rows scored so far."""
        rows, pmf = np.arange(len(durations)), self.pmf
        if self.scored is not None:
            rows, pmf = np.flatnonzero(self.scored), self.pmf[:1, self.scored]
        durations = durations.take(rows)
        outcomes = Outcomes.from_durations(durations)
        if self.problem:
            return OutOfFold(self.model.name, (), outcomes, rows, self.problem)
        keep = outcomes.entry < pmf.shape[2]
        told = (CountDistribution(each)[keep] for each in pmf)
        return OutOfFold(
            self.model.name,
            tuple(told),
            outcomes.take(keep),
            rows[keep],
            left_after=self.left_after,
        )


def _leave(
    running: Sequence[_Racing], durations: Durations, scored: BoolArray, done: int, leaves: float
) -> None:
    """Let those go that lie ``leaves`` paired errors behind the best on the rows scored."""
    fit = [one for one in running if not one.problem]
    if len(fit) < 2 or len(set(durations.subject[scored].tolist())) < FEWEST_SUBJECTS:
        return
    for one in fit:
        one.scored = scored
    results = [one.result(durations) for one in fit]
    totals = [total for total in map(_path_totals, results) if total is not None]
    best = min(totals, key=lambda total: float(total.sum()))
    for one, total, result in zip(fit, totals, results, strict=True):
        behind, error = _behind(total, best, result.outcomes)
        if behind > leaves * error:
            one.left_after = done
        else:
            one.scored = None


def score_candidates(results: Sequence[OutOfFold]) -> pd.DataFrame:
    """Return one row per candidate with its scores, their standard errors and which is chosen.

    Columns ``model``; ``log_score`` per watched step; ``behind_best`` and ``behind_best_error``,
    the difference from the best log score and the standard error of that difference, paired by
    subject; ``crps`` (integrated Brier score) with its error; ``concordance``;
    ``within_one_error``; ``chosen``; ``left_after`` how many folds it left the race (0: not);
    ``problem``. Averages over repeats. Of one that left, the difference is that on the paths it was
    scored on, the log score the best one's and that difference, the rest missing. Raises FitError
    if no candidate could be fitted on every fold.

    "Within one standard error" uses the error of the *difference* between two candidates scored on
    the same subjects. The error of a single score is mostly the subjects' own variation, common to
    all candidates, and would let the simplest model through whatever it costs.
    """
    import pandas as pd

    rows = [_score_row(result) for result in results]
    scores = np.array([row["log_score"] for row in rows])
    if not np.isfinite(scores).any():
        raise FitError(
            f"No candidate could be fitted on every fold: {results[0].problem}",
            "Use fewer covariates, or collect more events.",
        )
    best = int(np.nanargmin(scores))
    leader, lead = results[best], _path_totals(results[best])
    assert lead is not None
    for row, result in zip(rows, results, strict=True):
        behind, error, total = math.inf, 0.0, _path_totals(result)
        if total is not None:
            shared = np.searchsorted(leader.rows, result.rows)
            behind, error = _behind(total, lead[shared], result.outcomes)
        row["behind_best"], row["behind_best_error"] = behind, error
        row["within_one_error"] = bool(behind <= error) and not result.left_after
        if result.left_after:
            row["log_score"] = scores[best] + behind
    chosen = next(place for place, row in enumerate(rows) if row["within_one_error"])
    for place, row in enumerate(rows):
        row["chosen"] = place == chosen
    columns = ["model", "log_score", "behind_best", "behind_best_error", "crps", "crps_error"]
    columns += ["concordance", "n_paths", "n_events", "within_one_error", "chosen", "left_after"]
    return pd.DataFrame(rows)[[*columns, "problem"]]


def choose(scores: pd.DataFrame) -> str:
    """Return the simplest model within one standard error of the best.

    Candidates are given from the simplest to the most complex, and so are the rows of
    :func:`score_candidates`.
    """
    return str(scores.loc[scores["chosen"], "model"].iloc[0])


def _path_totals(result: OutOfFold) -> FloatArray | None:
    if result.problem:
        return None
    terms = [log_score_terms(each, result.outcomes) for each in result.predicted]
    return np.asarray(np.mean(terms, axis=0) * result.outcomes.weight)


def _score_row(result: OutOfFold) -> dict[str, Any]:
    row: dict[str, Any] = {"model": result.name, "problem": result.problem}
    row |= {"n_paths": len(result.outcomes), "n_events": result.outcomes.n_events}
    row["left_after"] = result.left_after
    if result.problem or result.left_after:
        blank = ("log_score", "crps", "crps_error", "concordance")
        return row | dict.fromkeys(blank, float("nan"))
    outcomes = result.outcomes
    horizon = min(result.predicted[0].horizon, last_supported(outcomes))
    usable = outcomes.entry < horizon
    part = outcomes.take(usable)
    terms, order = [], []
    for each in result.predicted:
        squared, paths = brier_terms(each[usable], part, horizon=horizon)
        terms.append((squared / np.maximum(paths, 1e-12)).sum(axis=1))
        order.append(uno_concordance(each[usable], part, horizon=horizon))
    each_path: FloatArray = np.mean(terms, axis=0)
    totals = _path_totals(result)
    assert totals is not None
    whole = outcomes.up_to(result.predicted[0].horizon)
    row["log_score"] = float(totals.sum()) / float(whole.weight @ (whole.step - whole.entry))
    row["crps"] = float(each_path.sum())
    row["crps_error"] = _cluster_error(each_path - each_path.mean(), part)
    row["concordance"] = float(np.mean(order))
    return row


def _behind(total: FloatArray, best: FloatArray, outcomes: Outcomes) -> tuple[float, float]:
    length = (outcomes.step - outcomes.entry) * outcomes.weight
    difference = total - best
    rate = float(difference.sum() / length.sum())
    error = _cluster_error(difference - rate * length, outcomes) / float(length.sum())
    return rate, error


def _cluster_error(parts: FloatArray, outcomes: Outcomes) -> float:
    return float(np.sqrt((by_subject(parts, outcomes.subject) ** 2).sum()))
