"""A fitted forecaster: it answers enquiries with numpy alone, says what drives them, and is saved.

Where half are not there within the horizon there is no count to compare: then every attribute is
a difference in the chance by the last session looked at. What moves the count by less than half a
session, or the chance by less than five of 100, is marked as small and not said.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._arrays import FloatArray
from forecast._checks import (
    LEVEL,
    SHOWN_AT,
    check_kind,
    check_level,
    check_seed,
    check_whole_number,
)
from forecast._files import (
    SEAL,
    check_not_lost,
    is_json_with,
    read_json,
    sealed,
    unsealed,
    write_whole,
)
from forecast._notes import (
    GIVE_OR_TAKE,
    Note,
    Sentence,
    notes_as_json,
    problem_and_remedy,
    sentence,
    why,
)
from forecast._plain import Result, check_parts, fields_of, plain
from forecast.assess import Recalibration
from forecast.counts import (
    REFERENCES,
    Estimate,
    LogSummary,
    Predictor,
    Stopping,
    check_goal,
    doubts_of,
    failing_groups,
    leads_of,
    plainly,
    told,
)
from forecast.errors import ForecastError, RequestError
from forecast.log import ATTRIBUTES, Enquiry, check_enquiry, column, enquiries_of
from forecast.midcourse import Midcourse, Update, remaining_draws, update_estimate
from forecast.survival import FittedCountModel, model_from_dict, quantiles

if TYPE_CHECKING:
    import pandas as pd

HALF = 0.5
WHOLE_FROM = 10.0  # a number is said without decimals
GRADINGS = "gradings"
SMALL, SMALL_CHANCE = 0.5, 0.05  # sessions, and chance, that nobody would act on (a judgement)


@dataclass(frozen=True, slots=True, repr=False)
class Driver(Result):
    """The effect of one attribute on this enquiry's median, or on its chance by a session.

    Attributes
    ----------
    attribute, value, against : str
        The attribute, what the enquiry says, and what it is compared with.
    difference : float
        Median sessions of the enquiry less that of the same enquiry with ``against``; above
        zero means more sessions. Medians between whole sessions are interpolated. With
        ``by_session``, the first of ``chances`` less the other.
    interval : tuple of float
        From the model's parameter draws, at ``level``.
    level : float
        What the interval is meant to cover.
    by_session : int or None
        The session of the chances compared; None where sessions are.
    chances : tuple of float or None
        To have reached the goal by then, as the enquiry says and with ``against``.

    Examples
    --------
    >>> Driver("inks", "red", "black", 2.0, (1.0, 3.0), level=0.8).to_text()
    'inks red instead of black: +2.0 sessions (+1.0 to +3.0)'
    """

    attribute: str
    value: str
    against: str
    difference: float
    interval: tuple[float, float]
    level: float
    by_session: int | None = None
    chances: tuple[float, float] | None = None

    @property
    def small(self) -> bool:
        """Whether the difference is too small to be said."""
        return abs(self.difference) < (SMALL if self.by_session is None else SMALL_CHANCE)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {**plain(self), "small": self.small}

    def lines(self, language: str) -> list[str]:
        """Return the effect in words."""
        low, high = self.interval
        values: dict[str, Any] = {"what": plainly(self.attribute)}
        for name, said in (("value", self.value), ("against", self.against)):
            values[name] = said if isinstance(said, Sentence) else said.split(", ")  # as inks are
        if self.by_session is None:
            values |= {"n": self.difference, "low": low, "high": high}
            return [sentence("drivers.sessions", values)]
        own, other, low, high = (round(100 * one) for one in (*(self.chances or (0, 0)), low, high))
        values |= {"own": own, "other": other, "low": low, "high": high, "by": self.by_session}
        return [sentence("drivers.chance", values)]


# a driver for each row, from pmfs of shape (n_draws, 1 + rows, horizon); the first is the enquiry's
def _compared(
    draws: FloatArray, rows: Iterable[tuple[str, str, str]], level: float
) -> list[Driver]:
    tail = (1 - level) / 2
    reached = np.cumsum(draws, axis=-1)
    compared = chances = reached[..., -1]
    counted = bool(np.all(chances >= HALF))  # else an end of an interval would be no count
    if counted:  # medians, interpolated within the step; half are reached by the last step of each
        step = np.argmax(reached >= HALF, axis=-1)[..., None]
        here, by = (np.take_along_axis(one, step, axis=-1)[..., 0] for one in (draws, reached))
        compared = step[..., 0] + (HALF - (by - here)) / np.maximum(here, 1e-12)
    moved = quantiles(compared[:, :1] - compared[:, 1:], [tail, 0.5, 1 - tail])
    own, *others = chances.mean(axis=0).tolist()
    found = []
    for row, other, (low, middle, high) in zip(rows, others, moved.T.tolist(), strict=True):
        by_then = () if counted else (draws.shape[-1], (own, other))
        size = middle if counted else own - other  # of the chances that stand beside it
        found.append(Driver(*row, size, (low, high), level, *by_then))
    return found


# attribute, value, what it is compared with, and the enquiry with that in its place
def _changed(predictor: Predictor, enquiry: Enquiry) -> Iterator[tuple[str, str, str, Enquiry]]:
    summary = predictor.log_summary
    for name in ATTRIBUTES:
        value = getattr(enquiry, name)
        against = REFERENCES.get(name) or summary.middles.get(name)
        if value is not None and against is not None and value != against:
            change: dict[str, Any] = {name: against}
            yield name, _shown(name, value), _shown(name, against), replace(enquiry, **change)
    for own in summary.extra:
        value, levels = enquiry.extra.get(own.name), summary.levels.get(own.name)
        against = next(iter(levels)) if levels else summary.middles[own.name]
        if own.known(value) and value != against:
            other = replace(enquiry, extra={**enquiry.extra, own.name: against})
            yield own.name, _shown("", value), _shown("", against), other


def _shown(name: str, value: Any) -> str:
    if isinstance(value, float):
        rounded = round(value) if value >= WHOLE_FROM else value
        known = {"n": rounded, "unit": column("courses", name).unit} if name else {"n": rounded}
        return sentence("drivers.measure" if name else "drivers.number", known)
    return str(value).replace("_", " ").replace(";", ", ")


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Forecaster(Predictor, Result):
    """What a clinic's log says about the next client: a predictor that answers in full.

    As a `Predictor` it has the fitted ``model``, ``stopping`` and ``recalibration``, the
    ``log_summary`` and ``evidence`` that answers rest on, its ``assessment`` on clients left out,
    ``notes``, ``goal``, ``horizon`` (sessions) and ``seed``.

    Attributes
    ----------
    midcourse : Midcourse or None
        What gradings say of a course under way; None for the goal ``lighten``.
    strategies : mapping of strategy to FittedCountModel
        The model under each strategy that enough courses of the log kept to.
    regime_verdict : Note or None
        What the log says of always ps against always ns, in one line.
    seen : FittedCountModel or None
        The model fitted to what was seen alone, before stopped courses go on as their gradings
        say: how far it moves as the log grows, a refresh moves ``model``.

    Examples
    --------
    >>> forecaster.goal, forecaster.horizon
    ('clear', 25)
    >>> later = forecaster.update(enquiry, sessions_done=3, gradings=[(0, 0), (3, 40)])
    >>> later.sessions_done
    3
    """

    midcourse: Midcourse | None = None
    strategies: Mapping[str, FittedCountModel] = field(default_factory=dict)
    regime_verdict: Note | None = None
    seen: FittedCountModel | None = None

    def __repr__(self) -> str:
        of = f"{self.log_summary.n_courses} courses"
        return f"<Forecaster: {self.goal}, {self.horizon} sessions ahead, from {of}>"

    def lines(self, language: str) -> list[str]:
        """Return what the model rests on and how it did on clients it had not seen."""
        found = self.assessment
        values = {"followed": self.supported_to, "horizon": self.horizon}
        beyond = "_beyond" * (self.supported_to < self.horizon) if self.supported_to else "_none"
        lines = [*map(Sentence, self.notes), sentence(f"fitted.followed{beyond}", values)]
        if found.get("candidates"):
            n = len(found["candidates"])
            lines.append(sentence("fitted.best", {"n": n, "model": found["model"]}))
        failing = [sentence("fitted.group", row) for row, _ in failing_groups(found)]
        lines += self.own_check()
        return [*lines, *[sentence("fitted.failing", {"groups": failing})] * bool(failing)]

    def own_check(self) -> list[Sentence]:
        """Return how often the interval held on clients left out of the fit, a line, or none."""
        coverage = self.assessment.get("coverage")
        if not coverage:
            return []
        said = {
            "level": 100 * coverage["level"],
            "kept": 100 * coverage["tie_split"],
            "give": 100 * GIVE_OR_TAKE * coverage["tie_split_error"],
        }
        return [sentence("fitted.check", said)]

    def to_dict(self) -> dict[str, Any]:
        """Return what it rests on as plain JSON values; ``save`` writes the model itself."""
        return {
            "goal": self.goal,
            "horizon": self.horizon,
            "supported_to": self.supported_to,
            "courses": self.log_summary.n_courses,
            "reached": told(self.log_summary.n_reached),
            "assessment": dict(self.assessment),
            **notes_as_json(self.notes),
        }

    def estimate(
        self,
        enquiry: Enquiry | Mapping[str, Any] | pd.DataFrame,
        *,
        level: float = LEVEL,
        strategy: str | None = None,
        lighten: Forecaster | None = None,
    ) -> Estimate:
        """Return the predicted session count of one enquiry.

        Parameters
        ----------
        enquiry : Enquiry, mapping of its fields, or DataFrame of one row
            Attributes at the consultation. Optional ones left out widen the estimate.
        level : float
            What the interval is to cover, between 0 and 1.
        strategy : str, optional
            None is the log's own practice in its last two years; "ns", "ps" or "ns:4>ps" (also
            "ns:4-ps") is answered where enough courses kept to it.
        lighten : Forecaster, optional
            One for the goal ``lighten``: it says what that takes where most do not clear.

        Raises
        ------
        RequestError
            If the level is not a probability, or too few courses kept to a named strategy.

        Examples
        --------
        >>> forecaster.estimate(enquiry, level=0.9).level
        0.9
        """
        check_level(level)
        enquiry = check_enquiry(enquiry, self.extra)
        model = None if strategy is None else self._under(strategy)
        draws = self.sessions_here([enquiry], model=model)[:, 0]
        estimate = self._with_notes(self.describe(enquiry, draws, level=level, model=model), model)
        part, unreached = self.part_reached(enquiry)
        estimate = replace(estimate, unreached=unreached)
        if part is not None:
            alone = self.sessions_here([part], model=model)[:, 0]
            reached = self.describe(part, alone, level=level, model=model)
            estimate = replace(estimate, reached=reached)
        if lighten is not None and lighten.goal != "lighten":
            raise RequestError(*problem_and_remedy("refused.no_lightener", {"goal": "lighten"}))
        if lighten is not None and self.goal == "clear" and estimate.not_within_horizon > HALF:
            estimate = replace(estimate, instead=lighten.estimate(enquiry, level=level))
        estimate = replace(estimate, leads=leads_of(estimate))
        if model is None:
            return estimate
        values = {"strategy": strategy, "finished": model.notes.n_events}
        under = Note("forecaster.under_strategy", "info", values)
        said = () if self.regime_verdict is None else (self.regime_verdict,)
        return replace(estimate, notes=(under, *said, *estimate.notes))

    def estimate_many(
        self, enquiries: pd.DataFrame | Sequence[Enquiry], *, level: float = LEVEL
    ) -> pd.DataFrame:
        """Return one row per enquiry: of a sequence, or of a frame whose columns are its fields.

        Columns: median, low and high (sessions here; missing beyond the horizon), level, the
        chances chance_by_5, _10, _15 and not_within_horizon, support, notes (texts). The index of
        a frame is kept. Raises RequestError on a value that a field cannot hold, or a ``level``
        that is no probability.
        """
        import pandas as pd

        asked = enquiries_of(enquiries, self.extra)
        shown_at = [n for n in SHOWN_AT if n <= self.horizon]
        check_level(level)
        draws = self.sessions_here(asked) if asked else np.empty((0, 0, 0))
        rows = []
        for row, enquiry in enumerate(asked):
            one = self._with_notes(self.describe(enquiry, draws[:, row], level=level))
            counts = (one.median, *one.interval)
            notes = tuple(map(str, one.notes))
            chances = (one.chance_by(n) for n in shown_at)
            rows.append((*counts, level, *chances, one.not_within_horizon, one.support, notes))
        columns = ["median", "low", "high", "level", *(f"chance_by_{n}" for n in shown_at)]
        columns += ["not_within_horizon", "support", "notes"]
        index = None if isinstance(enquiries, Sequence) else enquiries.index
        answer = pd.DataFrame(rows, index=index, columns=columns)
        return answer.astype(dict.fromkeys(("median", "low", "high"), "Int64"))

    def update(
        self,
        enquiry: Enquiry,
        *,
        sessions_done: int,
        gradings: Iterable[tuple[Any, ...]] = (),
        level: float = LEVEL,
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
        return update_estimate(
            self,
            self.midcourse,
            enquiry,
            sessions_done=sessions_done,
            gradings=gradings,
            level=level,
        )

    def drivers(
        self,
        enquiry: Enquiry,
        *,
        level: float = LEVEL,
        sessions_done: int = 0,
        gradings: Iterable[tuple[Any, ...]] = (),
    ) -> tuple[Driver, ...]:
        """Return what each given attribute does to this enquiry's median, largest first.

        Each attribute is set back to a common reference (black ink, medium density, single layer,
        shoulder, skin type III, non-smoker, professional, unscarred; the log's median for numbers,
        and its commonest level for the clinic's own columns)
        while the others stay. Where any median, or any end of its interval, may lie beyond the
        horizon, all are differences of the chance to be there by then. These are associations in
        the log, not effects of changing anything.

        Of a course under way it is the sessions still needed; what the gradings do to them comes
        first, and the attributes are compared with the gradings as they are.
        """
        check_level(level)
        graded = tuple(gradings)
        enquiry = check_enquiry(enquiry, self.extra)
        changes = list(_changed(self, enquiry))
        rows = [(name, value, against) for name, value, against, _ in changes]
        if any(row[0] > 0 for row in graded) and self.midcourse is not None:
            last = max(graded, key=lambda row: row[0])
            seen = sentence("drivers.grading", {"percent": last[1], "session": last[0]})
            rows.insert(0, (GRADINGS, seen, "none"))
        if not rows:
            return ()
        asked = [enquiry, *(other for *_, other in changes)]
        given: dict[str, Any] = {"sessions_done": sessions_done, "gradings": graded}
        if not sessions_done and not graded:
            draws = self.sessions_here(asked)
        else:
            both = [remaining_draws(self, self.midcourse, one, **given) for one in asked]
            without = [both[0][0]] if len(rows) > len(changes) else []
            draws = np.stack([both[0][1], *without, *(own for _, own in both[1:])], axis=1)
        found = _compared(draws, rows, level)
        head = int(rows[0][0] == GRADINGS)
        return (*found[:head], *sorted(found[head:], key=lambda driver: -abs(driver.difference)))

    @property
    def fingerprint(self) -> str:
        """16 digits of the checksum that the saved file has, by which promises name the model."""
        return str(sealed(_to_dict(self))[SEAL]).partition(":")[2][:16]

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the forecaster as JSON; it holds no row of the log.

        An interrupted write leaves what was there before.

        Raises
        ------
        RequestError
            If ``path`` has a file that is no saved forecaster: it would be lost.
        """
        check_kind(path, (str, os.PathLike), name="path", give="the name of a file")
        target = Path(path)
        check_not_lost(target, what="a_forecaster", known=is_json_with("kind", KIND))
        write_whole(target, json.dumps(sealed(_to_dict(self)), indent=1))

    def _with_notes(self, estimate: Estimate, model: FittedCountModel | None = None) -> Estimate:
        return replace(estimate, notes=(*self.notes, *doubts_of(self, estimate, model=model)))

    def _under(self, strategy: str) -> FittedCountModel:
        model = self.strategies.get(str(strategy).replace("-", ">"))
        if model is not None:
            return model
        from forecast.regimes import read_strategy

        plan = read_strategy(strategy, self.horizon)  # refuses what is no strategy
        since = sentence("refused.since_change") if plan.begins > 1 else ""
        known = ", ".join(self.strategies) or "none"
        values = {"strategy": strategy, "since": since, "known": known}
        raise RequestError(*problem_and_remedy("refused.strategy", values))


SCHEMA = 4
KIND = "session-forecast forecaster"
SAVED = (
    "goal", "horizon", "seed", "model", "evidence", "stopping", "recalibration", "midcourse",
    "reference", "seen", "strategies", "regime_verdict", "assessment", "notes",
)  # fmt: skip


def _to_dict(forecaster: Forecaster) -> dict[str, Any]:
    parts = fields_of(forecaster)
    parts["reference"] = parts.pop("log_summary")
    return {"kind": KIND, "schema": SCHEMA, **plain({name: parts[name] for name in SAVED})}


def load_forecaster(path: str | os.PathLike[str]) -> Forecaster:
    """Return the forecaster saved at ``path``.

    Raises
    ------
    RequestError
        If the file is not there, is no forecaster, was written by a later version, or has
        changed since. Its parts are checked; those of a file without a checksum are tried out too.

    Examples
    --------
    >>> forecaster.save(folder / "model.json")
    >>> load_forecaster(folder / "model.json").horizon
    25
    """
    check_kind(path, (str, os.PathLike), name="path", give="the file that fit wrote")
    file = os.fspath(path)
    try:
        stored = read_json(Path(path))
    except OSError as error:
        values: dict[str, Any] = {"file": file, "why": why(error)}
        raise RequestError(*problem_and_remedy("refused.no_model", values)) from None
    if not isinstance(stored, dict) or stored.get("kind") != KIND:
        raise RequestError(*problem_and_remedy("refused.other_file", {"file": file}))
    if stored.get("schema") != SCHEMA:
        values = {"file": file, "schema": repr(stored.get("schema")), "known": SCHEMA}
        raise RequestError(*problem_and_remedy("refused.schema", values))
    named, again = problem_and_remedy("refused.the_file", {"file": file})
    content = unsealed(stored, named=named, remedy=again)
    return _from_dict(content, file, sealed_whole=SEAL in stored)


# What has its seal answered when it was written; what has none, somebody may have made.
def _from_dict(stored: Mapping[str, Any], named: str, *, sealed_whole: bool) -> Forecaster:
    try:
        if not isinstance(stored["notes"], list):
            raise TypeError("its notes are no list")
        found = Forecaster(
            model=model_from_dict(stored["model"]),
            evidence=stored["evidence"] and model_from_dict(stored["evidence"]),
            stopping=Stopping(
                model_from_dict(stored["stopping"]),
                tuple(stored["stopping"]["by_session"]),
                stored["stopping"]["slow"],
            ),
            recalibration=stored["recalibration"]
            and Recalibration.from_dict(stored["recalibration"]),
            log_summary=LogSummary.from_dict(stored["reference"]),
            midcourse=stored["midcourse"] and Midcourse.from_dict(stored["midcourse"]),
            strategies={
                name: model_from_dict(model) for name, model in stored["strategies"].items()
            },
            regime_verdict=stored["regime_verdict"] and Note.from_dict(stored["regime_verdict"]),
            seen=stored["seen"] and model_from_dict(stored["seen"]),
            goal=check_goal(stored["goal"]),
            horizon=check_whole_number(stored["horizon"], name="horizon", low=1, high=100),
            seed=check_seed(stored["seed"]),
            assessment=stored["assessment"],
            notes=tuple(map(Note.from_dict, stored["notes"])),
        )
        check_parts(Forecaster, found)
        if not sealed_whole:
            _try_out(found)
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as error:
        if isinstance(error, ForecastError):
            raise
        values = {"file": named, "why": str(error)}
        raise RequestError(*problem_and_remedy("refused.damaged_model", values)) from None
    return found


FEWEST_GIVEN = Enquiry("II", "forearm", "black;red", "medium", "single")
ALL_GIVEN = replace(
    FEWEST_GIVEN, age_years=30, origin="amateur", area_cm2=20, tattoo_age_years=5,
    scarring="slight", smoker="yes",
)  # fmt: skip


# Parts that do not belong together show when they are asked.
def _try_out(found: Forecaster) -> None:
    with np.errstate(divide="raise", invalid="raise", over="raise"):
        for strategy in (None, *found.strategies):
            for enquiry in (FEWEST_GIVEN, ALL_GIVEN):
                answered = found.estimate(enquiry, strategy=strategy)
                if not np.isfinite(answered.distribution.pmf).all():
                    raise ValueError("its answer is no number")
                str(answered.notes)
        for row, note in failing_groups(found.assessment):
            str((row["factor"], row["label"], note))
        found.update(ALL_GIVEN, sessions_done=2, gradings=[(1, 20.0), (2, 30.0)])
