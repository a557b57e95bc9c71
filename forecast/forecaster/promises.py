"""A standing check: were the promises kept? And the card that says what a model is and is not."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import LEVEL, MARGIN
from forecast._notes import (
    GIVE_OR_TAKE,
    Note,
    Sentence,
    bullets,
    notes_as_json,
    problem_and_remedy,
    sentence,
    text_of,
)
from forecast._plain import Result, plain_rows, plain_table, plain_values
from forecast.assess import Assessment, Drift, Outcomes, Watch, assess_predictions, watch
from forecast.counts import (
    COVARIATES,
    GOALS,
    SHAPE,
    course_rows,
    effects_for,
    evidence_name,
    few,
    is_judged,
    of_goal,
    plainly,
    told,
)
from forecast.daybook import Course, Promise, first_promises
from forecast.errors import DataError
from forecast.log import ATTRIBUTES, Enquiry, enquiry_of
from forecast.midcourse import LAST_LANDMARK
from forecast.survival import CountDistribution
from forecast.tattoo import groups_of

if TYPE_CHECKING:
    import pandas as pd

    from forecast.counts import Estimate
    from forecast.forecaster.forecaster import Forecaster
    from forecast.log import OutcomeLog

FEWEST_EVENTS = 20  # that reached the goal, for a verdict
FEWEST_TO_COUNT = 5  # below it neither coverage nor drift is spoken of
WIDEST = 0.10  # give or take more: cannot say
FAINT = 0.1  # p below which it is not said that there is no sign
ALARM = 0.01  # of drift: checked again and again, a twentieth would cry wolf
SLOWDOWN = 1.15  # times the sessions, to be found from month to month
CHOSEN_AT = "chosen_at"  # of the assessment: courses and last start when all was last done anew
SLOPE = 0.9  # of the calibration, that a model of a size may fall to
MATERIAL = 1.2  # a change of pace or of spread by less breaks no promise, however sure it is


def falls_short(coverage: Mapping[str, Any]) -> bool:
    """Return whether intervals held less often than they say, surely and by more than a little."""
    short = coverage["level"] - coverage["tie_split"]
    return bool(short > max(GIVE_OR_TAKE * coverage["tie_split_error"], MARGIN))


def promise_of(
    forecaster: Forecaster,
    estimate: Estimate,
    enquiry: Enquiry,
    *,
    client_id: str,
    course_id: str = "",
    issued_on: date | None = None,
    sessions_done: int = 0,
    quoted: Mapping[str, Any] | None = None,
) -> Promise:
    """Return an ``estimate`` by a ``forecaster`` of an ``enquiry`` as a promise to be kept.

    The estimate is of the sessions here in all: mid-course, the update's ``total``, after
    ``sessions_done``. ``client_id`` is the pseudonym, ``course_id`` the course where it is known
    already; it is ``issued_on`` today unless told. ``quoted`` are package, price, currency,
    questions, facts and ``valid_until``, as in `Promise`.

    Examples
    --------
    >>> promise_of(forecaster, forecaster.estimate(enquiry), enquiry, client_id="p1").goal
    'clear'
    """
    verdict = forecaster.regime_verdict
    low, high = estimate.interval
    return Promise(
        course_id=course_id, client_id=client_id, issued_on=issued_on or date.today(),
        goal=estimate.goal, level=estimate.level, median=estimate.median, low=low, high=high,
        chances=tuple(map(float, np.minimum(np.cumsum(estimate.distribution.pmf[0]), 1.0))),
        sessions_done=sessions_done, enquiry=enquiry, model=forecaster.fingerprint,
        verdict=str(verdict or ""), **(quoted or {}),
    )  # fmt: skip


def against_promise(course: Course, total: Estimate, notes: Iterable[Note]) -> Note | None:
    """Return how a course's first promise stands against ``total``, what is said of it now.

    None before the first session, or where nothing was promised. ``notes`` are the update's.

    Examples
    --------
    >>> from forecast.daybook import Course
    >>> nothing_promised = Course("C1", "P1", 1, {"sessions_given": 2}, (), (), (), (), {})
    >>> against_promise(nothing_promised, forecaster.estimate(enquiry), ()) is None
    True
    """
    first = next(iter(course.promises), None)
    if first is None or not course.done:
        return None
    slow = any(note.code == "midcourse.slower" for note in notes)
    return first.against(total.interval, total.median, slow=slow)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class PromiseCheck(Result):
    """How estimates turned out on courses the model was not fitted to.

    Attributes
    ----------
    assessment : Assessment
        Scores, reliability, coverage and subgroups.
    drift : Drift or None
        Whether outcomes have moved away from the predictions; None under five events.
    n_courses, n_reached : int
        Courses judged, and those of them that reached the goal.
    what : str
        What was judged: the first line of the report.
    used_for_fit : bool
        Whether the log is the one that was fitted to, of which nothing is concluded.
    midcourse : tuple of mapping
        What came of the promises made to courses under way, by sessions done and pace, as
        ``Midcourse.held`` has it.
    watch : Watch or None
        Whether courses have come to take a seventh more sessions from month to month; None without
        dates of sessions, or where too little was expected.

    Examples
    --------
    >>> about = (forecaster, forecaster.estimate(enquiry), enquiry)
    >>> said = promise_of(*about, client_id="P0001", course_id="C0001")
    >>> assess_promises([said], log).verdict  # of one course
    'cannot say'
    """

    assessment: Assessment
    drift: Drift | None
    n_courses: int
    n_reached: int
    what: str
    used_for_fit: bool = False
    midcourse: tuple[Mapping[str, Any], ...] = ()
    watch: Watch | None = None

    @property
    def verdict(self) -> str:
        """``holds``, ``fails`` or ``cannot say``, for the intervals as a whole."""
        if self.n_reached < FEWEST_EVENTS or self.used_for_fit:
            return "cannot say"
        found = self.assessment.coverage
        if not np.isfinite([found.tie_split, found.tie_split_error]).all():
            return "cannot say"
        if falls_short(asdict(found)) or (self.moved and self.materially):
            return "fails"
        unsure = GIVE_OR_TAKE * found.tie_split_error > WIDEST
        return "cannot say" if unsure else "holds"

    @property
    def moved(self) -> bool:
        """Whether outcomes differ from the predictions by more than chance would make them."""
        return self.drift is not None and self.drift.p_value < ALARM

    @property
    def materially(self) -> bool:
        """Whether pace or spread differ by more than a fifth."""
        if self.drift is None:
            return False
        changes = np.abs([self.drift.shift, np.log(self.drift.power)])
        return bool(changes.max() > np.log(MATERIAL))

    @property
    def notes(self) -> tuple[Note, ...]:
        """Doubts about the check itself, in the words of the trade."""
        return tuple(
            replace(note, code=f"forecaster.{note.code.partition('.')[2]}")
            for note in self.assessment.messages
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "what": self.what,
            "verdict": self.verdict,
            "used_for_fit": self.used_for_fit,
            "n_courses": self.n_courses,
            "n_reached": self.n_reached,
            "coverage": plain_values(asdict(self.assessment.coverage)),
            "drift": None if self.drift is None else plain_values(asdict(self.drift)),
            "scores": plain_rows(self.assessment.scores),
            "reliability": plain_rows(self.assessment.reliability),
            "subgroups": plain_rows(self.assessment.subgroups),
            "midcourse": [plain_values(row) for row in self.midcourse],
            "watch": self.watch
            and {
                "signal": self.watch.signal,
                "threshold": round(self.watch.threshold, 3),
                "months": plain_table(self.watch.table.round(3)),
            },
            **notes_as_json(self.notes),
        }

    def lines(self, language: str) -> list[str]:
        """Return the check in words."""
        if self.used_for_fit:
            return [sentence("promises.judged", {"what": self.what}), *bullets(self.notes)]
        moved = self.verdict == "fails" and self.moved and self.materially
        values = {"what": self.what, "courses": self.n_courses, "reached": self.n_reached}
        values |= {"of_ten": self.assessment.coverage.level * 10, "verdict": self.verdict}
        lines = [
            sentence("promises.counts", values),
            sentence(f"promises.verdict{'_moved' * moved}", values | {"kept": self.kept()}),
        ]
        if self.drift is not None:
            lines.append(self.movement())
        elif self.n_reached < FEWEST_EVENTS:
            lines.append(sentence("promises.lacking", {"n": FEWEST_EVENTS - self.n_reached}))
        if self.watch is not None:
            lines.append(self.watched())
        lines += [sentence("promises.group", row) for row in plain_rows(self.assessment.subgroups)]
        return [*lines, *midcourse_lines(self.midcourse), *bullets(self.notes)]

    def movement(self) -> Sentence:
        """Return in words whether outcomes have moved away from what was predicted."""
        found = self.drift
        assert found is not None
        chance = Note("promises.p_tiny" if found.p_value < 0.001 else "promises.p")
        chance = replace(chance, values={"p": found.p_value})
        if not self.moved:
            code = "promises.little_sign" if found.p_value < FAINT else "promises.no_sign"
            return sentence(code, {"chance": chance})
        varies = abs(np.log(found.power)) > np.log(MATERIAL)
        less = Note(f"promises.vary_{'less' if found.power > 1 else 'more'}")
        values = {"times": float(np.exp(found.shift)), "chance": chance}
        code = "promises.moved" if self.materially else "promises.moved_little"
        return sentence(code, values | {"varied": less if varies else ""})

    def watched(self) -> Sentence:
        """Return in words whether a slowdown shows from month to month."""
        found = self.watch
        assert found is not None
        score = float(found.table["score"].iloc[-1])
        stand = Note("promises.stand", values={"score": score, "threshold": found.threshold})
        values: dict[str, Any] = {"stand": stand, "more": round(100 * (SLOWDOWN - 1))}
        if found.signal is None:
            return sentence("promises.no_slowdown", values)
        code = "over" if score <= found.threshold else "slowdown"
        return sentence(f"promises.{code}", values | {"since": f"{found.signal}-01"})

    def kept(self) -> Sentence:
        """Return in words how often the interval held."""
        found = self.assessment.coverage
        if self.n_reached < FEWEST_TO_COUNT or not np.isfinite(found.tie_split):
            return sentence("promises.too_few")
        values = {"n": found.tie_split * 10, "give": GIVE_OR_TAKE * found.tie_split_error * 10}
        return sentence("promises.kept", values)


def assess_forecaster(
    forecaster: Forecaster, log: OutcomeLog, *, level: float = LEVEL, seed: int = 0
) -> PromiseCheck:
    """Return how a forecaster's estimates, at ``level``, turn out on a log it was not fitted to.

    Ties are split by ``seed``. Courses started up to the last start in the forecaster's own log are
    left out, since they may have been fitted to; if nothing is known of later ones, all are judged
    and the report says so. Of the very log that was fitted to, numbers are given but nothing is
    concluded. Raises DataError if the log has no course that can be judged.

    Examples
    --------
    >>> assess_forecaster(forecaster, log).used_for_fit
    True
    """
    rows = course_rows(log, goal=forecaster.goal)
    summary = forecaster.log_summary
    used = log.fingerprint == summary.fingerprint
    own, lighten = of_goal(rows), forecaster.goal == "lighten"
    if not own.any():
        raise DataError(*problem_and_remedy(f"refused.none_to_judge{'_lighten' * lighten}"))
    code = "later"
    later = own & (rows["started_on"].dt.strftime("%Y-%m-%d") > summary.last_start).to_numpy()
    if used or not (later & is_judged(rows)).any():
        later, code = own, "seen" if used else "all"
    what = f"promises.{code}{'_lighten' * (lighten and not used)}"
    courses = log.courses[later]
    enquiries = [enquiry_of(row, forecaster.extra) for row in courses.to_dict("records")]
    further = forecaster.horizon + LAST_LANDMARK
    told = forecaster.estimate_draws(enquiries, steps=further)[0].mean(axis=0)
    found = check(
        CountDistribution(told[:, : forecaster.horizon]),
        rows[later],
        courses,
        level=level,
        seed=seed,
        what=sentence(what, {"day": summary.last_start}),
    )
    if not used:
        law, ahead = forecaster.midcourse, CountDistribution(told)
        return replace(
            found,
            watch=_watched(log, rows[later], ahead),
            midcourse=law.judge(log, rows[later], ahead, horizon=forecaster.horizon) if law else (),
        )
    found.assessment.subgroups["verdict"] = "cannot say"
    return replace(found, used_for_fit=True)


def check(
    predicted: CountDistribution,
    rows: pd.DataFrame,
    courses: pd.DataFrame,
    *,
    level: float,
    seed: int,
    what: str,
) -> PromiseCheck:
    """Return the check of predictions of the sessions here against what the courses show."""
    judged = is_judged(rows)
    predicted, rows, courses = predicted[judged], rows[judged], courses[judged]
    if not len(rows):
        raise DataError(*problem_and_remedy("refused.none_known"))
    here = (rows["step"] - rows["entry"]).to_numpy()
    outcomes = Outcomes(here, rows["observed"].to_numpy(), subject=rows["client_id"].to_numpy())
    by = groups_of(courses.itertuples(), sites=True)
    return PromiseCheck(
        assessment=assess_predictions(predicted, outcomes, level=level, groups=by, seed=seed),
        drift=Drift.of(predicted, outcomes) if outcomes.n_events >= FEWEST_TO_COUNT else None,
        n_courses=len(rows),
        n_reached=int(rows["observed"].sum()),
        what=what,
    )


# From month to month, over the dated sessions of courses and what was predicted of each.
def _watched(log: OutcomeLog, rows: pd.DataFrame, predicted: CountDistribution) -> Watch | None:
    if log.sessions.empty:
        return None
    known = rows[["course_id"]].assign(
        last=rows["step"] - rows["entry"], reached=rows["observed"], row=np.arange(len(rows))
    )
    dated = log.each_session[["course_id", "session_no", "treated_on"]].merge(known, on="course_id")
    upto = np.minimum(dated["last"], predicted.horizon)
    dated = dated[(dated["session_no"] <= upto) & dated["treated_on"].notna()]
    number = dated["session_no"].to_numpy(dtype=np.int64)
    return watch(
        dated["treated_on"].to_numpy(),
        predicted.hazard()[dated["row"].to_numpy(), number - 1],
        (dated["reached"] & (dated["session_no"] == dated["last"])).to_numpy(),
        ratio=SLOWDOWN**-SHAPE,
    )


def assess_promises(
    promises: Iterable[Promise], log: OutcomeLog, *, level: float = LEVEL, seed: int = 0
) -> PromiseCheck:
    """Return how promises turned out at ``level``, by the outcomes in a log; ties go by ``seed``.

    The first promise of a course is judged, by its own goal: what was said later is an update.
    Promises issued after their course had started are judged too, but counted in the report:
    whoever made them may have known how it went. Raises DataError if none became a course.

    Examples
    --------
    >>> about = (forecaster, forecaster.estimate(enquiry), enquiry)
    >>> said = promise_of(*about, client_id="P0001", course_id="C0001")
    >>> assess_promises([said], log).n_courses
    1
    """
    promised = first_promises(promises)
    rows = course_rows(log)
    lighter = log.courses["outcome"].isin(GOALS["lighten"])
    goals = rows["course_id"].map({name: one.goal for name, one in promised.items()})
    rows["observed"] = rows["observed"].where(goals != "lighten", lighter)
    known = rows["course_id"].isin(promised).to_numpy()
    if not known.any():
        raise DataError(*problem_and_remedy("refused.none_promised", {"n": len(promised)}))
    kept = [promised[identity] for identity in rows.loc[known, "course_id"]]
    horizon = min(len(one.chances) for one in kept)
    by = np.array([one.chances[:horizon] for one in kept], dtype=np.float64)
    predicted = CountDistribution(np.maximum(np.diff(by, axis=1, prepend=0.0), 0.0))
    started = rows.loc[known, "started_on"].dt.strftime("%Y-%m-%d")
    days = zip(kept, started, strict=True)
    late = sum(one.issued_on.isoformat() > day for one, day in days)
    values = {"n": int(known.sum()), "of": len(promised), "late": late}
    what = sentence("promises.on_record_late" if late else "promises.on_record", values)
    return check(predicted, rows[known], log.courses[known], level=level, seed=seed, what=what)


TITLE = sentence("card.title")
TABLES = ("candidates", "scores", "reliability", "subgroups")
# The first is of benchmarks/real.py, shown in notebooks/08_does_it_hold_outside.ipynb.
LIMITS = ("outside", "one_clinic", "stopping", "cleared", "associations", "settings")


def model_card(forecaster: Forecaster) -> dict[str, Any]:
    """Return the card of a forecaster as plain JSON values; its texts know their notes.

    Examples
    --------
    >>> model_card(forecaster)["participants"]["clients"]
    125
    """
    found, midcourse = forecaster.assessment, forecaster.midcourse
    summary, leans = forecaster.log_summary, forecaster.evidence is not None
    return {
        "title": TITLE,
        "intended_use": sentence("card.intended_use"),
        "outcome": sentence(f"card.outcome_{forecaster.goal}"),
        "participants": {
            "courses": told(summary.n_courses),
            "clients": told(summary.n_clients),
            **({"wanted_lightening": summary.lightening.told} if summary.lightening else {}),
            "reached_the_goal": told(summary.n_reached),
            "stopped": told(summary.n_stopped),
            "still_running": told(summary.n_ongoing),
            "started_from": summary.first_start,
            "started_to": summary.last_start,
        },
        "predictors": sorted(({*ATTRIBUTES} & {*COVARIATES.values()}) | {*forecaster.extra}),
        "missing_data": sentence("card.missing_data"),
        "model": found.get("model", "published_evidence_only"),
        "prior_source": str(evidence_name(found.get("evidence", ()))) if leans else None,
        "prior_evidence": [
            {
                "covariate": e.covariate,
                "log_hazard_ratio": e.log_hazard_ratio,
                "published_as": e.measure,
                "source": e.source,
            }
            for e in effects_for(forecaster.goal)
            if leans
        ],
        "evidence_contradicted": found.get("contradicted", []),
        # what Riley et al. (2019, Stat Med 38:1276) would allow without prior evidence
        "sample_size": {
            "courses": summary.n_courses,
            "most_parameters_at_r2_0.2": most_parameters(summary.n_courses, 0.2),
            "most_parameters_at_r2_0.4": most_parameters(summary.n_courses, 0.4),
            "parameters_with_prior": len(effects_for(forecaster.goal)),
        },
        "assessment": sentence("card.assessment"),
        "coverage": found.get("coverage"),
        CHOSEN_AT: found.get(CHOSEN_AT),
        **{name: found.get(name, []) for name in TABLES},
        "midcourse": [plain_values(row) for row in midcourse.held] if midcourse else [],
        "supported_to_session": forecaster.supported_to,
        "limits": [sentence(f"card.limit_{name}") for name in LIMITS]
        + [*map(Sentence, forecaster.notes)],
    }


def most_parameters(courses: int, r2_cs: float) -> float:
    """Return how many parameters keep the calibration slope at ``SLOPE``, at a Cox-Snell R²."""
    return round(courses * ((SLOPE - 1) * math.log(1 - r2_cs / SLOPE)), 1) if courses else 0


def card_text(forecaster: Forecaster, *, language: str = "en") -> str:
    """Return the card of a forecaster as Markdown, for people, in a ``language``.

    Examples
    --------
    >>> card_text(forecaster).splitlines()[0]
    '# Sessions of laser tattoo removal until the goal, predicted at the consultation'
    """
    card = model_card(forecaster)
    people, (at, day) = card["participants"], card[CHOSEN_AT] or (0, "")
    said = card | people | {"predictors": [*map(plainly, card["predictors"])]}
    said |= {"at": few(at), "day": day}
    wanted, since = "_wanted" * ("wanted_lightening" in people), "_chosen" * bool(at)
    heads = ("heading", "use", f"courses{wanted}", "model", f"assessed{since}")
    lines: list[str] = [line for head in heads for line in (sentence(f"card.{head}", said), "")]
    if card["coverage"]:
        lines += [*forecaster.own_check(), ""]
        lines += [sentence("card.candidate_heads"), "|---|---|---|---|"]
        for row in card["candidates"]:
            scores = {name: number(row[name], n) for name, n in (("log_score", 4), ("crps", 3))}
            chosen = "yes" if row["chosen"] else ""
            lines.append(sentence("card.candidate", row | scores | {"chosen": chosen}))
        lines += ["", sentence("card.group_heads"), "|---|---|---|---|"]
        for row in card["subgroups"]:
            held = {"coverage": number(row["coverage"], 2)}
            lines.append(sentence("card.group", row | held))
    lines += midcourse_lines(card["midcourse"])
    for row in card["evidence_contradicted"]:
        parameter = row["parameter"].removeprefix("never[").removesuffix("]")
        lines += ["", sentence("card.against", row | {"what": plainly(parameter)})]
    lines += ["", sentence("card.limits"), "", *bullets(card["limits"])]
    return text_of(lines, language)


def midcourse_lines(held: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return the promises made to courses under way as Markdown lines, none where too few ended."""
    rows = [
        sentence("card.under_way", {**row, "coverage": number(row["coverage"], 2)})
        for row in held
        if row["n_cleared"] >= FEWEST_TO_COUNT
    ]
    heads = ["", sentence("card.under_way_heads"), "|---|---|---|---|---|---|---|"]
    return [*heads, *rows, ""] if rows else []


def number(value: float | None, digits: int) -> Note | str:
    """Return a number for people, or a dash."""
    return "–" if value is None else Note("text.number", values={"n": value, "digits": digits})
