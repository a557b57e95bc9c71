"""Which inks the clinic's lasers reach: of one tattoo, of everyone who came, and what it does."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np
import pandas as pd

from forecast._checks import SHOWN_AT, check_kind, check_level
from forecast._notes import Note, bullets, problem_and_remedy, sentence
from forecast._plain import Result
from forecast.causal.rates import exact_interval, verdict_interval, wilson_interval
from forecast.counts import (
    COVARIATES,
    SHAPE,
    duration_prior,
    durations_of,
    judged_rows,
    lasers_in_use,
    unreached_on,
)
from forecast.errors import DataError
from forecast.log import OutcomeLog, check_log
from forecast.survival import AcceleratedTime, Durations, FittedAcceleratedTime, LifeTable
from forecast.tattoo import Laser, Uptake, best_uptake, cite, read_inks, unreached_inks

FEWEST_CLIENTS = 5  # at risk, for a share of the life table; of a kind, for its effect
WHO = {"yes": "every_ink_reached", "no": "some_ink_unreached"}
# The published prior of an unreached ink is a guess of common practice; here it is wide, on the
# log number of sessions, and at no effect, so that what is found is the own log's.
OWN_PRIOR = (0.0, 0.8)
CURE_HAZARD = ("ink_other", "ink_density", "layering", "origin_amateur", "smoker")
# Of the cure mixture: reach acts on the share that never clears, not on how long the others take;
# one unit of standard deviation on each log hazard ratio, brought to the log duration.
CURE_PENALTY = SHAPE**2
CURE_PRIOR = {
    "ink_unreached": (0.0, 1e-4),
    "log_scale": (0.0, 1.0),
    "never": (-2.0, 2.0),
    "never[ink_unreached]": (0.0, 1.0),
}


@dataclass(frozen=True, slots=True, repr=False)
class TattooReach(Result):
    """Which inks of one tattoo the lasers reach."""

    # Per ink, the best cell of the ink table and the laser that offers it; None where no laser has
    # a wavelength of the table.
    best: dict[str, tuple[Uptake, Laser] | None]
    unreached: tuple[str, ...]  # inks that no laser reaches

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        cells = {
            ink: None if found is None else {**found[0].to_dict(), "laser": found[1].laser_id}
            for ink, found in self.best.items()
        }
        return {
            "inks": cells,
            "unreached": list(self.unreached),
            "caveat": sentence("reach.caveat"),
        }

    def lines(self, language: str) -> list[str]:
        """Return the reach in words, each with its source."""
        lines: list[str] = []
        for ink, found in self.best.items():
            values: dict[str, Any] = {"ink": ink.replace("_", " ")}
            if found is None:
                lines.append(sentence("reach.not_owned", values))
                continue
            cell, laser = found
            values |= {"grade": cell.grade, "nm": cell.wavelength_nm, "remark": cell.remark}
            values |= {"laser": laser.laser_id or laser.regime}
            values |= {"source": cite(cell.source, language)}
            code = "reach.not_reached" if ink in self.unreached else "reach.reached"
            lines.append(sentence(code + "_but" * bool(cell.remark), values))
        return [*lines, sentence("reach.caveat")]


def tattoo_reach(
    inks: str | Iterable[str],
    lasers: pd.DataFrame | Iterable[Laser],
    *,
    on: pd.Timestamp | None = None,
) -> TattooReach:
    """Return which inks of a tattoo the lasers reach.

    Parameters
    ----------
    inks : str or iterable of str
        Ink colours, as a set or joined by ``;``.
    lasers : DataFrame or iterable of Laser
        The log's lasers table, or lasers.
    on : Timestamp, optional
        Only lasers in use on that day count; only with the table.

    Raises
    ------
    RequestError
        For an unknown ink or a wavelength outside 400 to 1100 nm.

    Examples
    --------
    >>> reach = tattoo_reach("black;green", [Laser("ns", (532, 1064), "yag")])
    >>> reach.unreached
    ('green',)
    """
    check_kind(lasers, Iterable, name="lasers", give="the log's table, or each as a Laser")
    owned = lasers_in_use(lasers, on) if isinstance(lasers, pd.DataFrame) else tuple(lasers)
    best = {ink: best_uptake(ink, owned) for ink in read_inks(inks)}
    return TattooReach(best, unreached_inks(inks, owned))


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class LogReach(Result):
    """How many tattoos had an ink that no owned laser reached, and how they fared.

    Attributes
    ----------
    n_courses, n_unreached : int
        All, and those that had such an ink when they started.
    share : tuple of float
        Ends of the Wilson interval of their share, fractions.
    by_year : DataFrame
        ``year, courses, unreached, share``, a row for each year of start.
    by_ink : DataFrame
        ``ink``, ``courses`` with it, ``unreached`` of these.
    cleared : DataFrame
        ``reached`` (yes, no), ``session`` (5, 10, 15), ``at_risk``, ``cleared_by`` with ``low`` and
        ``high``: the life table of the sessions needed, in which an unreached course is watched
        until a laser that reaches its inks comes into use; NaN where fewer than five clients'
        courses are at risk.
    level : float
        Of the intervals.
    notes : tuple of Note
        Doubts.

    Examples
    --------
    >>> log_reach(log).by_ink["ink"].tolist()
    ['black', 'dark_blue', 'light_blue', 'green', 'red', 'yellow', 'brown', 'white']
    """

    n_courses: int
    n_unreached: int
    share: tuple[float, float]
    by_year: pd.DataFrame
    by_ink: pd.DataFrame
    cleared: pd.DataFrame
    level: float
    notes: tuple[Note, ...]

    def lines(self, language: str) -> list[str]:
        """Return the answer in words."""
        n, of = self.n_unreached, self.n_courses
        ends = _ends(n / of, *self.share)
        lines = [sentence("reach.unreached", {"n": n, "of": of, **ends})]
        for word, who in WHO.items():
            by = []
            for row in self.cleared[self.cleared["reached"] == word].dropna().to_dict("records"):
                ends = _ends(row["cleared_by"], row["low"], row["high"])
                by.append(sentence("reach.by", {"session": row["session"], **ends}))
            lines += [sentence("reach.cleared", {"who": who, "by": by})] * bool(by)
        return [*lines, *bullets(self.notes)]


def _ends(share: float, low: float, high: float) -> dict[str, float]:
    return {"share": 100 * share, "low": 100 * low, "high": 100 * high}


def log_reach(log: OutcomeLog, *, level: float = 0.95) -> LogReach:
    """Return the share of courses with an unreached ink, and clearance of both kinds.

    Parameters
    ----------
    log : OutcomeLog
        A log with a lasers table.
    level : float
        Of the intervals.

    Raises
    ------
    DataError
        If the log names no lasers or has no course that can be used.

    Examples
    --------
    >>> log_reach(log).n_unreached
    12
    """
    check_level(level)
    if check_log(log).courses.empty:
        raise DataError(*problem_and_remedy("refused.none_usable"))
    spells = reach_spells(log)
    first = spells.drop_duplicates("course_id")
    started = log.courses.set_index("course_id")["started_on"].reindex(first["course_id"])
    unreached = first["unreached"].to_numpy()
    years = pd.Series(unreached).groupby(started.dt.year.to_numpy())
    by_year = years.agg(courses="size", unreached="sum", share="mean").rename_axis("year")
    cleared = pd.concat(
        [_cleared(first[first["unreached"] == (word == "no")], word, level) for word in WHO],
        ignore_index=True,
    )
    n_unreached, inks = int(unreached.sum()), log.courses["inks"]
    missed = unreached_on(inks, log.courses["started_on"], log.lasers)
    had = [
        (ink, ink in out) for text, out in zip(inks, missed, strict=True) for ink in text.split(";")
    ]
    table = pd.DataFrame(had, columns=["ink", "unreached"]).groupby("ink")["unreached"]
    by_ink = table.agg(courses="size", unreached="sum")
    return LogReach(
        n_courses=len(first),
        n_unreached=n_unreached,
        share=wilson_interval(n_unreached, len(first), level=level),
        by_year=by_year.reset_index(),
        by_ink=by_ink.reindex(read_inks(by_ink.index)).reset_index(),
        cleared=cleared,
        level=level,
        notes=(
            Note("reach.turned_away"),
            Note("reach.differ_otherwise", "caution"),
            Note("reach.caveat", "caution"),
        ),
    )


def _cleared(spells: pd.DataFrame, word: str, level: float) -> pd.DataFrame:
    survival, error = np.ones(max(SHOWN_AT)), np.zeros(max(SHOWN_AT))
    if spells["observed"].any():
        names = {"step": "step", "observed": "observed", "entry": "entry", "subject": "client_id"}
        table = LifeTable().fit(Durations.from_frame(spells, covariates=[], **names))
        known = min(len(survival), len(table.survival))
        survival[:known], error[:known] = table.survival[:known], table.standard_error[:known]
    lines = []
    for session in SHOWN_AT:
        there = spells[(spells["entry"] < session) & (spells["step"] >= session)]
        at_risk = len(there)
        line = {"reached": word, "session": session, "at_risk": at_risk}
        shares = (np.nan, np.nan, np.nan)
        if there["client_id"].nunique() >= FEWEST_CLIENTS:
            left, wide = float(survival[session - 1]), float(error[session - 1])
            shares = _share_by(left, wide, at_risk, level)
        lines.append(line | dict(zip(("cleared_by", "low", "high"), shares, strict=True)))
    return pd.DataFrame(lines)


# A share of the life table with its interval on the log(-log) scale. With nobody cleared yet the
# upper limit is that of 0 of those still at risk, which is wider than it need be.
def _share_by(left: float, error: float, at_risk: int, level: float) -> tuple[float, float, float]:
    if left >= 1:
        return 0.0, *exact_interval(0, at_risk, level=level)
    if left <= 0:
        return 1.0, *exact_interval(at_risk, at_risk, level=level)
    reach = NormalDist().inv_cdf(0.5 + level / 2) * error / abs(left * np.log(left))
    return 1 - left, 1 - float(left ** np.exp(-reach)), 1 - float(left ** np.exp(reach))


def reach_spells(log: OutcomeLog) -> pd.DataFrame:
    """Return the rows of the count model, split where a course's inks come within reach.

    One row per course, or two when a laser that reaches its last ink came into use after it
    had begun: ``unreached`` up to the session before, reached from then on. The second is ``late``:
    its sessions are not those of a course reached from the start, whose inks have been fading all
    along, so that neither life tables nor models use it.
    """
    if check_log(log).lasers.empty:
        raise DataError(*problem_and_remedy("refused.reach_unknown"))
    rows = judged_rows(log, goal="clear")
    rows = rows.assign(unreached=rows["ink_unreached"] == 1, late=False)
    dated = log.sessions[["course_id", "session_no", "treated_on"]].merge(
        log.courses[["course_id", "inks"]], on="course_id"
    )
    missed = unreached_on(dated["inks"], dated["treated_on"], log.lasers)
    reached = dated[np.array([not inks for inks in missed], dtype=bool)]
    # per course that has one, the first session on whose day every ink was reached
    turn = rows["course_id"].map(reached.groupby("course_id")["session_no"].min())
    split = rows["unreached"] & turn.notna() & (turn > 1) & (turn <= rows["step"] - rows["entry"])
    turned = rows["unreached"] & turn.notna() & (turn <= 1)
    rows.loc[turned, "unreached"] = False
    after = rows[split].assign(unreached=False, late=True)
    after["entry"] = after["entry"] + turn[split].astype(int) - 1
    before = rows[split].assign(observed=False, stopped=False, step=after["entry"])
    spells = pd.concat([rows[~split], before, after], ignore_index=True)
    spells["ink_unreached"] = spells["unreached"].astype(float)
    return spells.sort_values(["course_id", "step"], ignore_index=True)


@dataclass(frozen=True, slots=True, repr=False)
class ReachEffect(Result):
    """What an unreached ink does to clearing."""

    # Sessions needed with some ink unreached, over those with every ink reached, other attributes
    # held, and its interval, Gaussian on the log scale. None without courses of five clients of
    # either kind. Where no unreached course cleared the log bounds it from below alone.
    sessions_ratio: float | None
    sessions_interval: tuple[float | None, float | None]
    # Share that never clears: estimate, low, high, by a cure mixture. None with fewer than five
    # clients, or where nobody cleared.
    never_reached: tuple[float, float, float] | None
    never_unreached: tuple[float, float, float] | None
    n_clients: tuple[int, int]  # with courses reached, and unreached
    level: float  # of the intervals
    notes: tuple[Note, ...]

    def lines(self, language: str) -> list[str]:
        """Return the effect in words."""
        lines, never, (low, high) = [], [], self.sessions_interval
        ends = {"ratio": self.sessions_ratio, "low": low, "high": high}
        if low is not None and high is not None:
            least, most = verdict_interval(np.log(low), np.log(high), self.level)
            code = "reach.times_unsaid" if least <= 0 <= most else "reach.times"
            lines.append(sentence(code, ends))
        elif self.never_reached and self.never_unreached:
            code = "reach.at_least" if round(low or 0.0, 1) > 1 else "reach.not_bounded"
            lines.append(sentence(code, ends))
        both = zip(WHO.values(), (self.never_reached, self.never_unreached), strict=True)
        for (who, share), n in zip(both, self.n_clients, strict=True):
            if share is not None:
                never.append(sentence("reach.share", {"who": who, **_ends(*share)}))
            elif n < FEWEST_CLIENTS:
                lines.append(sentence("reach.too_few", {"who": who, "n": n}))
        lines += [sentence("reach.never", {"shares": never})] * bool(never)
        return [*lines, *bullets(self.notes)]


def reach_effect(log: OutcomeLog, *, level: float = 0.95) -> ReachEffect:
    """Return what an unreached ink does to the sessions needed and to never clearing.

    Parameters
    ----------
    log : OutcomeLog
        A log with a lasers table.
    level : float
        Of the intervals.

    Raises
    ------
    DataError
        If the log names no lasers.

    Notes
    -----
    The log-normal model of the sessions needed, unreached courses watched until their inks come
    within reach; published effects are the prior of the other attributes. In the cure mixture
    reach acts on the share alone. A bound from below stands at the end of verdicts, 95 %.

    Examples
    --------
    >>> effect = reach_effect(log)
    >>> effect.n_clients, effect.sessions_ratio  # of the second none was seen to clear
    ((114, 12), None)
    """
    z = NormalDist().inv_cdf(0.5 + check_level(level) / 2)
    spells = reach_spells(log)
    out, names = spells["unreached"], spells["client_id"]
    n_clients = names[~out & ~spells["late"]].nunique(), names[out].nunique()
    if not spells["observed"].any():
        nobody = (Note("reach.nobody_cleared", "serious"),)
        return ReachEffect(None, (None, None), None, None, n_clients, level, nobody)
    fitted = fit_reach(spells)
    centre = float(fitted.coefficients["ink_unreached"])
    error = float(fitted.standard_errors["ink_unreached"])
    first = spells.drop_duplicates("course_id")
    mixture = AcceleratedTime(
        "weibull", penalty=CURE_PENALTY, prior=CURE_PRIOR, never=("ink_unreached",)
    )
    cured = mixture.fit(durations_of(first, dict.fromkeys(("ink_unreached", *CURE_HAZARD))))
    # the share that never clears, its interval on the logit scale
    never: list[tuple[float, float, float] | None] = []
    for n, row in zip(n_clients, np.array([[1.0, 0.0], [1.0, 1.0]]), strict=True):
        if n < FEWEST_CLIENTS:
            never.append(None)  # the model would say its prior
            continue
        logit = float(row @ cured.theta[-2:])
        wide = z * float(row @ cured.covariance[-2:, -2:] @ row) ** 0.5
        ends = (logit, logit - wide, logit + wide)
        share, low, high = (float(1 / (1 + np.exp(-end))) for end in ends)
        never.append((share, low, high))
    below, above = centre - z * error, centre + z * error
    sizes: list[float | None] = np.exp([centre, below, above]).tolist()
    if not spells.loc[out, "observed"].any():
        # how many more the prior alone would say; the log has them not cleared so long
        sizes = [None, float(np.exp(verdict_interval(below, above, level)[0])), None]
    ratio, least, most = [None] * 3 if None in never else sizes
    return ReachEffect(
        sessions_ratio=ratio,
        sessions_interval=(least, most),
        never_reached=never[0],
        never_unreached=never[1],
        n_clients=n_clients,
        level=level,
        notes=(reach_evidence(log, spells), *cured.notes.messages),
    )


def fit_reach(spells: pd.DataFrame) -> FittedAcceleratedTime:
    """Return the model of the sessions needed; late spells are left out."""
    prior = duration_prior() | {"ink_unreached": OWN_PRIOR}
    model = AcceleratedTime("lognormal", prior=prior)
    return model.fit(durations_of(spells[~spells["late"]], dict.fromkeys(COVARIATES)))


def reach_evidence(log: OutcomeLog, spells: pd.DataFrame) -> Note:
    """Return on what the effect of reach rests: change within one ink pattern, or none."""
    joined = spells.merge(log.courses[["course_id", "inks"]], on="course_id")
    kinds = joined.groupby("inks")["unreached"].nunique()
    if varies := int((kinds > 1).sum()):
        return Note("reach.learnt", "info", {"patterns": varies})
    return Note("reach.not_learnt", "caution")
