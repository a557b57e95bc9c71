"""Draws of parameters, made so that few of them say what many would.

Draws come in pairs, each the mirror image of the other about the estimate (antithetic variates:
Hammersley and Morton 1956, Proc Camb Phil Soc 52:449), and are stretched so that their
covariance is the one asked for. Averages over them are then free of noise as far as predictions
are straight or evenly curved in the parameters, and what is left does not change with the seed
enough to be seen.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["gaussian_draws"]

FloatArray = npt.NDArray[np.float64]


def gaussian_draws(
    mean: FloatArray, covariance: FloatArray, *, n_draws: int, seed: int
) -> FloatArray:
    """Return Gaussian draws of shape (n_draws, k), for any positive semi-definite covariance.

    The mean of an even number of draws is exactly ``mean``; with at least four per parameter
    their covariance is exactly ``covariance``.
    """
    values, vectors = np.linalg.eigh(covariance)
    # the symmetric root has no free signs, so draws are the same on every machine
    root = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
    return np.asarray(mean + mirrored(n_draws, len(mean), seed=seed) @ root)


def mirrored(n: int, k: int, *, seed: int) -> FloatArray:
    """Return standard normal noise of shape (n, k) in neighbouring pairs of opposite sign."""
    half = np.random.default_rng(seed).standard_normal(((n + 1) // 2, k))
    if len(half) >= 2 * k and not n % 2:
        factor = np.linalg.cholesky(half.T @ half / len(half))
        half = np.linalg.solve(factor, half.T).T
    paired: FloatArray = np.repeat(half, 2, axis=0)[:n]
    paired[1::2] *= -1
    return paired
