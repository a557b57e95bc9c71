"""A mixture for events that may never come: a share that never has it, and a hazard for the rest.

S(k) = 1 - share + share * exp(-exp(x'b) A(k)), with share = 1 / (1 + exp(-(s + x'c))) the chance
that the event comes at all and A(k) = exp(level) * (k / 8)^shape, a Weibull cut into steps
(Boag 1949; Farewell 1982, Biometrics 38:1041).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number, nearest
from forecast.errors import RequestError
from forecast.survival.baseline import PIVOT
from forecast.survival.cure_likelihood import CureRows, best_of, covariance_at
from forecast.survival.distribution import CountDistribution
from forecast.survival.draws import gaussian_draws
from forecast.survival.durations import Durations
from forecast.survival.encoding import Encoding
from forecast.survival.model import FitNotes
from forecast.survival.notes import fit_notes, notes_from_dict, notes_to_dict, refuse_no_events

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CureMixture", "FittedCureMixture"]

FloatArray: TypeAlias = npt.NDArray[np.float64]

LARGEST = 700.0
UNSURE_SHARE = 0.1  # a standard error of the share above this is said
# Used with a penalty only: a share of 0.88, with two thirds between 0.5 and 0.98
SHARE_PRIOR = (2.0, 2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class CureMixture:
    """A share that never has the event, and a discrete-time hazard for the others.

    Attributes
    ----------
    penalty : float
        Ridge precision on the slopes of both parts, per standard deviation of a column (1 for a
        column of zeros and ones). Above 0, the share's level also gets the wide prior
        ``SHARE_PRIOR``, so that data which say nothing of the share leave it wide, not at 1.
    share : sequence of str, optional
        The columns that the share depends on; all by default.
    hazard : sequence of str, optional
        The columns that the hazard of the others depends on; all by default.
    """

    penalty: float = 0.0
    share: Sequence[str] | None = None
    hazard: Sequence[str] | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.penalty) and self.penalty >= 0):
            raise RequestError(f"penalty is {self.penalty!r}.", "Give a number from 0 up.")

    @property
    def name(self) -> str:
        """A short name for tables."""
        return "cure mixture"

    def fit(self, durations: Durations) -> FittedCureMixture:
        """Return the mixture fitted to ``durations`` from several starting points.

        The likelihood can have more than one maximum; the best is kept, and the notes say when
        the starts disagreed. A row that enters late is taken given no event by its entry.

        Raises
        ------
        FitError
            If nobody had the event.
        """
        refuse_no_events(durations)
        parts = [self.learn(durations, self.share), self.learn(durations, self.hazard)]
        rows = CureRows.build(durations, parts[0], parts[1], self.penalty, SHARE_PRIOR)
        values, loglik, agreed = best_of(rows)
        covariance, flat = covariance_at(rows, values)
        spread = np.sqrt(max(covariance[0, 0], 0.0))
        share = 1 / (1 + math.exp(-min(max(values[0], -LARGEST), LARGEST)))
        messages = []
        if flat:
            messages.append("The data do not tell the share apart from everyone having the event.")
        elif spread * share * (1 - share) > UNSURE_SHARE:
            messages.append(
                f"The share that never has the event, {100 * (1 - share):.0f} % for an average row,"
                f" is known to ±{100 * spread * share * (1 - share):.0f} % (one standard error):"
                " few rows were watched long past the last events."
            )
        if not agreed:
            messages.append("Other starting points ended in worse maxima; the best is kept.")
        to_raw = rows.to_raw()
        width = len(parts[0].names) + len(parts[1].names)
        dropped = tuple(dict.fromkeys(parts[0].dropped + parts[1].dropped))
        return FittedCureMixture(
            share_encoding=parts[0],
            hazard_encoding=parts[1],
            parameters=to_raw @ values,
            covariance_matrix=to_raw @ covariance @ to_raw.T,
            loglik=loglik,
            notes=fit_notes(durations, n_covariates=width, dropped=dropped, messages=messages),
        )

    def learn(self, durations: Durations, columns: Sequence[str] | None) -> Encoding:
        """Return the encoding of the columns asked for."""
        frame = durations.covariates
        wanted = list(frame.columns) if columns is None else list(columns)
        for name in wanted:
            if name not in frame.columns:
                raise RequestError(
                    f"The covariates have no column {name!r}.",
                    f"They are {', '.join(map(str, frame.columns))}.{nearest(name, frame.columns)}",
                )
        return Encoding.learn(frame[wanted])


@dataclass(frozen=True, slots=True, eq=False)
class FittedCureMixture:
    """A fitted cure mixture.

    Attributes
    ----------
    share_encoding, hazard_encoding : Encoding
    parameters : ndarray of shape (k,)
        As named in ``names``: ``share[level]`` and the share's slopes on the logit scale, then
        ``baseline[level]`` (log A at step 8), ``baseline[shape]`` (log of the Weibull shape) and
        the log hazard ratios of those who can have the event.
    covariance_matrix : ndarray of shape (k, k)
        Inverse of the observed information plus the penalty.
    loglik : float
        The log-likelihood without the penalty.
    notes : FitNotes
    """

    share_encoding: Encoding
    hazard_encoding: Encoding
    parameters: FloatArray
    covariance_matrix: FloatArray
    loglik: float
    notes: FitNotes

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the parameters."""
        share = tuple(f"share[{name}]" for name in self.share_encoding.names)
        base = ("baseline[level]", "baseline[shape]")
        return ("share[level]", *share, *base, *self.hazard_encoding.names)

    @property
    def coefficients(self) -> pd.Series[float]:
        """All parameters by name."""
        import pandas as pd

        return pd.Series(self.parameters, index=list(self.names), name="coefficient")

    @property
    def standard_errors(self) -> pd.Series[float]:
        """The standard error of each parameter."""
        import pandas as pd

        spread = np.sqrt(np.maximum(np.diag(self.covariance_matrix), 0))
        return pd.Series(spread, index=list(self.names), name="standard_error")

    def share(self, covariates: pd.DataFrame | Mapping[str, Any]) -> FloatArray:
        """Return the chance that the event comes at all, shape (n,)."""
        cut = 1 + len(self.share_encoding.names)
        matrix = self.share_encoding.encode(covariates)
        return expit(self.parameters[0] + matrix @ self.parameters[1:cut])

    def predict(
        self, covariates: pd.DataFrame | Mapping[str, Any], horizon: int
    ) -> CountDistribution:
        """Return each row's distribution over steps 1 to ``horizon``; never is in the rest."""
        return CountDistribution(self.pmfs(self.parameters[None, :], covariates, horizon)[0])

    def predict_draws(
        self, covariates: pd.DataFrame | Mapping[str, Any], horizon: int, *, n_draws: int, seed: int
    ) -> FloatArray:
        """Return pmfs of shape (n_draws, n, horizon) under Gaussian draws of the parameters."""
        n_draws = check_whole_number(n_draws, name="n_draws", low=1)
        drawn = gaussian_draws(self.parameters, self.covariance_matrix, n_draws=n_draws, seed=seed)
        return self.pmfs(drawn, covariates, horizon)

    def pmfs(
        self, parameters: FloatArray, covariates: pd.DataFrame | Mapping[str, Any], horizon: int
    ) -> FloatArray:
        """Return pmfs of shape (n_draws, n, horizon) for parameters of shape (n_draws, k)."""
        horizon = check_whole_number(horizon, name="horizon", low=1)
        cut = 1 + len(self.share_encoding.names)
        first, second = (
            self.share_encoding.encode(covariates),
            self.hazard_encoding.encode(covariates),
        )
        n = max(len(first), len(second))  # an encoding without columns sees one row
        first, second = (
            np.resize(first, (n, first.shape[1])),
            np.resize(second, (n, second.shape[1])),
        )
        share = expit(parameters[:, :1] + parameters[:, 1:cut] @ first.T)
        level, shape = parameters[:, cut], np.exp(np.minimum(parameters[:, cut + 1], 10.0))
        steps = np.log(np.arange(1, horizon + 1) / PIVOT)
        base = level[:, None] + shape[:, None] * steps
        linear = base[:, None, :] + (parameters[:, cut + 2 :] @ second.T)[:, :, None]
        stays = np.exp(-np.exp(np.minimum(linear, LARGEST)))
        survival = 1 - share[:, :, None] * (1 - stays)
        whole = np.concatenate([np.ones((*survival.shape[:2], 1)), survival], axis=2)
        return np.asarray(np.clip(-np.diff(whole, axis=2), 0, None))

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "model": "cure_mixture",
            "share_encoding": self.share_encoding.to_dict(),
            "hazard_encoding": self.hazard_encoding.to_dict(),
            "parameters": self.parameters.tolist(),
            "covariance": self.covariance_matrix.tolist(),
            "loglik": self.loglik,
            "notes": notes_to_dict(self.notes),
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> FittedCureMixture:
        """Return the model that :meth:`to_dict` wrote."""
        return cls(
            Encoding.from_dict(stored["share_encoding"]),
            Encoding.from_dict(stored["hazard_encoding"]),
            np.array(stored["parameters"], dtype=np.float64),
            np.array(stored["covariance"], dtype=np.float64),
            float(stored["loglik"]),
            notes_from_dict(stored["notes"]),
        )


def expit(values: FloatArray) -> FloatArray:
    """Return 1 / (1 + exp(-values))."""
    return np.asarray(1 / (1 + np.exp(-np.clip(values, -LARGEST, LARGEST))))
