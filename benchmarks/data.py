"""Invented rows for the speed measurements: six categories, four numbers, up to thirty steps.

Nineteen zero-one columns and four continuous ones; a grouped proportional-hazards truth, a
constant chance of leaving after each step, everything ended at step 30. About 73 % have the
event, after 8.8 steps at risk on average.
"""

import numpy as np
import pandas as pd

from forecast.survival import Durations

__all__ = ["CATEGORIES", "LAST", "NUMBERS", "changing_rows", "dummies", "fixed_rows", "read"]

CATEGORIES = {"c1": 6, "c2": 5, "c3": 4, "c4": 4, "c5": 4, "c6": 2}
NUMBERS = ["x1", "x2", "x3", "x4"]
LAST = 30
LEAVING = 0.03


def fixed_rows(n: int, *, seed: int = 0) -> pd.DataFrame:
    """Return ``n`` rows whose covariates stay what they are."""
    rng = np.random.default_rng(seed)
    frame, linear = covariates(n, rng)
    frame["step"], frame["event"] = follow(linear[:, None] + np.zeros(LAST), rng)
    frame["entry"] = 0
    return frame


def changing_rows(n: int, *, seed: int = 0) -> pd.DataFrame:
    """Return the spells of ``n`` subjects, of whom some change ``device`` after step 2 to 8."""
    rng = np.random.default_rng(seed)
    frame, linear = covariates(n, rng)
    starts = rng.integers(0, 2, n)
    switch = np.where((starts == 0) & (rng.random(n) < 0.5), rng.integers(2, 9, n), LAST)
    device = np.where(np.arange(LAST) < switch[:, None], starts[:, None], 1)
    step, event = follow(linear[:, None] + 0.3 * device, rng)
    frame = frame.assign(step=step, event=event, entry=0, device=starts, subject=np.arange(n))
    later = frame[(switch < step) & (starts == 0)].copy()
    at = switch[later.index]
    later["entry"], later["device"] = at, 1
    frame.loc[later.index, "step"], frame.loc[later.index, "event"] = at, False
    return pd.concat([frame, later], ignore_index=True)


def covariates(n: int, rng: np.random.Generator) -> tuple[pd.DataFrame, np.ndarray]:
    """Return the covariates and what they add to the linear predictor."""
    frame, linear = pd.DataFrame(index=range(n)), np.zeros(n)
    for name, levels in CATEGORIES.items():
        share = rng.dirichlet(np.full(levels, 4.0))
        codes = rng.choice(levels, n, p=share)
        frame[name] = pd.Categorical.from_codes(codes, [f"v{code}" for code in range(levels)])
        linear += rng.normal(0, 0.3, levels)[codes]
    for name in NUMBERS:
        frame[name] = rng.normal(size=n)
        linear += rng.normal(0, 0.2) * frame[name].to_numpy()
    return frame, linear - linear.mean()


def follow(linear: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return the last step at risk and whether the event happened there."""
    steps = np.arange(1, LAST + 1)
    baseline = -2.02 + 0.9 * np.log(steps / 8) - 0.5 * np.log(steps / 8) ** 2
    hazard = 1 - np.exp(-np.exp(linear + baseline))
    happens = first_true(rng.random(linear.shape) < hazard)
    leaves = first_true(rng.random(linear.shape) < LEAVING)
    step = np.minimum(np.minimum(happens, leaves), LAST)
    return step, (happens <= leaves) & (happens <= LAST)


def first_true(flags: np.ndarray) -> np.ndarray:
    """Return the first step at which each row is true, LAST + 1 if none."""
    return np.where(flags.any(axis=1), flags.argmax(axis=1) + 1, LAST + 1)


def read(frame: pd.DataFrame) -> Durations:
    """Return the rows as durations, with all their covariates."""
    names = [*CATEGORIES, *NUMBERS, *(["device"] if "device" in frame else [])]
    return Durations.from_frame(
        frame, step="step", observed="event", entry="entry", covariates=names
    )


def dummies(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the covariates as a frame of numbers, for the peers."""
    wide = pd.get_dummies(frame[list(CATEGORIES)], drop_first=True).astype(float)
    rest = [*NUMBERS, *(["device"] if "device" in frame else [])]
    return pd.concat([wide, frame[rest]], axis=1)
