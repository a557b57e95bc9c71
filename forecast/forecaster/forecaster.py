"""A fitted forecaster: answers enquiries with numpy alone, and travels as JSON."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._checks import check_kind, check_level, check_whole_number
from forecast._files import check_not_lost, is_json_with, write_whole
from forecast._types import FloatArray
from forecast.assess import Recalibration, carry_remaining
from forecast.counts import (
    LIGHTEN,
    Estimate,
    Reference,
    Stopping,
    covariates,
    doubts_of,
    learnt_share,
    length_of,
    to_clearing,
)
from forecast.errors import ForecastError, RequestError
from forecast.log import Enquiry, check_enquiry, enquiries_of
from forecast.midcourse import Midcourse
from forecast.survival import CountDistribution, FittedCountModel, model_from_dict
from forecast.tattoo import Laser, groups_of, unreached_inks

if TYPE_CHECKING:
    import pandas as pd

    from forecast.forecaster.drivers import Driver
    from forecast.midcourse import Update

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
            from forecast.regimes import read_strategy

            plan = read_strategy(strategy, self.horizon)  # refuses what is no strategy
            since = " at and after its change" if plan.begins > 1 else ""
            known = ", ".join(self.strategies) or "none"
            raise RequestError(
                f"Too few courses of this log kept to the strategy {strategy!r}{since} to answer "
                "for it.",
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
        from forecast.midcourse import update_estimate

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
        from forecast.forecaster.drivers import drivers_of

        return drivers_of(self, enquiry, level=level)

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the forecaster as JSON; it holds no row of the log."""
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
            total = self.recalibration.apply(total, groups=groups_of(enquiries))
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


SCHEMA = 2
KIND = "session-forecast forecaster"


def to_dict(forecaster: Forecaster) -> dict[str, Any]:
    """Return a forecaster as plain JSON values."""
    parts = {
        name: part and part.to_dict()
        for name, part in (
            ("model", forecaster.model),
            ("evidence", forecaster.evidence),
            ("stopping", forecaster.stopping.model),
            ("recalibration", forecaster.recalibration),
            ("midcourse", forecaster.midcourse),
            ("reference", forecaster.reference),
        )
    }
    return {
        "kind": KIND,
        "schema": SCHEMA,
        "goal": forecaster.goal,
        "horizon": forecaster.horizon,
        "seed": forecaster.seed,
        **parts,
        "strategies": {name: model.to_dict() for name, model in forecaster.strategies.items()},
        "assessment": dict(forecaster.assessment),
        "notes": list(forecaster.notes),
    }


def save_forecaster(forecaster: Forecaster, path: str | os.PathLike[str]) -> None:
    """Write a forecaster to ``path``; an interrupted write leaves what was there before.

    Raises
    ------
    RequestError
        If ``path`` has a file that is no saved forecaster: it would be lost.
    """
    check_kind(path, (str, os.PathLike), name="path", give="the name of a file")
    target = Path(path)
    check_not_lost(target, what="a saved forecaster", known=is_json_with("kind", KIND))
    write_whole(target, json.dumps(to_dict(forecaster), indent=1))


def load_forecaster(path: str | os.PathLike[str]) -> Forecaster:
    """Return the forecaster saved at ``path``.

    Raises
    ------
    RequestError
        If the file is not there, is no forecaster, or was written by a later version.
    """
    check_kind(path, (str, os.PathLike), name="path", give="the file that fit wrote")
    try:
        stored = json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise RequestError(
            f"The model {os.fspath(path)} cannot be read: {error.strerror}.",
            "Give the file that fit wrote.",
        ) from None
    except (UnicodeDecodeError, json.JSONDecodeError):
        stored = None
    if not isinstance(stored, dict) or stored.get("kind") != KIND:
        raise RequestError(
            f"The file {os.fspath(path)} is not a saved forecaster.",
            "Give the file that fit wrote.",
        )
    if stored.get("schema") != SCHEMA:
        raise RequestError(
            f"The file {os.fspath(path)} has schema {stored.get('schema')!r}, this is {SCHEMA}.",
            "Fit the model again with this version, or update the package.",
        )
    return from_dict(stored, os.fspath(path))


def from_dict(stored: Mapping[str, Any], named: str) -> Forecaster:
    """Return the forecaster held in plain values."""
    try:
        reference = Reference.from_dict(stored["reference"])
        if stored["goal"] == "lighten" and reference.lightening is None:
            raise RequestError(
                f"The saved forecaster {named} counts sessions to clearing as those to lightening.",
                "Fit the model again with this version.",
            )
        return Forecaster(
            model=model_from_dict(stored["model"]),
            evidence=stored["evidence"] and model_from_dict(stored["evidence"]),
            stopping=Stopping(model_from_dict(stored["stopping"])),
            recalibration=stored["recalibration"]
            and Recalibration.from_dict(stored["recalibration"]),
            reference=reference,
            midcourse=stored["midcourse"] and Midcourse.from_dict(stored["midcourse"]),
            strategies={
                name: model_from_dict(model) for name, model in stored["strategies"].items()
            },
            goal=stored["goal"],
            horizon=check_whole_number(stored["horizon"], name="horizon", low=1),
            seed=stored["seed"],
            assessment=stored["assessment"],
            notes=tuple(stored["notes"]),
        )
    except (KeyError, TypeError, AttributeError, IndexError, ValueError) as error:
        if isinstance(error, ForecastError):
            raise
        raise RequestError(
            f"The saved forecaster {named} is incomplete ({error}).", "Fit the model again."
        ) from None
