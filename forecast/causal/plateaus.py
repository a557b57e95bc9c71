"""Subjects of whom a share may never change: one copy of each for every share it may be.

The response is the log of what is left. Where a share never goes, what is left levels off at it:
the log of ``share + (1 - share) exp(path)`` is measured, and the path, not the response, is linear.
Each copy of a subject is that subject under one share; how much each copy counts is the chance of
its share given the subject's measurements (a mixture, by expectation and maximisation). A copy's
curve is replaced by its tangent where the subject's own path most likely is (Lindstrom & Bates
1990, Biometrics 46:673).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from forecast.causal.subject_sums import Rows

__all__ = ["Copies", "Tangent", "copies_of"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
NEAR = 0.4  # a log response this far below a plateau rules the plateau out
LOWEST, HIGHEST = -8.0, 0.5  # path on which a tangent is laid


@dataclass(frozen=True, slots=True, eq=False)
class Tangent:
    """The rows of all copies, linear in the path.

    Attributes
    ----------
    rows : Rows
        Design and random columns times the slope of the tangent.
    low, high : ndarray of shape (n,)
        Bounds of the response, less where the tangent meets a path of zero.
    slope : ndarray of shape (n,)
        Change of the response with the path, 1 where nothing is held back.
    """

    rows: Rows
    low: FloatArray
    high: FloatArray
    slope: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Copies:
    """All subjects, then those that may level off, once for each share.

    Attributes
    ----------
    rows : Rows
    low, high : ndarray of shape (n,)
        Bounds of the response.
    clock : ndarray of shape (n,)
        When it was measured.
    share : ndarray of shape (n,)
        Held back in the row's copy.
    owner : ndarray of int, shape (n_copies,)
        Which subject a copy is of.
    plain : ndarray of bool, shape (n_copies,)
        Whether nothing is held back.
    n_subjects, n_shares : int
    stretch : ndarray of shape (n, m)
        Change of the last random column with further parameters.
    slope_column : int
        The design's column that is the last random one.
    """

    rows: Rows
    low: FloatArray
    high: FloatArray
    clock: FloatArray
    share: FloatArray
    owner: IntArray
    plain: npt.NDArray[np.bool_]
    n_subjects: int
    n_shares: int
    stretch: FloatArray
    slope_column: int

    @property
    def originals(self) -> Rows:
        """The rows of the first copies, in which nothing is held back."""
        n = len(self.low)
        if len(self.owner) > self.n_subjects:
            n = int(self.rows.starts[self.n_subjects])
        return Rows(
            design=self.rows.design[:n],
            response=self.rows.response[:n],
            random=self.rows.random[:n],
            starts=self.rows.starts[: self.n_subjects],
            subjects=self.rows.subjects[: self.n_subjects],
            order=self.rows.order[:n],
        )

    @property
    def holding(self) -> npt.NDArray[np.bool_]:
        """Rows of copies with a share held back."""
        return self.share > 0

    def log_prior(self, often: float) -> FloatArray:
        """Return the log chance of each copy when so often a subject levels off."""
        each = np.full(len(self.owner), np.log(often / max(self.n_shares, 1)))
        each[self.plain] = np.log1p(-often)
        return each

    def chances(self, log_joint: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return how much each copy counts, and the log-likelihood of each subject."""
        top = np.full(self.n_subjects, -np.inf)
        np.maximum.at(top, self.owner, log_joint)
        part = np.exp(log_joint - top[self.owner])
        total = np.bincount(self.owner, weights=part, minlength=self.n_subjects)
        return part / total[self.owner], top + np.log(total)

    def tangent(self, path: FloatArray) -> Tangent:
        """Return the rows with each copy's curve replaced by its tangent at a path, (n,)."""
        at = self.holding
        if not at.any():
            return Tangent(self.rows, self.low, self.high, np.ones(len(path)))
        there, share = np.clip(path[at], LOWEST, HIGHEST), self.share[at]
        left = share + (1 - share) * np.exp(there)
        slope, shift = np.ones(len(path)), np.zeros(len(path))
        slope[at] = 1 - share / left
        shift[at] = np.log(left) - slope[at] * there
        rows = replace(
            self.rows,
            design=self.rows.design * slope[:, None],
            random=self.rows.random * slope[:, None],
        )
        return Tangent(rows, self.low - shift, self.high - shift, slope)


def copies_of(
    rows: Rows,
    low: FloatArray,
    high: FloatArray,
    clock: FloatArray,
    shares: tuple[float, ...],
    *,
    stretch: FloatArray,
    slope_column: int,
) -> Copies:
    """Return the copies; a share that a measurement of the subject rules out has none."""
    n_subjects = len(rows.starts)
    least = np.minimum.reduceat(high, rows.starts) + NEAR
    code = rows.code
    parts = [np.arange(len(code))]
    owners = [np.arange(n_subjects)]
    held = [np.zeros(len(code))]
    for share in shares:
        may = np.flatnonzero(np.log(share) < least)
        mine = np.flatnonzero(np.isin(code, may))
        parts.append(mine)
        owners.append(may)
        held.append(np.full(len(mine), share))
    at, owner = np.concatenate(parts), np.concatenate(owners)
    return Copies(
        rows=repeated(rows, at, owner),
        low=low[at],
        high=high[at],
        clock=clock[at],
        share=np.concatenate(held),
        owner=owner,
        plain=np.arange(len(owner)) < n_subjects,
        n_subjects=n_subjects,
        n_shares=len(shares),
        stretch=stretch[at],
        slope_column=slope_column,
    )


def repeated(rows: Rows, at: IntArray, owner: IntArray) -> Rows:
    """Return the rows ``at`` of the copies of the subjects ``owner``."""
    sizes = np.diff(np.append(rows.starts, len(rows.response)))[owner]
    return Rows(
        design=rows.design[at],
        response=rows.response[at],
        random=rows.random[at],
        starts=np.append(0, np.cumsum(sizes)[:-1]),
        subjects=rows.subjects[owner],
        order=rows.order[at],
    )
