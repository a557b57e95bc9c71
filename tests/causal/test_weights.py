"""Who follows a strategy, and weights: Hernán & Robins, What If (2020), chapter 12; statsmodels."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast._arrays import effective_number, shares, sums_by
from forecast.causal import (
    Panel,
    WeightModel,
    followed,
    restricted_mean,
    standardised_differences,
    summarise_weights,
)
from forecast.causal.weights import (
    logistic_coefficients,
    logistic_probability,
    running_sum,
    truncate_weights,
)
from forecast.errors import DataError, FitError, RequestError
from tests.causal.panels import panel_of


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"step": [1, 3]}, "do not run 1, 2, 3"),
        ({"group": [0, 2]}, "third group"),
        ({"event": [True, False]}, "after an event"),
        ({"sign": [0.0, np.nan]}, "gaps in what is known"),
    ],
)
def test_panels_that_cannot_be_are_refused(change, message):
    columns = {"who": [1, 1], "step": [1, 2], "group": [0, 0], "event": [False, False]}
    frame = pd.DataFrame(columns | {"lost": False, "sign": 0.0} | change)
    with pytest.raises(DataError, match=message):
        panel_of(frame, ["sign"])


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


def tables_of(panel: Panel, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return who is at risk and has the event, each row in its own step with its own weight."""
    at = panel.step - 1
    return sums_by(at, weight, STEPS), sums_by(at, weight * panel.event, STEPS)


def contrast(panel: Panel, *, weighted: bool = True, quantile: float = 1.0) -> float:
    weights = WeightModel(panel, ridge=0.1).fit()
    means = []
    for wanted in ([0], [1]):
        mask = followed(panel, wanted)
        weight = weights.used(mask, quantile=quantile)[0] if weighted else mask.astype(float)
        means.append(float(restricted_mean(*tables_of(panel, weight))[0]))
    return means[1] - means[0]


@pytest.mark.parametrize("effect", [0.0, 1.0])
def test_weighting_finds_the_truth_where_the_plain_reading_does_not(effect):
    errors, plain = [], []
    for seed in range(12):
        frame, truth = confounded(1500, seed, effect)
        panel = panel_of(frame, ["sign"])
        errors.append(contrast(panel) - (truth[1] - truth[0]))
        plain.append(contrast(panel, weighted=False) - (truth[1] - truth[0]))
    assert abs(np.mean(errors)) < 4 * np.std(errors) / 12**0.5 + 0.03
    assert np.mean(plain) > 0.3


def test_the_order_of_the_rows_and_the_names_of_the_subjects_do_not_matter():
    frame, _ = confounded(300, 1)
    shuffled = frame.sample(frac=1, random_state=1).assign(who=lambda f: "s" + f["who"].astype(str))
    assert contrast(panel_of(shuffled, ["sign"])) == pytest.approx(
        contrast(panel_of(frame, ["sign"])), abs=1e-9
    )


def test_counting_every_row_twice_changes_no_weight():
    panel = panel_of(confounded(300, 2)[0], ["sign"])
    model = WeightModel(panel)
    once, twice = model.fit(), model.fit(np.full(len(panel.step), 2.0))
    assert_allclose(once.stabilised, twice.stabilised, rtol=1e-6)


def test_a_start_from_a_near_fit_leads_to_the_same_place():
    panel = panel_of(confounded(300, 3)[0], ["sign"])
    model = WeightModel(panel, ridge=1.0)
    rows = np.random.default_rng(0).integers(0, 3, panel.n_subjects)[panel.subject].astype(float)
    cold, warm = model.fit(rows), model.fit(rows, start=model.fit().coefficients)
    assert_allclose(cold.stabilised, warm.stabilised, rtol=1e-6)


def test_stabilised_weights_have_mean_near_one_and_change_no_curve():
    panel = panel_of(confounded(3000, 4)[0], ["sign"])
    weights = WeightModel(panel).fit()
    mask = followed(panel, [0])
    assert weights.stabilised[mask].mean() == pytest.approx(1, abs=0.1)
    plain = weights.choice * weights.staying
    hazards = []
    for used in (plain, weights.stabilised):
        at_risk, events = tables_of(panel, np.where(mask, used, 0))
        hazards.append(shares(events, at_risk))
    assert_allclose(*hazards)


def test_a_strategy_is_followed_until_the_first_departure():
    frame = pd.DataFrame(
        {"who": [1, 1, 1, 2, 2], "step": [1, 2, 3, 1, 2], "group": [0, 1, 0, 0, 0]}
    )
    panel = panel_of(frame)
    assert list(followed(panel, [0])) == [True, False, False, True, True]
    assert list(followed(panel, [0, 1])) == [True, True, False, True, False]
    with pytest.raises(RequestError):
        followed(panel, [2])


# Hernán & Robins, What If (2020), table 20.1: N, A0, L1, A1, mean of Y
TABLE_20_1 = [
    (2400, 0, 0, 0, 84),
    (1600, 0, 0, 1, 84),
    (2400, 0, 1, 0, 52),
    (9600, 0, 1, 1, 52),
    (4800, 1, 0, 0, 76),
    (3200, 1, 0, 1, 76),
    (1600, 1, 1, 0, 44),
    (6400, 1, 1, 1, 44),
]


@pytest.fixture(scope="module")
def feedback() -> tuple[Panel, np.ndarray]:
    """Return one subject for each 400, and the outcome of each."""
    cells = [row for row in TABLE_20_1 for _ in range(row[0] // 400)]
    rows = [
        {"who": who, "step": step, "group": group, "history": history}
        for who, (_, first, between, second, _) in enumerate(cells)
        for step, group, history in ((1, first, 0), (2, second, between))
    ]
    outcome = np.array([row[4] for row in cells], dtype=float)
    return panel_of(pd.DataFrame(rows), ["history"]), outcome


ARMS = [(0, 0), (0, 1), (1, 0), (1, 1)]


@pytest.mark.parametrize("arm", ARMS)
def test_table_20_1_weighting_gives_exactly_60(feedback, arm):
    panel, outcome = feedback
    last = panel.step == 2
    weight = (WeightModel(panel).fit().choice * followed(panel, arm))[last]
    assert 400 * weight.sum() == pytest.approx(32000, rel=1e-8)
    assert weight @ outcome / weight.sum() == pytest.approx(60, abs=1e-7)
    # what tempts: the crude contrast of the two constant arms is -13.33
    crude = [np.average(outcome, weights=followed(panel, g)[last]) for g in ((1, 1), (0, 0))]
    assert crude[0] - crude[1] == pytest.approx(-40 / 3, abs=1e-9)


@pytest.fixture(scope="module")
def smokers() -> pd.DataFrame:
    from causaldata import nhefs

    data = nhefs.load_pandas().data
    return data[data["wt82_71"].notna()].reset_index(drop=True)


@pytest.fixture(scope="module")
def confounders(smokers) -> pd.DataFrame:
    columns = {}
    for name in ("sex", "race", "education", "exercise", "active"):
        levels = smokers[name].astype(int)
        for level in sorted(levels.unique())[1:]:
            columns[f"{name}{level}"] = (levels == level).astype(float)
    for name in ("age", "smokeintensity", "smokeyrs", "wt71"):
        columns[name] = smokers[name].astype(float)
        columns[f"{name} squared"] = smokers[name].astype(float) ** 2
    return pd.DataFrame(columns)


def with_ones(frame: pd.DataFrame) -> np.ndarray:
    values = frame.to_numpy(dtype=float)
    return np.hstack([np.ones((len(values), 1)), values])


def test_chapter_12_weights_balance_the_groups(smokers, confounders):
    quit_smoking = smokers["qsmk"].to_numpy(dtype=float)
    design, share = with_ones(confounders), quit_smoking.mean()
    assert (len(quit_smoking), quit_smoking.sum()) == (1566, 403)
    fitted = logistic_probability(
        design, logistic_coefficients(design, quit_smoking, np.ones((1, 1566)))[0]
    )
    received = np.where(quit_smoking == 1, fitted, 1 - fitted)
    plain = 1 / received
    assert_allclose([plain.mean(), plain.min(), plain.max()], [1.9963, 1.054, 16.700], atol=1e-3)
    weight = np.where(quit_smoking == 1, share, 1 - share) / received
    assert_allclose(
        [weight.mean(), weight.min(), weight.max()], [0.9988, 0.3312, 4.2977], atol=1e-4
    )
    gain = smokers["wt82_71"].to_numpy(dtype=float)
    means = [np.average(gain, weights=weight * (quit_smoking == group)) for group in (0, 1)]
    assert_allclose([means[0], means[1] - means[0]], [1.77998, 3.44054], atol=1e-4)  # the book: 3.4
    assert effective_number(weight) < 1566
    # the weights make those who quit, and those who do not, like everybody
    for group in (0, 1):
        mine, everybody = weight * (quit_smoking == group), np.ones(1566)
        before = standardised_differences(design[:, 1:], quit_smoking == group, everybody)
        after = standardised_differences(design[:, 1:], mine, everybody)
        assert np.abs(after).max() < 0.05
        assert np.abs(before).max() > (0.2 if group else 0.05)


# steps so small that the likelihood shows them only in its last digits were halved away
@pytest.mark.parametrize("seed", [12, 134, 145])
def test_rare_outcomes_settle_to_the_last_digits(seed):
    rng = np.random.default_rng(seed)
    design = np.column_stack([np.ones(1000), rng.normal(size=(1000, 30))])
    chance = logistic_probability(design[:, :3], np.array([[-7.0, 2.0, 2.0]]))[0]
    outcome = rng.random(1000) < chance
    once = np.ones((1, 1000))
    found = logistic_coefficients(design, outcome, once, ridge=0.5, tolerance=1e-10)[0]
    score = design.T @ (outcome - logistic_probability(design, found[None])[0])
    assert_allclose(score[1:], 0.5 * found[1:], atol=1e-9)


def test_logistic_coefficients_agree_with_statsmodels():
    import statsmodels.api as sm

    rng = np.random.default_rng(1)
    design = np.column_stack([np.ones(400), rng.normal(size=(400, 3))])
    outcome = rng.random(400) < 1 / (1 + np.exp(-design @ [-0.5, 1, 0, -2]))
    weight = rng.integers(0, 4, 400).astype(float)
    reference = sm.GLM(outcome, design, family=sm.families.Binomial(), freq_weights=weight).fit(
        tol=1e-13
    )
    ours = logistic_coefficients(design, outcome, weight[None])[0]
    assert_allclose(ours, reference.params, atol=1e-8)


def test_separated_outcomes_need_a_ridge():
    design = np.column_stack([np.ones(20), np.arange(20) - 9.5])
    outcome, once = design[:, 1] > 0, np.ones((1, 20))
    with pytest.raises(FitError):
        logistic_coefficients(design, outcome, once)
    assert np.isfinite(logistic_coefficients(design, outcome, once, ridge=1.0)).all()


def test_truncation_is_reported():
    raw = np.array([0.0, 1.0, 1.0, 1.0, 9.0])
    used, limit = truncate_weights(raw, quantile=0.75)
    assert (limit, list(used)) == (1.0, [0, 1, 1, 1, 1])
    summary = summarise_weights(raw, used, limit)
    assert [summary[name] for name in ("n", "share_truncated", "largest_before")] == [4, 0.25, 9.0]
    assert summary["effective"] == effective_number(used) == 4
    assert list(truncate_weights(raw, quantile=1)[0]) == list(raw)


def test_truncation_of_repeated_rows_is_that_of_the_copies():
    rng = np.random.default_rng(2)
    raw, count = rng.exponential(size=50), rng.integers(0, 4, 50)
    _, limit = truncate_weights(raw, quantile=0.9, rows=count)
    assert limit == truncate_weights(np.repeat(raw, count), quantile=0.9)[1]


def test_products_start_again_with_each_subject():
    first = np.array([True, False, False, True])
    product = np.exp(running_sum(np.log([0.5, 0.5, 2.0, 3.0]), first))
    assert_allclose(product, [0.5, 0.25, 0.5, 3])


def test_several_sets_of_weights_have_each_what_it_would_have_alone():
    rng = np.random.default_rng(4)
    design = np.column_stack([np.ones(300), rng.normal(size=(300, 3))])
    outcome = rng.random(300) < 1 / (1 + np.exp(-design @ [-1.0, 0.5, 0.0, 2.0]))
    counts = rng.multinomial(300, np.full(300, 1 / 300), size=30).astype(float)
    together = logistic_coefficients(design, outcome, counts, ridge=0.5)
    raw = rng.lognormal(size=(30, 300))
    used, limits = truncate_weights(raw, quantile=0.97, rows=counts)
    for at, count in enumerate(counts):
        alone = logistic_coefficients(design, outcome, count[None], ridge=0.5)[0]
        assert_allclose(together[at], alone, atol=1e-8)
        own, limit = truncate_weights(raw[at], quantile=0.97, rows=count)
        assert limits[at] == limit
        assert_allclose(used[at], own)
