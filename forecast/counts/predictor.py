"""The engine of every answer: a fitted model, its correction and how clients stop, asked.

Numpy alone; an estimate from here has no notes yet, see `doubts`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache, partial
from typing import Any

import numpy as np

from forecast._arrays import FloatArray, IntArray
from forecast._checks import HORIZON
from forecast._notes import Note
from forecast.assess import Recalibration, carry_remaining
from forecast.counts.attributes import LIGHTEN, covariates
from forecast.counts.estimate import Estimate, Stopping, learnt_share, length_of, to_clearing
from forecast.counts.log_summary import LogSummary, spread_missing, support_of
from forecast.log import ATTRIBUTES, Enquiry
from forecast.survival import CountDistribution, FittedCountModel
from forecast.tattoo import Laser, groups_of, unreached_inks

N_DRAWS = 200
BLOCK = 128  # enquiries worked out together


@dataclass(frozen=True, slots=True, eq=False)
class Predictor:
    """What a clinic's log says of the sessions needed.

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
    log_summary : LogSummary
        Counts and ranges of the log.
    goal : str
        ``clear`` or ``lighten``.
    horizon : int
        The last session an estimate speaks of.
    seed : int
        Of the parameter draws.
    assessment : mapping
        Scores of every candidate and the calibration found, as plain values.
    notes : tuple of Note
        What the fit rests on and doubts about it, carried into every estimate.

    Examples
    --------
    >>> forecaster.counts_here([enquiry]).median()
    array([9.])
    """

    model: FittedCountModel
    evidence: FittedCountModel | None
    stopping: Stopping
    recalibration: Recalibration | None
    log_summary: LogSummary
    goal: str = "clear"
    horizon: int = HORIZON
    seed: int = 0
    assessment: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()

    @property
    def extra(self) -> tuple[str, ...]:
        """The clinic's own columns that it was fitted with."""
        return tuple(one.name for one in self.log_summary.extra)

    @property
    def supported_to(self) -> int:
        """The last session with at least five courses of the log at risk, of the goal asked for."""
        return self.followed()

    def followed(self, model: FittedCountModel | None = None) -> int:
        """Return the last session with at least five courses behind a model, or the chosen one."""
        return self.log_summary.followed((model or self.model).notes.supported_to, self.horizon)

    def unreached(self, inks: str) -> tuple[str, ...]:
        """Return the inks that no laser in the log's table reaches; none when it has no table."""
        return _unreached(self.log_summary.lasers, inks)

    def part_reached(self, enquiry: Enquiry) -> tuple[Enquiry | None, tuple[str, ...]]:
        """Return the enquiry of the inks that some laser reaches, and the inks that none does.

        None where that is all of them, or none.
        """
        unreached = self.unreached(str(enquiry.inks))
        reached = [ink for ink in str(enquiry.inks).split(";") if ink not in unreached]
        if not unreached or not reached:
            return None, unreached
        return replace(enquiry, inks=reached), unreached

    def describe(
        self,
        enquiry: Enquiry,
        draws: FloatArray,
        *,
        level: float,
        done: int = 0,
        model: FittedCountModel | None = None,
    ) -> Estimate:
        """Return the estimate, without notes, of the sessions that follow ``done`` here.

        ``draws``, shape (n_draws, horizon), are its pmfs under parameter draws.
        """
        model = model or self.model
        followed = max(self.followed(model) - enquiry.sessions_elsewhere - done, 0)
        distribution = CountDistribution(draws.mean(axis=0, keepdims=True))
        needed = int(min(distribution.median()[0], self.horizon))
        support, why = support_of(self.log_summary, enquiry, followed=followed, needed=needed)
        found = Estimate(
            enquiry=enquiry,
            distribution=distribution,
            level=level,
            stops=partial(self.stop_hazard, enquiry, done),
            draws=draws,
            goal=self.goal,
            support=support,
            support_reasons=why,
            own_share=1.0,
            supported_to=followed,
            stopping=partial(self.stop_draws, [enquiry], done),
            stop_pull=self.stop_pull(done),
            sessions_done=done,
        )
        if self.evidence is None:
            return found
        had = enquiry.sessions_elsewhere + done
        own, alone = (
            self._pmfs(each, [enquiry], had + self.horizon)[:, 0] for each in (model, self.evidence)
        )
        carried = alone[:, : self.horizon]
        if had:
            whole = CountDistribution(alone.mean(axis=0, keepdims=True))
            carried = carry_remaining(alone[:, None], whole, had, self.horizon)[:, 0]
        return replace(
            found,
            own_share=learnt_share(own[:, : self.horizon], alone[:, : self.horizon]),
            evidence_alone=found.with_draws(carried),
        )

    def sessions_here(
        self,
        enquiries: Sequence[Enquiry],
        *,
        steps: int | None = None,
        model: FittedCountModel | None = None,
    ) -> FloatArray:
        """Return recalibrated pmfs of the sessions here, shape (n_draws, n, steps)."""
        steps = steps or self.horizon
        had = np.array([enquiry.sessions_elsewhere for enquiry in enquiries])
        pmfs, total = self._totals(enquiries, steps + int(had.max()), model)
        found = np.empty((len(pmfs), len(had), steps))
        for done in sorted({*had.tolist()}):
            alike = np.flatnonzero(had == done)
            for rows in np.split(alike, range(BLOCK, len(alike), BLOCK)):
                found[:, rows] = carry_remaining(pmfs[:, rows], total[rows], done, steps)
        return found

    def counts_here(self, enquiries: Sequence[Enquiry]) -> CountDistribution:
        """Return the distribution of the sessions here of each enquiry: the mean of its draws."""
        had = [enquiry.sessions_elsewhere for enquiry in enquiries]
        total = self._totals(enquiries, self.horizon + max(had))[1]
        here = total.pmf[:, : self.horizon].copy()
        for row in np.flatnonzero(had).tolist():
            own = total[row]
            here[row] = carry_remaining(own.pmf[None], own, had[row], self.horizon)[0]
        return CountDistribution(here)

    def estimate_draws(
        self, enquiries: Sequence[Enquiry], *, steps: int | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Return pmfs under shared parameter draws and stopping hazards, for many enquiries.

        Both (n_draws, n, steps); draws of the second are independent of those of the first.
        ``steps`` looks further than the horizon, or less far.
        """
        steps = steps or self.horizon
        blocks = [enquiries[at : at + BLOCK] for at in range(0, len(enquiries), BLOCK)]
        stop = [self.stop_draws(block, steps=steps) for block in blocks]
        return self.sessions_here(enquiries, steps=steps), np.concatenate(stop, axis=1)

    def draws_after(
        self, enquiry: Enquiry, done: int, *, looked_to: int = 0
    ) -> tuple[FloatArray, float]:
        """Return pmfs of what is still needed after ``done`` sessions here, and its expectation.

        The pmfs, shape (n_draws, horizon), use no grading; the expectation counts to the horizon,
        or to ``looked_to`` if that is further.
        """
        had = enquiry.sessions_elsewhere + done
        pmfs, total = self._totals([enquiry], had + self.horizon)
        looked = CountDistribution(total.pmf[:, : max(self.horizon, looked_to, had + 2)])
        survival = looked.survival()[0]
        expected = 1 + survival[had:].sum() / max(survival[had - 1] if had else 1.0, 1e-6)
        return carry_remaining(pmfs, total, had, self.horizon)[:, 0], float(expected)

    def stop_hazard(self, enquiry: Enquiry, done: int = 0) -> FloatArray:
        """Return the chance of stopping after each session that follows ``done``, (horizon,)."""
        own = _length(self, (enquiry,)), done, self.horizon
        hazard: FloatArray = self.stopping.hazard(*own)[0]
        return hazard

    def stop_draws(
        self, enquiries: Sequence[Enquiry], done: int = 0, steps: int | None = None
    ) -> FloatArray:
        """Return the same under draws of the parameters, shape (n_draws, n, steps)."""
        own = _length(self, tuple(enquiries)), done, steps or self.horizon
        return self.stopping.draws(*own, n_draws=N_DRAWS, seed=self.seed + 1)

    def stop_pull(self, done: int = 0) -> FloatArray | None:
        """Return ``Stopping.pull`` up to the horizon."""
        return self.stopping.pull(self.horizon, done)

    # pmfs of all sessions, had elsewhere or here, under draws, and their recalibrated mean
    def _totals(
        self, enquiries: Sequence[Enquiry], steps: int, model: FittedCountModel | None = None
    ) -> tuple[FloatArray, CountDistribution]:
        pmfs = self._pmfs(model or self.model, enquiries, steps)
        total = CountDistribution(pmfs.mean(axis=0))
        if self.recalibration is not None:
            total = self.recalibration.apply(total, groups=groups_of(enquiries))
        return pmfs, total

    # In blocks, so that memory grows with what is returned: (n_draws, n, steps). Draws are the
    # same whoever else is asked about.
    def _pmfs(
        self, model: FittedCountModel, enquiries: Sequence[Enquiry], steps: int
    ) -> FloatArray:
        known: Any = model  # fitted models are told apart as objects
        kept = _pmfs_of_one(self, known, enquiries[0])
        if not kept or kept[0].shape[2] < steps:
            kept[:] = [self._block(model, enquiries[:1], steps)]
            kept[0].setflags(write=False)
        first = kept[0][:, :, :steps]
        blocks = (enquiries[low : low + BLOCK] for low in range(1, len(enquiries), BLOCK))
        rest = [self._block(model, block, steps) for block in blocks]
        return np.concatenate([first, *rest], axis=1) if rest else first

    def _block(
        self, model: FittedCountModel, enquiries: Sequence[Enquiry], steps: int
    ) -> FloatArray:
        stacked, sizes = _stacked(self, tuple(enquiries))
        pmfs = model.predict_draws(stacked, steps, n_draws=N_DRAWS, seed=self.seed)
        return _averaged(pmfs, sizes)

    def _covariates(self, asked: Sequence[Enquiry]) -> dict[str, FloatArray]:
        unrecorded = [self.log_summary.unrecorded(one) for one in asked]
        columns: dict[str, Any] = {
            name: [
                None if name in none else getattr(one, name)
                for one, none in zip(asked, unrecorded, strict=True)
            ]
            for name in ATTRIBUTES
        }
        columns["unreached"] = [float(bool(self.unreached(str(one.inks)))) for one in asked]
        found = covariates({**columns, "years_from_now": [0.0] * len(asked)})
        for own in self.log_summary.extra:
            found |= own.covariates([one.extra.get(own.name) for one in asked])
        return found | ({LIGHTEN: np.ones(len(asked))} if self.goal == "lighten" else {})


@lru_cache(maxsize=256)
def _unreached(lasers: tuple[tuple[str, tuple[float, ...]], ...], inks: str) -> tuple[str, ...]:
    return unreached_inks(inks, [Laser(*each) for each in lasers]) if lasers else ()


# An answer, its drivers and its prices ask of the same enquiry several times, for more steps or
# fewer: here those of the most steps asked for are put. What comes back is not written to.
@lru_cache(maxsize=64)
def _pmfs_of_one(
    predictor: Predictor, model: FittedCountModel, enquiry: Enquiry
) -> list[FloatArray]:
    return []


# covariates, one row per way to fill an enquiry, and how many rows each has
@lru_cache(maxsize=64)
def _stacked(
    predictor: Predictor, asked: tuple[Enquiry, ...]
) -> tuple[dict[str, FloatArray], IntArray]:
    summary = predictor.log_summary
    return spread_missing(predictor._covariates(asked), summary.fills, summary.sources)


# what the stopping hazard goes by, shape (n,)
@lru_cache(maxsize=64)
def _length(predictor: Predictor, asked: tuple[Enquiry, ...]) -> FloatArray:
    stacked, sizes = _stacked(predictor, asked)
    pmfs = predictor.model.predict(to_clearing(stacked), predictor.horizon).pmf
    return length_of(CountDistribution(_averaged(pmfs, sizes)))


# pmfs, (..., rows, steps), on average over the rows of each enquiry
def _averaged(pmfs: FloatArray, sizes: IntArray) -> FloatArray:
    if len(set(sizes.tolist())) == 1:  # in a tenth of the time
        alike = np.moveaxis(pmfs, -1, 0).reshape(pmfs.shape[-1], -1, sizes[0])
        mean = alike @ np.full(sizes[0], 1 / sizes[0])
        return np.ascontiguousarray(mean.T).reshape(*pmfs.shape[:-2], len(sizes), -1)
    return np.asarray(np.add.reduceat(pmfs, np.cumsum(sizes) - sizes, axis=-2) / sizes[:, None])
