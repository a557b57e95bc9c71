"""The cure mixture against exact counts, lifelines, and a known truth."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.errors import RequestError
from forecast.survival import CureMixture, Durations


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


def test_exact_counts_give_the_share_and_the_hazard_back():
    # a fifth never has the event, the others a hazard of 1/4, watched for 12 steps
    fitted = CureMixture().fit(read(geometric_mixture(0.8, 0.25, 12), weight="n"))
    assert_allclose(fitted.share({}), 0.8, atol=1e-6)
    unfinished = fitted.predict({}, 12).survival()[0]
    assert_allclose(unfinished, 0.2 + 0.8 * 0.75 ** np.arange(1, 13), atol=1e-6)


@pytest.mark.parametrize(("watched", "error"), [(3, 0.236), (6, 0.070), (12, 0.032)])
def test_a_short_watch_leaves_the_share_open(watched, error):
    # 200 subjects, share that never has it .2: standard error of a two-parameter geometric
    # mixture; ours also has a shape to find, and can only be less certain
    frame = geometric_mixture(0.8, 0.25, watched)
    frame["n"] /= 5
    fitted = CureMixture().fit(read(frame, weight="n"))
    spread = fitted.standard_errors["share[level]"] * 0.8 * 0.2
    assert spread >= error
    said = any("share that never has the event" in m for m in fitted.notes.messages)
    assert said == (spread > 0.1)


def test_agrees_with_lifelines_where_steps_are_fine():
    # lifelines' continuous-time mixture; with steps this fine the difference is the grid's
    from lifelines import MixtureCureFitter, WeibullFitter

    rng = np.random.default_rng(3)
    n = 600
    happens = np.where(rng.random(n) < 0.3, np.inf, np.ceil(600 * rng.weibull(1.6, n)))
    watched = rng.integers(800, 2500, n)
    frame = pd.DataFrame({"k": np.minimum(happens, watched), "seen": happens <= watched})
    peer = MixtureCureFitter(base_fitter=WeibullFitter()).fit(
        frame.k - 0.5 * frame.seen, frame.seen
    )
    fitted = CureMixture().fit(read(frame))
    assert_allclose(1 - fitted.share({})[0], peer.cured_fraction_, atol=1e-4)
    assert_allclose(np.exp(fitted.coefficients["baseline[shape]"]), peer.rho_, rtol=1e-3)
    assert_allclose(fitted.loglik, peer.log_likelihood_, atol=2e-2)


@pytest.mark.parametrize("late", [False, True], ids=["from the start", "late entry"])
def test_finds_the_truth(late):
    rng = np.random.default_rng(11)
    n = 12_000
    x, z = rng.normal(size=n), rng.integers(0, 2, n)
    ever = rng.random(n) < 1 / (1 + np.exp(-(1.2 + 0.8 * z)))
    scale = np.exp(-(-1.4 + 0.5 * x))  # A(k) = exp(-1.4 + .5 x) (k / 8)^1.5
    happens = np.where(ever, np.ceil(8 * (rng.exponential(size=n) * scale) ** (1 / 1.5)), np.inf)
    entry = rng.integers(0, 4, n) if late else np.zeros(n)
    watched = entry + rng.integers(5, 60, n)
    frame = pd.DataFrame(
        {"k": np.minimum(happens, watched), "seen": happens <= watched, "entry": entry}
    ).assign(x=x, z=z)
    frame = frame[frame.k > frame.entry].reset_index(drop=True)
    fitted = CureMixture(share=["z"], hazard=["x"]).fit(read(frame, ["x", "z"], entry="entry"))
    truth = [1.2, 0.8, -1.4, np.log(1.5), 0.5]
    assert fitted.names[1] == "share[z]"
    assert (np.abs(fitted.parameters - truth) < 4 * fitted.standard_errors).all()


def test_everyone_having_the_event_is_said_or_held_by_the_penalty():
    rng = np.random.default_rng(1)
    frame = pd.DataFrame({"k": rng.geometric(0.3, 200), "seen": True})
    assert_allclose(CureMixture().fit(read(frame)).share({}), 1, atol=1e-3)
    held = CureMixture(penalty=1.0).fit(read(frame))
    assert 0.9 < held.share({})[0] < 1
    draws = held.predict_draws({}, 12, n_draws=200, seed=1).sum(axis=2)
    assert draws.mean() > 0.9


def test_units_do_not_matter(mixed):
    columns = {"covariates": ["dose", "treated"], "entry": "entry"}
    here = CureMixture(penalty=1.0).fit(read(mixed, **columns))
    other = mixed.assign(dose=1000 - 100 * mixed.dose)
    there = CureMixture(penalty=1.0).fit(read(other, **columns))
    assert_allclose(there.predict(other, 9).pmf, here.predict(mixed, 9).pmf, atol=1e-6)


def test_columns_must_exist():
    frame = geometric_mixture(0.8, 0.25, 6).assign(x=[0, 1] * 3 + [0])
    with pytest.raises(RequestError, match="no column 'y'"):
        CureMixture(share=["y"]).fit(read(frame, ["x"], weight="n"))
    with pytest.raises(RequestError, match="penalty is -1"):
        CureMixture(penalty=-1)
