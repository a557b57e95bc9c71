"""The likelihood from one line per row, against the sum written out over every step at risk."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.errors import FitError
from forecast.survival import Durations, Encoding, RowsHere
from forecast.survival.hazard_likelihood import basis_of, check_rank, symmetric_inverse

from .conftest import long_rows

N = 2_600  # more than are worked on together
VALUES = np.array([-1.4, 0.3, 0.1, 0.02, 0.4, -0.3])
ENCODING = Encoding((("dose", None), ("site", ("a", "b", "c"))))


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
    return RowsHere.of(durations, ENCODING), ENCODING.encode(durations.covariates)


def written_out(rows, given, values):
    """Return the log-likelihood over every step at risk, one row of data at a time."""
    durations = rows.durations
    at, steps, events = long_rows(
        durations.step, durations.observed, durations.entry, durations.weight
    )
    x = np.log(steps / 8)
    eta = values[0] + values[1] * x + values[2] * x**2 + given[at] @ values[3:]
    chance = -np.expm1(-np.exp(eta))
    return durations.weight[at] @ np.log(np.where(events, chance, 1 - chance))


def test_value_and_slope_are_those_of_every_step_written_out(rows):
    rows, given = rows
    found = rows.derivatives(VALUES)
    assert_allclose(found.loglik, written_out(rows, given, VALUES), rtol=1e-12)
    moves = np.diag(1e-5 / np.array([1, 1, 1, 50, 1, 1]))
    for at, move in enumerate(moves):
        ends = [written_out(rows, given, VALUES + way * move) for way in (1, -1)]
        slope = np.subtract(*ends) / (2 * move[at])
        assert_allclose(found.gradient[at], slope, rtol=1e-6, atol=1e-2)
        slopes = [rows.derivatives(VALUES - way * move).gradient for way in (1, -1)]
        bend = np.subtract(*slopes) / (2 * move[at])
        assert_allclose(found.information[at], bend, rtol=1e-5, atol=1e-2)


def test_scores_of_one_subject_add_up_before_they_are_squared(rows):
    rows, _ = rows
    pairs = dataclasses.replace(rows.durations, subject=np.arange(N) // 2)
    whole = dataclasses.replace(rows.durations, subject=np.zeros(N))
    gradient = rows.derivatives(VALUES).gradient
    alone = dataclasses.replace(rows, durations=whole).meat(VALUES)
    assert_allclose(alone, np.outer(gradient, gradient), rtol=1e-9)
    meat = dataclasses.replace(rows, durations=pairs).meat(VALUES)
    each = [
        RowsHere.of(rows.durations.take(np.array([2 * n, 2 * n + 1])), ENCODING)
        .derivatives(VALUES)
        .gradient
        for n in range(N // 2)
    ]
    assert_allclose(meat, np.transpose(each) @ each * (N / 2) / (N / 2 - 1), rtol=1e-8)


def test_expected_information_is_the_mean_of_the_observed_under_the_model(frame):
    # all of a kind, watched for one step: a binomial count, u² / (exp(u) - 1) a row
    alike = pd.DataFrame({"k": 1, "seen": [True] + [False] * 9})
    durations = Durations.from_frame(alike, step="k", observed="seen", covariates=[])
    found = RowsHere.of(durations, Encoding(())).expected(np.array([-1.3, 0.0, 0.0]))
    u, basis = np.exp(-1.3), basis_of(1)
    assert_allclose(found, 10 * u**2 / np.expm1(u) * basis.T @ basis)


def test_columns_that_cannot_be_told_apart_are_named():
    tied = np.array([[1.0, 0.0, 1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 1.0]])
    with pytest.raises(FitError, match="cannot tell apart: smoker, smokes"):
        check_rank(tied, ("smoker", "age", "smokes"))


def test_an_inverse_stays_symmetric_whatever_the_units():
    core = np.array([[2.0, 0.3, 0.1], [0.3, 1.0, 0.2], [0.1, 0.2, 3.0]])
    units = np.outer([1e-6, 1.0, 1e5], [1e-6, 1.0, 1e5])
    inverse = symmetric_inverse(core * units, ("a", "b", "c"))
    assert (inverse == inverse.T).all()
    assert_allclose(inverse * units, np.linalg.inv(core), rtol=1e-12)
