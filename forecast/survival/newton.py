"""Newton's method for any smooth function, and what tells that a fit has no answer."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeAlias

import numpy as np

from forecast._arrays import FloatArray
from forecast.errors import FitError

SINGULAR = 1e-10
MOST_STEPS = 200
SMALLEST_CURVATURE = 1e-6
LONGEST_MOVE = 2.0  # of any parameter in one step


Surface: TypeAlias = Callable[[FloatArray], tuple[float, FloatArray, FloatArray]]


def climb(
    evaluate: Surface,
    start: FloatArray,
    *,
    settled: float,
    limits: tuple[FloatArray, FloatArray] | None = None,
) -> tuple[FloatArray, FloatArray, bool]:
    """Return a maximum near ``start``, the information there, and whether it settled.

    ``evaluate`` gives value, gradient and information, which may be indefinite far from the
    maximum. ``settled`` is the squared length, in standard errors, of a step that is the last;
    ``limits`` are the lowest and highest values.

    Examples
    --------
    >>> hill = lambda at: (-float(at[0] - 3) ** 2, 6 - 2 * at, np.array([[2.0]]))
    >>> climb(hill, np.zeros(1), settled=1e-9)
    (array([3.]), array([[2.]]), True)
    """
    low, high = limits or (np.full(len(start), -np.inf), np.full(len(start), np.inf))
    at, (value, gradient, information) = start, evaluate(start)
    for _ in range(MOST_STEPS):
        # what lies at its limit and pulls beyond it stays there
        free = ~((at <= low) & (gradient < 0) | (at >= high) & (gradient > 0))
        held = information if free.all() else information[np.ix_(free, free)]
        even, lift = np.eye(len(held)), 0.0
        try:
            np.linalg.cholesky(held - SMALLEST_CURVATURE * even)
        except np.linalg.LinAlgError:
            lowest = float(np.linalg.eigvalsh(held)[0])
            lift = max(0.0, SMALLEST_CURVATURE - lowest) * (1.0 + (lowest < 0))
        move = np.zeros(len(at))
        move[free] = np.linalg.solve(lift * even + held, gradient[free])
        if not lift and gradient @ move < settled:
            return np.clip(at + move, low, high), information, True
        move /= max(1.0, np.abs(move).max() / LONGEST_MOVE)
        while True:
            there = np.clip(at + move, low, high)
            trial = evaluate(there)
            if trial[0] >= value - max(settled / 10, 1e-10):
                break
            if np.abs(move).max() < 1e-9:  # no way up, though the slopes say so
                return at, information, False
            move = move / 2
        at, (value, gradient, information) = there, trial
    return at, information, False


def symmetric_inverse(matrix: FloatArray, names: Sequence[str]) -> FloatArray:
    """Return the inverse of a positive definite matrix, after scaling its diagonal to one."""
    scaled, units = check_rank(matrix, names)
    inverse = np.linalg.inv(scaled) / units
    return np.asarray((inverse + inverse.T) / 2)


def check_rank(information: FloatArray, names: Sequence[str]) -> tuple[FloatArray, FloatArray]:
    """Return ``information`` (p, p) with a diagonal of one, and by what it was divided.

    Raises FitError, by ``names``, if it is singular.
    """
    scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
    units = np.outer(scale, scale)
    scaled = information / units
    try:
        pivots = np.diag(np.linalg.cholesky(scaled)) ** 2
        if pivots.min(initial=1.0) > SINGULAR:
            return scaled, units
    except np.linalg.LinAlgError:
        pass
    if not np.isfinite(scaled).all():
        raise FitError(
            "The fit left the range of numbers.",
            "Rescale the covariates, or give a penalty or a prior.",
        )
    values, vectors = np.linalg.eigh(scaled)
    if values[0] > SINGULAR:
        return scaled, units
    tied = [
        name
        for name, part in zip(names, np.abs(vectors[:, 0]), strict=True)
        if part > 0.05 * np.abs(vectors[:, 0]).max()
    ]
    shown = [name for name in tied if not name.startswith("baseline[")] or tied
    what = (
        f"cannot tell apart: {', '.join(shown[:6])}"
        if len(shown) > 1
        else f"do not settle {shown[0]}"
    )
    raise FitError(f"The data {what}.", "Leave one of them out, or give a penalty or a prior.")
