"""A logistic regression small and fast enough to be refitted a thousand times."""

import numpy as np
import numpy.typing as npt

from forecast.errors import FitError

__all__ = ["logistic_coefficients", "logistic_probability"]

FloatArray = npt.NDArray[np.float64]
PATIENCE = 8  # full steps that Newton's method may take before each is checked


def logistic_coefficients(
    design: FloatArray,
    outcome: npt.ArrayLike,
    *,
    weight: FloatArray | None = None,
    ridge: float = 0.0,
    start: FloatArray | None = None,
    tolerance: float = 1e-9,
    max_steps: int = 60,
) -> FloatArray:
    """Return the coefficients that maximise the weighted, optionally penalised likelihood.

    Parameters
    ----------
    design : ndarray of shape (n, p)
        The first column is the intercept and is never penalised.
    outcome : array-like of shape (n,)
        0 or 1.
    weight : ndarray of shape (n,), optional
        How many rows each stands for; 1 when not given.
    ridge : float
        Adds ``-ridge / 2 * sum(b[1:] ** 2)``: a Gaussian prior of variance ``1 / ridge``.
    start : ndarray of shape (p,), optional
        Where Newton's steps begin; a fit to nearly the same rows saves half of them.
    tolerance : float
        Stop when no coefficient moves by more.

    Raises
    ------
    FitError
        If the steps do not settle, as when a column separates the outcomes and ridge is 0.

    Examples
    --------
    >>> import numpy as np
    >>> design = np.ones((4, 1))
    >>> logistic_coefficients(design, [1, 0, 0, 0]).round(4)
    array([-1.0986])
    """
    y = np.asarray(outcome, dtype=np.float64)
    rows = np.ones(len(y)) if weight is None else weight
    penalty = np.full(design.shape[1], ridge)
    penalty[0] = 0.0
    beta = np.zeros(design.shape[1]) if start is None else start.copy()
    loss = _loss(design, y, rows, penalty, beta)
    for taken in range(max_steps):
        fitted = logistic_probability(design, beta)
        gradient = design.T @ (rows * (y - fitted)) - penalty * beta
        spread = rows * fitted * (1 - fitted)
        information = (design * spread[:, None]).T @ design + np.diag(penalty)
        step = _solve(information, gradient)
        largest = float(np.abs(step).max())
        if largest < tolerance:
            return beta + step
        if largest > 1 or taken > PATIENCE:  # it may overshoot: halve until the fit improves
            step, loss = _halved(design, y, rows, penalty, beta, step, loss)
        beta = beta + step
    if start is not None:  # it may have led astray
        return logistic_coefficients(
            design, y, weight=weight, ridge=ridge, tolerance=tolerance, max_steps=max_steps
        )
    raise FitError(
        f"A logistic regression on {len(y)} rows did not settle in {max_steps} steps.",
        "A column may tell the outcomes apart fully: drop it, or give a ridge above 0.",
    )


def logistic_probability(design: FloatArray, coefficients: FloatArray) -> FloatArray:
    """Return the fitted probabilities, shape (n,)."""
    linear = np.clip(design @ coefficients, -35, 35)
    probability: FloatArray = 1 / (1 + np.exp(-linear))
    return probability


def _loss(
    design: FloatArray, y: FloatArray, rows: FloatArray, penalty: FloatArray, beta: FloatArray
) -> float:
    linear = design @ beta
    fit = rows @ (np.logaddexp(0, linear) - y * linear)
    return float(fit + penalty @ beta**2 / 2)


def _halved(
    design: FloatArray,
    y: FloatArray,
    rows: FloatArray,
    penalty: FloatArray,
    beta: FloatArray,
    step: FloatArray,
    loss: float,
) -> tuple[FloatArray, float]:
    loss = _loss(design, y, rows, penalty, beta)
    for _ in range(20):
        tried = _loss(design, y, rows, penalty, beta + step)
        if tried <= loss:
            return step, tried
        step = step / 2
    return step, loss


def _solve(information: FloatArray, gradient: FloatArray) -> FloatArray:
    try:
        step = np.linalg.solve(information, gradient)
    except np.linalg.LinAlgError as error:
        raise FitError(
            "Columns of a logistic regression repeat each other.",
            "Drop one of them, or give a ridge above 0.",
        ) from error
    return step.astype(np.float64)
