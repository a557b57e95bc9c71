"""The life table: the share of those at risk who have the event, step by step."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._arrays import FloatArray, shares
from forecast._checks import check_whole_number
from forecast._notes import Note
from forecast._plain import plain, read
from forecast.survival.distribution import CountDistribution, Durations, count_steps, first_seen
from forecast.survival.encoding import count_rows
from forecast.survival.model import FitNotes, FittedCountModel, fit_notes, refuse_no_events

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class LifeTable:
    """The product-limit estimate over steps (Kaplan & Meier 1958); covariates are not used.

    Examples
    --------
    >>> LifeTable().fit(durations).survival.round(2)
    array([0.83, 0.67, 0.44, 0.22, 0.22])
    """

    @property
    def name(self) -> str:
        """A short name for tables."""
        return "life table"

    def fit(self, durations: Durations, near: FittedCountModel | None = None) -> FittedLifeTable:
        """Return the life table of ``durations``; FitError if nobody had the event."""
        refuse_no_events(durations)
        at_risk, events = count_steps(durations)
        messages = []
        if at_risk[-1] > events[-1]:
            messages.append(Note("fit.last_watched", "caution", {"step": len(at_risk)}))
        notes = fit_notes(durations, n_covariates=0, messages=messages)
        return FittedLifeTable(at_risk, events, notes)

    def predict_left_out(self, durations: Durations, horizon: int, *, n_draws: int) -> FloatArray:
        """Return each row's pmf by the table of all other subjects, as ``CountModel`` has it."""
        all_at_risk, all_events = count_steps(durations)
        owner, step = first_seen(durations.subject), np.arange(1, len(all_events) + 1)
        own = np.zeros((2, int(owner.max()) + 1, len(step)))
        within = (durations.entry[:, None] < step) & (step <= durations.step[:, None])
        happened = durations.observed[:, None] & (step == durations.step[:, None])
        for total, place in zip(own, (within, happened), strict=True):
            np.add.at(total, owner, place * durations.weight[:, None])
        at_risk, events = np.stack([all_at_risk, all_events])[:, None] - own
        hazard = shares(events, at_risk, above=1e-12)
        if n_draws:  # the mean of the draws of `FittedLifeTable.predict_draws`, step by step
            open_ended = (events > 1e-12) & (at_risk - events > 1e-12)
            hazard = np.where(open_ended, (events + 0.5) / (at_risk + 1), hazard)
        return CountDistribution.from_hazard(cut(hazard, horizon)).pmf[owner]


@dataclass(frozen=True, slots=True, eq=False)
class FittedLifeTable:
    """A life table.

    Attributes
    ----------
    at_risk, events : ndarray of shape (steps,)
        Weighted counts at steps 1 to the last one watched.
    notes : FitNotes
    """

    at_risk: FloatArray
    events: FloatArray
    notes: FitNotes

    @property
    def hazard(self) -> FloatArray:
        """Events divided by at risk, 0 where nobody is; shape (steps,)."""
        return shares(self.events, self.at_risk)

    @property
    def survival(self) -> FloatArray:
        """The share without the event by each step; shape (steps,)."""
        return np.asarray(np.cumprod(1 - self.hazard))

    @property
    def standard_error(self) -> FloatArray:
        """Greenwood's standard error of ``survival`` (Greenwood 1926); shape (steps,)."""
        left = self.at_risk - self.events  # where nobody is, nothing is added
        terms = np.zeros_like(left)
        np.divide(self.events, self.at_risk * left, out=terms, where=left > 1e-12)
        return np.asarray(self.survival * np.sqrt(np.cumsum(terms)))

    def predict(
        self, covariates: pd.DataFrame | Mapping[str, Any] | None, horizon: int
    ) -> CountDistribution:
        """Return the same distribution for every row, over steps 1 to ``horizon``.

        With None for covariates there is one row.
        """
        pmf = CountDistribution.from_hazard(cut(self.hazard[None, :], horizon)).pmf
        return CountDistribution(np.repeat(pmf, rows_in(covariates), axis=0))

    def predict_draws(
        self, covariates: pd.DataFrame | Mapping[str, Any], horizon: int, *, n_draws: int, seed: int
    ) -> FloatArray:
        """Return pmfs of shape (n_draws, n, horizon).

        The hazard of each step is drawn from Beta(d + 1/2, n - d + 1/2), its posterior under
        Jeffreys' prior, independently from step to step; 0 where there was no event.
        """
        n_draws = check_whole_number(n_draws, name="n_draws", low=1)
        rng = np.random.default_rng(seed)
        left = np.maximum(self.at_risk - self.events, 0)
        drawn = rng.beta(self.events + 0.5, left + 0.5, (n_draws, len(left)))
        drawn = np.where((self.events > 0) & (left > 0), drawn, self.hazard)
        pmfs = CountDistribution.from_hazard(cut(drawn, horizon)).pmf
        return np.repeat(pmfs[:, None, :], rows_in(covariates), axis=1)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {"model": "life_table", **plain(self)}

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> FittedLifeTable:
        """Return the life table that :meth:`to_dict` wrote."""
        return read(cls, stored)


def cut(hazard: FloatArray, horizon: int) -> FloatArray:
    """Return the hazards over steps 1 to ``horizon``, 0 beyond the last step watched."""
    horizon = check_whole_number(horizon, name="horizon", low=1)
    known = min(horizon, hazard.shape[1])
    wide = np.zeros((len(hazard), horizon))
    wide[:, :known] = hazard[:, :known]
    return wide


def rows_in(covariates: pd.DataFrame | Mapping[str, Any] | None) -> int:
    """Return the number of rows asked about: one where no covariates are given."""
    return 1 if covariates is None else count_rows(covariates, [str(name) for name in covariates])
