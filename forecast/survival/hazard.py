"""The discrete-time hazard model: grouped proportional hazards, or proportional odds of a step."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number, nearest
from forecast.errors import RequestError
from forecast.survival.baseline import SHAPE_PRIOR, free_baseline, smooth_baseline
from forecast.survival.durations import Durations
from forecast.survival.encoding import Encoding
from forecast.survival.fitted_hazard import FittedDiscreteHazard
from forecast.survival.model import FitNotes
from forecast.survival.newton import Gaussian
from forecast.survival.refit import Refitter

__all__ = ["DiscreteHazard"]

FloatArray: TypeAlias = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DiscreteHazard:
    """The chance of the event at each step, given none before, as link(h) = baseline + x'b.

    With ``penalty=0``, no prior and ``baseline="free"`` this is the textbook model: a binomial
    regression of every step at risk on step indicators and covariates (Singer & Willett 2003,
    chapter 11), fitted without ever writing those steps out.

    Attributes
    ----------
    link : {"cloglog", "logit"}
        Complementary log-log gives grouped proportional hazards: a coefficient is a log hazard
        ratio. Logit gives log odds ratios of a step.
    baseline : {"free", "smooth"}
        One parameter per step with events, or three, see ``forecast.survival.baseline``. Free
        predicts nothing beyond the last event; smooth goes on.
    penalty : float
        Ridge precision on every coefficient without a prior: ``penalty * s² * b² / 2`` is taken
        off, with s the column's standard deviation, or 1 for a column of zeros and ones. Units
        therefore do not matter, and a rare level is shrunk as much as a common one. Coefficients
        stay on the raw scale.
    prior : mapping of name to (mean, standard deviation), optional
        Independent Gaussian priors by encoded covariate name, and by baseline name
        (``baseline[level]``, ``baseline[slope]``, ``baseline[curve]`` when smooth,
        ``baseline[7]`` for step 7 when free). With a penalty or a prior, the smooth baseline's
        slope and curve have the wide default prior ``baseline.SHAPE_PRIOR`` unless named.

    Raises
    ------
    RequestError
        If an option has no such value, or the prior names something that is not there.

    Examples
    --------
    >>> import pandas as pd
    >>> from forecast.survival import Durations
    >>> frame = pd.DataFrame({"k": [1, 2, 2, 3], "seen": [1, 1, 0, 1], "dose": [2.0, 1, 1, 0]})
    >>> durations = Durations.from_frame(frame, step="k", observed="seen", covariates=["dose"])
    >>> fitted = DiscreteHazard(baseline="smooth", penalty=1.0).fit(durations)
    >>> fitted.predict({"dose": 1.0}, horizon=5).pmf.shape
    (1, 5)
    """

    link: Literal["cloglog", "logit"] = "cloglog"
    baseline: Literal["free", "smooth"] = "free"
    penalty: float = 0.0
    prior: Mapping[str, tuple[float, float]] | None = None

    def __post_init__(self) -> None:
        check_option("link", self.link, ("cloglog", "logit"))
        check_option("baseline", self.baseline, ("free", "smooth"))
        if not (math.isfinite(self.penalty) and self.penalty >= 0):
            raise RequestError(f"penalty is {self.penalty!r}.", "Give a number from 0 up.")
        for name, (mean, spread) in (self.prior or {}).items():
            if not (math.isfinite(mean) and math.isfinite(spread) and spread > 0):
                raise RequestError(
                    f"The prior of {name!r} is ({mean}, {spread}).",
                    "Give a mean and a standard deviation above 0.",
                )

    @property
    def name(self) -> str:
        """A short name for tables."""
        return f"discrete hazard ({self.link}, {self.baseline} baseline)"

    def fit(self, durations: Durations) -> FittedDiscreteHazard:
        """Return the model fitted to ``durations``.

        Raises
        ------
        FitError
            If there are no events (and no prior on the level), columns are collinear, or a
            column separates those with the event, and nothing penalises it.
        """
        return self.refitter(durations).fit()

    def refitter(self, durations: Durations, *, encoding: Encoding | None = None) -> Refitter:
        """Return these data made ready once, to be fitted again and again with other weights.

        Give ``encoding`` where data in several places must be encoded alike.
        """
        encoding = encoding or Encoding.learn(durations.covariates, keep=self.prior or ())
        return Refitter.build(self, durations, encoding)

    def from_prior(self, columns: Sequence[str], horizon: int) -> FittedDiscreteHazard:
        """Return the model that the prior alone describes, for numeric covariates ``columns``.

        Every parameter needs a prior, or the penalty for a coefficient (taken in the column's
        own units). ``horizon`` is how far a free baseline goes.
        """
        horizon = check_whole_number(horizon, name="horizon", low=1)
        encoding = Encoding(tuple((name, None) for name in columns))
        names = tuple(self.prior or ())
        none = np.zeros(horizon)
        form = free_baseline(none, none, names) if self.baseline == "free" else smooth_baseline()
        gaussian = self.gaussian(form.names, encoding, np.ones(len(encoding.names)))
        silent = np.flatnonzero(gaussian.precision == 0)
        if self.baseline == "free" and len(form.steps) < horizon:
            left = next(step for step in range(1, horizon + 1) if step not in form.steps)
            raise RequestError(f"The prior says nothing of baseline[{left}].", "Name every step.")
        if len(silent):
            left_out = (form.names + encoding.names)[silent[0]]
            raise RequestError(
                f"The prior says nothing of {left_out!r}.", "Give it a mean and a spread."
            )
        notes = FitNotes(0, 0, 0, horizon, 0, True, ("From the prior alone: no data were used.",))
        return FittedDiscreteHazard(
            link=self.link,
            encoding=encoding,
            form=form,
            parameters=gaussian.mean,
            covariance_matrix=np.diag(1 / gaussian.precision),
            clustered_matrix=None,
            loglik=0.0,
            notes=notes,
        )

    def gaussian(
        self, baseline_names: tuple[str, ...], encoding: Encoding, scale: FloatArray
    ) -> Gaussian:
        """Return the prior on all parameters, in raw units; ``scale`` is for the penalty."""
        names = baseline_names + encoding.names
        given = dict(self.prior or {})
        unknown = [n for n in given if n not in names and not n.startswith("baseline[")]
        if self.baseline == "smooth":
            unknown += [n for n in given if n.startswith("baseline[") and n not in names]
            if self.prior or self.penalty > 0:
                given = {**SHAPE_PRIOR, **given}
        if unknown:
            raise RequestError(
                f"The prior names {unknown[0]!r}, which is not a parameter.",
                f"Parameters are {', '.join(names)}.{nearest(unknown[0], names)}",
            )
        ridge = np.concatenate([np.zeros(len(baseline_names)), self.penalty * scale**2])
        mean = np.array([given[name][0] if name in given else 0.0 for name in names])
        precision = np.array(
            [given[n][1] ** -2 if n in given else r for n, r in zip(names, ridge, strict=True)]
        )
        return Gaussian(mean, precision)


def check_option(name: str, value: str, known: tuple[str, ...]) -> None:
    """Raise RequestError unless ``value`` is one of ``known``."""
    if value not in known:
        raise RequestError(f"{name} is {value!r}.", f"Give {' or '.join(map(repr, known))}.")
