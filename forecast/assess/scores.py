"""Score predicted counts under censoring, each subject left out whole, and choose the simplest.

Of log score, Brier and ranked probability score small is good, and the truth scores best; of
concordance and area under the curve, which judge the order alone, large is good.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray, IntArray, shares
from forecast._checks import check_whole_number
from forecast._jobs import run_units
from forecast.assess.outcomes import (
    Outcomes,
    error_by_subject,
    known_status,
    last_supported,
    still_watched,
)
from forecast.errors import DataError, FitError, ForecastError, RequestError
from forecast.survival import CountDistribution

if TYPE_CHECKING:
    import pandas as pd

    from forecast.survival import CountModel, Durations

FLOOR = 1e-6
TIE = 1e-9  # difference of predictions that are as good as equal


def log_score_terms(distribution: CountDistribution, outcomes: Outcomes) -> FloatArray:
    """Return minus the log likelihood of each path, shape (n,), unweighted.

    Each watched step adds minus the log of the chance of what happened there, given no event
    before; chances count as at least 1e-6, so that one surprise does not decide everything.
    """
    outcomes.check_matches(distribution)
    seen = outcomes.up_to(distribution.horizon)
    hazard = np.clip(distribution.hazard(), FLOOR, 1 - FLOOR)
    passed, _ = seen.leaving(distribution.horizon)
    lost = -(np.log1p(-hazard) * passed).sum(axis=1)
    at_event = np.log(hazard[np.arange(len(seen)), seen.step - 1])
    return np.asarray(np.where(seen.observed, lost - at_event, lost))


def log_score(distribution: CountDistribution, outcomes: Outcomes) -> float:
    """Return the log score of ``outcomes`` per watched step up to the horizon, in nats.

    Examples
    --------
    >>> half = CountDistribution.from_hazard([[0.5, 0.5]])
    >>> round(log_score(half, Outcomes([2], [True])), 4)
    0.6931
    """
    seen = outcomes.up_to(distribution.horizon)
    terms = log_score_terms(distribution, outcomes)
    return float(seen.weight @ terms / (seen.weight @ (seen.step - seen.entry)))


def brier(
    distribution: CountDistribution,
    outcomes: Outcomes,
    *,
    horizon: int | None = None,
    weight: FloatArray | None = None,
) -> FloatArray:
    """Return the Brier score of "event by step k" for k = 1 to ``horizon``, shape (..., horizon).

    ``distribution`` has a row for each path. Weighted for censoring (Graf et al. 1999, Stat Med
    18:2529) with the chance of being watched *just before* the event. The sum over steps is the
    continuous ranked probability score of the count, with all steps beyond ``horizon`` as one
    class. Take a horizon up to which some paths are watched:
    :func:`~forecast.assess.outcomes.last_supported`. ``weight``, (..., n), stands in for that of
    the outcomes.

    Examples
    --------
    >>> half = CountDistribution.from_hazard([[0.5, 0.5]])
    >>> brier(half, Outcomes([1], [True])).tolist()
    [0.25, 0.0625]
    """
    horizon = check_horizon(distribution, horizon)
    status = known_status(outcomes, horizon, weight)
    missed = (outcomes.conditioned(distribution).cdf()[:, :horizon] - status.happened) ** 2
    sums = [status.weight_at(step + 1) @ missed[:, step] for step in range(horizon)]
    return shares(np.stack(sums, axis=-1), status.paths)


def uno_concordance(
    distribution: CountDistribution,
    outcomes: Outcomes,
    *,
    horizon: int | None = None,
    weight: FloatArray | None = None,
) -> FloatArray:
    """Return the chance that of two paths the one predicted to be earlier has the event first.

    Uno et al. (2011, Stat Med 30:1105), over events up to ``horizon`` only: without that limit a
    few late events decide the number. A pair counts when one's event was seen at a step at which
    the other was at risk and which the other got through. ``nan`` when no pair can be compared.
    """
    horizon = check_horizon(distribution, horizon)
    outcomes.check_matches(distribution)
    each = outcomes.weight if weight is None else weight
    step, observed = outcomes.step, outcomes.observed
    agreement = _pairs(distribution.mean_capped(horizon))
    watched = still_watched(outcomes, horizon=horizon, weight=each)
    agreed, total = np.zeros((2, *each.shape[:-1]))
    for now in np.unique(step[observed & (step <= horizon)]):
        case = observed & (step == now)
        other = ((step > now) | (step == now) & ~observed) & (outcomes.entry < now)
        found = agreement(each * case, each * other)
        worth = shares(1.0, watched[..., now - 1] ** 2)
        agreed, total = agreed + worth * found[0], total + worth * found[1]
    return _part(agreed, total)


def auc_at(
    distribution: CountDistribution,
    outcomes: Outcomes,
    steps: Sequence[int],
    *,
    weight: FloatArray | None = None,
) -> FloatArray:
    """Return the cumulative/dynamic area under the curve at each of ``steps``, (..., steps).

    The chance that a path with the event by step k was given a higher chance of it than a path
    without (Uno et al. 2007, JASA 102:527; Hung & Chiang 2010), ``nan`` where one side is empty.
    """
    horizon = max([check_horizon(distribution, step) for step in steps], default=1)
    status = known_status(outcomes, horizon, weight)
    by_step = outcomes.conditioned(distribution).cdf()
    areas = np.empty((*status.each.shape[:-1], len(steps)))
    for place, step in enumerate(steps):
        happened, worth = status.happened[:, step - 1], status.weight_at(step)
        agreement = _pairs(-by_step[:, step - 1])
        areas[..., place] = _part(*agreement(worth * happened, worth * ~happened))
    return areas


def _part(agreed: FloatArray, total: FloatArray) -> FloatArray:
    return np.where(total > 0, shares(agreed, total), np.nan)


def _pairs(placed: FloatArray) -> Callable[..., tuple[FloatArray, FloatArray]]:
    """Return what weighs the pairs whose first is ``placed`` below, ties by half, and all pairs."""
    # sorted once instead of compared pair by pair: 20,000 paths are no burden
    order = np.argsort(placed, kind="stable")
    before = np.searchsorted(placed[order], placed - TIE, side="left")
    until = np.searchsorted(placed[order], placed + TIE, side="right")

    def agreement(first: FloatArray, then: FloatArray) -> tuple[FloatArray, FloatArray]:
        below = np.zeros((*then.shape[:-1], then.shape[-1] + 1))
        np.cumsum(then[..., order], axis=-1, out=below[..., 1:])
        above = below[..., -1:] - (below[..., before] + below[..., until]) / 2
        return (first * above).sum(axis=-1), first.sum(axis=-1) * below[..., -1]

    return agreement


def check_horizon(distribution: CountDistribution, horizon: int | None) -> int:
    """Return the horizon to score up to, or raise RequestError if it is not predicted."""
    if horizon is None:
        return distribution.horizon
    horizon = check_whole_number(horizon, name="horizon", low=1)
    if horizon > distribution.horizon:
        raise RequestError(
            f"horizon is {horizon}, the distribution ends at {distribution.horizon}.",
            "Predict further or score a shorter horizon.",
        )
    return horizon


def grouped_folds(
    subject: npt.ArrayLike, *, events: npt.ArrayLike | None = None, n_folds: int = 10, seed: int = 0
) -> IntArray:
    """Return the fold of each row, shape (n,), rows of a subject together.

    Folds differ by at most one subject. Subjects with ``events``, 1 where the row has one, are
    spread evenly over the ``n_folds``. The same ``seed`` gives the same folds, whatever the order
    of the rows. Raises DataError if there are fewer than two subjects.

    Examples
    --------
    >>> grouped_folds(["a", "a", "b", "c"], n_folds=2).tolist()
    [1, 1, 0, 0]
    """
    n_folds = check_whole_number(n_folds, name="n_folds", low=2)
    labels = np.array(subject, dtype=object)
    distinct = sorted(set(labels), key=str)
    check_two(len(distinct))
    position = {label: place for place, label in enumerate(distinct)}
    owner = np.array([position[label] for label in labels], dtype=np.int64)
    happened = np.zeros(len(labels)) if events is None else np.asarray(events, dtype=np.float64)
    n_events = np.bincount(owner, weights=happened, minlength=len(distinct))
    shuffled = np.random.default_rng(seed).permutation(len(distinct))
    dealt = shuffled[np.argsort(-n_events[shuffled], kind="stable")]
    fold_of = np.empty(len(distinct), dtype=np.int64)
    fold_of[dealt] = np.arange(len(distinct)) % n_folds
    return np.asarray(fold_of[owner])


def check_two(subjects: int) -> None:
    """Raise DataError unless somebody is left when a subject is left out."""
    if subjects < 2:
        raise DataError(
            f"There is {subjects} subject.",
            "To leave one out needs at least two: collect more data.",
        )


@dataclass(frozen=True, slots=True, eq=False)
class LeftOut:
    """What one candidate predicted for paths whose subjects it was not fitted to.

    Attributes
    ----------
    name : str
        Of the candidate.
    predicted : CountDistribution or None
        One row per path; None if the candidate failed.
    outcomes : Outcomes
        What was seen of those n paths.
    rows : ndarray of shape (n,)
        Their rows among the durations, to look up covariates.
    problem : str
        Why the candidate failed; empty if it did not.

    Examples
    --------
    >>> LeftOut("none", None, Outcomes([2], [True]), np.array([0]), "No event was seen.").problem
    'No event was seen.'
    """

    name: str
    predicted: CountDistribution | None
    outcomes: Outcomes
    rows: IntArray
    problem: str = ""


# the pmf of each row without its subject, or why there is none
def _predicted(
    durations: Durations, horizon: int, n_draws: int, model: CountModel
) -> FloatArray | str:
    try:
        return model.predict_left_out(durations, horizon, n_draws=n_draws)
    except ForecastError as error:
        return str(error)


def predict_left_out(
    candidates: Sequence[CountModel],
    durations: Durations,
    *,
    horizon: int,
    n_draws: int = 0,
    workers: int | None = None,
) -> tuple[LeftOut, ...]:
    """Return what each candidate says of each path when fitted to all other subjects.

    ``candidates`` have different names, ``durations`` one row per path. ``horizon`` is the last
    step predicted: paths that enter only then are fitted to but not scored. The prediction is the
    average over ``n_draws`` parameter draws; 0 predicts at the estimate. ``workers`` as in
    ``run_units``. A candidate that cannot be fitted is reported with its problem, not dropped.
    Raises RequestError if two candidates have one name, or there is none, and DataError if there
    are fewer than two subjects.

    Examples
    --------
    >>> import pandas as pd
    >>> from forecast.survival import Durations, LifeTable
    >>> frame = pd.DataFrame({"step": [1, 2, 2], "observed": True})
    >>> paths = Durations.from_frame(frame, step="step", observed="observed")
    >>> predict_left_out([LifeTable()], paths, horizon=2)[0].predicted.pmf.tolist()
    [[0.0, 1.0], [0.5, 0.5], [0.5, 0.5]]
    """
    names = [model.name for model in candidates]
    if not names or len(set(names)) < len(names):
        raise RequestError(
            f"The candidates are called {names}.", "Give at least one, each its own name."
        )
    horizon = check_whole_number(horizon, name="horizon", low=1)
    check_two(len(set(durations.subject.tolist())))
    work = partial(_predicted, durations, horizon, n_draws)
    found = run_units(work, candidates, workers=workers, label="candidates")
    rows = np.flatnonzero(durations.entry < horizon)
    outcomes = Outcomes.from_durations(durations.take(rows))
    return tuple(
        LeftOut(name, None, outcomes, rows, pmf)
        if isinstance(pmf, str)
        else LeftOut(name, CountDistribution(pmf[rows]), outcomes, rows)
        for name, pmf in zip(names, found, strict=True)
    )


def score_candidates(results: Sequence[LeftOut]) -> pd.DataFrame:
    """Return one row per candidate with its scores, their standard errors and which is chosen.

    Columns ``model``; ``log_score`` per watched step; ``behind_best`` and ``behind_best_error``,
    the difference from the best log score and the standard error of that difference, paired by
    subject; ``crps`` (integrated Brier score) with its error; ``concordance``;
    ``within_one_error``; ``chosen``; ``problem``. Raises FitError if no candidate could be fitted.

    "Within one standard error" uses the error of the *difference* between two candidates scored on
    the same subjects. The error of a single score is mostly the subjects' own variation, common to
    all candidates, and would let the simplest model through whatever it costs. Candidates are given
    from the simplest to the most complex; of those within an error the first is chosen.

    Examples
    --------
    >>> seen, rows = Outcomes([1, 2] * 20, [True] * 40), np.arange(40)
    >>> laws = {"early": [[0.9, 0.1]] * 40, "even": [[0.5, 0.5]] * 40}
    >>> both = [LeftOut(name, CountDistribution(pmf), seen, rows) for name, pmf in laws.items()]
    >>> score_candidates(both).set_index("model")["chosen"].to_dict()
    {'early': False, 'even': True}
    """
    import pandas as pd

    terms = [
        None
        if one.predicted is None
        else log_score_terms(one.predicted, one.outcomes) * one.outcomes.weight
        for one in results
    ]
    totals = [math.inf if each is None else float(each.sum()) for each in terms]
    lead = terms[int(np.argmin(totals))]
    if lead is None:
        raise FitError(
            f"No candidate could be fitted: {results[0].problem}",
            "Use fewer covariates, or collect more events.",
        )
    rows: list[dict[str, Any]] = []
    for result, own in zip(results, terms, strict=True):
        row = _score_row(result)
        behind, error = math.inf, 0.0
        if own is not None:
            seen = result.outcomes
            length = (seen.step - seen.entry) * seen.weight
            behind = float((own - lead).sum() / length.sum())
            error = error_by_subject(own - lead - behind * length, seen.subject)
            error /= float(length.sum())
        row["behind_best"], row["behind_best_error"] = behind, error
        row["within_one_error"] = behind <= error
        row["chosen"] = row["within_one_error"] and not any(before["chosen"] for before in rows)
        rows.append(row)
    columns = ["model", "log_score", "behind_best", "behind_best_error", "crps", "crps_error"]
    columns += ["concordance", "n_paths", "n_events", "within_one_error", "chosen"]
    return pd.DataFrame(rows)[[*columns, "problem"]]


def _score_row(result: LeftOut) -> dict[str, Any]:
    outcomes = result.outcomes
    row: dict[str, Any] = {"model": result.name, "problem": result.problem}
    row |= {"n_paths": len(outcomes), "n_events": outcomes.n_events}
    if result.predicted is None:
        blank = ("log_score", "crps", "crps_error", "concordance")
        return row | dict.fromkeys(blank, float("nan"))
    horizon = min(result.predicted.horizon, last_supported(outcomes))
    usable = outcomes.entry < horizon
    part, predicted = outcomes.take(usable), result.predicted[usable]
    status = known_status(part, horizon)
    weight = np.column_stack([status.weight_at(step) for step in range(1, horizon + 1)])
    missed = (part.conditioned(predicted).cdf()[:, :horizon] - status.happened) ** 2
    each_path: FloatArray = (weight * missed / np.maximum(status.paths, 1e-12)).sum(axis=1)
    return row | {
        "log_score": log_score(result.predicted, outcomes),
        "crps": float(each_path.sum()),
        "crps_error": error_by_subject(each_path - each_path.mean(), part.subject),
        "concordance": float(uno_concordance(predicted, part, horizon=horizon)),
    }
