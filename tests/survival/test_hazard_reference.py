"""The discrete hazard against published numbers and against a binomial GLM on expanded rows."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.survival import DiscreteHazard, Durations, LifeTable

from .conftest import binomial_glm

ROSSI = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]


def rossi_durations(rossi, covariates=ROSSI):
    return Durations.from_frame(rossi, step="week", observed="arrest", covariates=covariates)


# statsmodels GLM on 19,809 person-weeks; the same numbers from R 4.2.2 glm(). Event-free weeks out.
ROSSI_SLOPES = {
    "cloglog": ([-0.38017, -0.05755, 0.31430, -0.14959, -0.43410, -0.08514, 0.09177], 1323.119),
    "logit": ([-0.38288, -0.05767, 0.31765, -0.15278, -0.43600, -0.08571, 0.09229], 1323.069),
}


@pytest.mark.parametrize("link", ["cloglog", "logit"])
def test_rossi_week_dummies_give_the_numbers_of_r(rossi, link):
    slopes, deviance = ROSSI_SLOPES[link]
    fitted = DiscreteHazard(link=link).fit(rossi_durations(rossi))
    assert list(fitted.coefficients.index) == ROSSI
    assert_allclose(fitted.coefficients, slopes, atol=6e-6)
    assert_allclose(-2 * fitted.loglik, deviance, atol=6e-4)


def test_grouped_proportional_hazards_are_close_to_cox(rossi):
    # Efron partial likelihood, Allison's recidivism data (Fox 2002, appendix on Cox regression)
    efron = [-0.37942, -0.05744, 0.31390, -0.14980, -0.43370, -0.08487, 0.09150]
    fitted = DiscreteHazard().fit(rossi_durations(rossi))
    assert np.abs(fitted.coefficients - efron).max() <= 0.0008


def test_logit_is_close_to_the_exact_conditional_likelihood(rossi):
    # R survival::coxph(ties = "exact") on the same data
    exact = [-0.38157, -0.05752, 0.31646, -0.15224, -0.43492, -0.08546, 0.09189]
    fitted = DiscreteHazard(link="logit").fit(rossi_durations(rossi))
    assert np.abs(fitted.coefficients - exact).max() <= 0.0014


@pytest.mark.parametrize("smooth", [False, True], ids=["free", "smooth"])
@pytest.mark.parametrize("link", ["cloglog", "logit"])
def test_rossi_equals_a_binomial_glm_on_expanded_rows(rossi, link, smooth):
    durations = rossi_durations(rossi)
    fitted = DiscreteHazard(link=link, baseline="smooth" if smooth else "free").fit(durations)
    glm = binomial_glm(durations, rossi[ROSSI].to_numpy(float), link, smooth=smooth)
    assert_allclose(fitted.parameters, glm.params, atol=1e-8)
    assert_allclose(np.sqrt(np.diag(fitted.covariance)), glm.bse, rtol=1e-6)
    assert_allclose(fitted.covariance, glm.cov_params(), rtol=1e-6, atol=1e-9)
    assert_allclose(fitted.loglik, glm.llf, atol=1e-8)


@pytest.mark.parametrize("smooth", [False, True], ids=["free", "smooth"])
@pytest.mark.parametrize("link", ["cloglog", "logit"])
def test_delayed_entry_weights_and_clusters_equal_the_glm(mixed, link, smooth):
    weight = np.random.default_rng(3).integers(0, 3, len(mixed)).astype(float)
    durations = Durations.from_frame(
        mixed.assign(w=weight),
        step="k",
        observed="seen",
        entry="entry",
        weight="w",
        subject="who",
        covariates=["dose", "treated", "group"],
    )
    fitted = DiscreteHazard(link=link, baseline="smooth" if smooth else "free").fit(durations)
    dummies = pd.get_dummies(mixed.group)[["mid", "top"]]
    matrix = np.column_stack([mixed.dose, mixed.treated, dummies]).astype(float)
    glm = binomial_glm(durations, matrix, link, smooth=smooth)
    assert_allclose(fitted.parameters, glm.params, atol=1e-7)
    assert_allclose(np.diag(fitted.covariance), glm.bse**2, rtol=1e-6)
    assert_allclose(fitted.loglik, glm.llf, atol=1e-7)


@pytest.mark.parametrize("link", ["cloglog", "logit"])
def test_clustered_covariance_equals_the_sandwich_of_the_glm(mixed, link):
    durations = Durations.from_frame(
        mixed, step="k", observed="seen", subject="who", covariates=["dose", "treated"]
    )
    fitted = DiscreteHazard(link=link).fit(durations)
    matrix = mixed[["dose", "treated"]].to_numpy(float)
    glm = binomial_glm(durations, matrix, link, clustered=True)
    groups = mixed.who.nunique()
    assert_allclose(
        fitted.clustered_covariance, glm.cov_params() * groups / (groups - 1), rtol=1e-6, atol=1e-10
    )


# Singer & Willett 2003, Applied Longitudinal Data Analysis, tables 11.1 and 11.3: grade at first
# intercourse; (at risk, events) in grades 7 to 12, by parental transition.
GRADES = {
    0: [(72, 2), (70, 2), (68, 8), (60, 8), (52, 10), (42, 8)],
    1: [(108, 13), (95, 5), (90, 16), (74, 21), (53, 15), (38, 18)],
}


@pytest.fixture(scope="module")
def grades():
    rows = []
    for transition, table in GRADES.items():
        for step, (at_risk, events) in enumerate(table, start=1):
            following = table[step][0] if step < 6 else 0
            rows.append((step, True, transition, events))
            rows.append((step, False, transition, at_risk - events - following))
    frame = pd.DataFrame(rows, columns=["k", "seen", "transition", "n"])
    return Durations.from_frame(
        frame, step="k", observed="seen", covariates=["transition"], weight="n"
    )


def test_singer_and_willett_life_table(grades):
    table = LifeTable().fit(grades)
    assert_allclose(table.hazard, [0.0833, 0.0424, 0.1519, 0.2164, 0.2381, 0.3250], atol=5e-5)
    assert_allclose(table.survival, [0.9167, 0.8778, 0.7444, 0.5833, 0.4444, 0.3000], atol=5e-5)


@pytest.mark.parametrize(
    ("link", "baseline", "slope", "error", "deviance"),
    [
        (  # table 11.3, model B
            "logit",
            [-2.9943, -3.7001, -2.2811, -1.8226, -1.6542, -1.1791],
            0.8736,
            0.2174,
            634.6618,
        ),
        (  # section 12.2
            "cloglog",
            [-2.9733, -3.6592, -2.3156, -1.9001, -1.7621, -1.3426],
            0.7854,
            0.1956,
            634.5013,
        ),
    ],
)
def test_singer_and_willett_model_b(grades, link, baseline, slope, error, deviance):
    fitted = DiscreteHazard(link=link).fit(grades)
    assert_allclose(fitted.baseline, baseline, atol=6e-5)
    assert_allclose(fitted.coefficients["transition"], slope, atol=6e-5)
    assert_allclose(fitted.standard_errors["transition"], error, atol=6e-5)
    assert_allclose(-2 * fitted.loglik, deviance, atol=6e-5)


def test_singer_and_willett_model_a(grades):
    frame = grades.covariates[[]]
    without = Durations(
        grades.step, grades.observed, frame, grades.subject, grades.entry, grades.weight
    )
    fitted = DiscreteHazard(link="logit").fit(without)
    assert_allclose(
        fitted.baseline, [-2.3979, -3.1167, -1.7198, -1.2867, -1.1632, -0.7309], atol=6e-5
    )
    errors = np.sqrt(np.diag(fitted.covariance))
    assert_allclose(errors, [0.2697, 0.3862, 0.2217, 0.2098, 0.2291, 0.2387], atol=6e-5)
    assert_allclose(-2 * fitted.loglik, 651.9554, atol=6e-5)


@pytest.mark.parametrize("link", ["cloglog", "logit"])
def test_without_covariates_the_free_baseline_is_the_life_table(six_mp, link):
    for arm in (0, 1):
        rows = six_mp[six_mp.Rx == arm]
        durations = Durations.from_frame(rows, step="t", observed="status", covariates=[])
        fitted = DiscreteHazard(link=link).fit(durations)
        table = LifeTable().fit(durations)
        horizon = table.notes.horizon
        assert_allclose(fitted.predict({}, horizon).survival()[0], table.survival, atol=1e-8)


def test_a_covariate_that_changes_over_time_is_read_as_spells():
    # Crowley & Hu 1977 (JASA 72:27); R survival 3.5-3, coxph(Surv(start, stop, event) ~ transplant)
    # Efron +0.12714. Days are fine steps, so grouping changes little.
    from lifelines.datasets import load_stanford_heart_transplants

    data = load_stanford_heart_transplants()
    data = data.assign(start=np.floor(data.start), stop=np.ceil(data.stop))
    data = data[data.stop > data.start].reset_index(drop=True)
    durations = Durations.from_frame(
        data, step="stop", observed="event", entry="start", subject="id", covariates=["transplant"]
    )
    fitted = DiscreteHazard().fit(durations)
    assert_allclose(fitted.coefficients["transplant"], 0.12714, atol=0.005)
    assert_allclose(fitted.standard_errors["transplant"], 0.30114, atol=0.005)


@pytest.mark.parametrize("link", ["cloglog", "logit"])
def test_risk_sets_open_just_after_entry(link):
    # Therneau's (start, stop] test data (R survival, vignette "validate")
    entry = np.array([1, 2, 5, 2, 1, 7, 3, 4, 8, 8])
    step = np.array([2, 3, 6, 7, 8, 9, 9, 9, 14, 17])
    observed = np.arange(10) < 7
    frame = pd.DataFrame({"x": [1, 0, 0, 1, 0, 1, 1, 1, 0, 0]})
    durations = Durations(step, observed, frame, np.arange(10), entry, np.ones(10))
    fitted = DiscreteHazard(link=link).fit(durations)
    glm = binomial_glm(durations, frame.to_numpy(float), link)
    assert_allclose(fitted.parameters, glm.params, atol=1e-6)
    assert_allclose(np.sqrt(np.diag(fitted.covariance)), glm.bse, rtol=1e-5)
