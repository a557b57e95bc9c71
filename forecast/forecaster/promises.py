"""A standing check: were the promises kept? And the card that says what a model is and is not."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import LEVEL, counted
from forecast._notes import Note, bullets, notes_as_json, sentence
from forecast._plain import Result, plain_rows, plain_table, plain_values
from forecast.assess import (
    Assessment,
    Drift,
    Outcomes,
    Watch,
    assess_predictions,
    watch,
)
from forecast.counts import COVARIATES, GOALS, SHAPE, course_rows, effects_for, of_goal, told
from forecast.daybook import Course, Promise, first_promises
from forecast.errors import DataError
from forecast.log import ATTRIBUTES, Enquiry, enquiry_of, fingerprint, is_judged
from forecast.midcourse import LAST_LANDMARK
from forecast.survival import CountDistribution
from forecast.tattoo import groups_of

if TYPE_CHECKING:
    import pandas as pd

    from forecast.counts import Estimate, LogSummary
    from forecast.forecaster.forecaster import Forecaster
    from forecast.log import OutcomeLog

FEWEST_EVENTS = 20  # that reached the goal, for a verdict
FEWEST_TO_COUNT = 5  # below it neither coverage nor drift is spoken of
TWO_SIDED = 1.96  # standard errors
MARGIN = 0.03  # short of the level by more, and surely: fails
WIDEST = 0.10  # give or take more: cannot say
FAINT = 0.1  # p below which it is not said that there is no sign
ALARM = 0.01  # of drift: checked again and again, a twentieth would cry wolf
SLOWDOWN = 1.15  # times the sessions, to be found from month to month
CHOSEN_AT = "chosen_at"  # of the assessment: courses and last start when all was last done anew
SLOPE = 0.9  # of the calibration, that a model of a size may fall to
MATERIAL = 1.2  # a change of pace or of spread by less breaks no promise, however sure it is


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
    """Return an estimate as a promise to be kept in a daybook.

    Parameters
    ----------
    forecaster : Forecaster
        What it was made with.
    estimate : Estimate
        Of the sessions here in all: mid-course, the update's ``total``.
    enquiry : Enquiry
        What it was made of.
    client_id, course_id : str
        Pseudonym, and the course where it is known already.
    issued_on : date, optional
        Today unless told.
    sessions_done : int
        Sessions had by then.
    quoted : mapping, optional
        Package, price, currency, questions, facts and ``valid_until``, as in `Promise`.

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
    """
    first = next(iter(course.promises), None)
    if first is None or not course.done:
        return None
    slow = any(note.code == "midcourse.slower" for note in notes)
    return first.against(total.interval, total.median, slow=slow)


SEEN = (
    "This log was used for the fit, so that it cannot check it: see the model card for the check "
    "on clients left out of the fit"
)


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
        Courses judged, and those that reached the goal.
    what : str
        What was judged, for the first line of the report.
    used_for_fit : bool
        Whether the log is the one that the model was fitted to: nothing is concluded then.
    midcourse : tuple of dict
        What came of the promises made to courses under way, by sessions done and pace, as
        ``Midcourse.held`` has it.
    watch : Watch or None
        From month to month, whether courses have come to take a seventh more sessions; None without
        dates of sessions, or where too little was expected.
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
        short = found.level - found.tie_split
        sure = short > TWO_SIDED * found.tie_split_error
        if (sure and short > MARGIN) or (self.moved and self.materially):
            return "fails"
        unsure = TWO_SIDED * found.tie_split_error > WIDEST
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
        found = self.assessment.coverage
        moved = self.verdict == "fails" and self.moved and self.materially
        lines = [
            f"{self.what}: {counted(self.n_courses, 'course')}, {self.n_reached} reached the goal.",
            f"Promise of {found.level * 10:g} of 10: {self.kept()}. Verdict: {self.verdict}"
            + (", since outcomes have moved." if moved else "."),
        ]
        if self.used_for_fit:
            return [f"{self.what}.", *bullets(self.notes)]
        if self.drift is not None:
            lines.append(self.movement())
        elif self.n_reached < FEWEST_EVENTS:
            lacking = counted(FEWEST_EVENTS - self.n_reached, "finished course")
            lines.append(f"Needed for a verdict, beyond those: {lacking} or more.")
        if self.watch is not None:
            lines.append(self.watched())
        for row in self.assessment.subgroups.itertuples():
            lines.append(f"- {row.factor} {row.label}: {row.verdict} ({row.n_events} finished)")
        lines += midcourse_lines(self.midcourse)
        return [*lines, *bullets(self.notes)]

    def movement(self) -> str:
        """Return in words whether outcomes have moved away from what was predicted."""
        found = self.drift
        assert found is not None
        chance = "p < 0.001" if found.p_value < 0.001 else f"p = {found.p_value:.2g}"
        if not self.moved:
            sign = "Little" if found.p_value < FAINT else "No"
            return f"{sign} sign that outcomes have moved since the estimates were made ({chance})."
        said = (
            f"Per session the goal is reached {np.exp(found.shift):.2f} times as often as predicted"
        )
        varied = "less" if found.power > 1 else "more"
        if abs(np.log(found.power)) > np.log(MATERIAL):
            said += f", and counts vary {varied} than predicted"
        if self.materially:
            return f"{said}: outcomes have moved ({chance})."
        return f"{said}: a real difference ({chance}), too small to break the promise."

    def watched(self) -> str:
        """Return in words whether a slowdown shows from month to month."""
        found = self.watch
        assert found is not None
        score, more = float(found.table["score"].iloc[-1]), round(100 * (SLOWDOWN - 1))
        stand = f"score {score:.1f}, signal beyond {found.threshold:.1f}"
        if found.signal is None:
            return f"Month by month: no sign that courses take {more} % more sessions ({stand})."
        since = sentence("assess.month", {"month": f"{found.signal}-01"})
        if score <= found.threshold:
            over = f"signalled in {since}, and is over"
            return f"Month by month: a slowdown was {over} ({stand})."
        return (
            f"Month by month: courses take longer than predicted, signalled in {since} "
            f"(now {stand}). Look for what changed before: a laser, settings, who treats or grades."
        )

    def kept(self) -> str:
        """Return in words how often the interval held."""
        found = self.assessment.coverage
        if self.n_reached < FEWEST_TO_COUNT or not np.isfinite(found.tie_split):
            return "too few courses have reached the goal to say"
        give = TWO_SIDED * found.tie_split_error * 10
        return f"kept for {found.tie_split * 10:.1f} of 10 (give or take {give:.1f})"


def assess_forecaster(
    forecaster: Forecaster, log: OutcomeLog, *, level: float = LEVEL, seed: int = 0
) -> PromiseCheck:
    """Return how a forecaster's estimates, at ``level``, turn out on a log it was not fitted to.

    Ties are split by ``seed``. Courses started up to the last start in the forecaster's own log are
    left out, since they may have been fitted to; if none started later, all are judged and the
    report says so. Of the very log that was fitted to, numbers are given but nothing is concluded.

    Raises
    ------
    DataError
        If the log has no course that can be judged.

    Examples
    --------
    >>> assess_forecaster(forecaster, forecast.simulate_log(150, seed=2)).used_for_fit
    False
    """
    rows = course_rows(log, goal=forecaster.goal)
    used = fingerprint(log.courses) == forecaster.log_summary.fingerprint
    later = (
        rows["started_on"].dt.strftime("%Y-%m-%d") > forecaster.log_summary.last_start
    ).to_numpy()
    own, kind = of_goal(rows), " that want lightening" if forecaster.goal == "lighten" else ""
    if not own.any():
        raise DataError(f"The log has no course{kind} to judge.", f"Give a log with courses{kind}.")
    what = f"Courses{kind} started after {forecaster.log_summary.last_start}"
    later = later & own
    if used or not later.any():
        later = own
        what = (
            f"All courses{kind} of the log: none started after the model's own, so this may flatter"
        )
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
        what=SEEN if used else what,
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
        raise DataError(
            "No course has a session whose result is known yet.", "Judge again after more visits."
        )
    here = (rows["step"] - rows["entry"]).to_numpy()
    outcomes = Outcomes(here, rows["observed"].to_numpy(), subject=rows["client_id"].to_numpy())
    by = groups_of(courses.itertuples(), sites=True)
    n_reached = int(rows["observed"].sum())
    return PromiseCheck(
        assessment=assess_predictions([predicted], outcomes, level=level, groups=by, seed=seed),
        drift=Drift.of(predicted, outcomes) if outcomes.n_events >= FEWEST_TO_COUNT else None,
        n_courses=len(rows),
        n_reached=n_reached,
        what=what,
    )


# From month to month, over the dated sessions of courses and what was predicted of each.
def _watched(log: OutcomeLog, rows: pd.DataFrame, predicted: CountDistribution) -> Watch | None:
    import pandas as pd

    if log.sessions.empty:
        return None
    known = pd.DataFrame(
        {
            "course_id": rows["course_id"].to_numpy(),
            "last": (rows["step"] - rows["entry"]).to_numpy(),
            "reached": rows["observed"].to_numpy(),
            "row": np.arange(len(rows)),
        }
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
    whoever made them may have known how it went.

    Raises
    ------
    DataError
        If none of the promises became a course of the log.

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
        raise DataError(
            f"No course of this log is under a promise yet ({counted(len(promised), 'promise')}).",
            "A promise is judged once its course is in the log, under the id it was kept with.",
        )
    kept = [promised[identity] for identity in rows.loc[known, "course_id"]]
    horizon = min(len(one.chances) for one in kept)
    by = np.array([one.chances[:horizon] for one in kept], dtype=np.float64)
    predicted = CountDistribution(np.maximum(np.diff(by, axis=1, prepend=0.0), 0.0))
    started = rows.loc[known, "started_on"].dt.strftime("%Y-%m-%d")
    days = zip(kept, started, strict=True)
    late = sum(one.issued_on.isoformat() > day for one, day in days)
    what = f"{int(known.sum())} of {len(promised)} promises on record that became courses"
    if late:
        what += f" ({late} issued after the course had started, which may flatter)"
    return check(predicted, rows[known], log.courses[known], level=level, seed=seed, what=what)


TITLE = "Sessions of laser tattoo removal until the goal, predicted at the consultation"
TABLES = ("candidates", "scores", "reliability", "subgroups")
FIELDS = frozenset(ATTRIBUTES)
LIMITS = (
    # benchmarks/real.py, shown in notebooks/08_does_it_hold_outside.ipynb
    "Held outside on 21 public data sets, none of tattoos: 80 % intervals covered 80 %, and 78 to "
    "83 % in each; in two nothing was gained over one answer for everybody.",
    "One clinic: says nothing of another until it is assessed there.",
    "Stopping early is taken to be unrelated to the sessions still needed, given the attributes.",
    "What counts as cleared is what this clinic's graders recorded as cleared.",
    "Associations, not effects: it does not say what changing an attribute would do.",
    "Never a treatment setting; local regulation and licensed practice decide.",
)


def model_card(forecaster: Forecaster) -> dict[str, Any]:
    """Return the card of a forecaster as plain JSON values."""
    found, midcourse = forecaster.assessment, forecaster.midcourse
    goal = {
        "clear": "recorded as cleared",
        "lighten": "recorded as lightened or cleared, of those that want lightening",
    }
    return {
        "title": TITLE,
        "intended_use": "To tell a client how many sessions to expect, and to price packages.",
        "outcome": f"Session at which the course is {goal[forecaster.goal]}.",
        "participants": participants(forecaster.log_summary),
        "predictors": sorted({*FIELDS.intersection(COVARIATES.values()), *forecaster.extra}),
        "missing_data": "Filled by the log's mean when fitting, spread over its mix when asked.",
        "model": found.get("model", "published evidence only"),
        "prior_source": prior_source(forecaster),
        "prior_evidence": [
            {
                "covariate": e.covariate,
                "log_hazard_ratio": e.log_hazard_ratio,
                "published_as": e.measure,
                "source": e.source,
            }
            for e in effects_for(forecaster.goal)
            if forecaster.evidence is not None
        ],
        "evidence_contradicted": found.get("contradicted", []),
        "sample_size": sample_size(forecaster),
        "assessment": "Folds grouped by client, repeated; nothing scored on what it was fitted to.",
        "coverage": found.get("coverage"),
        CHOSEN_AT: found.get(CHOSEN_AT),
        **{name: found.get(name, []) for name in TABLES},
        "midcourse": [plain_values(row) for row in midcourse.held] if midcourse else [],
        "supported_to_session": forecaster.supported_to,
        "limits": [*LIMITS, *map(str, forecaster.notes)],
    }


def prior_source(forecaster: Forecaster) -> str | None:
    """Return where the chosen model's prior comes from, None when it has none."""
    if forecaster.evidence is None:
        return None
    return str(forecaster.assessment.get("evidence", "published evidence"))


def participants(summary: LogSummary) -> dict[str, Any]:
    """Return who the model was fitted to."""
    wanted = summary.lightening
    return {
        "courses": told(summary.n_courses),
        "clients": told(summary.n_clients),
        **({} if wanted is None else {"wanted_lightening": wanted.told}),
        "reached_the_goal": told(summary.n_reached),
        "stopped": told(summary.n_stopped),
        "still_running": told(summary.n_ongoing),
        "started_from": summary.first_start,
        "started_to": summary.last_start,
    }


def most_parameters(courses: int, r2_cs: float) -> float:
    """Return how many parameters keep the calibration slope at ``SLOPE``, at a Cox-Snell R²."""
    return round(courses * ((SLOPE - 1) * math.log(1 - r2_cs / SLOPE)), 1) if courses else 0


def sample_size(forecaster: Forecaster) -> dict[str, Any]:
    """Return what Riley et al. (2019, Stat Med 38:1276) would allow without prior evidence."""
    n = forecaster.log_summary.n_courses
    return {
        "courses": n,
        "most_parameters_at_r2_0.2": most_parameters(n, 0.2),
        "most_parameters_at_r2_0.4": most_parameters(n, 0.4),
        "parameters_with_prior": len(effects_for(forecaster.goal)),
    }


def card_text(forecaster: Forecaster) -> str:
    """Return the card of a forecaster as Markdown, for people.

    Examples
    --------
    >>> card_text(forecaster).splitlines()[0]
    '# Sessions of laser tattoo removal until the goal, predicted at the consultation'
    """
    card = model_card(forecaster)
    people, coverage = card["participants"], card["coverage"]
    whose = "their own" if "wanted_lightening" in people else "the"
    lines = [
        f"# {card['title']}",
        "",
        f"**Use.** {card['intended_use']} **Outcome.** {card['outcome']}",
        "",
        f"**Courses.** {people['courses']} of {people['clients']} clients, started "
        f"{people['started_from']} to {people['started_to']}: {people['reached_the_goal']} reached "
        f"{whose} goal, {people['stopped']} stopped, {people['still_running']} still running.",
        "",
        f"**Model.** {card['model']}. **Predictors.** {', '.join(card['predictors'])}. "
        f"**Missing.** {card['missing_data']}",
        "",
        f"**Assessment.** {card['assessment']}",
    ]
    if card[CHOSEN_AT]:
        at, day = card[CHOSEN_AT]
        lines[-1] += (
            f" The choice of the model, its corrections, its laws of courses under way and under "
            f"strategies, and this assessment are those of {told(at)} courses started up to {day}; "
            "since then the model's parameters alone have been fitted again."
        )
    if coverage:
        lines += ["", *coverage_lines(card)]
    lines += midcourse_lines(card["midcourse"])
    for row in card["evidence_contradicted"]:
        lines += [
            "",
            f"The log speaks against the evidence on {row['parameter']}, as the model counts it "
            f"(log number of sessions): {row['prior']:+.2f} before, {row['posterior']:+.2f} here.",
        ]
    return "\n".join([*lines, "", "**Limits.**", "", *(f"- {limit}" for limit in card["limits"])])


def coverage_lines(card: dict[str, Any]) -> list[str]:
    """Return the tables of candidates and groups, as Markdown."""
    coverage = card["coverage"]
    return [
        f"The {100 * coverage['level']:.0f} % interval covers {100 * coverage['tie_split']:.1f} % "
        f"± {100 * coverage['tie_split_error']:.1f} % (one standard error).",
        "",
        "| candidate | log score a session | CRPS | chosen |",
        "|---|---|---|---|",
        *(
            f"| {row['model']} | {number(row['log_score'], 4)} | {number(row['crps'], 3)} | "
            f"{'yes' if row['chosen'] else ''} |"
            for row in card["candidates"]
        ),
        "",
        "| group | finished | interval covers | verdict |",
        "|---|---|---|---|",
        *(
            f"| {row['factor']} {row['label']} | {row['n_events']} | "
            f"{number(row['coverage'], 2)} | {row['verdict']} |"
            for row in card["subgroups"]
        ),
    ]


def midcourse_lines(held: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return the promises made to courses under way as Markdown lines, none where too few ended."""
    rows = [row for row in held if row["n_cleared"] >= FEWEST_TO_COUNT]
    if not rows:
        return []
    return [
        "",
        "| sessions done | pace | cleared since | interval covers | not clear in | said | seen |",
        "|---|---|---|---|---|---|---|",
        *(
            f"| {row['sessions']} | {row['pace']} | {row['n_cleared']} | "
            f"{number(row['coverage'], 2)} | {row['within']} more | {100 * row['said']:.0f} % | "
            f"{100 * row['seen']:.0f} % |"
            for row in rows
        ),
        "",
    ]


def number(value: float | None, digits: int) -> str:
    """Return a number for people, or a dash."""
    return "–" if value is None else f"{value:.{digits}f}"
