"""How good predictions were, with a verdict for each group; and whether the world has moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast._arrays import BoolArray, FloatArray, cluster_counts, shares
from forecast._checks import LEVEL, MARGIN, SHOWN_AT, YEAR, counted
from forecast._notes import Note
from forecast.assess.calibration import (
    BARELY_HELD,
    SHRINK,
    Groups,
    Judged,
    Recalibration,
    fit_map,
    labels_of,
    path_loss,
)
from forecast.assess.outcomes import Outcomes, by_subject, last_supported, wilson_interval
from forecast.assess.reliability import (
    Coverage,
    a_calibration,
    calibrations,
    d_calibration,
    expected_events,
    interval_coverage,
    observed_to_expected,
    reliability_table,
)
from forecast.assess.scores import auc_at, brier, grouped_folds, log_score_terms, uno_concordance
from forecast.errors import DataError, RequestError
from forecast.survival import CountDistribution

if TYPE_CHECKING:
    import pandas as pd

FEWEST_TO_WATCH = 5


@dataclass(frozen=True, slots=True)
class Drift:
    """How outcomes differ from predictions, without any pull towards no difference.

    Attributes
    ----------
    shift, shift_error : float
        The log ratio of cumulative hazards, observed to predicted: above 0 events come earlier.
    power, power_error : float
        The calibration slope in time: below 1 outcomes vary more than predicted.
    statistic, p_value : float
        The joint Wald test of "shift 0 and power 1", two degrees of freedom, robust to several
        paths of one subject.
    n_events : int
        Events behind it.

    Examples
    --------
    >>> even = CountDistribution.from_hazard([[0.5] * 4] * 40)
    >>> seen = Outcomes([1, 2, 3, 4] * 10, [True, True, False, True] * 10)
    >>> found = Drift.of(even, seen)
    >>> round(found.shift, 2), round(found.p_value, 3)  # later than predicted, and surely
    (-0.9, 0.001)
    """

    shift: float
    shift_error: float
    power: float
    power_error: float
    statistic: float
    p_value: float
    n_events: int

    @classmethod
    def of(cls, distribution: CountDistribution, outcomes: Outcomes) -> Drift:
        """Return the drift of later outcomes against the predictions made for them.

        The unpenalised maximum likelihood of the recalibration map (one shift, one power), censored
        paths as they are. Raises DataError if there are fewer than five events.
        """
        if outcomes.n_events < FEWEST_TO_WATCH:
            raise DataError(
                f"{counted(outcomes.n_events, 'event')} seen.",
                f"Wait for at least {FEWEST_TO_WATCH} before asking for drift.",
            )
        judged, weight = Judged.of(distribution, outcomes), outcomes.weight
        found = fit_map(judged, np.full(2, BARELY_HELD))
        power = float(np.exp(found[1]))
        _, first, second = path_loss(judged, float(found[0]), power)
        bread = np.linalg.inv(second @ weight)
        moved = np.column_stack([by_subject(slope * weight, outcomes.subject) for slope in first])
        covariance = bread @ (moved.T @ moved) @ bread
        statistic = float(found @ np.linalg.solve(covariance, found))
        error = np.sqrt(np.diag(covariance))
        return cls(
            shift=float(found[0]),
            shift_error=float(error[0]),
            power=power,
            power_error=power * float(error[1]),
            statistic=statistic,
            p_value=float(np.exp(-statistic / 2)),  # chi-square tail with two degrees of freedom
            n_events=outcomes.n_events,
        )


FEWEST_EVENTS = 20
TOLERANCE = 0.10
FALSE_ALARMS = 0.05  # over all groups together


@dataclass(frozen=True, slots=True, eq=False)
class Assessment:
    """How predictions for paths not fitted to have turned out.

    Attributes
    ----------
    scores : DataFrame
        ``metric``, ``step`` (missing where it is not of one step), ``value``, ``standard_error``
        (by resampling subjects). Metrics are ``log_score`` per watched step, ``crps``,
        ``concordance``, ``observed_to_expected``, ``d_calibration_p``, ``a_calibration_p``; and at
        each step ``brier``, ``auc``, ``calibration_slope``, ``calibration_intercept``, ``ici``,
        ``e50``, ``e90``.
    reliability : DataFrame
        As from `reliability_table`.
    coverage : Coverage
        That of the interval, in every form.
    subgroups : DataFrame
        ``factor``, ``label``, ``n_paths``, ``n_events``, ``coverage`` (randomised ends),
        ``coverage_low``, ``coverage_high`` (95 %), ``observed_to_expected`` with its error, and
        ``verdict``: holds, cannot say, or fails, which chance alone makes of any of them in at most
        5 of 100 assessments.
    horizon : int
        The last step scored.
    n_paths, n_subjects, n_events : int
        What it rests on.
    messages : tuple of Note
        Doubts about the assessment itself.

    Examples
    --------
    >>> even = CountDistribution.from_hazard([[0.5] * 4] * 40)
    >>> seen = Outcomes([1, 2, 3, 4] * 10, [True, True, False, True] * 10)
    >>> found = assess_predictions(even, seen, replicates=0)
    >>> found.horizon, found.n_events, round(found.coverage.tie_split, 2)
    (4, 30, 0.65)
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
    predicted: CountDistribution,
    outcomes: Outcomes,
    *,
    groups: Groups | None = None,
    shrink: float = SHRINK,
    n_folds: int = 10,
    seed: int = 0,
) -> tuple[CountDistribution, Recalibration]:
    """Return ``predicted``, each row recalibrated by a map that did not see it, and the map of all.

    Maps are fitted to the ``outcomes`` of all but one of ``n_folds`` folds, drawn by ``seed``. The
    corrected prediction is for scoring; the map, fitted to every path, is for use. ``groups`` and
    ``shrink`` as in `Judged`.

    Examples
    --------
    >>> even = CountDistribution.from_hazard([[0.5] * 4] * 40)
    >>> seen = Outcomes([1, 2, 3, 4] * 10, [True, True, False, True] * 10)
    >>> round(recalibrate_out_of_fold(even, seen)[1].shift, 2)  # events come later than predicted
    -0.71
    """
    judged = Judged.of(predicted, outcomes, groups)
    whole = judged.recalibration(shrink)
    folds = grouped_folds(outcomes.subject, events=outcomes.observed, n_folds=n_folds, seed=seed)
    pmf = np.array(predicted.pmf)
    for fold in np.unique(folds):
        test = folds == fold
        others = judged.take(~test).recalibration(shrink)
        pmf[test] = others.apply(predicted[test], groups=_rows(groups, test)).pmf
    return CountDistribution(pmf), whole


def _rows(groups: Groups | None, rows: BoolArray) -> Groups:
    return {name: np.asarray(of, dtype=object)[rows] for name, of in (groups or {}).items()}


def assess_predictions(
    predicted: CountDistribution,
    outcomes: Outcomes,
    *,
    level: float = LEVEL,
    steps: Sequence[int] = SHOWN_AT,
    groups: Groups | None = None,
    replicates: int = 60,
    seed: int = 0,
) -> Assessment:
    """Return the assessment of out-of-fold (or later, prospective) predictions.

    ``predicted`` has a row for each path, ``outcomes`` what was seen of it. ``level`` is that of
    the intervals judged, ``steps`` where chances are judged: those without five paths watched are
    left out and named. The labels of ``groups``, factor by factor (n,), are judged one by one.
    Behind standard errors are ``replicates`` resamples of subjects, 0 leaves them out; ties are
    split by ``seed``. Raises RequestError if no predictions are given.

    Examples
    --------
    >>> even = CountDistribution.from_hazard([[0.5] * 4] * 40)
    >>> seen = Outcomes([1, 2, 3, 4] * 10, [True, True, False, True] * 10)
    >>> scores = assess_predictions(even, seen, replicates=0).scores.set_index("metric")
    >>> scores["value"].round(2).to_dict()["observed_to_expected"]
    0.6
    """
    if not len(predicted) or not len(outcomes):
        raise RequestError("No predictions were given.", "Give those of at least one path.")
    horizon = min(predicted.horizon, last_supported(outcomes))
    usable = outcomes.entry < horizon
    seen, kept = outcomes.take(usable), predicted[usable]
    judged = tuple(step for step in steps if step <= horizon)
    messages, n_late = [], int((~usable).sum())
    if any(step > horizon for step in steps):
        messages.append(Note("assess.not_judged_beyond", "caution", {"step": horizon}))
    if n_late:
        values = {"paths": n_late, "step": horizon}
        messages.append(Note("assess.entered_late", "caution", values))
    if seen.n_events < FEWEST_EVENTS:
        messages.append(Note("assess.few_events", "caution", {"events": seen.n_events}))
    return Assessment(
        scores=_measure_all(
            kept, seen, steps=judged, horizon=horizon, replicates=replicates, seed=seed
        ),
        reliability=reliability_table(kept, seen, steps=judged),
        coverage=interval_coverage(kept, seen, level=level),
        subgroups=_subgroups(kept, seen, _rows(groups, usable), level),
        horizon=horizon,
        n_paths=len(seen),
        n_subjects=len(set(seen.subject)),
        n_events=seen.n_events,
        messages=tuple(messages),
    )


def _subgroups(
    predicted: CountDistribution, seen: Outcomes, groups: Groups, level: float
) -> pd.DataFrame:
    import pandas as pd

    columns = ["factor", "label", "n_paths", "n_events", "coverage", "coverage_low"]
    columns += ["coverage_high", "observed_to_expected", "observed_to_expected_error"]
    rows, found, ratios = [], [], []
    for factor, values in groups.items():
        labels = np.array(labels_of(factor, values, len(seen)))
        for label in np.unique(labels):
            inside = labels == label
            part, own = predicted[inside], seen.take(inside)
            found.append(interval_coverage(part, own, level=level))
            ratios.append(observed_to_expected(part, own))
            held = (found[-1].tie_split, *_coverage_range(found[-1]), *ratios[-1])
            rows.append((factor, str(label), len(own), own.n_events, *held))
    return pd.DataFrame(rows, columns=columns).assign(verdict=verdicts(found, ratios))


def _measure_all(
    predicted: CountDistribution,
    seen: Outcomes,
    *,
    steps: Sequence[int],
    horizon: int,
    replicates: int,
    seed: int,
) -> pd.DataFrame:
    import pandas as pd

    _, owner = np.unique(seen.subject.astype(str), return_inverse=True)
    again = cluster_counts(int(owner.max()) + 1, replicates, seed=seed)[:, owner]
    weights = np.vstack([seen.weight, seen.weight * again])
    # where no chance of being watched comes in, a measure is a ratio of two sums over paths
    upto, expected = expected_events(predicted, seen)
    terms = (log_score_terms(predicted, seen), upto.step - upto.entry, upto.observed, expected)
    columns = np.column_stack(terms)
    lost, watched, came, foretold = (weights @ columns).T
    scores = brier(predicted, seen, horizon=horizon, weight=weights)
    areas = auc_at(predicted, seen, steps, weight=weights)
    found: dict[tuple[str, int | None], FloatArray] = {
        ("log_score", None): lost / watched,
        ("crps", None): scores.sum(axis=1),
        ("concordance", None): uno_concordance(predicted, seen, horizon=horizon, weight=weights),
        ("observed_to_expected", None): np.where(foretold, shares(came, foretold), np.nan),
    }
    calibrated = calibrations(predicted, seen, steps, weights=weights)
    for place, step in enumerate(steps):
        found["brier", step], found["auc", step] = scores[:, step - 1], areas[:, place]
        found |= {(name, step): values[place] for name, values in calibrated.items()}
    rows: list[tuple[str, int | None, float, float]] = []
    for (metric, of_step), values in found.items():
        drawn = values[1:][np.isfinite(values[1:])]
        error = float(drawn.std(ddof=1)) if len(drawn) > 1 else np.nan
        rows.append((metric, of_step, float(values[0]), error))
    for name, test in (("d", d_calibration), ("a", a_calibration)):
        chance = test(predicted, seen, seed=seed).p_value
        rows.append((f"{name}_calibration_p", None, chance, np.nan))
    names = ["metric", "step", "value", "standard_error"]
    return pd.DataFrame(rows, columns=names).astype({"step": "Int64"})


def _coverage_range(found: Coverage) -> tuple[float, float]:
    """Return the 95 % Wilson interval of the randomised coverage, at its effective size."""
    share = found.tie_split
    if not np.isfinite(share):
        return 0.0, 1.0
    return wilson_interval(min(max(share, 0.0), 1.0), _effective_paths(found))


def _effective_paths(found: Coverage) -> float:
    """Return how many independent paths the coverage rests on, one subject's paths being alike."""
    share = min(max(found.tie_split, 0.0), 1.0)
    if found.tie_split_error > 0 and 0 < share < 1:
        return min(found.n_effective * 1.5, share * (1 - share) / found.tie_split_error**2)
    return found.n_effective


def verdicts(found: Sequence[Coverage], ratios: Sequence[tuple[float, float]]) -> list[str]:
    """Return "holds", "cannot say" or "fails" for each group, by coverage and (ratio, error).

    *Fails*: coverage is below the level by more than 0.03, or events differ from the expected
    number by more than a fifth, and chance alone would make one or more such findings among all
    groups given in at most 5 of 100 assessments (Holm over two tests for each group). *Holds*: the
    coverage interval lies above the level less 0.10, the ratio of events to expected lies within
    2/3 and 3/2 with 95 % confidence, and neither would fail by itself. Otherwise, and with under 20
    events: *cannot say*.
    """
    judged = [
        place
        for place, (one, pair) in enumerate(zip(found, ratios, strict=True))
        if one.n_events >= FEWEST_EVENTS and np.isfinite([*pair, one.tie_split]).all()
    ]
    answers = ["cannot say"] * len(found)
    plain = np.array([_chances(found[place], *ratios[place]) for place in judged])
    together = _holm(plain.ravel()).reshape(plain.shape)
    for place, alone, adjusted in zip(judged, plain, together, strict=True):
        one, (ratio, error) = found[place], ratios[place]
        large = np.array([one.tie_split < one.level - MARGIN, not 1 / 1.2 <= ratio <= 1.2])
        sure = _coverage_range(one)[0] > one.level - TOLERANCE
        sure &= ratio - 1.96 * error > 2 / 3 and ratio + 1.96 * error < 1.5
        if (large & (adjusted <= FALSE_ALARMS)).any():
            answers[place] = "fails"
        elif sure and not (large & (alone <= FALSE_ALARMS)).any():
            answers[place] = "holds"
    return answers


def _holm(chances: FloatArray) -> FloatArray:
    """Return the chances of findings among so many (Holm 1979, Scand J Stat 6:65)."""
    order = np.argsort(chances, kind="stable")
    adjusted = np.empty(len(chances))
    times = np.arange(len(chances), 0, -1)
    adjusted[order] = np.minimum(np.maximum.accumulate(chances[order] * times), 1.0)
    return adjusted


def _chances(found: Coverage, ratio: float, error: float) -> tuple[float, float]:
    """Return the chances of so low a coverage, and of so unusual a ratio, if the promise holds."""
    normal, size = NormalDist(), _effective_paths(found)
    spread = np.sqrt(found.level * (1 - found.level) / max(size, 1e-12))
    short = normal.cdf(float((found.tie_split - found.level) / spread))
    return short, 2 * normal.cdf(-abs(ratio - 1) / error)


YEARS = 5.0  # in which it may cry wolf once
FEWEST_EXPECTED = 10.0  # events, for anything to be watched
LEAST_HAZARD = 1e-6


# Events watched from month to month: a cumulative sum of log-likelihood ratios of a slowdown
# against none, held at zero from below (Page 1954, Biometrika 41:100; with predicted hazards:
# Biswas & Kalbfleisch 2008, Stat Med 27:3382). Its threshold is where it would cry wolf once in so
# many years (Siegmund 1985, Sequential Analysis, 2.51, without the overshoot, which steps upwards
# hardly have).
@dataclass(frozen=True, slots=True, eq=False)
class Watch:
    """What was seen against what was expected, by month.

    Attributes
    ----------
    table : DataFrame
        ``month, seen, expected, score``: events, their number by the predictions, and the sum at
        the end of the month.
    threshold : float
        Of the score, beyond which a slowdown is signalled.
    ratio : float
        Of the hazards under that slowdown, below 1.
    signal : str or None
        The first month at whose end it was signalled.

    Examples
    --------
    >>> days = np.datetime64("2026-01-15") + np.arange(400)
    >>> watch(days, np.full(400, 0.1), np.arange(400) % 10 == 0, ratio=0.7).signal is None
    True
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
    by_month = steps.assign(gain=gain).groupby("month").sum().asfreq("MS", fill_value=0.0)
    total = by_month["gain"].to_numpy().cumsum()
    score = total - np.minimum.accumulate(np.minimum(total, 0.0))  # held at zero from below
    years = max(float((day.max() - day.min()).astype(int)) / YEAR, 1 / 12)
    threshold = threshold_for(YEARS * float(expected.sum()) / years, ratio)
    beyond = np.flatnonzero(score > threshold)
    names = [f"{month:%Y-%m}" for month in by_month.index]
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
