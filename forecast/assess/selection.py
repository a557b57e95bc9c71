"""Score what candidates predict of each subject from all others, and choose the simplest.

A subject is left out whole, so that nothing is scored on what it was fitted to.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray, IntArray
from forecast._checks import check_whole_number
from forecast._jobs import run_units
from forecast.assess.outcomes import Outcomes, by_subject, last_supported
from forecast.assess.scores import brier_terms, log_score, log_score_terms, uno_concordance
from forecast.errors import DataError, FitError, ForecastError, RequestError
from forecast.survival import CountDistribution

if TYPE_CHECKING:
    import pandas as pd

    from forecast.survival import CountModel, Durations


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
            error = _cluster_error(own - lead - behind * length, seen) / float(length.sum())
        row["behind_best"], row["behind_best_error"] = behind, error
        row["within_one_error"] = behind <= error
        row["chosen"] = row["within_one_error"] and not any(before["chosen"] for before in rows)
        rows.append(row)
    columns = ["model", "log_score", "behind_best", "behind_best_error", "crps", "crps_error"]
    columns += ["concordance", "n_paths", "n_events", "within_one_error", "chosen"]
    return pd.DataFrame(rows)[[*columns, "problem"]]


def _score_row(result: LeftOut) -> dict[str, Any]:
    row: dict[str, Any] = {"model": result.name, "problem": result.problem}
    row |= {"n_paths": len(result.outcomes), "n_events": result.outcomes.n_events}
    if result.predicted is None:
        blank = ("log_score", "crps", "crps_error", "concordance")
        return row | dict.fromkeys(blank, float("nan"))
    outcomes = result.outcomes
    horizon = min(result.predicted.horizon, last_supported(outcomes))
    usable = outcomes.entry < horizon
    part, predicted = outcomes.take(usable), result.predicted[usable]
    squared, paths = brier_terms(predicted, part, horizon=horizon)
    each_path: FloatArray = (squared / np.maximum(paths, 1e-12)).sum(axis=1)
    row["log_score"] = log_score(result.predicted, outcomes)
    row["crps"] = float(each_path.sum())
    row["crps_error"] = _cluster_error(each_path - each_path.mean(), part)
    row["concordance"] = float(uno_concordance(predicted, part, horizon=horizon))
    return row


def _cluster_error(parts: FloatArray, outcomes: Outcomes) -> float:
    return float(np.sqrt((by_subject(parts, outcomes.subject) ** 2).sum()))
