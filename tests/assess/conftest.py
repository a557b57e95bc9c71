"""Invented outcomes with a known truth, drawn by hand so that nothing here is judged by itself."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from forecast.assess import Outcomes
from forecast.survival import CountDistribution


@dataclass(frozen=True)
class Sample:
    covariates: np.ndarray
    count: np.ndarray  # the full count, never censored
    outcomes: Outcomes
    truth: CountDistribution


def draw_sample(n: int, *, seed: int, horizon: int = 25, drop_out: float = 0.08) -> Sample:
    """Rising hazard, three yes/no covariates, and a constant chance of dropping out."""
    rng = np.random.default_rng(seed)
    covariates = (rng.random((n, 3)) < [0.5, 0.3, 0.4]).astype(float)
    steps = np.arange(1, horizon + 1)
    line = -4.0 + 1.3 * np.log(steps) + (covariates @ [0.7, -0.6, 0.4])[:, None]
    hazard = -np.expm1(-np.exp(line))
    happens = rng.random((n, horizon)) < hazard
    count = np.where(happens.any(axis=1), happens.argmax(axis=1) + 1, horizon + 1)
    leaves = np.minimum(rng.geometric(drop_out, size=n), horizon)
    outcomes = Outcomes(np.minimum(count, leaves), count <= leaves)
    return Sample(covariates, count, outcomes, CountDistribution.from_hazard(hazard))


@pytest.fixture
def sample() -> Callable[..., Sample]:
    return draw_sample


@dataclass(frozen=True)
class Gbsg2:
    predicted: CountDistribution
    outcomes: Outcomes


@pytest.fixture(scope="session")
def gbsg2() -> Gbsg2:
    """Days to recurrence in 686 women, and a Cox model (Efron) on all covariates."""
    from sksurv.datasets import load_gbsg2
    from sksurv.linear_model import CoxPHSurvivalAnalysis
    from sksurv.preprocessing import OneHotEncoder

    covariates, record = load_gbsg2()
    covariates["tgrade"] = covariates["tgrade"].map(len).astype(int)
    encoded = OneHotEncoder().fit_transform(covariates)
    fitted = CoxPHSurvivalAnalysis(ties="efron").fit(encoded, record)
    days = np.arange(1, 1826)
    curves = fitted.predict_survival_function(encoded)
    survival = np.array([curve(np.maximum(days, curve.domain[0])) for curve in curves])
    survival[:, days < curves[0].domain[0]] = 1
    outcomes = Outcomes(record["time"].astype(int), record["cens"])
    return Gbsg2(CountDistribution(-np.diff(survival, prepend=1.0)), outcomes)
