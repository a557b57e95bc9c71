"""Everything that is promised about out-of-fold predictions, measured with its error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._checks import LEVEL, SHOWN_AT
from forecast._notes import Note
from forecast.assess.calibration import Groups, Recalibration, fit_recalibration, labels_of
from forecast.assess.coverage import Coverage, interval_coverage
from forecast.assess.dropout import last_supported, still_watched
from forecast.assess.folds import grouped_folds
from forecast.assess.measures import measure_all
from forecast.assess.outcomes import Outcomes
from forecast.assess.reliability import observed_to_expected, reliability_table
from forecast.assess.verdicts import coverage_range, verdicts
from forecast.errors import RequestError
from forecast.survival.distribution import CountDistribution

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Assessment", "assess_predictions", "recalibrate_out_of_fold"]

FloatArray = npt.NDArray[np.float64]
FEWEST_EVENTS = 20


@dataclass(frozen=True, slots=True, eq=False)
class Assessment:
    """How predictions for paths not fitted to have turned out.

    Attributes
    ----------
    scores : DataFrame
        ``metric``, ``step`` (missing where it is not of one step), ``value``,
        ``standard_error`` (by resampling subjects).
    reliability : DataFrame
        As from :func:`~forecast.assess.reliability.reliability_table`, of the first repeat.
    coverage : Coverage
        Of the ``level`` interval, every form.
    subgroups : DataFrame
        ``factor``, ``label``, ``n_paths``, ``n_events``, ``coverage`` (randomised ends),
        ``coverage_low``, ``coverage_high`` (95 %), ``observed_to_expected`` with its error, and
        ``verdict``: holds, cannot say, or fails, which chance alone makes of any of them in at
        most 5 of 100 assessments.
    horizon : int
        The last step scored.
    n_paths, n_subjects, n_events : int
        What it rests on.
    messages : tuple of Note
        Doubts about the assessment itself.
    """

    scores: pd.DataFrame
    reliability: pd.DataFrame
    coverage: Coverage
    subgroups: pd.DataFrame
    horizon: int
    n_paths: int
    n_subjects: int
    n_events: int
    messages: tuple[Note, ...] = ()


def recalibrate_out_of_fold(
    predicted: Sequence[CountDistribution],
    outcomes: Outcomes,
    *,
    groups: Groups | None = None,
    n_folds: int = 10,
    seed: int = 0,
) -> tuple[tuple[CountDistribution, ...], Recalibration]:
    """Return predictions each recalibrated by a map that did not see it, and the map of all.

    The corrected predictions are for scoring; the map, fitted to every path, is for use.
    """
    whole = fit_recalibration(predicted, outcomes, groups=groups)
    folds = grouped_folds(
        outcomes.subject,
        events=outcomes.observed,
        n_folds=n_folds,
        repeats=1,
        seed=seed,
        leave_one_out_below=min(n_folds, len(set(outcomes.subject))),
    )[0]
    pmfs = [np.array(each.pmf) for each in predicted]
    for fold in np.unique(folds):
        test = folds == fold
        rest = [each[~test] for each in predicted]
        found = fit_recalibration(rest, outcomes.take(~test), groups=_rows(groups, ~test))
        for pmf, each in zip(pmfs, predicted, strict=True):
            pmf[test] = found.apply(each[test], groups=_rows(groups, test)).pmf
    return tuple(CountDistribution(pmf) for pmf in pmfs), whole


def _rows(groups: Groups | None, rows: npt.NDArray[np.bool_]) -> Groups | None:
    if groups is None:
        return None
    return {name: np.asarray(values, dtype=object)[rows] for name, values in groups.items()}


def assess_predictions(
    predicted: Sequence[CountDistribution],
    outcomes: Outcomes,
    *,
    level: float = LEVEL,
    steps: Sequence[int] = SHOWN_AT,
    groups: Groups | None = None,
    reference: Sequence[CountDistribution] = (),
    drop_out_group: npt.ArrayLike | None = None,
    replicates: int = 60,
    seed: int = 0,
) -> Assessment:
    """Return the assessment of out-of-fold (or later, prospective) predictions.

    Parameters
    ----------
    predicted : sequence of CountDistribution
        One for each repeat of the folds; their scores are averaged.
    outcomes : Outcomes
        What was seen of the same paths.
    level : float
        Of the intervals judged.
    steps : sequence of int
        Where chances are judged; those without five paths watched are left out and named.
    groups : mapping of str to array of shape (n,), optional
        Factors whose labels are judged one by one.
    reference : sequence of CountDistribution
        Predictions of the same paths to compare with, such as the life table's: adds ``skill``,
        one less the ratio of the two ranked probability scores.
    drop_out_group : array of shape (n,), optional
        Labels between which dropping out differs: each gets its own chance of being watched.
    replicates : int
        Resamples of subjects behind the standard errors; 0 leaves them out.
    """
    horizon, usable = _judged_paths(predicted, outcomes)
    seen = outcomes.take(usable)
    kept = [each[usable] for each in predicted]
    by = None if drop_out_group is None else np.asarray(drop_out_group)[usable]
    judged = tuple(step for step in steps if step <= horizon)
    watched = still_watched(seen, horizon=horizon, group=by)
    return Assessment(
        scores=measure_all(
            kept,
            seen,
            steps=judged,
            horizon=horizon,
            reference=[each[usable] for each in reference],
            drop_out_group=by,
            replicates=replicates,
            seed=seed,
        ),
        reliability=reliability_table(kept[0], seen, steps=judged),
        coverage=mean_coverage(
            [interval_coverage(each, seen, level=level, watched=watched) for each in kept]
        ),
        subgroups=_subgroups(kept, seen, _rows(groups, usable) or {}, level),
        horizon=horizon,
        n_paths=len(seen),
        n_subjects=len(set(seen.subject)),
        n_events=seen.n_events,
        messages=_doubts(seen, steps, horizon, int((~usable).sum())),
    )


def _judged_paths(
    predicted: Sequence[CountDistribution], outcomes: Outcomes
) -> tuple[int, npt.NDArray[np.bool_]]:
    """Return the last step with five paths watched, and which paths entered before it."""
    if not predicted or not len(outcomes):
        raise RequestError(
            "No predictions were given.", "Give one set for each repeat, of at least one path."
        )
    horizon = min(predicted[0].horizon, last_supported(outcomes))
    return horizon, outcomes.entry < horizon


def _doubts(seen: Outcomes, steps: Sequence[int], horizon: int, n_late: int) -> tuple[Note, ...]:
    messages = []
    beyond = [step for step in steps if step > horizon]
    if beyond:
        messages.append(Note("assess.not_judged_beyond", "caution", {"step": horizon}))
    if n_late:
        values = {"paths": n_late, "step": horizon}
        messages.append(Note("assess.entered_late", "caution", values))
    if seen.n_events < FEWEST_EVENTS:
        messages.append(Note("assess.few_events", "caution", {"events": seen.n_events}))
    return tuple(messages)


def mean_coverage(parts: Sequence[Coverage]) -> Coverage:
    """Return the average over repeats, field by field."""
    values: dict[str, Any] = asdict(parts[0])
    for name, value in values.items():
        if isinstance(value, float):
            values[name] = float(np.mean([getattr(part, name) for part in parts]))
    return Coverage(**values)


def _subgroups(
    repeats: list[CountDistribution], seen: Outcomes, groups: Groups, level: float
) -> pd.DataFrame:
    import pandas as pd

    columns = ["factor", "label", "n_paths", "n_events", "coverage", "coverage_low"]
    columns += ["coverage_high", "observed_to_expected", "observed_to_expected_error", "verdict"]
    rows, found = [], []
    for factor, values in groups.items():
        labels = np.array(labels_of(factor, values, len(seen)))
        for label in np.unique(labels):
            inside = labels == label
            part, own = [each[inside] for each in repeats], seen.take(inside)
            found.append(
                mean_coverage([interval_coverage(each, own, level=level) for each in part])
            )
            row = _one_group(found[-1], part, own)
            rows.append({"factor": factor, "label": str(label)} | row)
    ratios = [(row["observed_to_expected"], row["observed_to_expected_error"]) for row in rows]
    for row, verdict in zip(rows, verdicts(found, ratios), strict=True):
        row["verdict"] = verdict
    return pd.DataFrame(rows, columns=columns)


def _one_group(found: Coverage, repeats: list[CountDistribution], seen: Outcomes) -> dict[str, Any]:
    low, high = coverage_range(found)
    ratio, error = np.mean([observed_to_expected(each, seen) for each in repeats], axis=0)
    return {
        "n_paths": len(seen),
        "n_events": seen.n_events,
        "coverage": found.tie_split,
        "coverage_low": low,
        "coverage_high": high,
        "observed_to_expected": float(ratio),
        "observed_to_expected_error": float(error),
    }
