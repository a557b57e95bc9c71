"""Mid-course: what a log's gradings say about the sessions still needed.

Two ways are tried. The first is kept unless the second predicts better out of fold by more than
one standard error of the difference, so that one more course does not turn the answer over:

- *passage*: the log of the ink left falls towards the log's threshold; the count model's chances
  of each session count are weighed with how well the gradings fit a course that long;
- *landmark*: a model of the sessions still needed, see `landmarks`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._types import FloatArray
from forecast.assess import Outcomes, brier, carry_draws, crps_gap, last_supported
from forecast.midcourse.landmarks import (
    LandmarkModel,
    features,
    fit_landmarks,
    ink_gone,
    landmark_rows,
    mean_gradings,
)
from forecast.survival import CountDistribution, PassageBridge

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

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
