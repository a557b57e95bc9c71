"""The discrete hazard: published numbers, a GLM on expanded rows, priors, thin data, joint fits."""

import json
import pickle

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import minimize

from forecast._plain import plain
from forecast._plain import read as from_plain
from forecast.errors import FitError, RequestError
from forecast.survival import (
    DiscreteHazard,
    Durations,
    Encoding,
    LifeTable,
    RowsHere,
    ScoreAndInformation,
    joint_fit,
)
from forecast.survival.hazard import ask_here

from .conftest import binomial_glm, long_rows


def durations_of(frame, covariates, **columns):
    return Durations.from_frame(frame, step="k", observed="seen", covariates=covariates, **columns)


def coefficients(fitted):
    return pd.Series(fitted.parameters[3:], list(fitted.encoding.names))


def standard_errors(fitted):
    return pd.Series(np.diag(fitted.covariance_matrix)[3:] ** 0.5, list(fitted.encoding.names))


def two_groups(n=200, hazard=(0.1, 0.25), seed=0, watched=12):
    rng = np.random.default_rng(seed)
    x = np.arange(n) % 2
    happens = rng.geometric(np.array(hazard)[x])
    return pd.DataFrame({"k": np.minimum(happens, watched), "seen": happens <= watched, "x": x})


@pytest.mark.parametrize("spread", [None, 1.0, 0.3, 0.1, 1e-3])
def test_a_prior_pulls_as_a_penalty_on_every_step_written_out_does(rossi, spread):
    names, means = ["fin", "age", "prio"], np.array([-0.38, -0.057, 0.091])
    first = rossi.iloc[:150].reset_index(drop=True)
    rows, steps, events = long_rows(first.week, first.arrest, np.zeros(150), np.ones(150))
    x = np.log(steps / 8)
    design = np.column_stack([np.ones(len(x)), x, x**2, first[names].to_numpy(float)[rows]])

    def loss(values):
        hazard = -np.expm1(-np.exp(design @ values))
        held = [values[1] / 2, values[2] / 1] if spread else [0.0]
        held += [] if spread is None else list((values[3:] - means) / spread)
        return -np.log(np.where(events, hazard, 1 - hazard)).sum() + np.square(held).sum() / 2

    prior = None if spread is None else {n: (m, spread) for n, m in zip(names, means, strict=True)}
    durations = Durations.from_frame(first, step="week", observed="arrest", covariates=names)
    fitted = DiscreteHazard(prior=prior).fit(durations)
    best = minimize(loss, fitted.parameters, method="BFGS", options={"gtol": 1e-7})
    assert loss(fitted.parameters) <= best.fun + 1e-7
    assert_allclose(fitted.parameters, best.x, atol=2e-4)


def test_a_normal_prior_and_a_large_sample_combine_by_precision():
    # normal-normal updating: the posterior of a quadratic likelihood is precision-weighted
    durations = durations_of(two_groups(4000), ["x"])
    alone = DiscreteHazard().fit(durations)
    theirs = standard_errors(alone)["x"]
    both = DiscreteHazard(prior={"x": (0.6, theirs)}).fit(durations)
    expected = (coefficients(alone)["x"] + 0.6) / 2
    assert_allclose(coefficients(both)["x"], expected, atol=2e-3)
    assert_allclose(standard_errors(both)["x"], theirs / 2**0.5, rtol=1e-2)


def test_what_the_data_do_not_speak_of_keeps_its_prior():
    frame = two_groups().assign(rare=0)
    model = DiscreteHazard(prior={"rare": (-0.9, 0.3)})
    fitted = model.fit(durations_of(frame, ["x", "rare"]))
    assert_allclose(coefficients(fitted)["rare"], -0.9, atol=1e-8)
    assert_allclose(standard_errors(fitted)["rare"], 0.3, atol=1e-8)
    asked = {"x": 0.0, "rare": [0.0, 1.0]}
    without, with_it = fitted.predict_draws(asked, 1, n_draws=4000, seed=1)[:, :, 0].T
    draws = np.log(np.log1p(-with_it) / np.log1p(-without))
    assert_allclose([draws.mean(), draws.std()], [-0.9, 0.3], atol=0.02)


def test_clustered_errors_keep_the_prior_where_data_are_silent():
    frame = two_groups().assign(rare=0, who=np.arange(200) // 2)
    model = DiscreteHazard(prior={"rare": (-0.9, 0.3)})
    fitted = model.fit(durations_of(frame, ["x", "rare"], subject="who"))
    assert_allclose(fitted.clustered_matrix[-1, -1], 0.09, rtol=1e-6)


def test_a_prior_alone_is_a_model():
    prior = {
        "x": (0.5, 0.2),
        "baseline[level]": (-2.0, 0.4),
        "baseline[slope]": (1.0, 0.5),
        "baseline[curve]": (0.0, 0.3),
    }
    alone = DiscreteHazard(prior=prior).from_prior(["x"], 20)
    # at step 8 the baseline is its level, and the complementary log-log hazard follows
    hazard = alone.predict({"x": [0, 1]}, 20).hazard()[:, 7]
    assert_allclose(hazard, 1 - np.exp(-np.exp([-2.0, -1.5])))
    assert_allclose(np.diag(alone.covariance_matrix), [0.16, 0.25, 0.09, 0.04])
    assert alone.notes.n_events == 0
    none = two_groups(4).assign(seen=False, k=1)
    few = DiscreteHazard(prior=prior).fit(durations_of(none, ["x"]))
    assert_allclose(few.parameters, alone.parameters, atol=0.05)


def test_a_prior_alone_must_be_whole():
    with pytest.raises(RequestError, match=r"says nothing of 'baseline\[level\]'"):
        DiscreteHazard(prior={"x": (0, 1)}).from_prior(["x"], 9)


def test_priors_must_name_something():
    durations = durations_of(two_groups(), ["x"])
    with pytest.raises(RequestError, match=r"names 'y', which is not a parameter"):
        DiscreteHazard(prior={"y": (0, 1)}).fit(durations)
    with pytest.raises(RequestError, match=r"'baseline\[lvel\]'.*Did you mean 'baseline\[level\]'"):
        DiscreteHazard(prior={"baseline[lvel]": (0, 1)}).fit(durations)


@pytest.mark.parametrize("penalty", [0.0, 2.0])
def test_units_do_not_matter(mixed, penalty):
    prior = {"treated": (0.3, 0.2)}
    columns = ["dose", "treated", "group"]
    model = DiscreteHazard(penalty=penalty, prior=prior)
    here = model.fit(durations_of(mixed, columns, entry="entry"))
    other = mixed.assign(dose=1e4 - 1000 * mixed.dose)
    there = model.fit(durations_of(other, columns, entry="entry"))
    assert_allclose(coefficients(there)["dose"], coefficients(here)["dose"] / -1000, rtol=1e-6)
    assert_allclose(there.predict(other, 9).pmf, here.predict(mixed, 9).pmf, atol=1e-9)
    assert_allclose(there.loglik, here.loglik, atol=1e-7)


def test_a_ridge_shrinks_and_the_loglik_stays_unpenalised(mixed_durations):
    fits = [DiscreteHazard(penalty=p).fit(mixed_durations) for p in (0, 10, 1e7)]
    sizes = [np.abs(coefficients(fitted)[["treated", "group[top]"]]).sum() for fitted in fits]
    assert sizes[0] > sizes[1] > sizes[2]
    assert sizes[2] < 1e-3
    assert fits[0].loglik > fits[1].loglik > fits[2].loglik


def test_separation_is_refused_by_name_and_fitted_through_a_penalty():
    frame = two_groups().assign(mark=lambda rows: rows.seen.astype(int))
    with pytest.raises(FitError, match="'mark' separates"):
        DiscreteHazard().fit(durations_of(frame, ["x", "mark"]))
    fitted = DiscreteHazard(penalty=1.0).fit(durations_of(frame, ["x", "mark"]))
    assert fitted.notes.converged
    assert coefficients(fitted)["mark"] > 1


def test_a_level_without_events_is_refused_or_penalised():
    frame = two_groups().assign(site=lambda rows: np.where(rows.seen, "arm", "leg"))
    frame.loc[0:20, "site"] = "arm"
    with pytest.raises(FitError, match=r"'site\[leg\]' separates"):
        DiscreteHazard().fit(durations_of(frame, ["site"]))
    DiscreteHazard(penalty=1.0).fit(durations_of(frame, ["site"]))


def test_collinear_columns_are_named_or_penalised():
    frame = two_groups().assign(again=lambda rows: 3 * rows.x + 1, z=np.arange(200) % 7)
    with pytest.raises(FitError, match=r"cannot tell apart: (x, again|again, x)"):
        DiscreteHazard().fit(durations_of(frame, ["x", "z", "again"]))
    fitted = DiscreteHazard(penalty=1.0).fit(durations_of(frame, ["x", "z", "again"]))
    assert fitted.notes.converged


def test_one_event_is_enough_with_a_penalty():
    frame = pd.DataFrame({"k": [3, 4, 5, 5, 6], "seen": [0, 1, 0, 0, 0], "x": [0, 1, 0, 1, 0]})
    fitted = DiscreteHazard(penalty=1.0).fit(durations_of(frame, ["x"]))
    assert fitted.notes.converged
    assert fitted.notes.n_events == 1
    assert 0 < fitted.predict({"x": 1}, 10).cdf()[0, -1] < 1
    assert any("1 event for 1 covariate" in str(message) for message in fitted.notes.messages)


def test_events_all_at_the_first_step_are_answered_under_a_penalty():
    frame = pd.DataFrame({"k": [1, 1, 1], "seen": [1, 1, 1], "x": [0, 1, 2]})
    fitted = DiscreteHazard(penalty=1.0).fit(durations_of(frame, ["x"]))
    assert fitted.predict({"x": 1.0}, 4).pmf[0, 0] > 0.5


def test_the_baseline_goes_on_beyond_the_last_event_and_says_so():
    frame = two_groups(60, watched=9)
    frame.loc[frame.k > 6, "seen"] = False
    last = int(frame.k[frame.seen].max())
    fitted = DiscreteHazard().fit(durations_of(frame, ["x"]))
    assert (fitted.predict({"x": 0}, 30).pmf[:, last:] > 0).all()
    assert any("extrapolated" in str(message) for message in fitted.notes.messages)


def test_options_are_checked():
    with pytest.raises(RequestError, match="penalty"):
        DiscreteHazard(penalty=-1)
    with pytest.raises(RequestError, match="prior of 'x'"):
        DiscreteHazard(prior={"x": (0.0, 0.0)})
    with pytest.raises(FitError, match="There are no rows"):
        DiscreteHazard().fit(durations_of(two_groups(), ["x"]).take(np.array([], dtype=int)))


def test_splitting_rows_into_spells_changes_nothing(mixed):
    columns = ["dose", "treated", "group"]
    whole = DiscreteHazard().fit(durations_of(mixed, columns, entry="entry"))
    early = mixed[mixed.k - mixed.entry >= 2].assign(seen=False)
    early = early.assign(k=early.entry + 1)
    late = mixed[mixed.k - mixed.entry >= 2].assign(entry=early.k)
    short = mixed[mixed.k - mixed.entry < 2]
    spells = pd.concat([early, late, short], ignore_index=True)
    split = DiscreteHazard().fit(durations_of(spells, columns, entry="entry"))
    assert_allclose(split.parameters, whole.parameters, atol=1e-8)
    assert_allclose(split.covariance_matrix, whole.covariance_matrix, atol=1e-8)
    assert_allclose(split.loglik, whole.loglik, atol=1e-8)


rows = st.lists(
    st.tuples(st.integers(1, 7), st.booleans(), st.integers(0, 1)), min_size=4, max_size=30
).filter(lambda found: any(seen for _, seen, _ in found))


@settings(deadline=None, max_examples=50)
@given(rows)
def test_any_small_data_give_probabilities_under_a_penalty(found):
    frame = pd.DataFrame(found, columns=["k", "seen", "x"])
    fitted = DiscreteHazard(penalty=1.0).fit(durations_of(frame, ["x"]))
    dist = fitted.predict(frame, 10)
    assert_allclose(dist.pmf.sum(axis=1) + dist.not_yet(), 1)
    assert fitted.notes.converged
    draws = fitted.predict_draws(frame, 10, n_draws=5, seed=1)
    assert ((draws >= 0) & (draws <= 1)).all()


@pytest.mark.slow
def test_intervals_of_coefficients_cover_the_truth():
    rng = np.random.default_rng(5)
    covered = 0
    for _ in range(400):
        x = rng.normal(size=250)
        eta = -2.0 + 0.5 * x
        hazard = 1 - np.exp(-np.exp(eta))
        happens, watched = rng.geometric(hazard), rng.integers(2, 20, 250)
        frame = pd.DataFrame(
            {"k": np.minimum(happens, watched), "seen": happens <= watched, "x": x}
        )
        fitted = DiscreteHazard().fit(durations_of(frame, ["x"]))
        off = abs(coefficients(fitted)["x"] - 0.5) / standard_errors(fitted)["x"]
        covered += off < 1.96
    assert abs(covered / 400 - 0.95) < 3 * (0.95 * 0.05 / 400) ** 0.5


# Against published numbers, and against a binomial GLM on expanded rows.
ROSSI = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]


def rossi_durations(rossi, covariates=ROSSI):
    return Durations.from_frame(rossi, step="week", observed="arrest", covariates=covariates)


def test_grouped_proportional_hazards_are_close_to_cox(rossi):
    # Efron partial likelihood, Allison's recidivism data (Fox 2002, appendix on Cox regression)
    efron = [-0.37942, -0.05744, 0.31390, -0.14980, -0.43370, -0.08487, 0.09150]
    fitted = DiscreteHazard().fit(rossi_durations(rossi))
    assert np.abs(coefficients(fitted) - efron).max() <= 0.004


def test_rossi_equals_a_binomial_glm_on_expanded_rows(rossi):
    durations = rossi_durations(rossi)
    fitted = DiscreteHazard().fit(durations)
    glm = binomial_glm(durations, rossi[ROSSI].to_numpy(float))
    assert_allclose(fitted.parameters, glm.params, atol=1e-8)
    assert_allclose(np.sqrt(np.diag(fitted.covariance_matrix)), glm.bse, rtol=1e-6)
    assert_allclose(fitted.covariance_matrix, glm.cov_params(), rtol=1e-6, atol=1e-9)
    assert_allclose(fitted.loglik, glm.llf, atol=1e-8)


def test_delayed_entry_weights_and_clusters_equal_the_glm(mixed):
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
    fitted = DiscreteHazard().fit(durations)
    dummies = pd.get_dummies(mixed.group)[["mid", "top"]]
    matrix = np.column_stack([mixed.dose, mixed.treated, dummies]).astype(float)
    glm = binomial_glm(durations, matrix)
    assert_allclose(fitted.parameters, glm.params, atol=1e-7)
    assert_allclose(np.diag(fitted.covariance_matrix), glm.bse**2, rtol=1e-6)
    assert_allclose(fitted.loglik, glm.llf, atol=1e-7)


def test_clustered_covariance_equals_the_sandwich_of_the_glm(mixed):
    durations = Durations.from_frame(
        mixed, step="k", observed="seen", subject="who", covariates=["dose", "treated"]
    )
    fitted = DiscreteHazard().fit(durations)
    matrix = mixed[["dose", "treated"]].to_numpy(float)
    glm = binomial_glm(durations, matrix, clustered=True)
    groups = mixed.who.nunique()
    assert_allclose(
        fitted.clustered_matrix, glm.cov_params() * groups / (groups - 1), rtol=1e-6, atol=1e-10
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


def test_singer_and_willett_model_b_with_a_smooth_baseline(grades):
    # section 12.2, complementary log-log with a step of its own for each grade: 0.7854 (0.1956)
    fitted = DiscreteHazard().fit(grades)
    assert_allclose(coefficients(fitted)["transition"], 0.7854, atol=0.01)
    assert_allclose(standard_errors(fitted)["transition"], 0.1956, atol=0.002)


def test_a_covariate_that_changes_over_time_is_read_as_spells():
    # Crowley & Hu 1977 (JASA 72:27); R survival 3.5-3, coxph(Surv(start, stop, event) ~ transplant)
    # Efron +0.12714. Days are fine steps, so grouping changes little; that the baseline is smooth
    # moves it by a tenth of its error.
    from lifelines.datasets import load_stanford_heart_transplants

    data = load_stanford_heart_transplants()
    data = data.assign(start=np.floor(data.start), stop=np.ceil(data.stop))
    data = data[data.stop > data.start].reset_index(drop=True)
    durations = Durations.from_frame(
        data, step="stop", observed="event", entry="start", subject="id", covariates=["transplant"]
    )
    fitted = DiscreteHazard().fit(durations)
    assert_allclose(coefficients(fitted)["transplant"], 0.12714, atol=0.03)
    assert_allclose(standard_errors(fitted)["transplant"], 0.30114, atol=0.005)


def test_risk_sets_open_just_after_entry():
    # Therneau's (start, stop] test data (R survival, vignette "validate"), whose numbers are of
    # Cox's model: here a GLM on the rows at risk, and no number of his
    entry = np.array([1, 2, 5, 2, 1, 7, 3, 4, 8, 8])
    step = np.array([2, 3, 6, 7, 8, 9, 9, 9, 14, 17])
    observed = np.arange(10) < 7
    frame = pd.DataFrame({"x": [1, 0, 0, 1, 0, 1, 1, 1, 0, 0]})
    durations = Durations(step, observed, frame, np.arange(10), entry, np.ones(10))
    fitted = DiscreteHazard().fit(durations)
    glm = binomial_glm(durations, frame.to_numpy(float))
    assert_allclose(fitted.parameters, glm.params, atol=1e-6)
    assert_allclose(np.sqrt(np.diag(fitted.covariance_matrix)), glm.bse, rtol=1e-5)


# a joint fit from sums: equal to the fit on the pooled rows, wherever rows are

COLUMNS = ["dose", "treated", "group"]


def own_rows(frame):
    return Durations.from_frame(
        frame.reset_index(drop=True), step="k", observed="seen", entry="entry", covariates=COLUMNS
    )


def sites_of(frame, encoding, pieces=3):
    return [
        RowsHere.of(own_rows(frame[frame.index % pieces == piece]), encoding)
        for piece in range(pieces)
    ]


JOINED = {
    "plain": DiscreteHazard(),
    "ridge": DiscreteHazard(penalty=3.0),
    "prior": DiscreteHazard(prior={"treated": (0.4, 0.1), "baseline[level]": (-2.0, 0.5)}),
}


@pytest.mark.parametrize("model", JOINED.values(), ids=JOINED.keys())
def test_sums_from_three_sites_give_the_fit_of_the_pooled_rows(model, mixed):
    encoding = Encoding.learn(mixed[COLUMNS])
    joint = joint_fit(model, encoding, ask_here(sites_of(mixed, encoding)))
    pooled = model.fit(own_rows(mixed))
    assert_allclose(joint.parameters, pooled.parameters, atol=1e-8)
    assert_allclose(joint.covariance_matrix, pooled.covariance_matrix, atol=1e-8)
    assert_allclose(joint.loglik, pooled.loglik, atol=1e-8)
    assert joint.notes.n_events == pooled.notes.n_events
    assert joint.notes.supported_to == pooled.notes.supported_to


def test_the_answers_may_travel_as_text_and_sites_as_bytes(mixed):
    model, encoding = JOINED["ridge"], Encoding.learn(mixed[COLUMNS])
    sites = pickle.loads(pickle.dumps(sites_of(mixed, encoding)))

    def by_post(method, *arguments):
        answers = ask_here(sites)(method, *arguments)
        if method == "derivatives":
            texts = [json.dumps(plain(answer)) for answer in answers]
            answers = [from_plain(ScoreAndInformation, json.loads(text)) for text in texts]
        return answers

    joint = joint_fit(model, encoding, by_post)
    assert_allclose(joint.parameters, model.fit(own_rows(mixed)).parameters, atol=1e-8)


def test_levels_seen_in_one_site_only_are_known_in_all(mixed):
    first, second = mixed[mixed.group != "top"], mixed[mixed.group != "low"]
    encoding = Encoding.learn(pd.concat([first, second])[COLUMNS])
    assert encoding.names == ("dose", "treated", "group[mid]", "group[top]")
    model = JOINED["ridge"]
    sites = [RowsHere.of(own_rows(p), encoding) for p in (first, second)]
    joint = joint_fit(model, encoding, ask_here(sites))
    pooled = model.fit(own_rows(pd.concat([first, second])))
    assert_allclose(joint.parameters, pooled.parameters, atol=1e-8)


def test_what_cannot_be_joined_is_refused(mixed):
    model, encoding = JOINED["ridge"], Encoding.learn(mixed[COLUMNS])
    with pytest.raises(FitError, match="Nobody had the event at any site"):
        joint_fit(model, encoding, ask_here(sites_of(mixed.assign(seen=False), encoding)))


def test_no_answer_is_as_long_as_the_rows(mixed):
    encoding = Encoding.learn(mixed[COLUMNS])
    site = sites_of(mixed, encoding, pieces=1)[0]
    steps, k = int(mixed.k.max()), 3 + len(encoding.names)
    counts = site.counts()
    assert max(len(counts.at_risk), len(counts.first)) <= max(steps, k)
    answer = site.derivatives(np.zeros(k))
    assert answer.gradient.shape == (k,)
    assert answer.information.shape == (k, k)
