"""A simulation of the whole way: fit, folds, recalibrate, predict fresh subjects, count.

Heavy drop-out driven by covariates, 57 % seen to the end, rising hazard. In a study of nine
methods on such data (90 % intervals, 300 paths) completers' quantiles covered .840, drop-outs
counted as events .812; with a constant hazard fitted to the rising one the plug-in interval
covered 1.000 at twice the width.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest

from forecast.assess import Outcomes, predict_left_out, tie_split_coverage
from forecast.assess.calibration import Judged
from forecast.survival import AcceleratedTime, Durations

RIGHT = AcceleratedTime("weibull", penalty=1.0)
PINNED = {"log_scale": (0.0, 1e-3)}  # a hazard that stays the same
CONSTANT = replace(RIGHT, prior=PINNED)
HORIZON, LEVEL, CLINICS = 25, 0.9, 40


@dataclass(frozen=True)
class World:
    durations: Durations
    count: np.ndarray


def draw(rng, n):
    x = rng.normal(size=(n, 3))
    steps = np.arange(1, HORIZON + 1)
    line = -4.0 + 1.3 * np.log(steps) + (x @ [0.7, -0.5, 0.3])[:, None]
    happens = rng.random((n, HORIZON)) < -np.expm1(-np.exp(line))
    count = np.where(happens.any(axis=1), happens.argmax(axis=1) + 1, HORIZON + 1)
    chance = 1 / (1 + np.exp(2.35 - 0.5 * x[:, 1]))
    leaves = np.minimum(rng.geometric(chance), HORIZON)
    frame = pd.DataFrame(x, columns=["a", "b", "c"])
    frame["step"], frame["seen"] = np.minimum(count, leaves), count <= leaves
    durations = Durations.from_frame(
        frame, step="step", observed="seen", covariates=["a", "b", "c"]
    )
    return World(durations, np.where(count > HORIZON, np.inf, count))


def covered(interval, count):
    """Return whether each known count lies in its interval, ends included."""
    return (interval[:, 0] <= count) & (count <= interval[:, 1])


def judge(model, world, fresh):
    """Return plain coverage of each method and randomised coverage of the recalibrated one."""
    (found,) = predict_left_out([model], world.durations, horizon=HORIZON, workers=1)
    raw = model.fit(world.durations).predict(fresh.durations.covariates, HORIZON)
    mapped = Judged.of(found.predicted, found.outcomes).recalibration().apply(raw)
    return {
        "plug-in": covered(raw.interval(LEVEL), fresh.count).mean(),
        "recalibrated": covered(mapped.interval(LEVEL), fresh.count).mean(),
        "recalibrated, ties split": tie_split_coverage(mapped, fresh.count, level=LEVEL).mean(),
    }


def naive(world, fresh):
    """Return the coverage of the two intervals that practice would use."""
    seen = Outcomes.from_durations(world.durations)
    done = np.sort(seen.step[seen.observed])
    ends = np.quantile(done, [0.05, 0.95], method="inverted_cdf")
    pretended = replace(world.durations, observed=np.ones(len(seen), dtype=bool))
    as_events = RIGHT.fit(pretended).predict(fresh.durations.covariates, HORIZON)
    return {
        "completers": covered(np.tile(ends, (len(fresh.count), 1)), fresh.count).mean(),
        "drop-outs as events": covered(as_events.interval(LEVEL), fresh.count).mean(),
    }


@pytest.fixture(scope="module")
def study():
    rows = []
    for seed in range(CLINICS):
        rng = np.random.default_rng(seed)
        world, fresh = draw(rng, 300), draw(rng, 1000)
        right, constant = (judge(model, world, fresh) for model in (RIGHT, CONSTANT))
        rows.append(
            naive(world, fresh)
            | right
            | {f"constant, {name}": value for name, value in constant.items()}
        )
    return pd.DataFrame(rows).mean()


@pytest.mark.slow
def test_what_practice_does_falls_short(study):
    assert study["completers"] < 0.87
    assert study["drop-outs as events"] < 0.87


@pytest.mark.slow
def test_an_unchecked_badly_shaped_model_covers_nearly_everyone(study):
    assert study["constant, plug-in"] > 0.97


@pytest.mark.slow
@pytest.mark.parametrize("shape", ["", "constant, "])
def test_recalibrated_intervals_keep_their_promise_whatever_the_shape(study, shape):
    # Discreteness alone adds 1 to 4 points to a whole-number interval.
    assert 0.88 < study[f"{shape}recalibrated"] < 0.96
    assert 0.87 < study[f"{shape}recalibrated, ties split"] < 0.93
