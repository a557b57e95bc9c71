"""A fitted forecaster: answers enquiries with numpy alone, and travels as JSON."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level
from forecast.assess import Recalibration, carry_remaining
from forecast.clinic.attributes import LIGHTEN, covariates
from forecast.clinic.doubts import doubts_of
from forecast.clinic.enquiry import Enquiry, check_enquiry, enquiries_of
from forecast.clinic.estimate import Estimate, learnt_share
from forecast.clinic.groups import groups
from forecast.clinic.inks import Laser, unreached_inks
from forecast.clinic.midcourse import Midcourse
from forecast.clinic.reference import Reference
from forecast.clinic.stopping import Stopping, length_of, to_clearing
from forecast.errors import RequestError
from forecast.survival.distribution import CountDistribution
from forecast.survival.model import FittedCountModel

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.drivers import Driver
    from forecast.clinic.update import Update

__all__ = ["Forecaster"]

FloatArray = npt.NDArray[np.float64]
N_DRAWS = 200
BLOCK = 128  # enquiries worked out together


@dataclass(frozen=True, slots=True, eq=False)
class Forecaster:
    """What a clinic's log says about the next client.

    Attributes
    ----------
    model : FittedCountModel
        The chosen model of the sessions needed, fitted to all courses.
    evidence : FittedCountModel or None
        The same model on published evidence alone, to tell what the own log adds.
    stopping : Stopping
        The chance of stopping after a session that has not reached the goal.
    recalibration : Recalibration or None
        Learnt out of fold; None when there are too few finished courses.
    reference : Reference
        Counts and ranges of the log.
    midcourse : Midcourse or None
        What gradings say of a course under way; None when too few courses were graded, and for
        the goal ``lighten``.
    strategies : mapping of strategy to FittedCountModel
        The model under each strategy that enough courses of the log kept to.
    goal : str
        ``clear`` or ``lighten``.
    horizon : int
        The last session an estimate speaks of.
    seed : int
        Of the parameter draws.
    assessment : mapping
        Scores of every candidate and the calibration found, as plain values.
    notes : tuple of str
        Doubts about the fit, carried into every estimate.
    """

    model: FittedCountModel
    evidence: FittedCountModel | None
    stopping: Stopping
    recalibration: Recalibration | None
    reference: Reference
    midcourse: Midcourse | None = None
    strategies: Mapping[str, FittedCountModel] = field(default_factory=dict)
    goal: str = "clear"
    horizon: int = 25
    seed: int = 0
    assessment: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def supported_to(self) -> int:
        """The last session with at least five courses of the log at risk, of the goal asked for."""
        return self.reference.followed(self.model.notes.supported_to, self.horizon)

    def estimate(
        self, enquiry: Enquiry, *, level: float = 0.8, strategy: str | None = None
    ) -> Estimate:
        """Return the predicted session count of one enquiry.

        Parameters
        ----------
        enquiry : Enquiry
            Attributes at the consultation. Optional ones left out widen the estimate.
        level : float
            What the interval is to cover, between 0 and 1.
        strategy : str, optional
            None is the log's own practice in its last two years; "ns", "ps" or "ns:4>ps" is
            answered where enough courses kept to it.

        Raises
        ------
        RequestError
            If the level is not a probability, or too few courses kept to a named strategy.
        """
        check_level(level)
        check_enquiry(enquiry)
        if strategy is None:
            return self._describe(enquiry, self._draws([enquiry], self.horizon)[:, 0], level)
        if strategy not in self.strategies:
            from forecast.clinic.regime_strategies import read_strategy

            read_strategy(strategy, self.horizon)  # refuses what is no strategy
            known = ", ".join(self.strategies) or "none"
            raise RequestError(
                f"Too few courses of this log kept to the strategy {strategy!r} to answer for it.",
                f"Strategies it can answer for: {known}. Leave it out for the clinic's practice.",
            )
        model = self.strategies[strategy]
        draws = self._draws([enquiry], self.horizon, model)[:, 0]
        return self._describe(
            enquiry,
            draws,
            level,
            f"Under the strategy {strategy}: {model.notes.n_events} finished courses kept to it, "
            "weighted for those that left it.",
            model=model,
        )

    def update(
        self,
        enquiry: Enquiry,
        *,
        sessions_done: int,
        gradings: Iterable[tuple[Any, ...]] = (),
        level: float = 0.8,
    ) -> Update:
        """Return the sessions still needed, and all sessions, of a course under way.

        Parameters
        ----------
        enquiry : Enquiry
            As at the consultation.
        sessions_done : int
            Sessions had here without reaching the goal.
        gradings : iterable of (after_session, percent) or (after_session, percent, date)
            Percent faded so far; several after one session are averaged.
        level : float
            What the intervals are to cover.

        Raises
        ------
        RequestError
            If a grading is not 0 to 100 or lies beyond ``sessions_done``.
        """
        from forecast.clinic.update import update_estimate

        return update_estimate(
            self, enquiry, sessions_done=sessions_done, gradings=gradings, level=level
        )

    def draws_after(self, enquiry: Enquiry, done: int) -> tuple[FloatArray, float]:
        """Return pmfs of what is still needed after ``done`` sessions here, and its expectation.

        The pmfs, shape (n_draws, horizon), use no grading; the expectation counts as far as the
        landmark model looked.
        """
        steps = max(self.horizon, self.midcourse.steps if self.midcourse else 0)
        elsewhere = enquiry.sessions_elsewhere
        pmfs, total = self._totals([enquiry], elsewhere + done + self.horizon)
        had = elsewhere + done
        looked = CountDistribution(total.pmf[:, : max(steps, had + 2)])
        survival = looked.survival()[0]
        expected = 1 + survival[had:].sum() / max(survival[had - 1] if had else 1.0, 1e-6)
        return carry_remaining(pmfs[:, 0], total, had, self.horizon), float(expected)

    def estimate_draws(
        self, enquiries: Sequence[Enquiry], *, steps: int | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Return pmfs under shared parameter draws and stopping hazards, for many enquiries.

        ``steps`` looks further than the horizon, or less far.

        Returns
        -------
        draws : ndarray of shape (n_draws, n, steps)
        stop : ndarray of shape (n_draws, n, steps)
            Its draws are independent of the first ones.
        """
        steps = steps or self.horizon
        blocks = [enquiries[at : at + BLOCK] for at in range(0, len(enquiries), BLOCK)]
        stop = [self._stop_draws(self._lengths(block), 0, steps) for block in blocks]
        return self._draws(enquiries, steps), np.concatenate(stop, axis=1)

    def estimate_many(self, frame: pd.DataFrame, *, level: float = 0.8) -> pd.DataFrame:
        """Return one row per row of ``frame``, whose columns are the enquiry's fields.

        Columns: median, low, high, level, not_within_horizon, support, notes; the index is kept.
        """
        import pandas as pd

        enquiries = enquiries_of(frame)
        check_level(level)
        draws = self._draws(enquiries, self.horizon) if enquiries else np.empty((0, 0, 0))
        estimates = [
            self._describe(enquiry, draws[:, row], level) for row, enquiry in enumerate(enquiries)
        ]
        rows = [
            (one.median, *one.interval, level, one.not_within_horizon, one.support, one.notes)
            for one in estimates
        ]
        columns = ("median", "low", "high", "level", "not_within_horizon", "support", "notes")
        answer = pd.DataFrame(rows, index=frame.index, columns=list(columns))
        return answer.astype(dict.fromkeys(("median", "low", "high"), "Int64"))

    def drivers(self, enquiry: Enquiry, *, level: float = 0.8) -> tuple[Driver, ...]:
        """Return what each given attribute does to this enquiry's median, largest first."""
        from forecast.clinic.drivers import drivers

        return drivers(self, enquiry, level=level)

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the forecaster as JSON; it holds no row of the log."""
        from forecast.clinic.saved import save_forecaster

        save_forecaster(self, path)

    def unreached(self, inks: str) -> tuple[str, ...]:
        """Return the inks that no laser in the log's table reaches; none when it has no table."""
        lasers = [Laser(regime, nm) for regime, nm in self.reference.lasers]
        return unreached_inks(inks, lasers) if lasers else ()

    def _covariates(self, enquiry: Enquiry) -> dict[str, list[float]]:
        fields = {name: [getattr(enquiry, name)] for name in Enquiry.__slots__}
        reached = float(bool(self.unreached(str(enquiry.inks))))
        found = covariates({**fields, "unreached": [reached], "years_from_now": [0.0]})
        found |= {LIGHTEN: np.ones(1)} if self.goal == "lighten" else {}
        return self.reference.filled({name: float(value[0]) for name, value in found.items()})

    def _pmfs(
        self, model: FittedCountModel, enquiries: Sequence[Enquiry], steps: int
    ) -> FloatArray:
        """Return pmfs of all sessions, had elsewhere or here, shape (n_draws, n, steps).

        A missing attribute is averaged over the log's own mix. Worked out in blocks, so that
        memory grows with what is returned; draws are the same whoever else is asked about.
        """
        starts = range(0, len(enquiries), BLOCK)
        parts = [self._block(model, enquiries[low : low + BLOCK], steps) for low in starts]
        return np.concatenate(parts, axis=1)

    def _block(self, model: FittedCountModel, asked: Sequence[Enquiry], steps: int) -> FloatArray:
        stacked, starts, sizes = self._stacked(asked)
        pmfs = model.predict_draws(stacked, steps, n_draws=N_DRAWS, seed=self.seed)
        averaged: FloatArray = np.add.reduceat(pmfs, starts, axis=1) / sizes[:, None]
        return averaged

    def _stacked(
        self, asked: Sequence[Enquiry]
    ) -> tuple[dict[str, list[float]], npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """Return covariates, one row per way to fill an enquiry; where each starts; how many."""
        spreads = [self._covariates(enquiry) for enquiry in asked]
        sizes = np.array([len(spread["skin_type"]) for spread in spreads])
        stacked = {name: list(chain(*(of[name] for of in spreads))) for name in spreads[0]}
        return stacked, np.concatenate([[0], np.cumsum(sizes)[:-1]]), sizes

    def _totals(
        self, enquiries: Sequence[Enquiry], steps: int, model: FittedCountModel | None = None
    ) -> tuple[FloatArray, CountDistribution]:
        """Return pmfs of all sessions under draws, and their recalibrated mean."""
        pmfs = self._pmfs(model or self.model, enquiries, steps)
        total = CountDistribution(pmfs.mean(axis=0))
        if self.recalibration is not None:
            total = self.recalibration.apply(total, groups=groups(enquiries))
        return pmfs, total

    def _draws(
        self, enquiries: Sequence[Enquiry], steps: int, model: FittedCountModel | None = None
    ) -> FloatArray:
        """Return recalibrated pmfs of the sessions here, shape (n_draws, n, steps)."""
        most = max(enquiry.sessions_elsewhere for enquiry in enquiries)
        pmfs, total = self._totals(enquiries, steps + most, model)
        found = [
            carry_remaining(pmfs[:, row], total[row], enquiry.sessions_elsewhere, steps)
            for row, enquiry in enumerate(enquiries)
        ]
        return np.stack(found, axis=1)

    def stop_hazard(self, enquiry: Enquiry, done: int = 0) -> tuple[FloatArray, FloatArray]:
        """Return the chance of stopping after each session that follows ``done``, and its draws.

        Shapes (horizon,) and (n_draws, horizon).
        """
        length = self._lengths([enquiry])
        return (
            self.stopping.hazard(length, done, self.horizon)[0],
            self._stop_draws(length, done, self.horizon)[:, 0],
        )

    def _stop_draws(self, length: FloatArray, done: int, steps: int) -> FloatArray:
        return self.stopping.draws(length, done, steps, n_draws=N_DRAWS, seed=self.seed + 1)

    def _lengths(self, enquiries: Sequence[Enquiry]) -> FloatArray:
        """Return what the stopping hazard goes by: the sessions to be expected, shape (n,)."""
        stacked, starts, sizes = self._stacked(enquiries)
        pmfs = self.model.predict(to_clearing(stacked), self.horizon).pmf
        averaged = np.add.reduceat(pmfs, starts, axis=0) / sizes[:, None]
        return length_of(CountDistribution(averaged))

    def _describe(
        self,
        enquiry: Enquiry,
        draws: FloatArray,
        level: float,
        *notes: str,
        model: FittedCountModel | None = None,
    ) -> Estimate:
        model = model or self.model
        support, doubts = self.reference.doubts(enquiry)
        last = self.reference.followed(model.notes.supported_to, self.horizon)
        followed = max(last - enquiry.sessions_elsewhere, 0)
        stop, stop_draws = self.stop_hazard(enquiry)
        estimate = Estimate(
            enquiry=enquiry,
            distribution=CountDistribution(draws.mean(axis=0, keepdims=True)),
            level=level,
            stop_hazard=stop,
            draws=draws,
            goal=self.goal,
            support=support if self.reference.n_there and followed else "outside",
            own_share=self._own_share(enquiry, model),
            supported_to=followed,
            stop_draws=stop_draws,
        )
        found = doubts_of(self, estimate, followed=last)
        return replace(estimate, notes=(*notes, *self.notes, *found, *doubts))

    def _own_share(self, enquiry: Enquiry, model: FittedCountModel) -> float:
        if self.evidence is None:
            return 1.0
        both = (self._pmfs(each, [enquiry], self.horizon)[:, 0] for each in (model, self.evidence))
        return learnt_share(*both)
