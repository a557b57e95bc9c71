"""What the examples in docstrings have at hand: an invented log, its forecaster, an enquiry."""

import gc
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import forecast
from forecast.causal import Panel
from forecast.fading import FadingCurves
from forecast.forecaster import Forecaster
from forecast.log import OutcomeLog
from forecast.reactions import ReactionReport
from forecast.regimes import RegimeComparison
from forecast.survival import Durations


def pytest_collection_finish() -> None:
    """Look less often through what libraries keep for good: a twentieth of all time."""
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)


@pytest.fixture(scope="session")
def small_log() -> OutcomeLog:
    """Return the log that the package's own docstring names."""
    return forecast.simulate_log(150, seed=1)


@pytest.fixture(scope="session")
def small_forecaster(small_log: OutcomeLog) -> Forecaster:
    """Return the forecaster that the package's own docstring names."""
    return forecast.fit_forecaster(small_log)


@pytest.fixture(scope="session")
def small_comparison(small_log: OutcomeLog) -> RegimeComparison:
    """Return regimes compared, for the examples of its pictures."""
    return forecast.compare_regimes(small_log, replicates=10)


@pytest.fixture(scope="session")
def small_fading(small_log: OutcomeLog) -> FadingCurves:
    """Return the curves of fading, likewise."""
    return forecast.fit_fading(small_log)


@pytest.fixture(scope="session")
def small_report(small_log: OutcomeLog) -> ReactionReport:
    """Return the report of reactions, likewise."""
    return forecast.fit_reactions(small_log)


@pytest.fixture(autouse=True)
def at_hand(request: pytest.FixtureRequest, doctest_namespace: dict[str, object]) -> None:
    """Give an example what it names and has not made itself."""
    if not isinstance(request.node, pytest.DoctestItem):
        return
    examples = request.node.dtest.examples if request.node.dtest else []
    text = "".join(one.source for one in examples)
    folder: Path = request.getfixturevalue("tmp_path")
    doctest_namespace |= {"forecast": forecast, "folder": folder}
    six = {"k": [1, 2, 2, 3, 4, 5], "seen": [1, 1, 0, 1, 1, 0], "dose": [2.0, 1, 1, 0, 1, 0]}
    names: Any = {"step": "k", "observed": "seen", "covariates": ["dose"]}
    doctest_namespace["durations"] = Durations.from_frame(pd.DataFrame(six), **names)
    doctest_namespace["enquiry"] = forecast.Enquiry("II", "forearm", "black", "medium", "single")
    prices: Any = {"currency": "EUR", "session_price": 150, "cost_per_session": 55, "cap": 15}
    doctest_namespace["tariff"] = forecast.Tariff(**prices)
    if "panel" in text:
        of_two = {"subject": [0, 0, 1, 1], "step": [1, 2, 1, 2], "group": [0, 1, 1, 1]}
        codes = {name: np.array(values) for name, values in of_two.items()}
        event, none = np.array([False, True, False, False]), np.zeros((4, 1))
        doctest_namespace["panel"] = Panel(
            **codes, event=event, lost=event & False, before=none, after=none,
            cluster=np.array([0, 1]), names=("known",),
        )  # fmt: skip
    for name in ("log", "forecaster", "comparison", "fading", "report"):
        if re.search(rf"\b{name}\b", text) and f"{name} = " not in text:
            doctest_namespace[name] = request.getfixturevalue(f"small_{name}")
