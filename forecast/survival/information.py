"""Information matrices: put together from their parts, inverted, and the sandwich's middle."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from forecast.survival.likelihood import Pass
from forecast.survival.newton import Curvature, check_rank

__all__ = ["assemble", "clustered_meat", "fold", "symmetric_inverse"]

FloatArray: TypeAlias = npt.NDArray[np.float64]


def assemble(done: Pass, basis: FloatArray) -> Curvature:
    """Return derivatives by baseline parameters and slopes, from those by steps and slopes."""
    gradient = np.concatenate([done.by_step @ basis, done.by_slope])
    return Curvature(
        done.loglik, gradient, fold(done.step_step, done.step_slope, done.slope_slope, basis)
    )


def fold(
    step_step: FloatArray, step_slope: FloatArray, slope_slope: FloatArray, basis: FloatArray
) -> FloatArray:
    """Return the full information matrix, baseline parameters first."""
    corner = basis.T @ (basis * step_step[:, None])
    side = basis.T @ step_slope
    return np.block([[corner, side], [side.T, slope_slope]])


def symmetric_inverse(matrix: FloatArray, names: list[str]) -> FloatArray:
    """Return the inverse of a positive definite matrix, after scaling its diagonal to one."""
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    scaled = matrix / np.outer(scale, scale)
    check_rank(scaled, names)
    inverse = np.linalg.inv(scaled) / np.outer(scale, scale)
    return np.asarray((inverse + inverse.T) / 2)


def clustered_meat(columns: Iterable[FloatArray], subject: npt.NDArray[np.object_]) -> FloatArray:
    """Return the sum over subjects of score times score', times G / (G - 1) for G subjects.

    ``columns`` gives the rows' scores, one parameter after the other.
    """
    from pandas import factorize

    place, named = factorize(subject)
    groups = len(named)
    totals = np.column_stack([np.bincount(place, column, groups) for column in columns])
    return np.asarray(totals.T @ totals * (groups / max(groups - 1, 1)))
