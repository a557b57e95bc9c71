"""Two laws of the sessions still needed, landmarks and first passage, and which of them is kept.

A row is a course at a session that it went past; the covariates say how much ink was gone by
then, how fast, and what was expected without gradings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._types import FloatArray
from forecast.assess import (
    Outcomes,
    Recalibration,
    brier,
    carry_draws,
    crps_gap,
    grouped_folds,
    last_supported,
    recalibrate_out_of_fold,
)
from forecast.survival import (
    AcceleratedTime,
    CountDistribution,
    Durations,
    PassageBridge,
    model_from_dict,
)

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog
    from forecast.survival import FittedCountModel

LAST_LANDMARK = 15
LOOK_BACK = 2  # sessions over which the recent pace is taken
SLOWEST = 0.02  # fall of log remaining ink per session taken as "not at all"
CEILING = 97.0  # percent faded beyond which a grading says no more than "nearly all"
SCALED = (
    "expected",
    "ink_to_go",
    "pace",
    "recent_pace",
    "sessions_since_grading",
    "log_session",
    "log_session_squared",
    "log_session_pace",
    "log_session_ink",
)
# The sessions still needed are about those that the ink to go takes at the pace so far, pulled
# towards what was expected without gradings; wide, since the log itself says most of it.
LANDMARK_PRIOR: dict[str, tuple[float, float]] = {
    **dict.fromkeys(SCALED, (0.0, 1.0)),
    "expected": (0.4, 0.5),
    "ink_to_go": (0.6, 0.5),
    "pace": (-0.4, 0.5),
    "recent_pace": (-0.2, 0.5),
    "location": (0.0, 2.0),
    "log_scale": (-0.8, 0.5),
}


def ink_gone(fading_pct: npt.ArrayLike) -> FloatArray:
    """Return the fall of log remaining ink, from percent faded; capped where nearly all is gone."""
    faded = np.minimum(np.asarray(fading_pct, dtype=np.float64), CEILING)
    return np.asarray(-np.log1p(-faded / 100), dtype=np.float64)


def mean_gradings(log: OutcomeLog) -> pd.DataFrame:
    """Return the fall of log remaining ink by course and session, several gradings averaged."""
    graded = log.graded.assign(gone=ink_gone(log.graded["fading_pct"]))
    graded = graded[graded["after_session"] > 0]
    return graded.groupby(["course_id", "after_session"])["gone"].mean().reset_index()


def landmark_rows(
    log: OutcomeLog, rows: pd.DataFrame, predicted: CountDistribution
) -> pd.DataFrame:
    """Return one row per course and session it went past with a grading by then.

    Parameters
    ----------
    log : OutcomeLog
        For its gradings.
    rows : DataFrame
        The courses, as `course_rows` returns them; courses begun elsewhere are left out, since
        their gradings do not start from the untreated tattoo.
    predicted : CountDistribution
        Out-of-fold prediction of each course.
    """
    import pandas as pd

    graded = mean_gradings(log)
    known = rows.reset_index(drop=True).assign(row=np.arange(len(rows)))
    known = known[(known["entry"] == 0) & known["course_id"].isin(graded["course_id"])]
    last_landmark = np.minimum(known["step"].to_numpy() - 1, min(LAST_LANDMARK, predicted.horizon))
    marks = known.loc[known.index.repeat(last_landmark)].copy()
    marks["session"] = marks.groupby("course_id").cumcount() + 1
    graded = graded.rename(columns={"after_session": "last"})
    marks = _latest(marks, graded, "session", "")
    marks = marks[marks["last"].notna()]
    marks["until"] = marks["last"].astype(np.int64) - LOOK_BACK
    marks = _latest(marks, graded, "until", "_before")
    expected = _expected_remaining(predicted)[marks["row"], marks["session"] - 1]
    found = _landmark_features(
        expected,
        marks["session"].to_numpy(dtype=np.float64),
        marks["last"].to_numpy(dtype=np.float64),
        marks["gone"].to_numpy(),
        marks["last_before"].fillna(0).to_numpy(dtype=np.float64),
        marks["gone_before"].fillna(0.0).to_numpy(),
        log.cleared_at,
    )
    kept = marks[["course_id", "client_id", "row", "session", "observed"]].reset_index(drop=True)
    left = (marks["step"] - marks["session"]).to_numpy()
    return pd.concat([kept.assign(left=left), pd.DataFrame(found)], axis=1)


# marks with the last grading of the course not after the session ``on``
def _latest(marks: pd.DataFrame, graded: pd.DataFrame, on: str, suffix: str) -> pd.DataFrame:
    import pandas as pd

    right = graded.rename(columns={"last": f"last{suffix}", "gone": f"gone{suffix}"})
    right = right.assign(at=right[f"last{suffix}"]).sort_values("at")
    left = marks.assign(at=marks[on]).sort_values("at", kind="stable")
    both = pd.merge_asof(left, right, on="at", by="course_id")
    return both.drop(columns="at").sort_values(["row", "session"]).reset_index(drop=True)


# the remaining steps to be expected given none by each step, counting to the horizon
def _expected_remaining(predicted: CountDistribution) -> FloatArray:
    survival = predicted.survival()
    after = np.cumsum(survival[:, ::-1], axis=1)[:, ::-1]
    return np.asarray(1 + (after - survival) / np.maximum(survival, 1e-6), dtype=np.float64)


# ``gone`` was graded after session ``last``
def _landmark_features(
    expected: FloatArray,
    session: FloatArray,
    last: FloatArray,
    gone: FloatArray,
    before: FloatArray,
    gone_before: FloatArray,
    cleared_at: float,
) -> dict[str, FloatArray]:
    to_go = np.log(np.maximum(ink_gone(cleared_at) - gone, 0.05))
    pace = np.log(np.maximum(gone / last, SLOWEST))
    recent = np.log(np.maximum((gone - gone_before) / np.maximum(last - before, 1), SLOWEST))
    log_session = np.log(session)
    return {
        "expected": np.log(expected),
        "ink_to_go": to_go,
        "pace": pace,
        "recent_pace": recent,
        "sessions_since_grading": session - last,
        "log_session": log_session,
        "log_session_squared": log_session**2,
        "log_session_pace": log_session * pace,
        "log_session_ink": log_session * to_go,
    }


def features(
    expected: float, session: int, gone: Mapping[int, float], cleared_at: float
) -> dict[str, FloatArray]:
    """Return the model's covariates for one course at one landmark.

    Parameters
    ----------
    expected : float
        Sessions still expected by the count model.
    session : int
        Sessions done.
    gone : mapping of int to float
        Fall of log remaining ink by each graded session, see `ink_gone`; not empty.
    cleared_at : float
        Percent faded at which the log calls a course cleared.
    """
    last = max(k for k in gone if k <= session)
    before = max((k for k in gone if k <= last - LOOK_BACK), default=0)
    one = np.array([1.0])
    return _landmark_features(
        expected * one,
        session * one,
        last * one,
        gone[last] * one,
        before * one,
        gone.get(before, 0.0) * one,
        cleared_at,
    )


@dataclass(frozen=True, slots=True, eq=False)
class LandmarkModel:
    """The supermodel, fitted.

    Attributes
    ----------
    model : FittedCountModel
        Of the sessions still needed after a landmark.
    recalibration : Recalibration
        Learnt out of fold, by landmark band.
    """

    model: FittedCountModel
    recalibration: Recalibration

    def draws(
        self,
        found: Mapping[str, FloatArray],
        session: int,
        *,
        horizon: int,
        n_draws: int,
        seed: int,
    ) -> tuple[FloatArray, CountDistribution]:
        """Return pmfs of the sessions still needed under parameter draws, and the recalibrated one.

        Parameters
        ----------
        found : mapping of str to ndarray
            Covariates of one course at one landmark, see `features`.
        session : int
            Sessions done.
        """
        pmfs = self.model.predict_draws(found, horizon, n_draws=n_draws, seed=seed)[:, 0]
        band = {"band": [_band_of(session)]}
        plain = CountDistribution(pmfs.mean(axis=0, keepdims=True))
        return pmfs, self.recalibration.apply(plain, groups=band)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {"model": self.model.to_dict(), "recalibration": self.recalibration.to_dict()}

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> LandmarkModel:
        """Return what :meth:`to_dict` wrote."""
        model = model_from_dict(stored["model"])
        return cls(model, Recalibration.from_dict(stored["recalibration"]))


def fit_landmarks(
    marks: pd.DataFrame, *, horizon: int, seed: int
) -> tuple[LandmarkModel, CountDistribution]:
    """Return the supermodel and its out-of-fold predictions, one per row of ``marks``.

    Parameters
    ----------
    marks : DataFrame
        As `landmark_rows` returns them.
    """
    durations = Durations.from_frame(
        marks, step="left", observed="observed", covariates=list(SCALED), subject="client_id"
    )
    spec = AcceleratedTime("lognormal", prior=LANDMARK_PRIOR)
    pmf = np.empty((len(durations), horizon))
    folds = grouped_folds(durations.subject, events=durations.observed, repeats=1, seed=seed)[0]
    for fold in np.unique(folds):
        fitted = spec.fit(durations.take(folds != fold))
        pmf[folds == fold] = fitted.predict(durations.covariates[folds == fold], horizon).pmf
    outcomes = Outcomes(durations.step, durations.observed, subject=durations.subject)
    bands = {"band": np.array([_band_of(s) for s in marks["session"]], dtype=object)}
    # scored under maps that did not see the row, so that the choice does not lean this way
    corrected, recalibration = recalibrate_out_of_fold(
        [CountDistribution(pmf)], outcomes, groups=bands, seed=seed
    )
    return LandmarkModel(spec.fit(durations), recalibration), corrected[0]


# in which promises are checked
def _band_of(session: float) -> str:
    return "1-2" if session <= 2 else "3-5" if session <= 5 else "6+"


FEWEST_CLEARED = 40  # courses with a landmark before it
PASSAGE, LANDMARK = "passage", "landmark"


@dataclass(frozen=True, slots=True, eq=False)
class Midcourse:
    """What the log's gradings say about courses under way.

    Attributes
    ----------
    chosen : str
        ``passage``, or ``landmark`` where it is better out of fold by more than one standard
        error of the difference, paired by client.
    scores : mapping of str to float
        Continuous ranked probability score of each out of fold, and of the count model given the
        sessions done alone (``count``), in sessions.
    passage : PassageBridge
        How the log of the ink left falls towards the threshold.
    landmark : LandmarkModel or None
        Where it was chosen.
    cleared_at : float
        Percent faded at which the log calls a course cleared.
    steps : int
        How far the count model looked ahead for the expected sessions.
    n_courses, n_landmarks : int
        Behind the model.
    """

    chosen: str
    scores: Mapping[str, float]
    passage: PassageBridge
    landmark: LandmarkModel | None
    cleared_at: float
    steps: int
    n_courses: int
    n_landmarks: int

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

        Parameters
        ----------
        draws : ndarray of shape (n_draws, horizon)
            The same pmfs given the sessions done alone.
        expected : float
            Sessions still expected then.
        session : int
            Sessions done here.
        gone : mapping of int to float
            Fall of log remaining ink by each graded session here, see `landmarks.ink_gone`. That
            before the first session counts for a course begun elsewhere.
        elsewhere : int
            Sessions had elsewhere before.
        """
        told = {k: fall for k, fall in gone.items() if k + elsewhere > 0}
        after = {k: fall for k, fall in gone.items() if k > 0}
        if self.landmark is None or elsewhere:
            steps = [k + elsewhere for k in told]
            return self.passage.posterior(draws, session + elsewhere, steps, list(told.values()))
        found = features(expected, session, after, self.cleared_at)
        size = {"horizon": draws.shape[1], "n_draws": len(draws)}
        return carry_draws(*self.landmark.draws(found, session, **size, seed=seed))

    def pace_rank(self, draws: FloatArray, session: int, gone: Mapping[int, float]) -> float:
        """Return which share of running courses like this has faded less by now, 0 to 1.

        ``draws`` as for ``draws``; ``gone`` holds a grading after a session.
        """
        last = max(gone)
        return self.passage.rank(draws.mean(axis=0), session, last, gone[last])

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        own = {name: getattr(self, name) for name in Midcourse.__slots__}
        landmark = self.landmark and self.landmark.to_dict()
        return own | {
            "scores": dict(self.scores),
            "passage": self.passage.to_dict(),
            "landmark": landmark,
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Midcourse:
        """Return what :meth:`to_dict` wrote."""
        passage = PassageBridge.from_dict(stored["passage"])
        landmark = stored["landmark"] and LandmarkModel.from_dict(stored["landmark"])
        return cls(**{**stored, "passage": passage, "landmark": landmark})


def fit_midcourse(
    log: OutcomeLog, rows: pd.DataFrame, predicted: CountDistribution, *, horizon: int, seed: int
) -> Midcourse | None:
    """Return what a log's gradings say mid-course, or None when too few courses were graded.

    Parameters
    ----------
    log : OutcomeLog
        For its gradings.
    rows : DataFrame
        The courses, as `course_rows` returns them.
    predicted : CountDistribution
        Out-of-fold prediction of each course.
    """
    if log.gradings.empty:
        return None
    marks = landmark_rows(log, rows, predicted)
    cleared = marks.loc[marks["observed"], "course_id"].nunique()
    if cleared < FEWEST_CLEARED:
        return None
    graded = mean_gradings(log)
    passage = _fit_passage(graded, rows, float(ink_gone(log.cleared_at)))
    landmark, by_landmark = fit_landmarks(marks, horizon=horizon, seed=seed)
    alone, by_passage = passage_predictions(marks, graded, predicted, passage, horizon)
    subject = marks["client_id"].to_numpy(dtype=object)
    outcomes = Outcomes(marks["left"].to_numpy(), marks["observed"].to_numpy(), subject=subject)
    until = min(last_supported(outcomes), horizon)
    scores = {
        name: float(brier(found, outcomes, horizon=until).sum())
        for name, found in (("count", alone), (PASSAGE, by_passage), (LANDMARK, by_landmark))
    }
    gap, error = crps_gap(by_passage, by_landmark, outcomes, horizon=until)
    chosen = LANDMARK if gap > error else PASSAGE
    return Midcourse(
        chosen=chosen,
        scores=scores,
        passage=passage,
        landmark=landmark if chosen == LANDMARK else None,
        cleared_at=float(log.cleared_at),
        steps=predicted.horizon,
        n_courses=int(marks["course_id"].nunique()),
        n_landmarks=len(marks),
    )


# The bridge of the courses that cleared, from their gradings before that. Its four numbers are of
# all of them: no fold would move them by much.
def _fit_passage(graded: pd.DataFrame, rows: pd.DataFrame, threshold: float) -> PassageBridge:
    ended = rows[rows["observed"] & (rows["entry"] == 0)][["course_id", "step"]]
    before = graded.merge(ended, on="course_id")
    before = before[before["after_session"] < before["step"]]
    place = before.groupby("course_id").cumcount()
    course = before["course_id"].factorize()[0]
    steps = np.full((int(course.max()) + 1, int(place.max()) + 1), np.nan)
    levels = steps.copy()
    steps[course, place] = before["after_session"]
    levels[course, place] = before["gone"]
    passage = before.groupby("course_id", sort=False)["step"].first().to_numpy()
    return PassageBridge.fit(steps, levels, passage, threshold=threshold)


def passage_predictions(
    marks: pd.DataFrame,
    graded: pd.DataFrame,
    predicted: CountDistribution,
    passage: PassageBridge,
    horizon: int,
) -> tuple[CountDistribution, CountDistribution]:
    """Return predictions at each landmark without, and with, the gradings up to it."""
    known = {
        name: (part["after_session"].to_numpy(), part["gone"].to_numpy())
        for name, part in graded.groupby("course_id")
    }
    alone, found = np.zeros((2, len(marks), horizon))
    ids = marks["course_id"].to_numpy()
    session = marks["session"].to_numpy(dtype=np.int64)
    row = marks["row"].to_numpy(dtype=np.int64)
    left = np.hstack([np.ones((len(predicted), 1)), predicted.survival()])
    for at, done in enumerate(session):
        ahead = predicted.pmf[row[at], done : done + horizon] / max(left[row[at], done], 1e-9)
        alone[at, : len(ahead)] = ahead
        steps, levels = known[ids[at]]
        seen = steps <= done
        found[at] = passage.posterior(alone[at], int(done), steps[seen], levels[seen])
    return CountDistribution(alone), CountDistribution(found)
