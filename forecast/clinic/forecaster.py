"""A fitted forecaster: answers enquiries with numpy alone, and travels as JSON."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level, check_whole_number
from forecast.assess.calibration import Recalibration
from forecast.assess.transport import carry_draws
from forecast.clinic.attributes import covariates
from forecast.clinic.enquiry import Enquiry
from forecast.clinic.estimate import Estimate
from forecast.clinic.groups import groups
from forecast.clinic.inks import Laser, unreached_inks
from forecast.clinic.reference import Reference
from forecast.errors import RequestError
from forecast.survival import FittedCountModel, model_from_dict
from forecast.survival.distribution import CountDistribution

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["SCHEMA", "Forecaster", "load_forecaster"]

FloatArray = npt.NDArray[np.float64]
SCHEMA = 1
KIND = "session-forecast forecaster"
N_DRAWS = 200


@dataclass(frozen=True, slots=True, eq=False)
class Forecaster:
    """What a clinic's log says about the next client.

    Attributes
    ----------
    model : FittedCountModel
        The chosen model of the sessions needed, fitted to all courses.
    evidence : FittedCountModel or None
        The same model on published evidence alone, to tell what the own log adds.
    stopping : FittedCountModel
        The chance of stopping after a session that has not reached the goal.
    recalibration : Recalibration or None
        Learnt out of fold; None when there are too few finished courses.
    reference : Reference
        Counts and ranges of the log.
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
    stopping: FittedCountModel
    recalibration: Recalibration | None
    reference: Reference
    goal: str = "clear"
    horizon: int = 25
    seed: int = 0
    assessment: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def supported_to(self) -> int:
        """The last session with at least five courses of the log at risk."""
        return min(self.model.notes.supported_to, self.horizon)

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
            None is the log's own practice.

        Raises
        ------
        RequestError
            If the level is not a probability, or a strategy is named that cannot be answered.
        """
        check_level(level)
        if strategy is not None:
            raise RequestError(
                f"This forecaster cannot answer for the strategy {strategy!r}.",
                "Leave it out for the clinic's own practice, or compare strategies on the log.",
            )
        return self._describe(enquiry, self._draws([enquiry])[:, 0], level)

    def estimate_draws(self, enquiries: Sequence[Enquiry]) -> tuple[FloatArray, FloatArray]:
        """Return pmfs under shared parameter draws and stopping hazards, for many enquiries.

        Returns
        -------
        draws : ndarray of shape (n_draws, n, horizon)
        stop : ndarray of shape (n, horizon)
        """
        return self._draws(enquiries), np.tile(self._stop_hazard(), (len(enquiries), 1))

    def estimate_many(self, frame: pd.DataFrame, *, level: float = 0.8) -> pd.DataFrame:
        """Return one row per row of ``frame``, whose columns are the enquiry's fields.

        Columns: median, low, high, level, not_within_horizon, support, notes; the index is kept.
        """
        import pandas as pd

        enquiries = [
            Enquiry(**{str(name): value for name, value in row.items()})
            for row in known_fields(frame).to_dict("records")
        ]
        check_level(level)
        draws = self._draws(enquiries)
        estimates = [
            self._describe(enquiry, draws[:, row], level) for row, enquiry in enumerate(enquiries)
        ]
        rows = [
            {
                "median": estimate.median,
                "low": estimate.interval[0],
                "high": estimate.interval[1],
                "level": level,
                "not_within_horizon": estimate.not_within_horizon,
                "support": estimate.support,
                "notes": estimate.notes,
            }
            for estimate in estimates
        ]
        columns = ("median", "low", "high", "level", "not_within_horizon", "support", "notes")
        answer = pd.DataFrame(rows, index=frame.index, columns=list(columns))
        return answer.astype(dict.fromkeys(("median", "low", "high"), "Int64"))

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the forecaster as JSON; it holds no row of the log."""
        target = Path(path)
        partial = target.with_name(target.name + ".part")
        partial.write_text(json.dumps(self.to_dict(), indent=1), encoding="utf-8")
        partial.replace(target)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "kind": KIND,
            "schema": SCHEMA,
            "goal": self.goal,
            "horizon": self.horizon,
            "seed": self.seed,
            "model": self.model.to_dict(),
            "evidence": self.evidence and self.evidence.to_dict(),
            "stopping": self.stopping.to_dict(),
            "recalibration": self.recalibration and self.recalibration.to_dict(),
            "reference": self.reference.to_dict(),
            "assessment": dict(self.assessment),
            "notes": list(self.notes),
        }

    def unreached(self, inks: str) -> tuple[str, ...]:
        """Return the inks that no laser in the log's table reaches; none when it has no table."""
        lasers = [Laser(regime, nm) for regime, nm in self.reference.lasers]
        return unreached_inks(inks, lasers) if lasers else ()

    def _covariates(self, enquiry: Enquiry) -> dict[str, list[float]]:
        fields = {name: [getattr(enquiry, name)] for name in Enquiry.__slots__}
        reached = float(bool(self.unreached(str(enquiry.inks))))
        found = covariates({**fields, "unreached": [reached]})
        return self.reference.filled({name: float(value[0]) for name, value in found.items()})

    def _pmfs(self, model: FittedCountModel, enquiries: Sequence[Enquiry]) -> FloatArray:
        """Return pmfs of all sessions, had elsewhere or here, shape (n_draws, n, steps).

        Steps go on to the horizon after the most sessions had elsewhere. A missing attribute is
        averaged over the log's own mix.
        """
        spreads = [self._covariates(enquiry) for enquiry in enquiries]
        sizes = [len(spread["skin_type"]) for spread in spreads]
        stacked = {name: list(chain(*(of[name] for of in spreads))) for name in spreads[0]}
        steps = self.horizon + max(enquiry.sessions_elsewhere for enquiry in enquiries)
        pmfs = model.predict_draws(stacked, steps, n_draws=N_DRAWS, seed=self.seed)
        starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
        averaged: FloatArray = np.add.reduceat(pmfs, starts, axis=1) / np.array(sizes)[:, None]
        return averaged

    def _draws(self, enquiries: Sequence[Enquiry]) -> FloatArray:
        """Return recalibrated pmfs of the sessions here, shape (n_draws, n, horizon)."""
        pmfs = self._pmfs(self.model, enquiries)
        total = CountDistribution(pmfs.mean(axis=0))
        if self.recalibration is not None:
            total = self.recalibration.apply(total, groups=groups(enquiries))
        found = np.empty((len(pmfs), len(enquiries), self.horizon))
        for row, enquiry in enumerate(enquiries):
            had = enquiry.sessions_elsewhere
            target = total[row].given_not_by(had).pmf[:, : self.horizon]
            left = 1 - pmfs[:, row, :had].sum(axis=1, keepdims=True)
            here = pmfs[:, row, had : had + self.horizon] / np.maximum(left, 1e-9)
            found[:, row] = carry_draws(here, CountDistribution(target))
        return found

    def _stop_hazard(self) -> FloatArray:
        hazard: FloatArray = self.stopping.predict({}, self.horizon).hazard()[0]
        return hazard

    def _describe(self, enquiry: Enquiry, draws: FloatArray, level: float) -> Estimate:
        support, doubts = self.reference.doubts(enquiry)
        share = self._own_share(enquiry)
        estimate = Estimate(
            enquiry=enquiry,
            distribution=CountDistribution(draws.mean(axis=0, keepdims=True)),
            level=level,
            stop_hazard=self._stop_hazard(),
            draws=draws,
            goal=self.goal,
            support=support if self.reference.n_reached else "outside",
            own_share=share,
            supported_to=self.supported_to,
        )
        return replace(estimate, notes=(*self._notes(estimate), *doubts))

    def _own_share(self, enquiry: Enquiry) -> float:
        """Return the share of the evidence's uncertainty that the own log has removed.

        Uncertainty is the variance over parameter draws of log(-log S(k)) at the step k nearest
        to the middle of both distributions.
        """
        if self.evidence is None:
            return 1.0
        now, before = (self._pmfs(model, [enquiry])[:, 0] for model in (self.model, self.evidence))
        middle = int(np.argmin(np.abs(np.cumsum(now.mean(axis=0) + before.mean(axis=0)) - 1.0)))
        spread = []
        for pmfs in (now, before):
            survival = np.clip(1 - pmfs[:, : middle + 1].sum(axis=1), 1e-9, 1 - 1e-9)
            spread.append(float(np.log(-np.log(survival)).var()))
        return float(np.clip(1 - spread[0] / max(spread[1], 1e-12), 0, 1))

    def _notes(self, estimate: Estimate) -> tuple[str, ...]:
        enquiry, found = estimate.enquiry, list(self.notes)
        if self.evidence is not None:
            own = round(100 * estimate.own_share)
            found.append(
                f"{own} % of what this rests on comes from this clinic's own log, the rest from "
                "published evidence."
            )
        ends = (estimate.interval[1], estimate.median)
        if any(end is None or end > self.supported_to for end in ends):
            found.append(
                f"Beyond session {self.supported_to} fewer than five courses were followed: "
                "the curve is carried on from there."
            )
        absent = self.reference.absent(enquiry)
        if absent:
            named = ", ".join(name.replace("_", " ") for name in absent)
            found.append(f"Not given, so averaged over this clinic's clients: {named}.")
        if self.recalibration is None or not self.recalibration.enough_for(estimate.level):
            found.append(
                "Too few finished courses to check the interval on this log: it is the model's own."
            )
        unreached = self.unreached(str(enquiry.inks))
        if unreached:
            named = ", ".join(ink.replace("_", " ") for ink in unreached)
            found.append(f"No laser in the log's table is taken up well by: {named}.")
        return tuple(found)


def known_fields(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the columns of ``frame`` that an enquiry has, or raise RequestError."""
    required = ("skin_type", "body_site", "inks", "ink_density", "layering")
    absent = [name for name in required if name not in frame.columns]
    if absent:
        raise RequestError(
            f"The enquiries have no column {absent[0]!r}.", f"Give {', '.join(required)}."
        )
    return frame[[name for name in frame.columns if name in Enquiry.__slots__]]


def load_forecaster(path: str | os.PathLike[str]) -> Forecaster:
    """Return the forecaster saved at ``path``.

    Raises
    ------
    RequestError
        If the file is not there, is no forecaster, or was written by a later version.
    """
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
        return Forecaster(
            model=model_from_dict(stored["model"]),
            evidence=stored["evidence"] and model_from_dict(stored["evidence"]),
            stopping=model_from_dict(stored["stopping"]),
            recalibration=stored["recalibration"]
            and Recalibration.from_dict(stored["recalibration"]),
            reference=Reference.from_dict(stored["reference"]),
            goal=stored["goal"],
            horizon=check_whole_number(stored["horizon"], name="horizon", low=1),
            seed=stored["seed"],
            assessment=stored["assessment"],
            notes=tuple(stored["notes"]),
        )
    except (KeyError, TypeError, AttributeError, IndexError) as error:
        raise RequestError(
            f"The saved forecaster {named} is incomplete ({error}).", "Fit the model again."
        ) from None
