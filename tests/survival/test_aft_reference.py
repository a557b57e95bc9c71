"""Accelerated time against R's survreg: steps so fine that grouping hardly matters."""

import numpy as np
from numpy.testing import assert_allclose

from forecast.survival import AcceleratedTime, Durations


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
