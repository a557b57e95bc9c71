"""Accelerated time in whole steps: against lifelines and R, a known truth, and its own algebra."""

import json

import numpy as np
import pandas as pd
import pytest
from lifelines import (
    LogLogisticAFTFitter,
    LogNormalAFTFitter,
    MixtureCureFitter,
    WeibullAFTFitter,
    WeibullFitter,
)
from numpy.testing import assert_allclose

from forecast.errors import FitError, RequestError
from forecast.survival import AcceleratedTime, Durations, model_from_dict

PEERS = {
    "weibull": WeibullAFTFitter,
    "lognormal": LogNormalAFTFitter,
    "loglogistic": LogLogisticAFTFitter,
}
COVARIATES = ["fin", "age", "prio"]


def durations(frame: pd.DataFrame, covariates: list[str]) -> Durations:
    return Durations.from_frame(frame, step="week", observed="arrest", covariates=covariates)


@pytest.mark.parametrize("shape", PEERS)
def test_agrees_with_lifelines_on_interval_censored_weeks(shape, rossi):
    fitted = AcceleratedTime(shape).fit(durations(rossi, COVARIATES))
    frame = rossi[COVARIATES].assign(
        low=np.where(rossi["arrest"] == 1, np.maximum(rossi["week"] - 1, 1e-15), rossi["week"]),
        high=np.where(rossi["arrest"] == 1, rossi["week"], np.inf),
    )
    peer = PEERS[shape]().fit_interval_censoring(frame, "low", "high")
    theirs = peer.params_.droplevel(0)[COVARIATES]
    # their optimiser stops on a relative change of the likelihood
    assert_allclose(fitted.coefficients[COVARIATES], theirs, rtol=2e-3, atol=2e-4)
    errors = peer.standard_errors_.droplevel(0)[COVARIATES]
    assert_allclose(fitted.standard_errors[COVARIATES], errors, rtol=2e-3)


def test_a_tight_prior_is_returned_and_a_loose_one_changes_nothing(rossi):
    rows = durations(rossi, COVARIATES)
    free = AcceleratedTime().fit(rows)
    loose = AcceleratedTime(prior={"fin": (5.0, 1e4)}).fit(rows)
    tight = AcceleratedTime(prior={"fin": (0.3, 1e-4)}).fit(rows)
    assert_allclose(loose.theta, free.theta, atol=1e-5)
    assert tight.coefficients["fin"] == pytest.approx(0.3, abs=1e-3)


def test_finds_the_truth_despite_censoring_and_delayed_entry():
    rng = np.random.default_rng(3)
    n, truth = 20_000, np.array([2.0, 0.3, np.log(0.5)])
    x = rng.normal(size=n)
    happens = np.ceil(np.exp(truth[0] + truth[1] * x + np.exp(truth[2]) * rng.normal(size=n)))
    entry = rng.integers(0, 4, size=n)
    watched = entry + rng.geometric(0.05, size=n)
    seen = happens > entry
    frame = pd.DataFrame(
        {
            "x": x,
            "step": np.minimum(happens, watched),
            "event": happens <= watched,
            "entry": entry,
        }
    )[seen]
    rows = Durations.from_frame(
        frame, step="step", observed="event", covariates=["x"], entry="entry"
    )
    fitted = AcceleratedTime("lognormal").fit(rows)
    error = np.sqrt(np.diag(fitted.covariance))
    assert (np.abs(fitted.theta - truth) < 4 * error).all()


def test_weights_of_two_equal_repeated_rows(rossi):
    frame = rossi.assign(twice=2.0)
    weighted = Durations.from_frame(
        frame, step="week", observed="arrest", covariates=COVARIATES, weight="twice"
    )
    repeated = durations(pd.concat([rossi, rossi], ignore_index=True), COVARIATES)
    first, second = AcceleratedTime().fit(weighted), AcceleratedTime().fit(repeated)
    assert_allclose(first.theta, second.theta, atol=1e-8)
    assert_allclose(first.covariance, second.covariance, atol=1e-8)


def test_draws_average_to_about_the_prediction_and_repeat(rossi):
    fitted = AcceleratedTime().fit(durations(rossi, COVARIATES))
    two = rossi[COVARIATES].head(2)
    draws = fitted.predict_draws(two, 52, n_draws=400, seed=1)
    assert draws.shape == (400, 2, 52)
    assert_allclose(draws.mean(axis=0), fitted.predict(two, 52).pmf, atol=2e-3)
    assert_allclose(draws, fitted.predict_draws(two, 52, n_draws=400, seed=1))


def test_a_stored_model_predicts_the_same_numbers(rossi):
    fitted = AcceleratedTime("weibull").fit(durations(rossi, COVARIATES))
    again = model_from_dict(json.loads(json.dumps(fitted.to_dict())))
    two = rossi[COVARIATES].head(2)
    assert_allclose(again.predict(two, 60).pmf, fitted.predict(two, 60).pmf)
    assert again.notes == fitted.notes


def test_a_prior_alone_predicts_and_must_be_complete():
    prior = {"location": (2.0, 0.3), "x": (0.1, 0.2), "log_scale": (-0.7, 0.2)}
    alone = AcceleratedTime(prior=prior).from_prior(("x",))
    assert alone.predict({"x": 0.0}, 25).median()[0] == np.ceil(np.exp(2.0))
    with pytest.raises(RequestError, match="no prior for 'log_scale'"):
        AcceleratedTime(prior={"location": (2, 1), "x": (0, 1)}).from_prior(("x",))


def test_what_the_data_leave_open_is_refused(rossi):
    with pytest.raises(FitError, match=r"do not determine the effect of '(fin|again)'"):
        AcceleratedTime().fit(durations(rossi.assign(again=2 * rossi["fin"]), ["fin", "again"]))
    with pytest.raises(FitError, match="No event was observed"):
        AcceleratedTime().fit(durations(rossi.assign(arrest=0), COVARIATES))
    with pytest.raises(RequestError, match="shape is 'normal'"):
        AcceleratedTime("normal")


def test_very_many_rows_are_fitted_as_their_counts():
    """Equal rows count as one with their number as weight: few rows, fitted in the plain way."""
    rng = np.random.default_rng(4)
    n = 120_000
    frame = pd.DataFrame({"x": rng.integers(0, 2, n), "dose": rng.integers(0, 4, n) / 3})
    needed = np.ceil(np.exp(rng.normal(1.5 + 0.3 * frame["x"] - 0.2 * frame["dose"], 0.5)))
    watched = rng.integers(1, 12, n)
    frame = frame.assign(week=np.minimum(needed, watched), arrest=needed <= watched)
    counted = frame.value_counts().reset_index(name="times")
    prior = {"never": (-4.0, 0.5)}
    spec = AcceleratedTime("lognormal", prior=prior, never=())
    many = spec.fit(durations(frame, ["x", "dose"]))
    weighted = Durations.from_frame(
        counted, step="week", observed="arrest", covariates=["x", "dose"], weight="times"
    )
    few = spec.fit(weighted)
    assert_allclose(many.theta, few.theta, rtol=0, atol=1e-7)
    assert_allclose(many.errors, few.errors, rtol=1e-6)


# Against R: steps so fine that grouping hardly matters.
def fine(frame, step, observed, covariates, finer):
    """Measure time in steps of 1 / finer; an event lies in the middle of its step."""
    rows = frame.assign(
        k=np.round(frame[step] * finer).astype(int), seen=frame[observed].astype(bool)
    )
    return Durations.from_frame(rows, step="k", observed="seen", covariates=covariates)


def test_six_mp_weibull(six_mp):
    # R survival 3.5-3: survreg(Surv(t, status) ~ Rx, leukemia): 3.51569 (.25178), -1.26733
    # (.31064), log scale -.31171 (.14729); the hazard ratio of placebo is 5.6456
    fitted = AcceleratedTime("weibull").fit(fine(six_mp, "t", "status", ["Rx"], 1000))
    location, slope, log_scale = fitted.theta
    assert_allclose(location - np.log(1000), 3.51569, atol=5e-4)
    assert_allclose(slope, -1.26733, atol=5e-4)
    assert_allclose(log_scale, -0.31171, atol=5e-4)
    assert_allclose(np.exp(-slope / np.exp(log_scale)), 5.6456, rtol=1e-3)
    errors = np.sqrt(np.diag(fitted.covariance))
    assert_allclose(errors, [0.25178, 0.31064, 0.14729], atol=5e-4)


def test_rossi_weibull(rossi):
    # lifelines 0.30 and R survreg: fin .2722, age .0407, prio -.0658 with all seven covariates
    names = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]
    fitted = AcceleratedTime("weibull").fit(fine(rossi, "week", "arrest", names, 200))
    found = fitted.coefficients[["fin", "age", "prio"]]
    assert_allclose(found, [0.2722, 0.0407, -0.0658], atol=1e-4)


def test_lung_weibull():
    # R survreg, lung: 6.27344, ph.ecog -.33964, age -.00748, sex .40109, log scale -.31319
    from lifelines.datasets import load_lung

    names = ["ph.ecog", "age", "sex"]
    lung = load_lung().dropna(subset=names).reset_index(drop=True)
    fitted = AcceleratedTime("weibull").fit(fine(lung, "time", "status", names, 100))
    expected = [6.27344 + np.log(100), -0.33964, -0.00748, 0.40109, -0.31319]
    assert_allclose(fitted.theta, expected, atol=2e-4)


# Several rows of one subject: what they say together is less than as many subjects would.
def alike_rows(seed: int, *, subjects: int, each: int, sd: float, entries: bool = False):
    """Log-normal durations with a part shared by a subject's rows; x belongs to the subject."""
    rng = np.random.default_rng(seed)
    owner, x = np.repeat(np.arange(subjects), each), rng.integers(0, 2, subjects)
    spread = sd * rng.normal(size=subjects)[owner] + 0.35 * rng.normal(size=len(owner))
    happens = np.ceil(8 * np.exp(spread)).astype(int)
    watched = rng.geometric(0.06, len(owner))
    entry = rng.integers(0, 2, len(owner)) * entries
    frame = pd.DataFrame(
        {
            "step": np.minimum(happens, watched),
            "event": happens <= watched,
            "x": x[owner],
            "entry": entry,
            "subject": owner,
        }
    )
    return frame[frame["step"] > frame["entry"]].reset_index(drop=True)


def by_subject(frame: pd.DataFrame, subject: str | None = "subject") -> Durations:
    names = {"step": "step", "observed": "event", "entry": "entry", "covariates": ["x"]}
    return Durations.from_frame(frame, subject=subject, **names)


def test_one_row_per_subject_leaves_the_inverse_information():
    frame = alike_rows(1, subjects=300, each=1, sd=0.3)
    named, unnamed = (AcceleratedTime().fit(by_subject(frame, who)) for who in ("subject", None))
    assert (named.covariance == unnamed.covariance).all()


@pytest.mark.parametrize("never", [None, ("x",)])
def test_every_row_twice_doubles_the_covariance_where_no_prior_holds_it(never):
    # algebra: twice the rows halve the inverse information; the pairs give back what is lost
    prior = {"never": (-3.0, 100.0), "never[x]": (0.0, 100.0)} if never else None
    once = alike_rows(2, subjects=2000, each=1, sd=0.3, entries=True)
    if never:
        once.loc[::5, "event"] = False
        once.loc[::5, "step"] = 60
    twice = pd.concat([once, once], ignore_index=True)
    model = AcceleratedTime(prior=prior, never=never)
    alone, doubled = model.fit(by_subject(once)), model.fit(by_subject(twice))
    assert_allclose(doubled.theta, alone.theta, atol=1e-4)
    # by Monte Carlo error of information against its estimate by scores
    assert_allclose(doubled.errors, alone.errors, rtol=0.06)
    plain = model.fit(by_subject(twice, None))
    assert_allclose(plain.errors, alone.errors / np.sqrt(2), rtol=1e-3)


def test_never_less_than_the_inverse_information_in_any_direction():
    for seed in range(20):
        frame = alike_rows(100 + seed, subjects=30, each=2, sd=0.0)
        frame["x"] += 0.1 * np.random.default_rng(seed).normal(size=len(frame))
        named, unnamed = (
            AcceleratedTime().fit(by_subject(frame, who)) for who in ("subject", None)
        )
        added = np.linalg.eigvalsh(named.covariance - unnamed.covariance)
        assert added.min() > -1e-12


@pytest.mark.slow
def test_an_effect_of_nothing_is_called_real_one_time_in_twenty_though_rows_are_alike():
    found = []
    for seed in range(400):
        fitted = AcceleratedTime().fit(by_subject(alike_rows(seed, subjects=100, each=3, sd=0.3)))
        found.append(fitted.coefficients["x"] / fitted.standard_errors["x"])
    size = float(np.mean(np.abs(found) > 1.96))
    # 5 % and three binomial errors; the inverse information alone gives 15 %
    assert 0.02 < size < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)


# What never has the event: against exact counts, lifelines and a known truth.
WIDE = {"never": (0.0, 100.0)}


def geometric_mixture(share, hazard, watched):
    """Exact expected counts of a share that has a constant hazard, the others none."""
    steps = np.arange(1, watched + 1)
    mass = share * hazard * (1 - hazard) ** (steps - 1)
    return pd.DataFrame(
        {
            "k": np.append(steps, watched),
            "seen": np.append(np.ones(watched), 0),
            "n": 1000 * np.append(mass, 1 - mass.sum()),
        }
    )


def read(frame, covariates=(), **columns):
    return Durations.from_frame(
        frame, step="k", observed="seen", covariates=list(covariates), **columns
    )


def never_share(fitted):
    return 1 / (1 + np.exp(-fitted.theta[-1]))


def test_exact_counts_give_the_share_and_the_hazard_back():
    # a fifth never has the event, the others a hazard of 1/4, watched for 12 steps
    model = AcceleratedTime("weibull", prior=WIDE, never=())
    fitted = model.fit(read(geometric_mixture(0.8, 0.25, 12), weight="n"))
    assert_allclose(never_share(fitted), 0.2, atol=1e-5)
    unfinished = fitted.predict({}, 12).survival()[0]
    assert_allclose(unfinished, 0.2 + 0.8 * 0.75 ** np.arange(1, 13), atol=1e-5)


@pytest.mark.parametrize(("watched", "error"), [(3, 0.236), (6, 0.070), (12, 0.032)])
def test_a_short_watch_leaves_the_share_open_and_says_so(watched, error):
    # 200 subjects, share that never has it .2: standard error of a two-parameter geometric
    # mixture, worked out for this test; ours also has a shape to find and can only be less
    # certain, so that it is a lower bound alone
    frame = geometric_mixture(0.8, 0.25, watched)
    frame["n"] /= 5
    fitted = AcceleratedTime("weibull", prior=WIDE, never=()).fit(read(frame, weight="n"))
    share = never_share(fitted)
    spread = fitted.errors[-1] * share * (1 - share)
    assert spread >= error
    said = [one for one in fitted.notes.messages if "share that never has" in str(one)]
    assert len(said) == (spread > 0.1)
    for note in said:  # the margin of 95 %
        assert f"(give or take {196 * spread:.0f})" in str(note)


def test_a_never_share_agrees_with_lifelines_where_steps_are_fine():
    # lifelines' continuous-time mixture; with steps this fine the difference is the grid's
    rng = np.random.default_rng(3)
    n = 600
    happens = np.where(rng.random(n) < 0.3, np.inf, np.ceil(600 * rng.weibull(1.6, n)))
    watched = rng.integers(800, 2500, n)
    frame = pd.DataFrame({"k": np.minimum(happens, watched), "seen": happens <= watched})
    peer = MixtureCureFitter(base_fitter=WeibullFitter()).fit(
        frame.k - 0.5 * frame.seen, frame.seen
    )
    fitted = AcceleratedTime("weibull", prior=WIDE, never=()).fit(read(frame))
    assert_allclose(never_share(fitted), peer.cured_fraction_, atol=1e-4)
    assert_allclose(np.exp(-fitted.theta[1]), peer.rho_, rtol=1e-3)


@pytest.mark.parametrize("late", [False, True], ids=["from the start", "late entry"])
def test_finds_the_truth_of_a_never_share(late):
    rng = np.random.default_rng(11)
    n = 12_000
    x, z = rng.normal(size=n), rng.integers(0, 2, n)
    ever = rng.random(n) < 1 / (1 + np.exp(-(1.2 + 0.8 * z)))
    scale = np.exp(-(-1.4 + 0.5 * x))  # cumulative hazard exp(-1.4 + .5 x) (k / 8)^1.5
    happens = np.where(ever, np.ceil(8 * (rng.exponential(size=n) * scale) ** (1 / 1.5)), np.inf)
    entry = rng.integers(0, 4, n) if late else np.zeros(n)
    watched = entry + rng.integers(5, 60, n)
    frame = pd.DataFrame(
        {"k": np.minimum(happens, watched), "seen": happens <= watched, "entry": entry}
    ).assign(x=x, z=z)
    frame = frame[frame.k > frame.entry].reset_index(drop=True)
    prior = WIDE | {"never[z]": (0.0, 100.0)}
    model = AcceleratedTime("weibull", prior=prior, never=("z",))
    fitted = model.fit(read(frame, ["x", "z"], entry="entry"))
    # log(k) = log 8 + 1.4 / 1.5 - (.5 / 1.5) x + noise / 1.5; z acts on the share alone
    truth = [np.log(8) + 1.4 / 1.5, -0.5 / 1.5, 0.0, -np.log(1.5), -1.2, -0.8]
    assert fitted.parameter_names[-1] == "never[z]"
    assert (np.abs(fitted.theta - truth) < 4 * fitted.errors).all()


def test_everyone_having_the_event_is_held_by_the_prior_of_the_share():
    rng = np.random.default_rng(1)
    frame = pd.DataFrame({"k": rng.geometric(0.3, 200), "seen": True})
    fitted = AcceleratedTime("weibull", prior={"never": (-2.0, 2.0)}, never=()).fit(read(frame))
    assert 0 < never_share(fitted) < 0.1
    draws = fitted.predict_draws({}, 12, n_draws=200, seed=1).sum(axis=2)
    assert draws.mean() > 0.9


def test_a_covariate_of_the_never_share_may_be_constant_where_its_prior_speaks():
    frame = geometric_mixture(0.8, 0.25, 12).assign(x=0)
    prior = WIDE | {"never[x]": (0.7, 0.3)}
    model = AcceleratedTime("weibull", penalty=1.0, prior=prior, never=("x",), label="mixture")
    assert model.name == "mixture"
    fitted = model.fit(read(frame, ["x"], weight="n"))
    assert_allclose(fitted.theta[-1], 0.7, atol=1e-8)
    assert_allclose(fitted.errors[-1], 0.3, atol=1e-8)
