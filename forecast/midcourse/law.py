"""The law of the sessions still needed: first passage and landmarks pooled, then recalibrated.

The two are multiplied, each to the power of a weight (a logarithmic pool: Genest and Zidek 1986,
Stat Sci 1:114), so that what either all but rules out is not promised. The weight is what did best
out of fold, at most one half for the landmarks: few of the slowest were seen to clear. What comes
out is put right by session, out of fold too, each course counting once.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast import assess
from forecast._arrays import AnyArray, BoolArray, FloatArray, IntArray
from forecast._checks import LEVEL
from forecast._plain import plain, read
from forecast.assess import Recalibration, carry_draws
from forecast.counts import FEW
from forecast.midcourse.landmarks import (
    DOUBTED,
    SCALED,
    SUPERMODEL,
    features,
    ink_gone,
    landmark_rows,
    mean_gradings,
)
from forecast.survival import CountDistribution, Durations, PassageBridge, model_from_dict

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog
    from forecast.survival import FittedCountModel

FEWEST_CLEARED = 40  # courses with a landmark before it
FEWEST_AT_LANDMARK = 20  # courses behind the last landmark
PULL = 0.002  # of the weight to one half, in squared errors a row: as good as a tie, both count
MOST = 0.5  # weight of the landmark law, which extrapolates among the slowest
SLOWEST = 0.02  # share of courses no quicker, below which hardly any was so slow
LEAST = 1e-6  # chance that a law leaves to what it does not expect
SHRINK = 0.1  # standard deviation of what the pool is put right by: rows of a course are alike
BANDS = ((1, "1-2"), (3, "3-5"), (6, "6-9"), (10, "10+"))  # first session, and name
THIRDS = ("slow", "middle", "quick")
POINTS = (0.1, 0.3, 0.5, 0.7, 0.9)  # of a law, that stand for it
# What a log too small to learn a bridge from starts with: mean and standard deviation of log pace,
# log wander, power, log error variance and log bend, and how many sessions courses took. Judged.
USUAL = ((-0.1, 0.15), (-1.0, 1.0), (1.5, 0.5), (-4.0, 1.5), (0.0, 0.3))
USUAL_LENGTHS = (5.0, 7.0, 9.0, 11.0, 15.0)
# How far it is believed: shares of the law, and the power of the gradings' likelihood in each. The
# part that hardly heeds them keeps the interval wide, and gives way where they are far off.
BELIEFS = ((0.25, 0.1), (0.75, 0.75))
UNSEEN = 0.05  # chance, beyond what so small a log saw, that a course takes longer or never clears
WITHIN = 10  # sessions from a landmark, by which the model card says what came of promises


@dataclass(frozen=True, slots=True, eq=False)
class Midcourse:
    """What the log's gradings say about courses under way.

    Attributes
    ----------
    weight : float
        Of the landmark law in the pool, at most ``MOST``; the rest is first passage.
    scores : mapping of str to float
        Continuous ranked probability score out of fold, in sessions: of the count model given the
        sessions done alone (``count``), ``passage``, ``landmark``, and the law used (``together``).
    held : tuple of mappings
        What came of promises out of fold, by band of sessions and third of the pace: ``sessions``,
        ``pace``, ``n_courses``, ``n_cleared``, ``coverage`` of the 80 % interval with its error,
        and the chances ``said`` and ``seen`` of not clearing ``within`` so many sessions more.
    passage : PassageBridge
        How the log of the ink left falls towards the threshold.
    landmark : FittedCountModel or None
        Of the sessions still needed; None where the bridge is the usual one.
    recalibrations : mapping of band of sessions to Recalibration
        Of the pool.
    paces : tuple of pairs of float
        Fall of log remaining ink per session between thirds of courses, by session from 1 on.
    cleared_at : float
        Percent faded at which the log calls a course cleared.
    steps, n_courses, n_landmarks : int
        Sessions looked ahead; the courses and rows behind it.
    slowest : tuple of float
        The pace that ``SLOWEST`` have not passed, by session.

    Examples
    --------
    >>> forecaster.midcourse.last_landmark, forecaster.midcourse.n_courses
    (12, 127)
    """

    weight: float
    scores: Mapping[str, float]
    held: tuple[Mapping[str, Any], ...]
    passage: PassageBridge
    landmark: FittedCountModel | None
    recalibrations: Mapping[str, Recalibration]
    paces: tuple[tuple[float, float], ...]
    cleared_at: float
    steps: int
    n_courses: int
    n_landmarks: int
    slowest: tuple[float, ...] = ()

    @property
    def last_landmark(self) -> int:
        """The last session from which courses were followed."""
        return len(self.paces)

    def draws(
        self,
        draws: FloatArray,
        expected: float,
        session: int,
        gone: Mapping[int, float],
        *,
        elsewhere: int = 0,
        seed: int = 0,
    ) -> FloatArray:
        """Return pmfs of the sessions still needed under parameter draws, (n_draws, horizon).

        ``draws`` are the same pmfs given the sessions done alone, with which so many are still
        ``expected`` after ``session`` of them here. ``gone`` is the fall of log remaining ink by
        each graded session; that before the first counts for a course begun ``elsewhere``, of
        which first passage speaks alone. Past the last landmark the law is an extrapolation.
        """
        told = {k + elsewhere: fall for k, fall in gone.items() if k + elsewhere > 0}
        seen = session + elsewhere, list(told), np.array(list(told.values()))
        if self.landmark is None:
            given = (1 - UNSEEN) * draws
            parts = (w * self.passage.posterior(given, *seen, belief=b) for w, b in BELIEFS)
            return np.asarray(sum(parts))
        found = self.passage.posterior(draws, *seen)
        if elsewhere:
            return found
        beyond = 1 - float(draws.mean(axis=0).sum())
        at = features(expected, beyond, session, told, self.cleared_at)
        size = {"n_draws": len(draws), "seed": seed}
        landmark = self.landmark.predict_draws(at, draws.shape[1], **size)[:, 0]
        found = pooled(landmark, found, self.weight)
        plain = CountDistribution(found.mean(axis=0, keepdims=True))
        return carry_draws(found[:, None], self.recalibrations[band_of(session)].apply(plain))[:, 0]

    def judge(
        self, log: OutcomeLog, rows: pd.DataFrame, predicted: CountDistribution, *, horizon: int
    ) -> tuple[dict[str, Any], ...]:
        """Return what came of the promises made to courses of a log, as ``held`` has them.

        ``rows`` are courses not fitted to, ``predicted`` what was expected of each at its
        consultation, to ``horizon`` and a few sessions more.
        """
        if log.gradings.empty or self.landmark is None:
            return ()
        marks = landmark_rows(log, rows, predicted, horizon=horizon)
        marks = marks[marks["session"] <= self.last_landmark].reset_index(drop=True)
        found = self._pooled(log, marks, predicted, horizon, self.weight)
        cells = cells_of(marks, self.paces)
        corrected = found.pmf.copy()
        for band, at in cells.groupby("band").indices.items():
            corrected[at] = self.recalibrations[str(band)].apply(found[at]).pmf
        return _held(CountDistribution(corrected), marks, cells)

    def completed(
        self, log: OutcomeLog, rows: pd.DataFrame, predicted: CountDistribution, *, horizon: int
    ) -> tuple[IntArray, IntArray, BoolArray]:
        """Return, of courses that were stopped, where their gradings say they would have cleared.

        Slow courses are stopped sooner than others like them, so that what was not seen of them
        is not what was seen of the rest; their gradings tell. Arguments are as for ``judge``, but
        of courses that were fitted to. Returned are the places in ``rows`` of those that were
        graded, (m,), the sessions at the 10, 30, 50, 70 and 90 % points of their laws, (m, 5), at
        most ``horizon`` more, and whether they clear then; otherwise it takes more.
        """
        ended = rows["stopped"].to_numpy() & (rows["step"] <= self.last_landmark).to_numpy()
        asked = rows.assign(step=np.where(ended, rows["step"] + 1, 1))
        marks = landmark_rows(log, asked, predicted, horizon=horizon)
        last = rows["step"].to_numpy()[marks["row"]]
        marks = marks[marks["session"] == last].reset_index(drop=True)
        found = self._pooled(log, marks, predicted, horizon, 0.5)
        more = np.column_stack([found.quantile(level) for level in POINTS])
        step = marks["session"].to_numpy()[:, None] + np.minimum(more, horizon)
        return marks["row"].to_numpy(), step.astype(np.int64), np.isfinite(more)

    # the two laws at each landmark, the landmark law with a weight
    def _pooled(
        self,
        log: OutcomeLog,
        marks: pd.DataFrame,
        predicted: CountDistribution,
        horizon: int,
        weight: float,
    ) -> CountDistribution:
        if marks.empty or self.landmark is None:
            return CountDistribution(np.zeros((0, horizon)))
        graded = mean_gradings(log)
        _, passed, _ = passage_predictions(marks, graded, predicted, self.passage, horizon)
        landmark = self.landmark.predict(marks[[*SCALED, *DOUBTED]], horizon)
        return CountDistribution(pooled(landmark.pmf, passed.pmf, weight))

    def hardly_any_so_slow(self, session: int, gone: Mapping[int, float]) -> bool:
        """Whether a course is slower than all but the slowest 2 of 100 were after ``session``."""
        last = max(gone)
        at = min(session, len(self.slowest)) - 1
        return bool(self.slowest) and gone[last] / last < self.slowest[at]

    def pace_rank(self, draws: FloatArray, session: int, gone: Mapping[int, float]) -> float:
        """Return which share of running courses like this has faded less by now, 0 to 1.

        ``draws`` as for ``draws``; ``gone`` holds a grading after a session.
        """
        last = max(gone)
        return self.passage.rank(draws.mean(axis=0), session, last, gone[last])

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return dict(plain(self))

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Midcourse:
        """Return what :meth:`to_dict` wrote."""
        landmark = stored["landmark"] and model_from_dict(stored["landmark"])
        by_band = stored["recalibrations"].items()
        maps = {band: Recalibration.from_dict(each) for band, each in by_band}
        rest: dict[str, Any] = {"landmark": landmark, "recalibrations": {}}
        return replace(read(cls, {**stored, **rest}), recalibrations=maps)


def band_of(session: int) -> str:
    """Return the band that a session is in."""
    return [name for first, name in BANDS if session >= first][-1]


def third_of(session: int, pace: float, paces: Sequence[tuple[float, float]]) -> str:
    """Return whether a course is slow, middle or quick for its session.

    ``pace`` is its fall of log remaining ink per session, ``paces`` are those between the thirds,
    by session from 1 on; the last pair stands for later sessions.
    """
    return THIRDS[bisect_right(paces[min(session, len(paces)) - 1], pace)]


def cells_of(marks: pd.DataFrame, paces: Sequence[tuple[float, float]]) -> pd.DataFrame:
    """Return ``band`` and ``third`` of each landmark row."""
    import pandas as pd

    at = zip(marks["session"], marks["gone"] / marks["last"], strict=True)
    cells = [(band_of(done), third_of(done, pace, paces)) for done, pace in at]
    return pd.DataFrame(cells, columns=["band", "third"])


def fit_midcourse(
    log: OutcomeLog,
    rows: pd.DataFrame,
    predicted: CountDistribution,
    *,
    horizon: int,
    seed: int | None,
    near: Midcourse | None = None,
) -> Midcourse | None:
    """Return what a ``log``'s gradings say mid-course, or None when too few courses were graded.

    ``rows`` are its courses, as `course_rows` returns them, ``predicted`` the out-of-fold
    prediction of each; from a landmark it is looked ``horizon`` sessions ahead. Folds are drawn by
    ``seed``; without one both laws are fitted and count alike, and nothing is checked or put right.
    ``near`` is of the same courses predicted otherwise: what rests on their gradings alone is taken
    over.

    Examples
    --------
    >>> from forecast.counts import course_rows
    >>> few, predicted = course_rows(log).head(20), CountDistribution(np.full((20, 25), 0.04))
    >>> fit_midcourse(log, few, predicted, horizon=10, seed=None) is None
    True
    """
    if log.gradings.empty:
        return None
    graded = mean_gradings(log)
    marks = landmark_rows(log, rows, predicted, horizon=horizon, graded=graded)
    if marks.loc[marks["observed"], "course_id"].nunique() < FEWEST_CLEARED:
        return None
    passage = near.passage if near else _fit_passage(_on_the_way(graded, rows), log.cleared_at)
    # what predictions leave for never may have grown since the law near was learnt
    passage = _with_odds(replace(passage, odds=1.0), log, rows, predicted, horizon, graded)
    durations = Durations.from_frame(
        marks, step="left", observed="observed", covariates=[*SCALED, *DOUBTED], subject="client_id"
    )
    landmark = SUPERMODEL.fit(durations, near.landmark if near else None)
    paces = tuple((low, high) for low, high in _paces(marks, (1 / 3, 2 / 3)))
    slowest = tuple(low for (low,) in _paces(marks, (SLOWEST,)))
    sizes = (int(marks["course_id"].nunique()), len(marks))
    last = (paces, float(log.cleared_at), predicted.horizon, *sizes)
    laws = Midcourse(0.5, {}, (), passage, landmark, {}, *last, slowest)
    if seed is None:
        return laws
    by_landmark = CountDistribution(SUPERMODEL.predict_left_out(durations, horizon, n_draws=0))
    alone, by_passage, _ = passage_predictions(marks, graded, predicted, passage, horizon)
    outcomes = _outcomes(marks)
    until = min(assess.last_supported(outcomes), horizon)

    def score(found: CountDistribution) -> float:
        return float(assess.brier(found, outcomes, horizon=until).sum())

    scores = {"count": alone, "passage": by_passage, "landmark": by_landmark}
    scored = {name: score(found) for name, found in scores.items()}

    def both(weight: float) -> CountDistribution:
        return CountDistribution(pooled(by_landmark.pmf, by_passage.pmf, weight))

    weight = min(best_weight(scored["passage"], score(both(0.5)), scored["landmark"]), MOST)
    cells = cells_of(marks, paces)
    together, recalibrations = _put_right(both(weight), outcomes, cells["band"], seed)
    return replace(
        laws,
        weight=weight,
        scores={**scored, "together": score(together)},
        held=_held(together, marks, cells),
        recalibrations=recalibrations,
    )


def usual_midcourse(log: OutcomeLog, rows: pd.DataFrame, *, steps: int) -> Midcourse:
    """Return the law for a log that has too few graded courses to learn one: a usual bridge.

    What graded courses there are among ``rows`` pull it towards what they say; it looks ``steps``
    sessions ahead.

    Examples
    --------
    >>> from forecast.counts import course_rows
    >>> usual_midcourse(log, course_rows(log).head(0), steps=25).landmark is None
    True
    """
    before = _on_the_way(mean_gradings(log), rows)
    if len(before):
        passage = _fit_passage(before, log.cleared_at, prior=USUAL)
        passage = replace(passage, lengths=USUAL_LENGTHS)
    else:
        values = np.array(USUAL)[:, 0]
        passage = PassageBridge.of(values, float(ink_gone(log.cleared_at)), USUAL_LENGTHS)
    return Midcourse(0.0, {}, (), passage, None, {}, (), float(log.cleared_at), steps, 0, 0)


def pooled(one: FloatArray, other: FloatArray, weight: float) -> FloatArray:
    """Return the logarithmic pool of two laws, each (n, horizon), with the ``weight`` of the first.

    What is missing from a law is "later or never", and pooled with the rest.

    Examples
    --------
    >>> pooled(np.array([[0.5, 0.5]]), np.array([[0.0, 0.5]]), 0.5).round(2)
    array([[0., 1.]])
    """
    logs = [
        np.log(np.clip(np.column_stack([law, 1 - law.sum(axis=1)]), 0.0, 1.0) + LEAST)
        for law in (one, other)
    ]
    powers = np.exp(weight * logs[0] + (1 - weight) * logs[1])
    found: FloatArray = powers[:, :-1] / powers.sum(axis=1, keepdims=True)
    return found


# the pool put right by maps that did not see it, and the map of each band
def _put_right(
    both: CountDistribution, outcomes: assess.Outcomes, bands: pd.Series, seed: int
) -> tuple[CountDistribution, dict[str, Recalibration]]:
    corrected, maps = both.pmf.copy(), {band: Recalibration() for _, band in BANDS}
    for band, places in bands.groupby(bands).indices.items():
        at = np.asarray(places, dtype=np.int64)
        of_band = outcomes.take(at)
        _, whose, rows = np.unique(of_band.subject, return_inverse=True, return_counts=True)
        once = replace(of_band, weight=1 / rows[whose])
        found, maps[str(band)] = assess.recalibrate_out_of_fold(
            both[at], once, shrink=SHRINK, seed=seed
        )
        corrected[at] = found.pmf
    return CountDistribution(corrected), maps


def best_weight(none: float, half: float, whole: float) -> float:
    """Return the weight of one of two forecasts whose pool scores best, pulled to one half.

    The squared error is near a parabola in the weight, which three of its values give: without
    the one, with half of each, with it alone.

    Examples
    --------
    >>> round(best_weight(1.0, 0.75, 1.0), 3), round(best_weight(1.0, 0.5, 0.4), 2)
    (0.5, 0.87)
    """
    bend = 2 * (none + whole - 2 * half)
    slope = whole - none - bend
    least = (PULL / 2 - slope / 2) / (bend + PULL) if bend + PULL > 0 else 0.5
    return float(np.clip(least, 0.0, 1.0))


# Quantiles of the pace at each session, from courses at it and one session to each side.
def _paces(marks: pd.DataFrame, levels: tuple[float, ...]) -> list[tuple[float, ...]]:
    session = marks["session"].to_numpy()
    pace = (marks["gone"] / marks["last"]).to_numpy()
    counts = np.bincount(session)[1:]
    enough = np.flatnonzero(counts >= FEWEST_AT_LANDMARK)
    last = int(enough[-1]) + 1 if len(enough) else 1
    near = (pace[np.abs(session - at) <= 1] for at in range(1, last + 1))
    return [tuple(map(float, np.quantile(paces, levels))) for paces in near]


# what came after each landmark
def _outcomes(marks: pd.DataFrame) -> assess.Outcomes:
    subject = marks["client_id"].to_numpy(dtype=object)
    return assess.Outcomes(marks["left"].to_numpy(), marks["observed"].to_numpy(), subject=subject)


# by cell, how the promises of predictions not fitted to these rows have held
def _held(
    found: CountDistribution, marks: pd.DataFrame, cells: pd.DataFrame
) -> tuple[dict[str, Any], ...]:
    held, every = [], _outcomes(marks)
    course = marks["course_id"].factorize()[0]
    places = cells.groupby(["band", "third"]).indices
    for (_, band), third in product(BANDS, THIRDS):
        at = np.asarray(places.get((band, third), ()), dtype=np.int64)
        given, seen = found[at], every.take(at)
        cleared = len(np.unique(course[at][seen.observed]))
        if cleared <= FEW:
            continue
        covered = assess.interval_coverage(given, seen, level=LEVEL)
        step = min(WITHIN, covered.supported_to)
        came = assess.reliability_table(given, seen, steps=(step,), bins=1).iloc[0]
        held.append(
            {
                "sessions": band,
                "pace": third,
                "n_courses": len(np.unique(course[at])),
                "n_cleared": cleared,
                "coverage": covered.tie_split,
                "coverage_error": covered.tie_split_error,
                "within": step,
                "said": 1 - float(came["predicted"]),
                "seen": 1 - float(came["observed"]),
            }
        )
    return tuple(held)


# The bridge of the courses that cleared, from their gradings before that. Its four numbers are of
# all of them: no fold would move them by much.
def _fit_passage(
    before: pd.DataFrame, cleared_at: float, prior: Sequence[tuple[float, float]] = ()
) -> PassageBridge:
    passage = before.groupby("course_id", sort=False)["step"].first().to_numpy()
    threshold = float(ink_gone(cleared_at))
    courses = before["course_id"].unique()
    return PassageBridge.fit(*_padded(before, courses), passage, threshold=threshold, prior=prior)


# sessions graded and fall of log remaining ink, a row for each of ``courses``, padded with NaN
def _padded(graded: pd.DataFrame, courses: AnyArray) -> tuple[FloatArray, FloatArray]:
    import pandas as pd

    course = pd.Index(courses).get_indexer(pd.Index(graded["course_id"]))
    place = graded.groupby("course_id").cumcount()
    steps = np.full((len(courses), int(place.max()) + 1), np.nan)
    levels = steps.copy()
    steps[course, place] = graded["after_session"]
    levels[course, place] = graded["gone"]
    return steps, levels


# the gradings of courses that cleared, before they did
def _on_the_way(graded: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    ended = rows[rows["observed"] & (rows["entry"] == 0)][["course_id", "step"]]
    before = graded.merge(ended, on="course_id")
    return before[before["after_session"] < before["step"]]


# the bridge with the odds of never passing that courses give it, each by its last gradings
def _with_odds(
    passage: PassageBridge,
    log: OutcomeLog,
    rows: pd.DataFrame,
    predicted: CountDistribution,
    horizon: int,
    graded: pd.DataFrame,
) -> PassageBridge:
    last = rows.assign(step=rows["step"] + ~rows["observed"])
    marks = landmark_rows(log, last, predicted, horizon=horizon, graded=graded)
    marks = marks.groupby("course_id", sort=False).tail(1).reset_index(drop=True)
    stays = passage_predictions(marks, graded, predicted, passage, horizon)[2]
    until = np.minimum(marks["session"].to_numpy() + horizon, predicted.horizon) - 1
    before = predicted.survival()[marks["row"].to_numpy(), until] / 2
    return passage.with_odds(before, np.where(marks["observed"], 0.0, stays))


def passage_predictions(
    marks: pd.DataFrame,
    graded: pd.DataFrame,
    predicted: CountDistribution,
    passage: PassageBridge,
    horizon: int,
) -> tuple[CountDistribution, CountDistribution, FloatArray]:
    """Return predictions at each landmark without, and with, the gradings up to it.

    And the chance of never clearing that goes with the second.
    """
    session = marks["session"].to_numpy(dtype=np.int64)
    row = marks["row"].to_numpy(dtype=np.int64)
    left = np.hstack([np.ones((len(predicted), 1)), predicted.survival()])
    padded = np.hstack([predicted.pmf, np.zeros((len(predicted), horizon))])
    ahead = session[:, None] + np.arange(horizon)
    alone = padded[row[:, None], ahead]
    # where next to nothing is left, its parts add up to a rounding error more
    alone /= np.maximum(left[row, session], np.maximum(alone.sum(axis=1), 1e-9))[:, None]
    path, each = marks["course_id"].factorize()
    courses = np.asarray(each)
    levels = _padded(graded[graded["course_id"].isin(courses)], courses)
    upto = (levels[0][path] <= session[:, None]).sum(axis=1)
    found, stays = passage.posteriors(alone, session, path, upto, levels)
    return CountDistribution(alone), CountDistribution(found), stays
