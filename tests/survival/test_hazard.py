"""What the discrete hazard does with priors, penalties, thin data, and refits."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from forecast._jobs import run_units, seeds
from forecast.errors import DataError, FitError, RequestError
from forecast.survival import DiscreteHazard, Durations

from .conftest import long_rows

FLAT_BASELINE = {"baseline[slope]": (0.0, 1e-6), "baseline[curve]": (0.0, 1e-6)}


def durations_of(frame, covariates, **columns):
    return Durations.from_frame(frame, step="k", observed="seen", covariates=covariates, **columns)


def two_groups(n=200, hazard=(0.1, 0.25), seed=0, watched=12):
    rng = np.random.default_rng(seed)
    x = np.arange(n) % 2
    happens = rng.geometric(np.array(hazard)[x])
    return pd.DataFrame({"k": np.minimum(happens, watched), "seen": happens <= watched, "x": x})


# First 40 of the Rossi data (10 events), covariates centred, constant plus linear week, logit, a
# prior with means -.38 -.057 .091 and one spread: penalised statsmodels GLM, made for this check.
@pytest.mark.parametrize(
    ("spread", "slopes"),
    [
        (None, [-0.5127, -0.1270, 0.1191]),
        (1.0, [-0.4680, -0.1259, 0.1201]),
        (0.3, [-0.4003, -0.1196, 0.1197]),
        (0.1, [-0.3827, -0.0951, 0.1089]),
        (1e-5, [-0.38, -0.057, 0.091]),
    ],
)
def test_a_prior_pulls_towards_published_effects(rossi, spread, slopes):
    first = rossi.iloc[:40]
    rows, steps, events = long_rows(first.week, first.arrest, np.zeros(40), np.ones(40))
    names = ["fin", "age", "prio"]
    frame = (first[names] - first[names].mean()).iloc[rows].reset_index(drop=True)
    frame = frame.assign(k=steps, before=steps - 1, seen=events, week=steps)
    durations = durations_of(frame, [*names, "week"], entry="before")
    means = dict(zip(names, [-0.38, -0.057, 0.091], strict=True))
    told = {} if spread is None else {name: (mean, spread) for name, mean in means.items()}
    model = DiscreteHazard(link="logit", baseline="smooth", prior={**FLAT_BASELINE, **told})
    assert_allclose(model.fit(durations).coefficients[names], slopes, atol=6e-5)


def test_a_normal_prior_and_a_large_sample_combine_by_precision():
    # normal-normal updating: the posterior of a quadratic likelihood is precision-weighted
    durations = durations_of(two_groups(4000), ["x"])
    alone = DiscreteHazard(baseline="smooth").fit(durations)
    theirs = alone.standard_errors["x"]
    both = DiscreteHazard(baseline="smooth", prior={"x": (0.6, theirs)}).fit(durations)
    expected = (alone.coefficients["x"] + 0.6) / 2
    assert_allclose(both.coefficients["x"], expected, atol=2e-3)
    assert_allclose(both.standard_errors["x"], theirs / 2**0.5, rtol=1e-2)


def test_what_the_data_do_not_speak_of_keeps_its_prior():
    frame = two_groups().assign(rare=0)
    model = DiscreteHazard(baseline="smooth", prior={"rare": (-0.9, 0.3)})
    fitted = model.fit(durations_of(frame, ["x", "rare"]))
    assert_allclose(fitted.coefficients["rare"], -0.9, atol=1e-8)
    assert_allclose(fitted.standard_errors["rare"], 0.3, atol=1e-8)
    draws = fitted.parameter_draws(n_draws=4000, seed=1)[:, -1]
    assert_allclose([draws.mean(), draws.std()], [-0.9, 0.3], atol=0.02)


def test_clustered_errors_keep_the_prior_where_data_are_silent():
    frame = two_groups().assign(rare=0, who=np.arange(200) // 2)
    model = DiscreteHazard(baseline="smooth", prior={"rare": (-0.9, 0.3)})
    fitted = model.fit(durations_of(frame, ["x", "rare"], subject="who"))
    assert_allclose(fitted.clustered_covariance.loc["rare", "rare"], 0.09, rtol=1e-6)


def test_a_prior_alone_is_a_model():
    prior = {
        "x": (0.5, 0.2),
        "baseline[level]": (-2.0, 0.4),
        "baseline[slope]": (1.0, 0.5),
        "baseline[curve]": (0.0, 0.3),
    }
    alone = DiscreteHazard(baseline="smooth", prior=prior).from_prior(["x"], 20)
    # at step 8 the baseline is its level, and the complementary log-log hazard follows
    hazard = alone.predict({"x": [0, 1]}, 20).hazard()[:, 7]
    assert_allclose(hazard, 1 - np.exp(-np.exp([-2.0, -1.5])))
    assert_allclose(np.diag(alone.covariance), [0.16, 0.25, 0.09, 0.04])
    assert alone.notes.n_events == 0
    none = two_groups(4).assign(seen=False, k=1)
    few = DiscreteHazard(baseline="smooth", prior=prior).fit(durations_of(none, ["x"]))
    assert_allclose(few.parameters, alone.parameters, atol=0.05)


def test_a_prior_alone_must_be_whole():
    with pytest.raises(RequestError, match=r"says nothing of 'baseline\[level\]'"):
        DiscreteHazard(baseline="smooth", prior={"x": (0, 1)}).from_prior(["x"], 9)
    with pytest.raises(RequestError, match=r"says nothing of baseline\[1\]"):
        DiscreteHazard(prior={"x": (0, 1)}).from_prior(["x"], 3)
    steps = {f"baseline[{k}]": (-2.0, 1.0) for k in (1, 2, 3)}
    free = DiscreteHazard(prior=steps, penalty=1.0).from_prior(["x"], 3)
    assert_allclose(free.predict({"x": 0}, 3).hazard()[0], 1 - np.exp(-np.exp(-2.0)))


def test_priors_must_name_something():
    durations = durations_of(two_groups(), ["x"])
    with pytest.raises(RequestError, match=r"names 'y', which is not a parameter"):
        DiscreteHazard(prior={"y": (0, 1)}).fit(durations)
    with pytest.raises(RequestError, match=r"'baseline\[lvel\]'.*Did you mean 'baseline\[level\]'"):
        DiscreteHazard(baseline="smooth", prior={"baseline[lvel]": (0, 1)}).fit(durations)


@pytest.mark.parametrize("penalty", [0.0, 2.0])
@pytest.mark.parametrize("link", ["cloglog", "logit"])
def test_units_do_not_matter(mixed, link, penalty):
    prior = {"treated": (0.3, 0.2)}
    columns = ["dose", "treated", "group"]
    model = DiscreteHazard(link=link, baseline="smooth", penalty=penalty, prior=prior)
    here = model.fit(durations_of(mixed, columns, entry="entry"))
    other = mixed.assign(dose=1e4 - 1000 * mixed.dose)
    there = model.fit(durations_of(other, columns, entry="entry"))
    assert_allclose(there.coefficients["dose"], here.coefficients["dose"] / -1000, rtol=1e-6)
    assert_allclose(there.predict(other, 9).pmf, here.predict(mixed, 9).pmf, atol=1e-9)
    assert_allclose(there.loglik, here.loglik, atol=1e-7)


def test_a_ridge_shrinks_and_the_loglik_stays_unpenalised(mixed_durations):
    fits = [DiscreteHazard(baseline="smooth", penalty=p).fit(mixed_durations) for p in (0, 10, 1e7)]
    sizes = [np.abs(fitted.coefficients[["treated", "group[top]"]]).sum() for fitted in fits]
    assert sizes[0] > sizes[1] > sizes[2]
    assert sizes[2] < 1e-3
    assert fits[0].loglik > fits[1].loglik > fits[2].loglik


def test_separation_is_refused_by_name_and_fitted_through_a_penalty():
    frame = two_groups().assign(mark=lambda rows: rows.seen.astype(int))
    with pytest.raises(FitError, match="'mark' separates"):
        DiscreteHazard(baseline="smooth").fit(durations_of(frame, ["x", "mark"]))
    fitted = DiscreteHazard(baseline="smooth", penalty=1.0).fit(durations_of(frame, ["x", "mark"]))
    assert fitted.notes.converged
    assert fitted.coefficients["mark"] > 1


def test_a_level_without_events_is_refused_or_penalised():
    frame = two_groups().assign(site=lambda rows: np.where(rows.seen, "arm", "leg"))
    frame.loc[0:20, "site"] = "arm"
    with pytest.raises(FitError, match=r"'site\[leg\]' separates"):
        DiscreteHazard(baseline="smooth").fit(durations_of(frame, ["site"]))
    DiscreteHazard(baseline="smooth", penalty=1.0).fit(durations_of(frame, ["site"]))


def test_collinear_columns_are_named_or_penalised():
    frame = two_groups().assign(again=lambda rows: 3 * rows.x + 1, z=np.arange(200) % 7)
    with pytest.raises(FitError, match=r"cannot tell apart: (x, again|again, x)"):
        DiscreteHazard().fit(durations_of(frame, ["x", "z", "again"]))
    fitted = DiscreteHazard(penalty=1.0).fit(durations_of(frame, ["x", "z", "again"]))
    assert fitted.notes.converged


def test_one_event_is_enough_with_a_penalty():
    frame = pd.DataFrame({"k": [3, 4, 5, 5, 6], "seen": [0, 1, 0, 0, 0], "x": [0, 1, 0, 1, 0]})
    fitted = DiscreteHazard(baseline="smooth", penalty=1.0).fit(durations_of(frame, ["x"]))
    assert fitted.notes.converged
    assert fitted.notes.n_events == 1
    assert 0 < fitted.predict({"x": 1}, 10).cdf()[0, -1] < 1
    assert any("1 event(s) for 1 covariate(s)" in message for message in fitted.notes.messages)


def test_events_all_at_the_first_step_are_certain_there():
    frame = pd.DataFrame({"k": [1, 1, 1], "seen": [1, 1, 1], "x": [0, 1, 2]})
    fitted = DiscreteHazard().fit(durations_of(frame, []))
    assert_allclose(fitted.predict({}, 4).pmf, [[1, 0, 0, 0]])
    assert_allclose(fitted.predict_draws({}, 4, n_draws=2, seed=0)[:, 0], [[1, 0, 0, 0]] * 2)
    with pytest.raises(FitError, match="do not settle x"):
        DiscreteHazard().fit(durations_of(frame, ["x"]))
    smooth = DiscreteHazard(baseline="smooth", penalty=1.0).fit(durations_of(frame, ["x"]))
    assert smooth.predict({"x": 1.0}, 4).pmf[0, 0] > 0.5


def test_free_says_where_it_stops_and_smooth_that_it_goes_on():
    frame = two_groups(60, watched=9)
    frame.loc[frame.k > 6, "seen"] = False
    free = DiscreteHazard().fit(durations_of(frame, ["x"]))
    last = int(frame.k[frame.seen].max())
    assert_allclose(free.predict({"x": 0}, 30).pmf[:, last:], 0)
    assert any(f"beyond step {last}" in message for message in free.notes.messages)
    smooth = DiscreteHazard(baseline="smooth").fit(durations_of(frame, ["x"]))
    assert (smooth.predict({"x": 0}, 30).pmf[:, last:] > 0).all()
    assert any("extrapolated" in message for message in smooth.notes.messages)


def test_options_are_checked():
    for options in ({"link": "probit"}, {"baseline": "spline"}, {"penalty": -1}):
        with pytest.raises(RequestError, match=next(iter(options))):
            DiscreteHazard(**options)
    with pytest.raises(RequestError, match="prior of 'x'"):
        DiscreteHazard(prior={"x": (0.0, 0.0)})
    with pytest.raises(FitError, match="There are no rows"):
        DiscreteHazard().fit(durations_of(two_groups(), ["x"]).take(np.array([], dtype=int)))


@pytest.mark.parametrize("options", [{}, {"baseline": "smooth", "penalty": 2.0}, {"link": "logit"}])
def test_refits_equal_plain_fits_with_the_same_weights(mixed, options):
    model = DiscreteHazard(**options)
    columns = {"covariates": ["dose", "treated", "group"], "entry": "entry"}
    refitter = model.refitter(durations_of(mixed, **columns))
    start = refitter.fit()
    for seed in range(3):
        weight = np.random.default_rng(seed).poisson(1.0, len(mixed)).astype(float)
        plain = model.fit(durations_of(mixed.assign(w=weight), weight="w", **columns))
        again = refitter.fit(weight, start=start)
        assert_allclose(again.parameters, plain.parameters, atol=1e-7)
        assert_allclose(again.covariance, plain.covariance, atol=1e-7)
        assert again.form == plain.form


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"penalty": 2.0},
        {"baseline": "smooth"},
        {"baseline": "smooth", "prior": {"treated": (0.3, 0.2), "baseline[level]": (-2, 1)}},
        {"link": "logit"},
        {"prior": {"baseline[3]": (-2.0, 0.5)}},
    ],
    ids=["free", "ridge", "smooth", "prior", "logit", "prior on a step"],
)
def test_many_refits_at_once_equal_refits_one_by_one(mixed, options):
    columns = {"covariates": ["dose", "treated", "group"], "entry": "entry"}
    refitter = DiscreteHazard(**options).refitter(durations_of(mixed, **columns))
    n = len(mixed)
    weights = np.random.default_rng(2).multinomial(n, np.full(n, 1 / n), size=20).astype(float)
    many = refitter.fit_many(weights)
    matrix = refitter.encoding.encode(mixed)
    curves = many.mean_survival(matrix, weights)
    for at, weight in enumerate(weights):
        one = refitter.fit(weight)
        assert_allclose(many.slopes[at], one.coefficients, atol=1e-6)
        steps = many.baseline.shape[1]
        assert_allclose(many.baseline[at], one.baseline[:steps], atol=1e-6)
        if options.get("link") != "logit":
            survival = one.predict(mixed, steps).survival()
            assert_allclose(curves[at], weight @ survival / weight.sum(), atol=2e-6)


@pytest.mark.slow
def test_replicates_are_the_same_to_the_last_bit_on_one_worker_and_on_two(mixed_durations):
    refitter = DiscreteHazard(penalty=0.5).refitter(mixed_durations)
    start, n = refitter.fit(), len(mixed_durations)

    def ten_refits(seed):
        rng = np.random.default_rng(seed)
        weights = rng.multinomial(n, np.full(n, 1 / n), size=10).astype(float)
        many = refitter.fit_many(weights, start=start)
        return np.hstack([many.baseline, many.slopes])

    one, two = (run_units(ten_refits, seeds(7, 4), workers=workers) for workers in (1, 2))
    for first, second in zip(one, two, strict=True):
        assert_array_equal(first, second)


def test_refits_want_one_weight_per_row(mixed_durations):
    refitter = DiscreteHazard().refitter(mixed_durations)
    with pytest.raises(DataError, match=r"weights have shape \(3,\)"):
        refitter.fit(np.ones(3))


@pytest.mark.parametrize("link", ["cloglog", "logit"])
def test_splitting_rows_into_spells_changes_nothing(mixed, link):
    columns = ["dose", "treated", "group"]
    whole = DiscreteHazard(link=link).fit(durations_of(mixed, columns, entry="entry"))
    early = mixed[mixed.k - mixed.entry >= 2].assign(seen=False)
    early = early.assign(k=early.entry + 1)
    late = mixed[mixed.k - mixed.entry >= 2].assign(entry=early.k)
    short = mixed[mixed.k - mixed.entry < 2]
    spells = pd.concat([early, late, short], ignore_index=True)
    split = DiscreteHazard(link=link).fit(durations_of(spells, columns, entry="entry"))
    assert_allclose(split.parameters, whole.parameters, atol=1e-8)
    assert_allclose(split.covariance, whole.covariance, atol=1e-8)
    assert_allclose(split.loglik, whole.loglik, atol=1e-8)


rows = st.lists(
    st.tuples(st.integers(1, 7), st.booleans(), st.integers(0, 1)), min_size=4, max_size=30
).filter(lambda found: any(seen for _, seen, _ in found))


@settings(deadline=None, max_examples=50)
@given(rows, st.sampled_from(["free", "smooth"]), st.sampled_from(["cloglog", "logit"]))
def test_any_small_data_give_probabilities_under_a_penalty(found, baseline, link):
    frame = pd.DataFrame(found, columns=["k", "seen", "x"])
    fitted = DiscreteHazard(link=link, baseline=baseline, penalty=1.0).fit(
        durations_of(frame, ["x"])
    )
    dist = fitted.predict(frame, 10)
    assert_allclose(dist.pmf.sum(axis=1) + dist.not_yet(), 1)
    assert fitted.notes.converged
    draws = fitted.predict_draws(frame, 10, n_draws=5, seed=1)
    assert ((draws >= 0) & (draws <= 1)).all()


@settings(deadline=None, max_examples=40)
@given(rows)
def test_an_added_censored_row_never_makes_the_free_baseline_sooner(found):
    frame = pd.DataFrame(found, columns=["k", "seen", "x"])
    more = pd.concat([frame, pd.DataFrame([(7, False, 0)], columns=frame.columns)])
    before, after = (
        DiscreteHazard().fit(durations_of(f.reset_index(drop=True), [])).predict({}, 7).cdf()[0]
        for f in (frame, more)
    )
    assert (after <= before + 1e-7).all()


@pytest.mark.slow
@pytest.mark.parametrize("link", ["cloglog", "logit"])
def test_intervals_of_coefficients_cover_the_truth(link):
    rng = np.random.default_rng(5)
    covered = 0
    for _ in range(400):
        x = rng.normal(size=250)
        eta = -2.0 + 0.5 * x
        hazard = 1 - np.exp(-np.exp(eta)) if link == "cloglog" else 1 / (1 + np.exp(-eta))
        happens, watched = rng.geometric(hazard), rng.integers(2, 20, 250)
        frame = pd.DataFrame(
            {"k": np.minimum(happens, watched), "seen": happens <= watched, "x": x}
        )
        fitted = DiscreteHazard(link=link, baseline="smooth").fit(durations_of(frame, ["x"]))
        off = abs(fitted.coefficients["x"] - 0.5) / fitted.standard_errors["x"]
        covered += off < 1.96
    assert abs(covered / 400 - 0.95) < 3 * (0.95 * 0.05 / 400) ** 0.5
