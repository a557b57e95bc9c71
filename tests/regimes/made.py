"""Logs made by hand, with known needs, changes and clients."""

from types import SimpleNamespace

import numpy as np
import pandas as pd

from forecast.counts import Basis
from forecast.log import OutcomeLog

SWITCH = "ns:4>ps"


def made_log(need, first, change=None, clients=None, pace=None):
    """Return the log of courses that all clear, at their ``need``.

    ``first`` is the regime of each; a course with ``change`` c has ns up to session c, then ps.
    ``pace`` is the fall of log ink per session, as graded.
    """
    n = len(need)
    change = np.zeros(n, dtype=int) if change is None else change
    clients = np.arange(n) if clients is None else clients
    starts = pd.Timestamp("2022-01-01") + pd.to_timedelta(np.arange(n) // 2 * 37 % 700, unit="D")
    courses = pd.DataFrame(
        {
            "course_id": [f"c{i}" for i in range(n)],
            "client_id": [f"p{client}" for client in clients],
            "started_on": starts,
            "sessions_given": need,
            "outcome": "cleared",
            "skin_type": "II",
            "body_site": "forearm",
            "inks": "black",
            "ink_density": "medium",
            "layering": "single",
        }
    )
    sessions, gradings = [], []
    for i in range(n):
        for number in range(1, int(need[i]) + 1):
            day = starts[i] + pd.Timedelta(days=56 * (number - 1))
            changed = 0 < change[i] < number
            sessions.append((f"c{i}", number, day, "ps" if changed else first[i]))
            if pace is not None:
                fading = 100 * (1 - np.exp(-pace[i] * number))
                gradings.append((f"c{i}", number, day + pd.Timedelta(days=40), fading))
    return OutcomeLog.from_frames(
        courses,
        pd.DataFrame(sessions, columns=["course_id", "session_no", "treated_on", "regime"]),
        pd.DataFrame(gradings, columns=["course_id", "after_session", "graded_on", "fading_pct"]),
    )


def switching_clinic(n_changed, *, slowest=True):
    """Return 160 courses in each regime and some changed after 4; no regime does anything."""
    rng = np.random.default_rng(5)
    need = np.minimum(rng.geometric(0.22, 320) + 1, 9)
    first = np.where(np.arange(320) % 2 == 0, "ns", "ps")
    kept = np.flatnonzero((first == "ns") & (need > 4))
    order = np.argsort(-need[kept], kind="stable") if slowest else rng.permutation(len(kept))
    change = np.zeros(320, dtype=int)
    change[kept[order[:n_changed]]] = 4
    return made_log(need, first, change)


def filled(log):
    return Basis.of(log).filled


class Counting:
    """A model that keeps the durations it is fitted to."""

    def fit(self, durations):
        return SimpleNamespace(durations=durations)


def with_tables(log, **tables):
    """Return the log with some of its tables replaced."""
    names = ("courses", "sessions", "gradings", "reactions", "lasers")
    frames = {name: getattr(log, name) for name in names} | tables
    return OutcomeLog.from_frames(**frames)
