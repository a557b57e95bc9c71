"""Invented clinics with what is behind them, shared by the tests of the room."""

import numpy as np
import pandas as pd
import pytest

from benchmarks.clinics import simulate_clinic
from forecast.invented import World
from forecast.invented.world import draw_courses

DOSES = ("noisy", "waning", "leaving")
OTHERS = (*DOSES, "practised")
MECHANISMS = ("share", *OTHERS)
LIGHT = "yellow|white|flesh|light_blue"


class Clinics(dict):
    """A clinic of each mechanism, simulated when it is first asked for."""

    def __missing__(self, name: str):
        self[name] = simulate_clinic(1000, seed=4, mechanism=name)
        return self[name]


@pytest.fixture(scope="session")
def clinics():
    return Clinics()


@pytest.fixture(scope="session")
def clinic():
    return simulate_clinic(600, seed=3)


def cohort(world: World, n: int = 1000):
    return draw_courses(n, world, np.random.default_rng(1), (0.0, 1000.0))


def cleared_by(needed: np.ndarray, session: int) -> float:
    return float(np.mean(needed <= session))


def kaplan_meier(courses: pd.DataFrame, session: int) -> float:
    """Return cumulative clearance with every other end as censoring, after its last session."""
    left = 1.0
    for k in range(1, session + 1):
        at_risk = (courses["sessions_given"] >= k).sum()
        events = ((courses["sessions_given"] == k) & (courses["outcome"] == "cleared")).sum()
        left *= 1 - events / at_risk
    return 1 - left
