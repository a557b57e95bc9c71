"""Immortal time: the Stanford heart transplant data, and a null effect by construction."""

import numpy as np
import pandas as pd
import pytest
from lifelines.datasets import load_stanford_heart_transplants
from numpy.testing import assert_allclose

from forecast.causal.time_dependent import hazard_ratios
from forecast.errors import DataError


@pytest.fixture(scope="module")
def heart() -> pd.DataFrame:
    return load_stanford_heart_transplants()


def test_the_time_dependent_transplant_has_no_effect(heart):
    # R survival, vignette "timedep", section 3.3; Crowley & Hu 1977, JASA 72:27
    alone = hazard_ratios(
        heart, start="start", stop="stop", event="event", covariates=["transplant"]
    )
    assert_allclose(
        alone.loc["transplant", ["coefficient", "error"]], [0.12714, 0.30114], atol=1e-4
    )
    full = hazard_ratios(
        heart,
        start="start",
        stop="stop",
        event="event",
        covariates=["transplant", "age", "year", "surgery"],
    )
    assert_allclose(full["coefficient"], [-0.01025, 0.02717, -0.14635, -0.63721], atol=1e-4)


def test_the_naive_reading_of_the_same_patients_is_far_off(heart):
    people = heart.groupby("id").agg(
        stop=("stop", "max"),
        event=("event", "max"),
        ever=("transplant", "max"),
        age=("age", "first"),
        surgery=("surgery", "first"),
    )
    alone = hazard_ratios(people, stop="stop", event="event", covariates=["ever"])
    assert_allclose(alone.loc["ever", ["coefficient", "error"]], [-1.32351, 0.2438], atol=1e-4)
    full = hazard_ratios(people, stop="stop", event="event", covariates=["ever", "age", "surgery"])
    assert full.loc["ever", "coefficient"] == pytest.approx(-1.71711, abs=1e-4)


def test_rows_enter_after_their_start():
    # Therneau's test data 2 (R survival, vignette "validate"): Breslow -0.084526
    start = [1, 2, 5, 2, 1, 7, 3, 4, 8, 8]
    stop = [2, 3, 6, 7, 8, 9, 9, 9, 14, 17]
    frame = pd.DataFrame({"start": start, "stop": stop})
    frame["event"] = [1, 1, 1, 1, 1, 1, 1, 0, 0, 0]
    frame["x"] = [1, 0, 0, 1, 0, 1, 1, 1, 0, 0]
    named = {"start": "start", "stop": "stop", "event": "event", "covariates": ["x"]}
    breslow = hazard_ratios(frame, **named, ties="breslow").loc["x", "coefficient"]
    efron = hazard_ratios(frame, **named).loc["x", "coefficient"]
    assert (breslow, efron) == pytest.approx((-0.084526, -0.021105), abs=1e-5)


def test_ever_responder_looks_protective_when_response_is_random():
    # the same vignette: 5 % respond by chance at each monthly visit; naive log ratio about -0.53
    naive, proper = [], []
    rng = np.random.default_rng(5)
    for _ in range(12):
        time = rng.weibull(1.3, 228) * 400 + 1
        responds = rng.geometric(0.05, 228) * 30.5
        event = (rng.random(228) < 0.72).astype(int)
        ever = responds < time
        people = pd.DataFrame({"stop": time, "event": event, "ever": ever.astype(int)})
        naive.append(
            hazard_ratios(people, stop="stop", event="event", covariates=["ever"]).iloc[0, 0]
        )
        before = pd.DataFrame(
            {"start": 0.0, "stop": np.minimum(time, responds), "ever": 0, "event": event * ~ever}
        )
        after = pd.DataFrame({"start": responds, "stop": time, "ever": 1, "event": event})[ever]
        spells = pd.concat([before, after])
        proper.append(
            hazard_ratios(
                spells, start="start", stop="stop", event="event", covariates=["ever"]
            ).iloc[0, 0]
        )
    assert np.mean(naive) < -0.35
    assert abs(np.mean(proper)) < 4 * np.std(proper) / 12**0.5


def test_an_unknown_column_is_named():
    with pytest.raises(DataError, match="Did you mean 'stop'"):
        hazard_ratios(pd.DataFrame({"stop": [1]}), stop="stopp", event="e", covariates=[])
