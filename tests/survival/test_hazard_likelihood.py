"""The likelihood from one line per row, against the sum written out over every step at risk."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.survival import Durations, Encoding
from forecast.survival.hazard_likelihood import (
    HazardRows,
    basis_of,
    derivatives,
    expected_information,
    row_scores,
)

from .conftest import long_rows

N = 2_600  # more than are worked on together
VALUES = np.array([-0.4, 0.3, 0.1, 0.2, 0.4, -0.3])


@pytest.fixture(scope="module")
def frame():
    rng = np.random.default_rng(4)
    entry = rng.integers(0, 3, N) * (rng.random(N) < 0.3)
    frame = pd.DataFrame(
        {"dose": rng.normal(50, 9, N), "site": rng.choice(list("abc"), N), "entry": entry}
    )
    return frame.assign(
        k=entry + rng.integers(1, 4, N), seen=rng.random(N) < 0.4, w=rng.integers(0, 3, N)
    ).astype({"entry": int, "k": int})


@pytest.fixture(scope="module")
def rows(frame):
    durations = Durations.from_frame(
        frame.assign(k=frame.k.clip(upper=6)), step="k", observed="seen", entry="entry",
        weight="w", covariates=["dose", "site"],
    )  # fmt: skip
    return HazardRows.build(durations, Encoding.learn(durations.covariates)), durations


def written_out(rows, durations, values):
    """Return the log-likelihood over every step at risk, one row of data at a time."""
    at, steps, events = long_rows(
        durations.step, durations.observed, durations.entry, durations.weight
    )
    given = np.empty_like(rows.X)
    given[rows.order] = rows.X
    x = np.log(steps / 8)
    eta = values[0] + values[1] * x + values[2] * x**2 + given[at] @ values[3:]
    chance = -np.expm1(-np.exp(eta))
    return durations.weight[at] @ np.log(np.where(events, chance, 1 - chance))


def test_value_and_slope_are_those_of_every_step_written_out(rows):
    rows, durations = rows
    values = VALUES
    found = derivatives(rows, values)
    assert_allclose(found.loglik, written_out(rows, durations, values), rtol=1e-12)
    moves = 1e-5 * np.eye(6)
    ends = [[written_out(rows, durations, values + sign * d) for d in moves] for sign in (1, -1)]
    slope = np.subtract(*ends) / 2e-5
    assert_allclose(found.gradient, slope, rtol=1e-6, atol=1e-4)
    bend = [
        (derivatives(rows, values - d).gradient
         - derivatives(rows, values + d).gradient) / 2e-5
        for d in moves
    ]  # fmt: skip
    assert_allclose(found.information, bend, rtol=1e-5, atol=1e-3)


def test_scores_of_rows_add_up_to_the_slope(rows):
    rows, _ = rows
    values = VALUES
    by_form, by_linear = row_scores(rows, values)
    total = np.concatenate([by_form.sum(axis=0), by_linear @ rows.X])
    assert_allclose(total, derivatives(rows, values).gradient, atol=1e-9)


def test_expected_information_is_the_mean_of_the_observed_under_the_model(frame):
    # all of a kind, watched for one step: a binomial count, u² / (exp(u) - 1) a row
    alike = pd.DataFrame({"k": 1, "seen": [True] + [False] * 9})
    durations = Durations.from_frame(alike, step="k", observed="seen", covariates=[])
    rows = HazardRows.build(durations, Encoding(()))
    found = expected_information(rows, np.array([-1.3, 0.0, 0.0]))
    u, basis = np.exp(-1.3), basis_of(1)
    assert_allclose(found, 10 * u**2 / np.expm1(u) * basis.T @ basis)
