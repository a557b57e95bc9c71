"""Rows and weights of a batch of refits: every column in full, runs of rows by step."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from forecast.survival.refit import Refitter

__all__ = ["BatchRows", "State", "open_state"]

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]

PAIR_BYTES = 2**26  # the table of column pairs is kept whole up to this size
BLOCK = 2048


@dataclass(frozen=True, slots=True, eq=False)
class BatchRows:
    """Rows without the event first, then those with it, each sorted by last survived step."""

    order: IntArray
    covariates: FloatArray
    survived: npt.NDArray[np.signedinteger]
    run_lengths: IntArray
    entry: IntArray | None
    n_quiet: int
    quiet: IntArray
    hit: IntArray
    late: IntArray
    late_bounds: IntArray
    late_covariates: FloatArray
    pairs: npt.NDArray[np.float32] | None
    steps: int

    @classmethod
    def build(cls, refitter: Refitter) -> BatchRows:
        """Return the rows of a refitter with every column in full."""
        rows = refitter.rows
        covariates = np.ascontiguousarray(rows.design.block(0, len(rows.design)))
        width = covariates.shape[1]
        late, bounds = np.zeros(0, dtype=np.int64), np.zeros(rows.steps + 2, dtype=np.int64)
        if rows.by_entry is not None and rows.by_entry.rows is not None:
            late, bounds = rows.by_entry.rows, np.append(0, rows.by_entry.stop)
        fits = len(covariates) * width * (width + 1) * 2 <= PAIR_BYTES
        return cls(
            refitter.order,
            covariates,
            rows.survived,
            np.append(rows.quiet.stop - rows.quiet.start, rows.hit.stop - rows.hit.start),
            rows.entry if len(late) else None,
            rows.n_quiet,
            np.append(rows.quiet.start, rows.quiet.stop[-1]),
            np.append(rows.hit.start, rows.hit.stop[-1]),
            late,
            bounds,
            covariates[late],
            column_pairs(covariates) if fits else None,
            rows.steps,
        )

    def sums(self, values: FloatArray, bounds: IntArray, rows: FloatArray) -> FloatArray:
        """Return sums of v and v x between bounds, shape (n_refits, len(bounds) - 1, 1 + p)."""
        total = np.zeros((len(values), len(bounds) - 1, 1 + rows.shape[1]))
        for at, (start, stop) in enumerate(pairwise(bounds)):
            if stop > start:
                piece = values[:, start:stop]
                total[:, at, 0] = piece.sum(axis=1)
                total[:, at, 1:] = piece @ rows[start:stop]
        return total

    def curvature(self, weight: FloatArray) -> FloatArray:
        """Return X' diag(c) X for each row of ``weight``, shape (n_refits, p, p)."""
        width = self.covariates.shape[1]
        if self.pairs is not None:
            flat = weight.astype(np.float32) @ self.pairs
        else:
            flat = np.zeros((len(weight), width * (width + 1) // 2))
            for low in range(0, len(self.covariates), BLOCK):
                block = column_pairs(self.covariates[low : low + BLOCK])
                flat += weight[:, low : low + BLOCK].astype(np.float32) @ block
        square = np.empty((len(weight), width, width))
        first, second = np.triu_indices(width)
        square[:, first, second] = flat
        square[:, second, first] = flat
        return square


def column_pairs(covariates: FloatArray) -> npt.NDArray[np.float32]:
    """Return the products of all pairs of columns, shape (n, p (p + 1) / 2).

    In single precision: it bends the path of the iterations, not where they end.
    """
    first, second = np.triu_indices(covariates.shape[1])
    single = covariates.astype(np.float32)
    return np.ascontiguousarray(single[:, first] * single[:, second])


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Where a batch stands: weights, which steps are open, and the parameters."""

    weight: FloatArray
    event_weight: FloatArray
    open_steps: npt.NDArray[np.bool_]
    sure: npt.NDArray[np.bool_]

    def take(self, rows: npt.NDArray[np.bool_]) -> State:
        """Return the state of some of the refits."""
        return State(
            self.weight[rows], self.event_weight[rows], self.open_steps[rows], self.sure[rows]
        )


def open_state(rows: BatchRows, weight: FloatArray, *, free: bool) -> State:
    """Return the state of a batch: steps without events, or with nothing else, are shut.

    With a smooth baseline none is.
    """
    if not free:
        every = np.ones((len(weight), rows.steps), dtype=bool)
        return State(weight, weight[:, rows.n_quiet :], every, ~every)
    events = rows.sums(weight, rows.hit, rows.covariates[:, :0])[:, :-1, 0]
    leave = rows.sums((weight > 0).astype(float), rows.quiet, rows.covariates[:, :0])
    leave += rows.sums((weight > 0).astype(float), rows.hit, rows.covariates[:, :0])
    if rows.entry is not None:
        there = (weight[:, rows.late] > 0).astype(float)
        leave -= rows.sums(there, rows.late_bounds, rows.late_covariates[:, :0])
    stay = np.cumsum(leave[:, ::-1, 0], axis=1)[:, ::-1][:, 1:]
    sure = (events > 0) & (stay < 0.5)
    open_steps = (events > 0) & ~sure
    spot = rows.survived[rows.n_quiet :]
    return State(weight, weight[:, rows.n_quiet :] * open_steps[:, spot], open_steps, sure)
