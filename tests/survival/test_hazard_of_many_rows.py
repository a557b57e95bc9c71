"""Fits that start from a few thousand of many rows end where the plain fit does."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.survival import DiscreteHazard, Durations


def durations_of(frame, covariates, **columns):
    return Durations.from_frame(frame, step="k", observed="seen", covariates=covariates, **columns)


@pytest.mark.parametrize(("link", "baseline"), [("cloglog", "free"), ("logit", "smooth")])
def test_rows_too_many_to_start_from_nothing_are_fitted_as_their_counts(link, baseline):
    """Equal rows count as one with their number as weight: few rows, fitted in the plain way."""
    rng = np.random.default_rng(12)
    n = 90_000
    frame = pd.DataFrame({"x": rng.integers(0, 2, n), "dose": rng.integers(0, 5, n) / 4})
    happens = rng.geometric(0.1 * np.exp(0.4 * frame["x"] - 0.5 * frame["dose"]))
    watched = rng.integers(1, 12, n)
    frame = frame.assign(k=np.minimum(happens, watched), seen=happens <= watched)
    counted = frame.value_counts().reset_index(name="times")
    spec = DiscreteHazard(link=link, baseline=baseline)
    many = spec.fit(durations_of(frame, ["x", "dose"]))
    few = spec.fit(durations_of(counted, ["x", "dose"], weight="times"))
    assert_allclose(many.parameters, few.parameters, rtol=0, atol=1e-8)
    assert_allclose(many.standard_errors, few.standard_errors, rtol=1e-7)


def test_a_level_that_evenly_spaced_rows_miss_is_fitted_all_the_same():
    rng = np.random.default_rng(13)
    n = 80_000
    happens, watched = rng.geometric(0.15, n), rng.integers(1, 10, n)
    frame = pd.DataFrame({"k": np.minimum(happens, watched), "seen": happens <= watched})
    rare = np.zeros(n)
    rare[rng.choice(n, 12, replace=False)] = 1
    frame["rare"] = rare
    counted = frame.value_counts().reset_index(name="times")
    many = DiscreteHazard(penalty=0.1).fit(durations_of(frame, ["rare"]))
    few = DiscreteHazard(penalty=0.1).fit(durations_of(counted, ["rare"], weight="times"))
    assert_allclose(many.coefficients, few.coefficients, rtol=0, atol=1e-8)
