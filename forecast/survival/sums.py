"""What a place with rows tells of them: counts per step, moments, and derivatives; never a row."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from forecast.errors import RequestError

__all__ = ["Counts", "Sums"]

FloatArray: TypeAlias = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """The log-likelihood of some rows and its derivatives by raw parameters."""

    loglik: float
    gradient: FloatArray
    information: FloatArray

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "loglik": self.loglik,
            "gradient": self.gradient.tolist(),
            "information": self.information.tolist(),
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Sums:
        """Return the sums that :meth:`to_dict` wrote."""
        return cls(
            float(stored["loglik"]),
            np.array(stored["gradient"], dtype=np.float64),
            np.array(stored["information"], dtype=np.float64),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Counts:
    """Counts per step and moments of the encoded covariates.

    Attributes
    ----------
    at_risk, events : ndarray of shape (steps,)
        Weighted.
    rows_at_risk, row_events : ndarray of shape (steps,)
        Rows with a positive weight.
    weight : float
    first, second : ndarray of shape (p,)
        Weighted sums of each encoded column and of its square.
    zero_one : ndarray of shape (p,), bool
        Columns that hold nothing but zeros and ones.
    n_rows, n_subjects : int
    """

    at_risk: FloatArray
    events: FloatArray
    rows_at_risk: FloatArray
    row_events: FloatArray
    weight: float
    first: FloatArray
    second: FloatArray
    zero_one: npt.NDArray[np.bool_]
    n_rows: int
    n_subjects: int

    @classmethod
    def together(cls, each: Sequence[Counts], *, width: int) -> Counts:
        """Return the counts of all places; subjects are taken to be in one place only."""
        for number, one in enumerate(each):
            if len(one.first) != width:
                raise RequestError(
                    f"Place {number} has {len(one.first)} encoded covariate(s), not {width}.",
                    "Give every place the same encoding.",
                )
        steps = max(len(one.at_risk) for one in each)

        def total(name: str) -> FloatArray:
            padded = [
                np.pad(getattr(one, name), (0, steps - len(getattr(one, name)))) for one in each
            ]
            return np.asarray(np.sum(padded, axis=0))

        return cls(
            total("at_risk"),
            total("events"),
            total("rows_at_risk"),
            total("row_events"),
            float(sum(one.weight for one in each)),
            np.asarray(np.sum([one.first for one in each], axis=0)),
            np.asarray(np.sum([one.second for one in each], axis=0)),
            np.asarray(np.all([one.zero_one for one in each], axis=0)),
            sum(one.n_rows for one in each),
            sum(one.n_subjects for one in each),
        )
