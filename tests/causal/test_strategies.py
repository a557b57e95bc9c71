"""Clone, censor, weight, and the g-formula, on long frames whose truth is known."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.causal.gformula import HazardGFormula
from forecast.causal.logistic import logistic_coefficients
from forecast.causal.panel import Panel
from forecast.causal.strategies import WeightModel, followed, strategy_curve
from forecast.causal.weights import (
    cumulative_product,
    effective_number,
    summarise_weights,
    truncate_weights,
)
from forecast.errors import DataError, FitError, RequestError

STEPS = 6


def confounded(n: int, seed: int, effect: float = 0.0) -> tuple[pd.DataFrame, dict[int, float]]:
    """Return a long frame in which slow subjects are moved to group 1, and the true means.

    A hidden pace drives the event and a sign of it; the sign alone drives choice and loss.
    """
    rng = np.random.default_rng(seed)
    pace, rows = rng.normal(size=n), []
    chance = rng.random((n, STEPS))
    sign = pace[:, None] + rng.normal(size=(n, STEPS))
    truth = {}
    for group in (0, 1):
        hazard = 1 / (1 + np.exp(1.2 - pace - effect * group))
        survival = (1 - hazard)[:, None] ** np.arange(STEPS)
        truth[group] = float(survival.sum(axis=1).mean())
    choose, leave = rng.random((n, STEPS)), rng.random((n, STEPS))
    for i in range(n):
        group = 0
        for k in range(STEPS):
            if group == 0:
                group = int(choose[i, k] < 1 / (1 + np.exp(1 + 1.2 * sign[i, k])))
            event = chance[i, k] < 1 / (1 + np.exp(1.2 - pace[i] - effect * group))
            lost = not event and leave[i, k] < 1 / (1 + np.exp(2.5 + 0.8 * sign[i, k]))
            rows.append((i, k + 1, group, event, lost, sign[i, k]))
            if event or lost:
                break
    names = ["who", "step", "group", "event", "lost", "sign"]
    return pd.DataFrame(rows, columns=names), truth


def panel_of(frame: pd.DataFrame) -> Panel:
    return Panel.from_frame(
        frame,
        subject="who",
        step="step",
        group="group",
        event="event",
        lost="lost",
        before=["sign"],
        after=["sign"],
    )


def contrast(panel: Panel, *, weighted: bool = True, quantile: float = 1.0) -> float:
    weights = WeightModel(panel, ridge=0.1).fit()
    means = []
    for wanted in ([0], [1]):
        mask = followed(panel, wanted)
        weight = weights.used(mask, quantile=quantile)[0] if weighted else mask.astype(float)
        means.append(strategy_curve(panel, weight, horizon=STEPS).restricted_mean(STEPS))
    return means[1] - means[0]


@pytest.mark.parametrize("effect", [0.0, 1.0])
def test_weighting_finds_the_truth_where_the_plain_reading_does_not(effect):
    errors, plain = [], []
    for seed in range(12):
        frame, truth = confounded(1500, seed, effect)
        panel = panel_of(frame)
        errors.append(contrast(panel) - (truth[1] - truth[0]))
        plain.append(contrast(panel, weighted=False) - (truth[1] - truth[0]))
    assert abs(np.mean(errors)) < 4 * np.std(errors) / 12**0.5 + 0.03
    assert np.mean(plain) > 0.3


def test_the_order_of_the_rows_and_the_names_of_the_subjects_do_not_matter():
    frame, _ = confounded(300, 1)
    shuffled = frame.sample(frac=1, random_state=1).assign(who=lambda f: "s" + f["who"].astype(str))
    assert contrast(panel_of(shuffled)) == pytest.approx(contrast(panel_of(frame)), abs=1e-9)


def test_counting_every_row_twice_changes_no_weight():
    panel = panel_of(confounded(300, 2)[0])
    model = WeightModel(panel)
    once, twice = model.fit(), model.fit(np.full(len(panel.step), 2.0))
    assert_allclose(once.stabilised, twice.stabilised, rtol=1e-6)


def test_a_start_from_a_near_fit_leads_to_the_same_place():
    panel = panel_of(confounded(300, 3)[0])
    model = WeightModel(panel, ridge=1.0)
    rows = np.random.default_rng(0).integers(0, 3, panel.n_subjects)[panel.subject].astype(float)
    cold, warm = model.fit(rows), model.fit(rows, start=model.fit().coefficients)
    assert_allclose(cold.stabilised, warm.stabilised, rtol=1e-6)


def test_stabilised_weights_have_mean_near_one_and_change_no_curve():
    panel = panel_of(confounded(3000, 4)[0])
    weights = WeightModel(panel).fit()
    mask = followed(panel, [0])
    assert weights.stabilised[mask].mean() == pytest.approx(1, abs=0.1)
    plain = weights.choice * weights.staying
    curves = [
        strategy_curve(panel, np.where(mask, used, 0), horizon=STEPS).survival
        for used in (plain, weights.stabilised)
    ]
    assert_allclose(*curves)


def test_a_strategy_is_followed_until_the_first_departure():
    frame = pd.DataFrame(
        {"who": [1, 1, 1, 2, 2], "step": [1, 2, 3, 1, 2], "group": [0, 1, 0, 0, 0]}
    )
    panel = Panel.from_frame(frame, subject="who", step="step", group="group")
    assert list(followed(panel, [0])) == [True, False, False, True, True]
    assert list(followed(panel, [0, 1])) == [True, True, False, True, False]
    with pytest.raises(RequestError):
        followed(panel, [2])


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


def test_logistic_coefficients_agree_with_statsmodels():
    import statsmodels.api as sm

    rng = np.random.default_rng(1)
    design = np.column_stack([np.ones(400), rng.normal(size=(400, 3))])
    outcome = rng.random(400) < 1 / (1 + np.exp(-design @ [-0.5, 1, 0, -2]))
    weight = rng.integers(0, 4, 400).astype(float)
    reference = sm.GLM(outcome, design, family=sm.families.Binomial(), freq_weights=weight).fit(
        tol=1e-13
    )
    ours = logistic_coefficients(design, outcome, weight=weight)
    assert_allclose(ours, reference.params, atol=1e-8)


def test_separated_outcomes_need_a_ridge():
    design = np.column_stack([np.ones(20), np.arange(20) - 9.5])
    outcome = design[:, 1] > 0
    with pytest.raises(FitError):
        logistic_coefficients(design, outcome)
    assert np.isfinite(logistic_coefficients(design, outcome, ridge=1.0)).all()


def test_truncation_is_reported():
    raw = np.array([0.0, 1.0, 1.0, 1.0, 9.0])
    used, limit = truncate_weights(raw, quantile=0.75)
    assert (limit, list(used)) == (1.0, [0, 1, 1, 1, 1])
    summary = summarise_weights(raw, used, limit)
    assert (summary.n, summary.share_truncated, summary.largest_before) == (4, 0.25, 9.0)
    assert summary.effective == effective_number(used) == 4
    assert list(truncate_weights(raw, quantile=1)[0]) == list(raw)


def test_truncation_of_repeated_rows_is_that_of_the_copies():
    rng = np.random.default_rng(2)
    raw, count = rng.exponential(size=50), rng.integers(0, 4, 50)
    _, limit = truncate_weights(raw, quantile=0.9, rows=count)
    assert limit == truncate_weights(np.repeat(raw, count), quantile=0.9)[1]


def test_products_start_again_with_each_subject():
    first = np.array([True, False, False, True])
    assert_allclose(cumulative_product(np.array([0.5, 0.5, 2.0, 3.0]), first), [0.5, 0.25, 0.5, 3])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"step": [1, 3]}, "without a gap"),
        ({"group": [0, 2]}, "other than 0 and 1"),
        ({"event": [True, False]}, "after its event"),
        ({"sign": [0.0, np.nan]}, "missing"),
    ],
)
def test_panels_that_cannot_be_are_refused(change, message):
    columns = {"who": [1, 1], "step": [1, 2], "group": [0, 0], "event": [False, False]}
    frame = pd.DataFrame(columns | {"lost": False, "sign": 0.0} | change)
    with pytest.raises(DataError, match=message):
        panel_of(frame)
