"""Landmarks: a course at a session that it went past, and the sessions still needed from there.

The covariates of such a row say how much ink was gone by then, how fast, whether it still went,
and what was expected without gradings (a landmark supermodel: van Houwelingen 2007, Scand J Stat
34:70).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray
from forecast.survival import AcceleratedTime, CountDistribution

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

LAST_LANDMARK = 15
LOOK_BACK = 2  # sessions over which the recent pace is taken
STALLED_BELOW = 0.08  # fall of log remaining ink per session of a course that hardly moves
STALLED_FROM = 4  # sessions before which slowness is no standstill
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
# Of the share that never gets there: the log odds that it does not within the horizon as the
# attributes alone have it, and how far below a standstill the recent pace lies.
DOUBTED = ("doubt", "stalled")
# The sessions still needed are about those that the ink to go takes at the pace so far, pulled
# towards what was expected without gradings; wide, since the log itself says most of it.
LANDMARK_PRIOR: dict[str, tuple[float, float]] = {
    **dict.fromkeys(SCALED, (0.0, 1.0)),
    "expected": (0.4, 0.5),
    "ink_to_go": (0.6, 0.5),
    "pace": (-0.4, 0.5),
    "recent_pace": (-0.2, 0.5),
    "doubt": (0.0, 0.2),
    "stalled": (0.0, 0.5),
    "location": (0.0, 2.0),
    "log_scale": (-0.8, 0.5),
    # judged, no source: about as often as the attributes have it, and more at a standstill
    "never": (-0.3, 0.4),
    "never[doubt]": (1.0, 0.2),
    "never[stalled]": (1.0, 1.0),
}
SUPERMODEL = AcceleratedTime("lognormal", prior=LANDMARK_PRIOR, never=DOUBTED)


def ink_gone(fading_pct: npt.ArrayLike) -> FloatArray:
    """Return the fall of log remaining ink, from percent faded; capped where nearly all is gone."""
    faded = np.minimum(np.asarray(fading_pct, dtype=np.float64), CEILING)
    return np.asarray(-np.log1p(-faded / 100), dtype=np.float64)


def mean_gradings(log: OutcomeLog) -> pd.DataFrame:
    """Return the fall of log remaining ink by course and session, several gradings averaged.

    One row for each session graded: ``course_id``, ``after_session`` (from 1 on) and ``gone``.

    Examples
    --------
    >>> mean_gradings(log).head(2).round(2).to_dict("records")[1]
    {'course_id': 'C0001', 'after_session': 2, 'gone': 1.47}
    """
    graded = log.graded.assign(gone=ink_gone(log.graded["fading_pct"]))
    graded = graded[graded["after_session"] > 0]
    return graded.groupby(["course_id", "after_session"])["gone"].mean().reset_index()


def landmark_rows(
    log: OutcomeLog,
    rows: pd.DataFrame,
    predicted: CountDistribution,
    *,
    horizon: int,
    graded: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Return one row per course and session it went past with a grading by then.

    Of the courses in ``rows``, as `course_rows` returns them, those begun elsewhere are left out:
    their gradings do not start from the untreated tattoo. ``predicted`` has each course's
    out-of-fold prediction; that it clears within ``horizon`` sessions of a landmark is doubted.
    ``graded`` are the log's ``mean_gradings``, where they are at hand.
    """
    import pandas as pd

    graded = mean_gradings(log) if graded is None else graded
    known = rows[["course_id", "client_id", "entry", "step", "observed"]].reset_index(drop=True)
    known["row"] = np.arange(len(rows))
    known = known[(known["entry"] == 0) & known["course_id"].isin(graded["course_id"])]
    last_landmark = np.minimum(known["step"].to_numpy() - 1, min(LAST_LANDMARK, predicted.horizon))
    furthest = max(int(last_landmark.max(initial=0)), 0)
    # the fall by each session graded, and which was the last one graded by then (0: none)
    course = pd.Index(known["course_id"]).get_indexer(pd.Index(graded["course_id"]))
    when = graded["after_session"].to_numpy()
    soon = (course >= 0) & (when <= furthest)
    fall = np.zeros((len(known), furthest + 1))
    fall[course[soon], when[soon]] = graded["gone"].to_numpy()[soon]
    latest = np.zeros(fall.shape, dtype=np.int64)
    latest[course[soon], when[soon]] = when[soon]
    np.maximum.accumulate(latest, axis=1, out=latest)
    at, done = np.nonzero(latest * (np.arange(furthest + 1) <= last_landmark[:, None]))
    last = latest[at, done]
    before = latest[at, np.maximum(last - LOOK_BACK, 0)]
    marks = known.iloc[at]
    row = marks["row"].to_numpy()
    survival, left = np.maximum(predicted.survival(), 1e-6), predicted.survival()
    # the remaining steps to be expected given none by each step, counting to the horizon
    expected = 1 + (np.cumsum(left[:, ::-1], axis=1)[:, ::-1] - left) / survival
    until = np.minimum(done + horizon, predicted.horizon)
    found = _landmark_features(
        log.cleared_at,
        expected[row, done - 1],
        survival[row, until - 1] / survival[row, done - 1],
        done.astype(np.float64),
        last.astype(np.float64),
        fall[at, last],
        before.astype(np.float64),
        fall[at, before],
    )
    kept = marks[["course_id", "client_id", "row", "observed"]].reset_index(drop=True)
    left = marks["step"].to_numpy() - done
    own = {"session": done, "last": last.astype(np.float64), "gone": fall[at, last], "left": left}
    return kept.assign(**own, **found)


# ``gone`` was graded after session ``last``
def _landmark_features(
    cleared_at: float,
    expected: FloatArray,
    beyond: FloatArray,
    session: FloatArray,
    last: FloatArray,
    gone: FloatArray,
    before: FloatArray,
    gone_before: FloatArray,
) -> dict[str, FloatArray]:
    to_go = np.log(np.maximum(ink_gone(cleared_at) - gone, 0.05))
    pace = np.log(np.maximum(gone / last, SLOWEST))
    recent = np.log(np.maximum((gone - gone_before) / np.maximum(last - before, 1), SLOWEST))
    log_session = np.log(session)
    chance = np.clip(beyond, 0.01, 0.95)
    still = np.clip(np.log(STALLED_BELOW) - recent, 0, None) * (last >= STALLED_FROM)
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
        "doubt": np.log(chance / (1 - chance)),
        "stalled": still,
    }


def features(
    expected: float, beyond: float, session: int, gone: Mapping[int, float], cleared_at: float
) -> dict[str, FloatArray]:
    """Return the model's covariates for one course after ``session`` sessions.

    The count model has ``expected`` sessions still to come and a chance ``beyond`` of more than it
    looks ahead; ``gone`` is the fall of log remaining ink by each graded session, not empty.
    """
    last = max(k for k in gone if k <= session)
    before = max((k for k in gone if k <= last - LOOK_BACK), default=0)
    given = (expected, beyond, session, last, gone[last], before, gone.get(before, 0.0))
    return _landmark_features(cleared_at, *np.array(given, dtype=np.float64)[:, None])
