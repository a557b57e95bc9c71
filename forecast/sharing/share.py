"""What a clinic may give away of its log: fitted effects with covariance, and coarse counts.

A share holds no row, id, date or value of any course. It is the grouped proportional-hazards
model (complementary log-log, smooth baseline) of the common covariates, because its effects are
log hazard ratios, the scale on which published evidence is written and read; because its
likelihood has one maximum, so that every clinic gives the same thing; and because the exact
joint fit (`forecast.sharing.joint`) gives the same parameters.

What keeps rows out of it:

- counts under five are null, others are rounded down to a multiple of five, totals too;
- a covariate is left out unless at least five courses differ from the commonest value, and five
  of them reached the goal;
- effects are rounded to a fraction of their own standard error, standard errors to two
  significant digits and correlations to one decimal: coarser than what one course does to them,
  so that the cross-products of the rows cannot be worked out again (two decimals still tell, a
  little better than the counts do, which rare attributes occur together; the price of one
  decimal is 0.15 standard errors in a pooled effect of six clinics of 600);
- a log with fewer than 20 courses that reached the goal gives no share.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import counted
from forecast._files import unsealed
from forecast._types import FloatArray
from forecast.counts import (
    COVARIATES,
    LEVELLED,
    LIGHTEN,
    check_goal,
    covariate_names,
    durations_of,
    judged_rows,
)
from forecast.errors import DataError, ForecastError, RequestError
from forecast.survival import PIVOT, SMOOTH_NAMES, DiscreteHazard

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

KIND, SCHEMA = "session-forecast share", 1
FEWEST = 5  # courses that a number must rest on
FEWEST_REACHED = 20  # below this, 27 effects say little and a course says much
# A standard deviation of 3 on each log hazard ratio: keeps a rare level finite, moves nothing.
RIDGE = 0.1
SHARED_MODEL = DiscreteHazard(penalty=RIDGE)
MEANS = {"link": "cloglog", "baseline": "smooth", "pivot": PIVOT, "ridge": RIDGE}
# The smallest eigenvalue a correlation matrix of rounded entries is given back.
LEAST_EIGENVALUE = 0.05
LARGEST_EFFECT = 20.0
TOTALS = ("courses", "clients", "reached", "stopped", "ongoing")
AGAIN = "Ask the clinic to share its log again."


def share_log(log: OutcomeLog, *, goal: str = "clear") -> dict[str, Any]:
    """Return what the clinic may give away, as plain JSON values.

    Parameters
    ----------
    log : OutcomeLog
        As ``read_log`` returns it.
    goal : str
        ``clear`` or ``lighten``.

    Returns
    -------
    dict
        ``kind``, ``schema`` (1) and ``goal``; ``model``, what the parameters mean;
        ``parameters``, their names: ``baseline[level]``, ``[slope]`` and ``[curve]`` (log
        cumulative hazard step at session 8 and how it moves with log(session / 8)), then one
        log hazard ratio for each covariate given, for the goal ``lighten`` also that of wanting
        lightening (``lighten``), left out if too few do; ``estimates``, ``standard_errors`` and
        ``correlations`` (lower triangle by row, without the diagonal), rounded;
        ``left_out``, the covariates too rare to give; ``counts`` (``courses``, ``clients``,
        ``reached``, ``stopped``, ``ongoing``) and ``levels`` (attribute to level to courses),
        rounded down to multiples of five and null below five; ``supported_to``, the last
        session with at least five courses at risk.

    Raises
    ------
    DataError
        If fewer than 20 courses reached the goal.
    """
    rows = judged_rows(log, goal=check_goal(goal))
    if int(rows["observed"].sum()) < FEWEST_REACHED:
        raise DataError(
            f"Only {counted(int(rows['observed'].sum()), 'course')} reached the goal.",
            f"Share a log once {FEWEST_REACHED} have: below that, single courses show.",
        )
    given = shareable(rows)
    fitted = SHARED_MODEL.fit(durations_of(rows, dict.fromkeys(given)))
    spread = fitted.clustered_matrix
    assert spread is not None
    errors = np.sqrt(np.diag(spread))
    correlations = spread / np.outer(errors, errors)
    low = np.tril_indices(len(errors), -1)
    return {
        "kind": KIND,
        "schema": SCHEMA,
        "goal": goal,
        "model": dict(MEANS),
        "parameters": list(fitted.names),
        "estimates": [_coarse(*pair) for pair in zip(fitted.parameters, errors, strict=True)],
        # two significant digits
        "standard_errors": [float(f"{error:.1e}") for error in errors],
        "correlations": [round(float(value), 1) for value in correlations[low]],
        "left_out": [name for name in covariate_names(goal) if name not in given],
        "counts": {name: at_least(n) for name, n in totals(log, rows).items()},
        "levels": _level_counts(log),
        "supported_to": fitted.notes.supported_to,
    }


def is_member(log: OutcomeLog, members: Sequence[str], *, goal: str) -> bool:
    """Say whether the share of ``log``, as it is today, is among those with these fingerprints."""
    try:
        return digest(share_log(log, goal=goal)) in members
    except ForecastError:
        return False  # too small a log to have a share


def shareable(rows: pd.DataFrame) -> tuple[str, ...]:
    """Return the covariates that enough courses speak of.

    At least five courses must differ from the commonest value, and five of those have the event.
    """
    observed = rows["observed"].to_numpy()
    found = []
    for name in (*COVARIATES, *((LIGHTEN,) if LIGHTEN in rows else ())):
        values = rows[name].to_numpy(dtype=np.float64)
        known = values[np.isfinite(values)]
        if not len(known):
            continue
        distinct, counts = np.unique(known, return_counts=True)
        apart = np.isfinite(values) & (values != distinct[counts.argmax()])
        if apart.sum() >= FEWEST and (apart & observed).sum() >= FEWEST:
            found.append(name)
    return tuple(found)


def totals(log: OutcomeLog, rows: pd.DataFrame) -> dict[str, int]:
    """Return courses, clients, and courses by how they stand with respect to the goal."""
    return {
        "courses": len(log.courses),
        "clients": int(log.courses["client_id"].nunique()),
        "reached": int(rows["observed"].sum()),
        "stopped": int(rows["stopped"].sum()),
        "ongoing": int((log.courses["outcome"] == "ongoing").sum()),
    }


# A course counts once for each of its inks.
def _level_counts(log: OutcomeLog) -> dict[str, dict[str, int | None]]:
    series = {name: log.courses[name] for name in LEVELLED}
    series["inks"] = log.courses["inks"].str.split(";").explode()
    return {
        name: {str(level): at_least(int(n)) for level, n in sorted(of.value_counts().items())}
        for name, of in series.items()
    }


def at_least(count: int) -> int | None:
    """Return a count rounded down to a multiple of five, None below five."""
    return None if count < FEWEST else count - count % FEWEST


# To the decimals that the standard error leaves, at most a fifth of it.
def _coarse(value: float, error: float) -> float:
    return float(round(float(value), math.ceil(-math.log10(0.2 * error))))


@dataclass(frozen=True, slots=True, eq=False)
class Share:
    """A share that was read and found whole.

    Attributes
    ----------
    goal : str
    parameters : tuple of str
    estimates : ndarray of shape (k,)
    covariance : ndarray of shape (k, k)
        Put together from the rounded parts; its correlations are made positive definite again.
    counts : mapping of str to int or None
    supported_to : int
    digest : str
        Fingerprint of the content.
    """

    goal: str
    parameters: tuple[str, ...]
    estimates: FloatArray
    covariance: FloatArray
    counts: Mapping[str, int | None]
    supported_to: int
    digest: str

    @classmethod
    def from_dict(cls, stored: Any, *, named: str = "The share") -> Share:
        """Return the share held in plain values.

        Raises
        ------
        RequestError
            If it is no share, of another schema, has changed since, or its numbers cannot be.
        """
        if not isinstance(stored, dict) or stored.get("kind") != KIND:
            raise RequestError(f"{named} is not a share.", "Give the file that share wrote.")
        stored = unsealed(stored, named=named, remedy=AGAIN)
        if stored.get("schema") != SCHEMA or stored.get("model") != MEANS:
            raise RequestError(
                f"{named} has schema {stored.get('schema')!r} or another model than this version.",
                "Share the log again with the same version everywhere.",
            )
        try:
            return cls(
                check_goal(stored["goal"]),
                checked_names(stored["parameters"]),
                *_numbers_of(stored),
                counts={name: (n := stored["counts"][name]) and int(n) for name in TOTALS},
                supported_to=int(stored["supported_to"]),
                digest=digest(stored),
            )
        except (ArithmeticError, AttributeError, KeyError, TypeError, ValueError) as problem:
            raise RequestError(f"{named} is damaged ({problem}).", AGAIN) from None


def checked_names(stored: list[str]) -> tuple[str, ...]:
    """Return the parameters' names, or raise ValueError when some are unknown or missing."""
    names = tuple(str(name) for name in stored)
    unknown = [name for name in names[3:] if name not in (*COVARIATES, LIGHTEN)]
    if names[:3] != SMOOTH_NAMES or unknown or len(set(names)) < len(names):
        raise ValueError(f"unknown or repeated parameters {unknown or names[:3]}")
    return names


def _numbers_of(stored: Mapping[str, Any]) -> tuple[FloatArray, FloatArray]:
    estimates = np.array(stored["estimates"], dtype=np.float64)
    errors = np.array(stored["standard_errors"], dtype=np.float64)
    lower = np.array(stored["correlations"], dtype=np.float64)
    k = len(stored["parameters"])
    if estimates.shape != (k,) or errors.shape != (k,) or lower.shape != (k * (k - 1) // 2,):
        raise ValueError(f"{k} parameters, but other numbers of values")
    if not (np.abs(estimates) <= LARGEST_EFFECT).all() or not (np.abs(lower) <= 1).all():
        raise ValueError("an estimate or a correlation beyond what can be")
    if not ((errors > 0) & (errors <= LARGEST_EFFECT)).all():
        raise ValueError("a standard error beyond what can be")
    correlations = np.eye(k)
    correlations[np.tril_indices(k, -1)] = lower
    correlations = correlations + np.tril(correlations, -1).T
    values, vectors = np.linalg.eigh(correlations)
    whole = (vectors * np.maximum(values, LEAST_EIGENVALUE)) @ vectors.T
    return estimates, np.asarray(whole * np.outer(errors, errors), dtype=np.float64)


def digest(stored: Mapping[str, Any]) -> str:
    """Return a fingerprint of a share's content."""
    text = json.dumps(stored, sort_keys=True).encode()
    return hashlib.sha256(text).hexdigest()[:16]
