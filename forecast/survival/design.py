"""The covariate matrix in the form a fit wants, never wider or longer than it must be.

Only a few sums over rows are ever needed: ``X b``, ``X' v``, ``X' diag(c) X`` and ``X' v`` by
group. Columns of zeros and ones are kept as one pattern number per row once patterns repeat
often enough, so that their share of each sum is a count per pattern.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import numpy.typing as npt

from forecast.survival.encoding import CodeArray, Encoding

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Design", "Groups", "build_design"]

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]

BLOCK = 1024  # rows per product: 1,024 rows of 50 columns stay in the second-level cache,
BLOCK_CELLS = 2**15  # and so do more rows of fewer columns
COUNTED_CELLS = 2**14  # counts by group and pattern that stay in that cache
FEW = 100  # values that nearly always tell numbers from zeros and ones
MANY_KEYS = 2**18  # combinations of levels beyond this are counted before going on
ROWS_PER_PATTERN = 4  # below this, counting by pattern costs more than plain products


@dataclass(frozen=True, slots=True, eq=False)
class Groups:
    """Rows put into groups 0 to ``size - 1``, for sums by group.

    Attributes
    ----------
    rows : ndarray or None
        The rows concerned, sorted by group; None when slices of the design do.
    start, stop : ndarray of shape (size,)
        Group ``g`` is ``rows[start[g]:stop[g]]`` (or those rows of the design themselves).
    cell : ndarray or None
        Group and pattern of each row concerned as one number, where patterns are in use; of
        many groups, as many as are counted together are numbered from 0, see `Design.at_once`.
    """

    rows: IntArray | None
    start: IntArray
    stop: IntArray
    cell: IntArray | None
    dense: FloatArray

    @property
    def size(self) -> int:
        """How many groups there are."""
        return len(self.start)


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """Rows of covariates: columns held in full, then columns held as patterns.

    Attributes
    ----------
    dense : ndarray of shape (n, n_dense)
        Columns held in full, centred and scaled as ``center`` and ``scale`` say.
    pattern : ndarray of shape (n,) or None
        Which row of ``table`` holds the other columns.
    table : ndarray of shape (n_patterns, n_zero_one)
        The distinct rows of the zero-one columns.
    order : ndarray of shape (p,)
        Where column j of the encoding is found among the columns held.
    center, scale : ndarray of shape (p,)
        In the order held: the column is ``center + scale * held``.
    scaled : ndarray of shape (p,), bool
        Columns other than zero-one.
    """

    dense: FloatArray
    pattern: IntArray | None
    table: FloatArray
    order: IntArray
    center: FloatArray
    scale: FloatArray
    scaled: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.dense)

    def every(self, stride: int) -> Design:
        """Return each ``stride``-th row."""
        pattern = None if self.pattern is None else self.pattern[::stride]
        held = np.asarray(self.dense[::stride], order="K").copy(order="K")
        return replace(self, dense=held, pattern=pattern)

    @property
    def width(self) -> int:
        """The number of covariates."""
        return int(self.dense.shape[1] + self.table.shape[1])

    def block(self, low: int, high: int) -> FloatArray:
        """Return rows ``low`` to ``high`` in full."""
        if self.pattern is None:
            return self.dense[low:high]
        return np.hstack([self.dense[low:high], self.table[self.pattern[low:high]]])

    def column(self, number: int) -> FloatArray:
        """Return one column as held, shape (n,)."""
        wide = self.dense.shape[1]
        if number < wide or self.pattern is None:
            return self.dense[:, number]
        return np.asarray(self.table[self.pattern, number - wide])

    def dot(self, slopes: FloatArray) -> FloatArray:
        """Return X b, shape (n,)."""
        wide = self.dense.shape[1]
        product: FloatArray = self.dense @ slopes[:wide]
        if self.pattern is not None:
            product += (self.table @ slopes[wide:])[self.pattern]
        return product

    def dot_rows(self, values: FloatArray) -> FloatArray:
        """Return X' v, shape (p,)."""
        product: FloatArray = values @ self.dense
        if self.pattern is None:
            return product
        counts = np.bincount(self.pattern, values, len(self.table))
        return np.concatenate([product, counts @ self.table])

    def dot_squares(self, values: FloatArray) -> FloatArray:
        """Return the sums of v x² for each column as held, shape (p,)."""
        product: FloatArray = values @ self.dense**2
        if self.pattern is None:
            return product
        counts = np.bincount(self.pattern, values, len(self.table))
        return np.concatenate([product, counts @ self.table**2])

    def dot_runs(self, runs: Sequence[tuple[slice, FloatArray]]) -> FloatArray:
        """Return X' v over some runs of rows, given with their values, shape (p,)."""
        product, counts = np.zeros(self.dense.shape[1]), np.zeros(len(self.table))
        for run, values in runs:
            product += values @ self.dense[run]
            if self.pattern is not None:
                counts += np.bincount(self.pattern[run], values, len(self.table))
        return product if self.pattern is None else np.concatenate([product, counts @ self.table])

    def gram(self, weights: FloatArray) -> FloatArray:
        """Return X' diag(c) X, shape (p, p), for c of 0 or more."""
        wide, cells = self.dense.shape[1], len(self.table)
        product = np.zeros((self.width, self.width))
        long = max(BLOCK, BLOCK_CELLS // max(wide, 1))
        for low in range(0, len(self), long):
            rows = self.dense[low : low + long] * np.sqrt(weights[low : low + long, None])
            product[:wide, :wide] += rows.T @ rows  # a symmetric product: half the work
        if self.pattern is not None:
            counts = np.bincount(self.pattern, weights, cells)
            for low in range(0, cells, BLOCK):
                part = self.table[low : low + BLOCK]
                product[wide:, wide:] += part.T @ (part * counts[low : low + BLOCK, None])
            for column in range(wide):
                weighted = np.bincount(self.pattern, weights * self.dense[:, column], cells)
                product[column, wide:] = product[wide:, column] = weighted @ self.table
        return product

    def sums(self, groups: Groups, values: FloatArray) -> FloatArray:
        """Return the sum of v and of v x in each group, shape (size, 1 + p).

        ``values`` belongs to the rows that ``groups`` concerns, in their order there.
        """
        wide = self.dense.shape[1]
        total = np.zeros((groups.size, 1 + self.width))
        at = 0
        for group, (start, stop) in enumerate(zip(groups.start, groups.stop, strict=True)):
            if stop > start:
                piece = values[at : at + stop - start]
                at += stop - start
                total[group, 0] = piece.sum()
                total[group, 1 : 1 + wide] = piece @ groups.dense[start:stop]
        if groups.cell is not None:
            ends = np.append(0, np.cumsum(groups.stop - groups.start))
            for low in range(0, groups.size, self.at_once):
                some = slice(low, min(low + self.at_once, groups.size))
                rows = slice(ends[some.start], ends[some.stop])
                size = (some.stop - some.start) * len(self.table)
                counts = np.bincount(groups.cell[rows], values[rows], size)
                total[some, 1 + wide :] = counts.reshape(-1, len(self.table)) @ self.table
        return total

    @property
    def at_once(self) -> int:
        """How many groups are counted by pattern at a time."""
        return max(COUNTED_CELLS // len(self.table), 1)

    def slices(self, start: IntArray, stop: IntArray) -> Groups:
        """Return groups that are runs of rows of the design, one run after the other."""
        cell = None
        if self.pattern is not None:
            first = np.arange(len(start)) % self.at_once * len(self.table)
            cell = np.repeat(first, stop - start)
            cell += self.pattern[start[0] : stop[-1]]
        return Groups(None, start, stop, cell, self.dense)

    def grouping(self, rows: IntArray, group: IntArray, size: int) -> Groups:
        """Return groups of any rows: ``rows[i]`` belongs to ``group[i]``."""
        order = np.argsort(group, kind="stable")
        rows, group = rows[order], group[order]
        stop = np.searchsorted(group, np.arange(size), side="right")
        start = np.concatenate([[0], stop[:-1]])
        cell = None
        if self.pattern is not None:
            cell = group % self.at_once * len(self.table) + self.pattern[rows]
        return Groups(rows, start, stop, cell, self.dense[rows])


def build_design(
    encoding: Encoding, frame: pd.DataFrame, order: IntArray, weight: FloatArray
) -> Design:
    """Return the design of ``frame``'s rows taken in ``order``.

    Columns other than zero-one are centred at their weighted mean and divided by their weighted
    standard deviation, which keeps the arithmetic well conditioned whatever their units.
    """
    dense: list[FloatArray] = []
    coded: list[tuple[CodeArray, FloatArray]] = []
    place: list[tuple[bool, int]] = []
    seen = [0, 0]
    for values, codes, n_levels in encoding.parts(frame):
        if codes is None and values is not None and not is_zero_one(values):
            dense.append(values)
            place.append((False, seen[0]))
            seen[0] += 1
            continue
        if codes is None:
            assert values is not None
            codes, block = values.astype(np.int16), np.array([[0.0], [1.0]])
        else:
            block = np.eye(n_levels)[:, 1:]
        coded.append((codes, block))
        place += [(True, seen[1] + column) for column in range(block.shape[1])]
        seen[1] += block.shape[1]
    held, center, scale = standardise(dense, weight, order)
    pattern, table = merge(coded, len(order))
    pattern = None if pattern is None else pattern[order]
    where = np.array([at + (seen[0] if zero_one else 0) for zero_one, at in place], dtype=np.int64)
    center = np.concatenate([center, np.zeros(seen[1])])
    scale = np.concatenate([scale, np.ones(seen[1])])
    if pattern is not None and len(table) * ROWS_PER_PATTERN > len(order):
        held, pattern, table = np.hstack([held, table[pattern]]), None, np.zeros((0, 0))
    scaled = np.arange(len(center)) < seen[0]
    # a few columns beside patterns are wanted one by one, many columns in blocks of rows
    held = np.ascontiguousarray(held) if pattern is None else np.asfortranarray(held)
    return Design(held, pattern, table, where, center, scale, scaled)


def is_zero_one(values: FloatArray) -> bool:
    """Say whether a column holds only zeros and ones."""
    if not ((values[:FEW] == 0) | (values[:FEW] == 1)).all():
        return False
    return bool(((values == 0) | (values == 1)).all())


def standardise(
    columns: list[FloatArray], weight: FloatArray, order: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the columns side by side in order, centred and scaled, with centres and scales."""
    held = np.empty((len(order), len(columns)), order="F")
    center, scale = np.zeros(len(columns)), np.ones(len(columns))
    total = weight.sum() or 1.0
    for at, values in enumerate(columns):
        center[at] = values @ weight / total
        spread = np.sqrt((values - center[at]) ** 2 @ weight / total)
        scale[at] = spread if spread > 0 else 1.0
        held[:, at] = values[order]
    held -= center
    held /= scale
    return held, center, scale


def merge(coded: list[tuple[CodeArray, FloatArray]], n: int) -> tuple[IntArray | None, FloatArray]:
    """Return one pattern number per row and the table of distinct patterns."""
    if not coded:
        return None, np.zeros((0, 0))
    key, table, size = np.zeros(n, dtype=np.int64), np.zeros((1, 0)), 1
    pending: list[FloatArray] = []
    for codes, block in coded:
        if size * len(block) > MANY_KEYS:
            key, table = count_keys(key, size, table, pending)
            pending, size = [], len(table)
        key = key * len(block) + codes
        pending.append(block)
        size *= len(block)
    return count_keys(key, size, table, pending)


def count_keys(
    key: IntArray, size: int, table: FloatArray, pending: list[FloatArray]
) -> tuple[IntArray, FloatArray]:
    """Return keys counted over those in use, and the row of zeros and ones each stands for.

    A key was made by ``key * len(block) + code`` over the pending blocks, on top of ``table``.
    """
    place, rest = distinct_numbers(key, size)
    found = np.empty((len(rest), table.shape[1] + sum(block.shape[1] for block in pending)))
    end = found.shape[1]
    for block in reversed(pending):
        rest, code = np.divmod(rest, len(block))
        start = end - block.shape[1]
        found[:, start:end], end = block[code], start
    found[:, :end] = table[rest]
    return place, found


def distinct_numbers(numbers: IntArray, size: int) -> tuple[IntArray, IntArray]:
    """Return each number's place among the distinct ones, and the distinct ones, ascending."""
    present = np.zeros(size, dtype=bool)
    present[numbers] = True
    distinct = np.flatnonzero(present)
    place = np.zeros(size, dtype=np.int64)
    place[distinct] = np.arange(len(distinct))
    return place[numbers], distinct
