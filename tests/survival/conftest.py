"""Data and oracles shared by the tests of the statistical core."""

import numpy as np
import pandas as pd
import pytest

from forecast.survival import Durations


@pytest.fixture(scope="session")
def rossi():
    from lifelines.datasets import load_rossi

    return load_rossi()


@pytest.fixture(scope="session")
def six_mp():
    """Freireich et al. 1963, Blood 21:699; Rx 0 is 6-MP, 1 placebo."""
    from lifelines.datasets import load_leukemia

    return load_leukemia()


@pytest.fixture(scope="session")
def mixed():
    """Invented rows with a number, a zero-one column and a text column, some entering late."""
    rng = np.random.default_rng(20)
    n = 240
    frame = pd.DataFrame(
        {
            "dose": rng.normal(50, 10, n),
            "treated": rng.integers(0, 2, n),
            "group": rng.choice(["low", "mid", "top"], n, p=[0.5, 0.3, 0.2]),
        }
    )
    linear = -2.2 + 0.6 * frame.treated + 0.02 * (frame.dose - 50) - 0.5 * (frame.group == "top")
    happens = rng.geometric(1 - np.exp(-np.exp(linear)))
    entry = np.where(rng.random(n) < 0.25, rng.integers(1, 5, n), 0)
    last = entry + rng.integers(2, 15, n)
    frame["entry"], frame["k"] = entry, np.minimum(happens, last)
    frame["seen"] = happens <= last
    frame["who"] = rng.integers(0, 150, n)
    return frame[frame.k > frame.entry].reset_index(drop=True)


@pytest.fixture(scope="session")
def mixed_durations(mixed):
    return Durations.from_frame(
        mixed, step="k", observed="seen", entry="entry", covariates=["dose", "treated", "group"]
    )


def long_rows(step, observed, entry, weight):
    """Write out every step at risk: row numbers, step numbers, event flags."""
    rows, steps, events = [], [], []
    for i, (last, seen, first) in enumerate(zip(step, observed, entry, strict=True)):
        if weight[i] == 0:
            continue
        for k in range(int(first) + 1, int(last) + 1):
            rows.append(i)
            steps.append(k)
            events.append(bool(seen) and k == last)
    return np.array(rows), np.array(steps), np.array(events)


def binomial_glm(durations, matrix, *, clustered=False):
    """Fit statsmodels' GLM to the expanded rows; baseline columns first, then ``matrix``'s."""
    import statsmodels.api as sm

    rows, steps, events = long_rows(
        durations.step, durations.observed, durations.entry, durations.weight
    )
    x = np.log(steps / 8)
    design = np.hstack([np.column_stack([np.ones(len(x)), x, x**2]), matrix[rows]])
    family = sm.families.Binomial(sm.families.links.CLogLog())
    response, weight = events.astype(float), durations.weight[rows]
    if not clustered:
        model, extra = sm.GLM(response, design, family=family, freq_weights=weight), {}
    else:
        model = sm.GLM(response, design, family=family)
        groups = pd.factorize(durations.subject)[0][rows]
        kwds = {"groups": groups, "use_correction": False}
        extra = {"cov_type": "cluster", "cov_kwds": kwds}
    return model.fit(tol=1e-13, maxiter=200, **extra)
