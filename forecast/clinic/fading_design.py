"""The columns of the fading model: what a clinic may choose by, and what it chose."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast.clinic.attributes import covariates
from forecast.clinic.trial_rows import BASELINE

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "FEWEST_BY_GRADER",
    "FEWEST_BY_OPERATOR",
    "FEWEST_IN_GROUP",
    "attributes_of",
    "design_columns",
    "operator_steps",
    "operators_of",
]

FloatArray = npt.NDArray[np.float64]

FEWEST_IN_GROUP = 10  # courses, for an ink group or a regime in it to have its own slope
FEWEST_BY_GRADER = 20  # gradings
FEWEST_BY_OPERATOR = 60  # sessions
PER_COVARIATE = 15  # courses behind each attribute adjusted for
# Adjusted for first: a clinic may choose by these, and cohorts tie them to the session count.
FIRST = ("ink_density", "layering", "smoker", "origin_amateur", "area_doublings")


def attributes_of(courses: pd.DataFrame) -> tuple[FloatArray, tuple[str, ...]]:
    """Return the attributes adjusted for, less their mean, and their names.

    As many of those that the regime comparison uses as the number of courses bears.
    """
    columns = {str(name): courses[name].to_numpy() for name in courses.columns}
    zeros = np.zeros(len(courses))
    found = covariates({**columns, "unreached": zeros, "years_from_now": zeros})
    by_group = ("ink_warm", "ink_other")  # these are the ink groups
    wanted = [*FIRST, *(name for name in BASELINE if name not in (*FIRST, *by_group))]
    kept: dict[str, FloatArray] = {}
    for name in wanted:
        values = found[name]
        seen = ~np.isnan(values)
        _, often = np.unique(values[seen], return_counts=True)
        if seen.sum() - often.max(initial=0) >= FEWEST_IN_GROUP:
            kept[name] = np.where(seen, values - values[seen].mean(), 0.0)
    few = max(len(courses) // PER_COVARIATE, 2)
    names = tuple(kept)[:few]
    return np.column_stack([np.empty((len(courses), 0)), *(kept[name] for name in names)]), names


def design_columns(
    table: pd.DataFrame,
    courses: pd.DataFrame,
    by_row: FloatArray,
    adjusted: tuple[str, ...],
    regimes: tuple[str, ...],
    groups: tuple[str, ...],
) -> dict[str, FloatArray]:
    """Return the columns of the design by name; all but the first and graders' are sums."""
    sessions = table["session"].to_numpy(dtype=np.float64)
    found = {"start": np.ones(len(table)), "sessions": sessions}
    for group in groups[1:]:
        found[f"sessions, {group}"] = sessions * (table["ink_group"] == group).to_numpy()
    if len(regimes) == 2:
        found |= regime_columns(table, courses, groups)
    for at, name in enumerate(adjusted):
        found[name] = sessions * by_row[:, at]
    if regimes:
        operators = [str(name) for name in table.columns if str(name).startswith("operator ")]
        for name in ("log_gap", "years", "years_squared", *operators):
            values = table[name].to_numpy(dtype=np.float64)
            if np.ptp(values) > 0:
                found[name] = values
    return {**found, **grader_columns(table)}


def regime_columns(
    table: pd.DataFrame, courses: pd.DataFrame, groups: tuple[str, ...]
) -> dict[str, FloatArray]:
    """Return what ps sessions add, and add further in ink groups that had enough of both."""
    ps = table["ps"].to_numpy(dtype=np.float64)
    found = {"ps": ps}
    for group in groups[1:]:
        of_group = courses[courses["ink_group"] == group]
        if min((of_group[regime] > 0).sum() for regime in ("ns", "ps")) >= FEWEST_IN_GROUP:
            found[f"ps, {group}"] = ps * (table["ink_group"] == group).to_numpy()
    return found


def grader_columns(table: pd.DataFrame) -> dict[str, FloatArray]:
    """Return one column per grader but the last; their effects sum to zero."""
    counts = table["grader_id"].value_counts()
    graders = sorted(str(name) for name in counts.index[counts >= FEWEST_BY_GRADER])
    if len(graders) < 2:
        return {}
    who = table["grader_id"].to_numpy(dtype=object)
    last = (who == graders[-1]).astype(np.float64)
    return {f"grader {name}": (who == name).astype(np.float64) - last for name in graders[:-1]}


def operator_steps(sessions: pd.DataFrame) -> dict[str, FloatArray]:
    """Return one column per operator but the last, for each session; their effects sum to zero.

    Empty where no operator fired both regimes often enough: then who treated and what was fired
    cannot be told apart.
    """
    who = sessions["operator_id"].to_numpy(dtype=object)
    ps = (sessions["regime"] == "ps").to_numpy()
    operators = operators_of(sessions)
    both = any(
        min(ps[who == name].sum(), (~ps[who == name]).sum()) >= FEWEST_IN_GROUP
        for name in operators
    )
    if len(operators) < 2 or (ps.any() and not ps.all() and not both):
        return {}
    last = (who == operators[-1]).astype(np.float64)
    return {f"operator {name}": (who == name).astype(np.float64) - last for name in operators[:-1]}


def operators_of(sessions: pd.DataFrame) -> list[str]:
    """Return the operators with sessions enough to be told from the others."""
    counts = sessions["operator_id"].value_counts()
    return sorted(str(name) for name in counts.index[counts >= FEWEST_BY_OPERATOR])
