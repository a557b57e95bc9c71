"""The g-formula, on long frames whose truth is known."""

import numpy as np
import pandas as pd

from forecast.causal import HazardGFormula, Panel

STEPS = 6


def walks(n: int, seed: int, always: int | None = None) -> pd.DataFrame:
    """Return subjects whose state drifts with the group, moves the choice and drives the event."""
    rng = np.random.default_rng(seed)
    state, group = rng.normal(size=n), np.zeros(n, dtype=int)
    alive, tables = np.ones(n, dtype=bool), []
    for step in range(1, STEPS + 1):
        draw, happens = rng.random(n), rng.random(n)
        moved = np.where(group == 1, 1, draw < 1 / (1 + np.exp(1 - state)))
        group = moved if always is None else np.full(n, always)
        event = happens < 1 / (1 + np.exp(2 + 0.7 * state - 0.8 * group))
        after = state - 0.2 - 0.3 * group + 0.5 * rng.normal(size=n)
        columns = {"group": group, "event": event, "state": state, "after": after}
        tables.append(pd.DataFrame(columns | {"who": np.arange(n), "step": step})[alive])
        alive, state = alive & ~event, after
    return pd.concat(tables).sort_values(["who", "step"], ignore_index=True)


def test_the_g_formula_finds_the_truth():
    truth = []
    for always in (0, 1):
        told = walks(40_000, 99, always)
        truth.append((told.groupby("who")["step"].max()).mean())
    errors = []
    for seed in range(8):
        frame = walks(1000, seed)
        panel = Panel.from_frame(frame, subject="who", step="step", group="group", event="event")
        formula = HazardGFormula(
            panel,
            baseline=np.zeros((panel.n_subjects, 1)),
            state=frame["state"].to_numpy(),
            state_after=frame["after"].to_numpy(),
            fresh=np.ones(len(frame), dtype=bool),
            horizon=STEPS,
        )
        fit = formula.fit()
        means = [formula.survival(fit, [g])[:, :STEPS].sum(axis=1).mean() for g in (0, 1)]
        errors.append(np.array(means) - truth)
    spread = np.std(errors, axis=0) / 8**0.5
    assert (np.abs(np.mean(errors, axis=0)) < 4 * spread + 0.02).all(), (errors, spread)
