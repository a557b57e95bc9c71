"""Weights of rows: made, truncated, what they cost, and whether they make groups alike.

A logistic regression small and fast enough to be refitted a thousand times makes them.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from forecast._arrays import AnyArray, BoolArray, FloatArray, effective_number, shares
from forecast.errors import FitError

MOST_STEPS = 60
PATIENCE = 8  # full steps that Newton's method may take before each is checked
NEAR = 0.02  # of the maximum
ROUNDING = 1e-12  # of a loss: near the maximum a step changes it by less than its last digits
FEW = 12  # sets of weights
ROWS_TOGETHER = 1024  # the products of their columns stay in the second-level cache


def truncate_weights(
    weight: npt.ArrayLike, *, quantile: float = 0.99, rows: npt.ArrayLike | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return the weights (..., n) cut off above their ``quantile``, and the limit used (...).

    Weights of 0 take no part in the quantile; ``rows`` counts how often each row occurs, so
    that a resample finds the limit that repeated rows would give. ``quantile=1`` cuts nothing.
    """
    w = np.asarray(weight, dtype=np.float64)
    if quantile == 1 or not w.size:
        return w.copy(), np.asarray(w.max(axis=-1, initial=0.0))
    count = np.where(w > 0, 1.0 if rows is None else np.asarray(rows, dtype=np.float64), 0.0)
    counted = np.where(count > 0, w, 0.0)
    total = count.sum(axis=-1, keepdims=True)
    # the limit is among the largest, of which there are no more than lie beyond the quantile
    most = min(int((1 - quantile) * total.max()) + 2, w.shape[-1])
    top = np.argpartition(counted, -most, axis=-1)[..., -most:]
    top = np.take_along_axis(top, np.argsort(np.take_along_axis(counted, top, -1), -1), -1)
    counts = np.take_along_axis(count, top, -1)
    up_to = total - counts.sum(axis=-1, keepdims=True) + counts.cumsum(axis=-1)
    place = np.minimum((up_to < quantile * total).sum(axis=-1, keepdims=True), most - 1)
    limit = np.take_along_axis(np.take_along_axis(counted, top, -1), place, -1)
    return np.minimum(w, limit), limit[..., 0]


def cumulative_product(factor: FloatArray, first: BoolArray) -> FloatArray:
    """Return running products of ``factor`` (..., n), from anew wherever ``first`` (n,) is true."""
    total = np.log(factor).cumsum(axis=-1)
    begin = np.flatnonzero(first)
    before = np.where(begin > 0, total[..., begin - 1], 0.0)
    sizes = np.diff(np.append(begin, factor.shape[-1]))
    return np.asarray(np.exp(total - np.repeat(before, sizes, axis=-1)))


def summarise_weights(raw: FloatArray, used: FloatArray, limit: float) -> dict[str, float]:
    """Return the summary of ``raw`` weights, and of those ``used``, truncated at ``limit``.

    ``n`` rows have a weight; ``mean``, ``median``, ``p99`` and ``largest`` are of the weights as
    used, ``largest_before`` is of the raw; ``share_truncated`` of the rows is above the ``limit``;
    ``effective`` is Kish's effective number of rows.

    Examples
    --------
    >>> found = summarise_weights(np.array([0.0, 1, 1, 6]), np.array([0.0, 1, 1, 4]), limit=4.0)
    >>> found["n"], found["mean"], found["effective"]
    (3, 2.0, 2.0)
    """
    rows = raw > 0
    kept = used[rows] if rows.any() else np.array([np.nan])
    return {
        "n": int(rows.sum()),
        "mean": float(kept.mean()),
        "median": float(np.median(kept)),
        "p99": float(np.quantile(kept, 0.99)),
        "largest": float(kept.max()),
        "largest_before": float(raw.max()),
        "limit": limit,
        "share_truncated": float((raw[rows] > limit).sum() / max(rows.sum(), 1)),
        "effective": effective_number(used),
    }


def standardised_differences(
    values: FloatArray, weight: npt.ArrayLike, target: npt.ArrayLike
) -> FloatArray:
    """Return how far weighted means lie from target means, in standard deviations.

    Of ``values``, (n, p), with the ``weight`` to be judged and that of the ``target`` group which
    they should resemble, (n,). The spread is the target group's, the same before and after (Austin
    & Stuart 2015, Stat Med 34:3661). A column without spread gives 0 where the means agree.

    Examples
    --------
    >>> values = np.array([[0.0], [2.0]])
    >>> standardised_differences(values, [0, 1], [1, 1])
    array([1.])
    """
    w = np.asarray(weight, dtype=np.float64)
    t = np.asarray(target, dtype=np.float64)
    if w.sum() <= 0 or t.sum() <= 0:
        return np.full(values.shape[1], np.nan)
    mean = w @ values / w.sum()
    wanted = t @ values / t.sum()
    spread = np.sqrt(t @ (values - wanted) ** 2 / t.sum())
    gap = mean - wanted
    gap[np.abs(gap) < 1e-12] = 0.0
    return shares(gap, spread)


def logistic_coefficients(
    design: FloatArray,
    outcome: npt.ArrayLike,
    weight: FloatArray,
    *,
    ridge: float = 0.0,
    start: FloatArray | None = None,
    tolerance: float = 1e-9,
) -> FloatArray:
    """Return the coefficients that maximise each weighted, optionally penalised likelihood.

    Each of several sets of ``weight`` (k, n) of the rows has its own coefficients, (k, p). The
    first column of ``design`` (n, p) is the intercept and is never penalised; ``ridge`` is a
    Gaussian prior of variance ``1 / ridge`` on the others. Newton's steps begin at ``start``, which
    saves half of them after a fit to nearly the same rows, and end when no coefficient moves by
    more than the ``tolerance``.

    Raises FitError if the steps do not settle, as when a column separates the outcomes and ridge is
    0.
    """
    y, sets = np.asarray(outcome, dtype=np.float64), len(weight)
    penalty = np.full(design.shape[1], ridge)
    penalty[0] = 0.0
    found = np.tile(np.zeros_like(penalty) if start is None else start, (sets, 1))
    moving, bent = np.arange(sets), np.full(sets, True)
    information = np.empty((sets, *2 * penalty.shape))
    for taken in range(MOST_STEPS):
        beta, count = found[moving], weight[moving]
        fitted = logistic_probability(design, beta)
        gradient = (count * (y - fitted)) @ design - penalty * beta
        if bent.any():  # near the maximum a matrix serves for all steps that are left
            spread = count[bent] * fitted[bent] * (1 - fitted[bent])
            square = weighted_squares(design, spread, kind=np.float32)
            information[moving[bent]] = square + np.diag(penalty)
        try:
            step = np.linalg.solve(information[moving], gradient[..., None])[..., 0]
        except np.linalg.LinAlgError as error:
            raise FitError(
                "Columns of a logistic regression repeat each other.",
                "Drop one of them, or give a ridge above 0.",
            ) from error
        largest = np.abs(step).max(axis=1)
        settled = largest < tolerance
        # it may overshoot: halve until the fit improves
        for one in np.flatnonzero(~settled & ((largest > 1) | (taken > PATIENCE))):
            step[one] = _halved(design, y, count[one], penalty, beta[one], step[one])
        found[moving] += step
        moving, bent = moving[~settled], (largest > NEAR)[~settled]
        if not len(moving):
            return found
    if start is None:
        raise FitError(
            f"A logistic regression on {len(y)} rows did not settle in {MOST_STEPS} steps.",
            "A column may tell the outcomes apart fully: drop it, or give a ridge above 0.",
        )
    # it may have led astray
    found[moving] = logistic_coefficients(
        design, y, weight[moving], ridge=ridge, tolerance=tolerance
    )
    return found


def weighted_squares(
    design: FloatArray, weight: FloatArray, *, kind: type = np.float64
) -> FloatArray:
    """Return design' W design for each row of ``weight`` (k, n): shape (k, p, p).

    For many rows one product with the products of all pairs of columns does them all, in numbers
    of a ``kind``: single precision is enough for a matrix that steps are found by.
    """
    if len(weight) < FEW:
        return np.stack([(design.T * one) @ design for one in weight])
    i, j = np.triu_indices(design.shape[1])
    total = np.zeros((len(weight), len(i)))
    for low in range(0, len(design), ROWS_TOGETHER):
        rows = slice(low, low + ROWS_TOGETHER)
        part: AnyArray = np.ascontiguousarray(design[rows].T, dtype=kind)
        total += weight[:, rows].astype(kind) @ (part[i] * part[j]).T
    squares = np.empty((len(weight), design.shape[1], design.shape[1]))
    squares[:, i, j] = squares[:, j, i] = total
    return squares


def logistic_probability(design: FloatArray, coefficients: FloatArray) -> FloatArray:
    """Return the fitted probabilities, shape (n,), or (k, n) of ``coefficients`` (k, p)."""
    linear = np.clip(coefficients @ design.T, -35, 35)
    return np.asarray(1 / (1 + np.exp(-linear)))


def _halved(
    design: FloatArray,
    y: FloatArray,
    rows: FloatArray,
    penalty: FloatArray,
    beta: FloatArray,
    step: FloatArray,
) -> FloatArray:
    def loss(coefficients: FloatArray) -> float:
        linear = design @ coefficients
        fit = rows @ (np.logaddexp(0, linear) - y * linear)
        return float(fit + penalty @ coefficients**2 / 2)

    most = loss(beta) * (1 + ROUNDING)
    for _ in range(20):
        if loss(beta + step) <= most:
            break
        step = step / 2
    return step
