"""A count as a distribution over steps 1, 2, …, horizon, with the remainder kept."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level, check_whole_number
from forecast._types import FloatArray
from forecast.errors import DataError

ROUNDING = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class CountDistribution:
    """When the event happens, as probabilities over steps 1 to ``horizon``.

    A row need not sum to one: what is missing is the probability that the event has not
    happened by the last step, which covers both "later" and "never".

    Attributes
    ----------
    pmf : ndarray of shape (n_subjects, horizon)
        ``pmf[i, k]`` is the probability that subject ``i`` has the event at step ``k + 1``.

    Raises
    ------
    DataError
        If an entry is negative or not a number, or a row sums to more than one.

    Examples
    --------
    >>> import numpy as np
    >>> two_steps = CountDistribution(np.array([[0.25, 0.5]]))
    >>> two_steps.quantile(0.5)
    array([2.])
    >>> two_steps.quantile(0.9)
    array([inf])
    """

    pmf: FloatArray

    def __post_init__(self) -> None:
        pmf = np.array(self.pmf, dtype=np.float64)
        if pmf.ndim != 2 or pmf.shape[1] < 1:
            raise DataError(
                f"pmf has shape {pmf.shape}.", "Give one row per subject and one column per step."
            )
        bad = ~(pmf >= 0).all(axis=1) | ~(pmf.sum(axis=1) <= 1 + ROUNDING)
        if bad.any():
            raise DataError(
                f"{bad.sum()} row(s) of pmf are not probabilities, first row {bad.argmax()}.",
                "Each entry must be at least 0 and each row must sum to at most 1.",
            )
        pmf.setflags(write=False)
        object.__setattr__(self, "pmf", pmf)

    @classmethod
    def from_hazard(cls, hazard: npt.ArrayLike) -> "CountDistribution":
        """Return the distribution with the given hazard at each step, shape (n, horizon)."""
        hazard = np.atleast_2d(np.asarray(hazard, dtype=np.float64))
        before = np.cumprod(1 - hazard, axis=1)
        before = np.hstack([np.ones((hazard.shape[0], 1)), before[:, :-1]])
        return cls(before * hazard)

    @classmethod
    def from_survival(cls, survival: npt.ArrayLike) -> "CountDistribution":
        """Return the distribution with ``survival[:, k - 1]`` the chance of no event by step k."""
        survival = np.atleast_2d(np.asarray(survival, dtype=np.float64))
        whole = np.hstack([np.ones((survival.shape[0], 1)), survival])
        return cls(np.clip(-np.diff(whole, axis=1), 0, None))

    @classmethod
    def mixture(cls, pmfs: npt.ArrayLike) -> "CountDistribution":
        """Return the average over the first axis of ``pmfs``, shape (n_draws, n, horizon)."""
        return cls(np.mean(np.asarray(pmfs, dtype=np.float64), axis=0))

    @property
    def horizon(self) -> int:
        """The last step."""
        return int(self.pmf.shape[1])

    def __len__(self) -> int:
        return int(self.pmf.shape[0])

    def __getitem__(self, rows: Any) -> "CountDistribution":
        """Return the distribution of the rows asked for; one number gives one row."""
        return CountDistribution(np.atleast_2d(self.pmf[rows]))

    def cdf(self) -> FloatArray:
        """Return the probability of the event by each step, shape (n, horizon)."""
        return np.minimum(np.cumsum(self.pmf, axis=1), 1.0)

    def survival(self) -> FloatArray:
        """Return the probability of no event by each step, shape (n, horizon)."""
        return 1 - self.cdf()

    def not_yet(self) -> FloatArray:
        """Return the probability of no event by the horizon, shape (n,)."""
        remainder: FloatArray = self.survival()[:, -1]
        return remainder

    def hazard(self) -> FloatArray:
        """Return the chance of the event at each step given none before, shape (n, horizon)."""
        before = np.hstack([np.ones((len(self), 1)), self.survival()[:, :-1]])
        return np.divide(self.pmf, before, out=np.zeros_like(self.pmf), where=before > 0)

    def quantile(self, level: float) -> FloatArray:
        """Return the first step by which the event has happened with probability ``level``.

        Shape (n,); ``inf`` where that is beyond the horizon.
        """
        level = check_level(level)
        reached = self.cdf() >= level - ROUNDING
        first = np.argmax(reached, axis=1) + 1.0
        return np.where(reached.any(axis=1), first, np.inf)

    def median(self) -> FloatArray:
        """Return the median step, shape (n,); ``inf`` where it is beyond the horizon."""
        return self.quantile(0.5)

    def interval(self, level: float) -> FloatArray:
        """Return equal-tailed interval ends, shape (n, 2); ``inf`` beyond the horizon."""
        tail = (1 - check_level(level)) / 2
        return np.column_stack([self.quantile(tail), self.quantile(1 - tail)])

    def mean_capped(self, cap: int) -> FloatArray:
        """Return the expected step, counting at most ``cap``: E[min(K, cap)], shape (n,).

        ``cap`` may not exceed the horizon: beyond it nothing is known.
        """
        cap = check_whole_number(cap, name="cap", low=1, high=self.horizon)
        expected: FloatArray = 1 + self.survival()[:, : cap - 1].sum(axis=1)
        return expected

    def given_not_by(self, step: int) -> "CountDistribution":
        """Return the distribution of the *remaining* steps, given no event by ``step``.

        Its first column is step ``step + 1``. A row that could not have got this far has no
        distribution and is refused.
        """
        step = check_whole_number(step, name="step", low=0, high=self.horizon - 1)
        left = self.survival()[:, step - 1] if step else np.ones(len(self))
        if (left <= 0).any():
            raise DataError(
                f"Row {int((left <= 0).argmax())} has the event by step {step} for certain.",
                "Condition on an earlier step.",
            )
        return CountDistribution(self.pmf[:, step:] / left[:, None])
