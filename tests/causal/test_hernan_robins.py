"""Hernán & Robins, Causal Inference: What If (2020): chapters 12, 13 and table 20.1."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.causal.balance import balance_table
from forecast.causal.gformula import iterated_expectation, standardised_means
from forecast.causal.panel import Panel
from forecast.causal.strategies import WeightModel, followed
from forecast.causal.weights import effective_number, point_weights, weighted_difference


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


def test_chapter_12_weights_and_effect(smokers, confounders):
    quit_smoking = smokers["qsmk"].to_numpy(dtype=float)
    gain = smokers["wt82_71"].to_numpy(dtype=float)
    assert (len(gain), quit_smoking.sum()) == (1566, 403)
    crude = weighted_difference(gain, quit_smoking, np.ones(1566))
    assert_allclose([*crude.means, crude.estimate], [1.984498, 4.525079, 2.540581], atol=1e-6)

    plain = point_weights(quit_smoking, with_ones(confounders), stabilise=False)
    assert_allclose([plain.mean(), plain.min(), plain.max()], [1.9963, 1.054, 16.700], atol=1e-3)
    weight = point_weights(quit_smoking, with_ones(confounders))
    assert_allclose(
        [weight.mean(), weight.min(), weight.max()], [0.9988, 0.3312, 4.2977], atol=1e-4
    )

    effect = weighted_difference(gain, quit_smoking, weight)
    assert effect.estimate == pytest.approx(3.44054, abs=1e-4)  # the book: 3.4
    assert effect.means[0] == pytest.approx(1.77998, abs=1e-4)
    assert effect.error == pytest.approx(0.52549, abs=1e-4)
    assert_allclose(effect.interval(), (2.4106, 4.4705), atol=1e-3)  # the book: 2.4, 4.5
    assert effective_number(weight) < 1566


def test_chapter_12_weights_balance_the_groups(smokers, confounders):
    weight = point_weights(smokers["qsmk"], with_ones(confounders))
    table = balance_table(confounders, smokers["qsmk"], weight)
    assert table["before"].abs().max() > 0.25
    assert table["after"].abs().max() < 0.05


def test_chapter_13_standardisation(smokers, confounders):
    quit_smoking = smokers["qsmk"].to_numpy(dtype=float)
    dose = smokers["smokeintensity"].to_numpy(dtype=float)

    def design(group: np.ndarray) -> np.ndarray:
        return np.column_stack([with_ones(confounders), group, group * dose])

    settings = [design(quit_smoking), design(np.ones(1566)), design(np.zeros(1566))]
    means = standardised_means(settings[0], smokers["wt82_71"], settings)
    assert_allclose(means, [2.6383, 5.2736, 1.7562], atol=1e-4)
    assert means[1] - means[2] == pytest.approx(3.5174, abs=1e-4)  # the book: 3.5


# N, A0, L1, A1, mean of Y
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
def feedback() -> tuple[Panel, np.ndarray, np.ndarray]:
    rows = [
        {"cell": cell, "step": step, "group": group, "history": history}
        for cell, (_, first, between, second, _) in enumerate(TABLE_20_1)
        for step, group, history in ((1, first, 0), (2, second, between))
    ]
    panel = Panel.from_frame(
        pd.DataFrame(rows), subject="cell", step="step", group="group", before=["history"]
    )
    counts = np.array([row[0] for row in TABLE_20_1], dtype=float)
    return panel, counts, np.array([row[4] for row in TABLE_20_1], dtype=float)


ARMS = [(0, 0), (0, 1), (1, 0), (1, 1)]


@pytest.mark.parametrize("arm", ARMS)
def test_table_20_1_g_formula_gives_exactly_60(feedback, arm):
    panel, counts, outcome = feedback
    assert iterated_expectation(panel, outcome, arm, weight=counts) == pytest.approx(60, abs=1e-9)


@pytest.mark.parametrize("arm", ARMS)
def test_table_20_1_weighting_gives_exactly_60(feedback, arm):
    panel, counts, outcome = feedback
    rows = np.repeat(counts, 2)
    weights = WeightModel(panel, ridge=0.0, steps=False, least=1).fit(rows)
    last = panel.step == 2
    weight = (weights.choice * rows * followed(panel, arm))[last]
    assert weight.sum() == pytest.approx(32000, rel=1e-8)
    assert weight @ outcome / weight.sum() == pytest.approx(60, abs=1e-7)
    # what tempts: the crude contrast of the two constant arms is -13.33
    crude = [
        np.average(outcome, weights=(rows * followed(panel, g))[last]) for g in ((1, 1), (0, 0))
    ]
    assert crude[0] - crude[1] == pytest.approx(-40 / 3, abs=1e-9)
