"""A fitted discrete-time hazard model: what was found, and predictions with numpy alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number
from forecast.survival.baseline import Baseline
from forecast.survival.distribution import CountDistribution
from forecast.survival.draws import gaussian_draws
from forecast.survival.encoding import Encoding
from forecast.survival.model import FitNotes
from forecast.survival.notes import notes_from_dict, notes_to_dict

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FittedDiscreteHazard"]

FloatArray: TypeAlias = npt.NDArray[np.float64]

LARGEST = 700.0


@dataclass(frozen=True, slots=True, eq=False)
class FittedDiscreteHazard:
    """What :meth:`DiscreteHazard.fit` found.

    Attributes
    ----------
    link : str
        ``cloglog`` or ``logit``.
    encoding : Encoding
        How covariates become numbers.
    form : Baseline
        Which parameters the baseline has.
    parameters : ndarray of shape (k,)
        Baseline parameters, then coefficients, as named in ``names``.
    covariance_matrix : ndarray of shape (k, k)
        Inverse of the expected information plus the prior's precision.
    clustered_matrix : ndarray of shape (k, k) or None
        The same, robust to rows of one subject being alike (sandwich with the observed
        information, times G / (G - 1) for G subjects); None when no subjects were named.
    loglik : float
        The log-likelihood without the prior or penalty.
    notes : FitNotes
    """

    link: str
    encoding: Encoding
    form: Baseline
    parameters: FloatArray
    covariance_matrix: FloatArray
    clustered_matrix: FloatArray | None
    loglik: float
    notes: FitNotes

    @property
    def names(self) -> tuple[str, ...]:
        """The parameters' names: the baseline's, then the encoded covariates'."""
        return self.form.names + self.encoding.names

    @property
    def coefficients(self) -> pd.Series[float]:
        """The coefficients on the link scale, by encoded covariate name."""
        import pandas as pd

        slopes = self.parameters[len(self.form.names) :]
        return pd.Series(slopes, index=list(self.encoding.names), name="coefficient")

    @property
    def standard_errors(self) -> pd.Series[float]:
        """The standard errors of the coefficients, from ``covariance``."""
        import pandas as pd

        spread = np.sqrt(np.diag(self.covariance_matrix))[len(self.form.names) :]
        return pd.Series(spread, index=list(self.encoding.names), name="standard_error")

    @property
    def covariance(self) -> pd.DataFrame:
        """The covariance of all parameters, baseline first, named on both sides."""
        import pandas as pd

        return pd.DataFrame(self.covariance_matrix, index=self.names, columns=self.names)

    @property
    def clustered_covariance(self) -> pd.DataFrame | None:
        """The covariance robust to clustering by subject; None when no subjects were named."""
        import pandas as pd

        if self.clustered_matrix is None:
            return None
        return pd.DataFrame(self.clustered_matrix, index=self.names, columns=self.names)

    @property
    def baseline(self) -> pd.Series[float]:
        """The linear predictor of each step with every covariate at 0, by step from 1.

        -inf where the event never happened, inf where it happened to everyone.
        """
        import pandas as pd

        steps = pd.RangeIndex(1, self.notes.horizon + 1, name="step")
        linear = self.form.linear(self.parameters[: len(self.form.names)], self.notes.horizon)
        return pd.Series(linear, index=steps, name="baseline")

    def predict(
        self, covariates: pd.DataFrame | Mapping[str, Any], horizon: int
    ) -> CountDistribution:
        """Return each row's distribution over steps 1 to ``horizon``, at the estimates.

        With the free baseline nothing is predicted beyond the last event seen: what is left
        stays in the remainder. The smooth baseline goes on, see ``notes.supported_to``.
        """
        horizon = check_whole_number(horizon, name="horizon", low=1)
        pmf = self.pmfs(self.parameters[None, :], self.encoding.encode(covariates), horizon)
        return CountDistribution(pmf[0])

    def predict_draws(
        self, covariates: pd.DataFrame | Mapping[str, Any], horizon: int, *, n_draws: int, seed: int
    ) -> FloatArray:
        """Return pmfs of shape (n_draws, n, horizon) under draws of the parameters.

        Draws are Gaussian, from ``clustered_covariance`` where there is one and ``covariance``
        otherwise; draw d is the same whatever the rows.
        """
        horizon = check_whole_number(horizon, name="horizon", low=1)
        n_draws = check_whole_number(n_draws, name="n_draws", low=1)
        return self.pmfs(
            self.parameter_draws(n_draws=n_draws, seed=seed),
            self.encoding.encode(covariates),
            horizon,
        )

    def parameter_draws(self, *, n_draws: int, seed: int) -> FloatArray:
        """Return draws of the parameters, shape (n_draws, k)."""
        spread = self.clustered_matrix
        if spread is None:
            spread = self.covariance_matrix
        return gaussian_draws(self.parameters, spread, n_draws=n_draws, seed=seed)

    def pmfs(self, parameters: FloatArray, matrix: FloatArray, horizon: int) -> FloatArray:
        """Return pmfs of shape (n_draws, n, horizon) for parameters of shape (n_draws, k).

        ``matrix`` is encoded covariates of shape (n, p), as ``encoding.encode`` returns them.
        """
        cut = len(self.form.names)
        linear = self.form.linear(parameters[:, :cut], horizon)
        added = np.minimum(parameters[:, cut:] @ matrix.T, LARGEST)
        if self.link == "cloglog":
            total = np.cumsum(np.exp(np.minimum(linear, LARGEST)), axis=1)
            with np.errstate(over="ignore"):
                survival = np.exp(-np.exp(added)[:, :, None] * total[:, None, :])
        else:
            with np.errstate(over="ignore"):
                stays = 1 / (1 + np.exp(linear[:, None, :] + added[:, :, None]))
            survival = np.cumprod(stays, axis=2)
        pmf: FloatArray = np.empty_like(survival)
        pmf[:, :, 0] = 1 - survival[:, :, 0]
        np.subtract(survival[:, :, :-1], survival[:, :, 1:], out=pmf[:, :, 1:])
        return pmf

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; holds no row of the data."""
        clustered = None if self.clustered_matrix is None else self.clustered_matrix.tolist()
        return {
            "model": "discrete_hazard",
            "link": self.link,
            "encoding": self.encoding.to_dict(),
            "baseline": self.form.kind,
            "steps": list(self.form.steps),
            "certain": list(self.form.certain),
            "parameters": self.parameters.tolist(),
            "covariance": self.covariance_matrix.tolist(),
            "clustered_covariance": clustered,
            "loglik": self.loglik,
            "notes": notes_to_dict(self.notes),
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> FittedDiscreteHazard:
        """Return the model that :meth:`to_dict` wrote."""
        clustered = stored["clustered_covariance"]
        k = len(stored["parameters"])
        return cls(
            link=stored["link"],
            encoding=Encoding.from_dict(stored["encoding"]),
            form=Baseline(stored["baseline"], tuple(stored["steps"]), tuple(stored["certain"])),
            parameters=np.array(stored["parameters"], dtype=np.float64),
            covariance_matrix=np.array(stored["covariance"], dtype=np.float64).reshape(k, k),
            clustered_matrix=None if clustered is None else np.array(clustered).reshape(k, k),
            loglik=float(stored["loglik"]),
            notes=notes_from_dict(stored["notes"]),
        )
