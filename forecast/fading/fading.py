"""What a session removes: the answer with its doubts, as data and in words.

Fading by regime and ink group and in split tattoos, which courses have stopped, and whether the
graders who say so agree; the model behind it is in ``curves``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations
from statistics import NormalDist
from typing import Any

import numpy as np
import pandas as pd

from forecast._checks import check_level
from forecast._notes import Note, bullets, notes_as_json, problem_and_remedy, sentence
from forecast._plain import Result, plain, plain_table
from forecast.causal.rates import (
    VERDICT,
    PairedDifference,
    intraclass,
    one_way_intraclass,
    paired_difference,
    wilson_interval,
)
from forecast.counts import split_halves
from forecast.errors import RequestError
from forecast.fading.curves import FadingFit, Slopes, Spacing, fit_rows, spacing_of
from forecast.fading.rows import (
    FEWEST_BEFORE,
    FEWEST_BY_GRADER,
    FEWEST_CLEARED,
    FEWEST_SPLIT,
    FEWEST_TWICE,
    LEAST_LEFT,
    WIDEST,
    WISHED_IN_REGIME,
    FadingRows,
    fading_rows,
)
from forecast.log import OutcomeLog, check_log

SHORT = {"all": "all inks"}
NEARLY_ALL = 97.0  # percent faded beyond which a grading says no more than "nearly all"


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class FadingCurves(Result):
    """Fading by regime and ink group; all courses together are the ink group ``all``.

    Attributes
    ----------
    curves : DataFrame
        ``regime, ink_group, session, faded, low, high, middle_low, middle_high, courses``: percent
        faded of the middle course with the band of the estimate, and the range of the middle 8 of
        10 courses, as graded; a course not followed so far goes on along the clinic's curve.
    shares : DataFrame
        ``regime, ink_group, share, low, high, courses, reason``: share of the remaining ink that a
        session removes in courses like these. Where a ``reason`` is not empty the answer is
        "cannot say": ``interval_too_wide`` is beyond 20 points either way.
    differences : DataFrame
        ``ink_group, difference, low, high, reason``: share under ps less share under ns, empty
        when the log has one regime.
    spacing, split : Spacing or None, SplitFading or None
        Longer against shorter intervals, and split tattoos; None when the log cannot tell.
    graders, stalls : GraderReport, StallRule
        Who grades how, and which courses have stopped fading.
    level : float
        Of the intervals.
    model, rows : FadingFit, FadingRows
        The fitted model and what it was fitted to.
    assumption, notes : Note, tuple of Note
        What it holds under, and doubts.

    Examples
    --------
    >>> share, (low, high) = forecast.fit_fading(log).share("ps")
    >>> round(share, 2), round(low, 2), round(high, 2)  # of the ink left, by a session
    (0.25, 0.22, 0.3)
    """

    curves: pd.DataFrame
    shares: pd.DataFrame
    differences: pd.DataFrame
    spacing: Spacing | None
    graders: GraderReport
    stalls: StallRule
    split: SplitFading | None
    level: float
    model: FadingFit
    rows: FadingRows
    assumption: Note
    notes: tuple[Note, ...]

    def share(self, regime: str, ink_group: str = "all") -> tuple[float, tuple[float, float]]:
        """Return the share of the remaining ink that a session removes, and its interval.

        Raises RequestError if the log tells nothing of that regime and ink group.
        """
        table = self.shares
        row = table[(table["regime"] == regime) & (table["ink_group"] == ink_group)]
        if row.empty:
            known = sorted({f"{r} / {g}" for r, g in table[["regime", "ink_group"]].to_numpy()})
            values = {"regime": regime, "ink": ink_group, "known": known}
            raise RequestError(*problem_and_remedy("refused.no_share_of", values))
        share, low, high = (float(row[name].iloc[0]) for name in ("share", "low", "high"))
        return share, (low, high)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; tables as records."""
        names = ("level", "shares", "differences", "curves", "spacing", "graders", "stalls",
                 "split")  # fmt: skip
        more = {
            "courses": len(self.rows.courses),
            "gradings": len(self.rows.place),
            "left_out": {of.note.code.split("out_")[1]: n for of, n in self.rows.left_out.items()},
            "adjusted_for": list(self.adjusted_for),
            "assumption": str(self.assumption),
        }
        own = {name: getattr(self, name) for name in names}
        return {**plain(own), **more, **notes_as_json(self.notes)}

    @property
    def adjusted_for(self) -> tuple[str, ...]:
        """What the curves are adjusted for besides ink group."""
        names = [name.partition(" ")[0] for name in self.rows.names]
        more = ("log_gap", "years", "years_squared", "operator")
        return (*self.rows.adjusted, *(name for name in more if name in names))

    def lines(self, language: str) -> list[str]:
        """Return the answer for people, with its doubts."""
        lines = _share_lines(self)
        if self.split is not None:
            share = self.split.share
            points = _percent((share.estimate, *share.interval))
            lines.append(sentence("fading.split", {"pairs": self.split.n_pairs, **points}))
        lines += _spacing_lines(self.spacing)
        stalls, graders = self.stalls, self.graders
        lines.append(sentence("fading.stalls", {"n": len(stalls.flagged), "trust": stalls.trust}))
        lines += [sentence("fading.stalled", row) for row in plain_table(stalls.flagged)]
        lines.append(sentence("fading.graders"))
        lines += [sentence("text.indented", {"note": note}) for note in graders.notes]
        if graders.icc is not None:
            values = {"icc": graders.icc, "occasions": graders.n_twice}
            lines.append(sentence("fading.agreement", values))
        lines += [sentence("fading.agreement_of", row) for row in plain_table(graders.pairs)]
        return [*lines, "", *bullets((self.assumption, *self.notes))]


def fit_fading(log: OutcomeLog, *, level: float = 0.95) -> FadingCurves:
    """Return fading curves, and what they say of regimes, intervals, graders and stalls.

    Parameters
    ----------
    log : OutcomeLog
        With gradings; sessions tell regimes and intervals apart. Where both regimes are in the
        log, the courses are those of the regime comparison: begun while both were in use.
    level : float
        Of intervals and bands.

    Raises
    ------
    DataError
        If there are too few gradings or courses.

    Examples
    --------
    >>> fit_fading(log).to_text()[:55]
    'What a ps session removes more (+) or less (-) than an '
    """
    check_level(level)
    check_log(log)
    rows = fading_rows(log)
    fit = fit_rows(rows)
    slopes = Slopes(rows, fit, level)
    shares, differences = slopes.shares(), slopes.differences()
    unsaid = (shares["reason"] != "").any() or (differences["reason"] != "").any()
    return FadingCurves(
        curves=slopes.curves(),
        shares=shares,
        differences=differences,
        spacing=spacing_of(slopes),
        graders=grader_report(slopes, log.graded, level=level),
        stalls=stall_rule(rows),
        split=split_fading(log, level=level),
        level=level,
        model=fit,
        rows=rows,
        assumption=Note("fading.assumption"),
        notes=(
            *log.graded_in_fractions,
            *[Note("fading.interval_too_wide", "caution", {"points": 100 * WIDEST})] * int(unsaid),
            *_notes_on(rows),
        ),
    )


def _notes_on(rows: FadingRows) -> list[Note]:
    counts = {"gradings": len(rows.place), "courses": len(rows.courses)}
    counts |= {"clients": rows.courses["client_id"].nunique()}
    notes = [Note("fading.from_gradings", "info", counts)]
    if rows.left_out:
        reasons = [
            sentence("counts.left_out", {"n": n, "why": why}) for why, n in rows.left_out.items()
        ]
        notes.append(Note("fading.left_out", "info", {"reasons": reasons}))
    if not rows.regimes:
        notes.append(Note("fading.no_sessions", "caution"))
    elif len(rows.regimes) == 1:
        notes.append(Note("fading.one_regime", "caution", {"regime": rows.regimes[0]}))
    elif rows.operators_apart:
        notes.append(Note("fading.operators_apart", "serious"))
    if rows.unit > 1:
        notes.append(Note("fading.rounded", "info", {"unit": rows.unit}))
    return notes + [
        Note("fading.few_courses", "caution", {"least": WISHED_IN_REGIME, "regime": name})
        for name in rows.regimes
        if (rows.courses[name] > 0).sum() < WISHED_IN_REGIME
    ]


def _percent(points: Iterable[float]) -> dict[str, float]:
    return {name: 100 * one for name, one in zip(("n", "low", "high"), points, strict=True)}


def _share_lines(fading: FadingCurves) -> list[str]:
    lines: list[str] = []
    for inks, *points, reason in fading.differences.to_numpy().tolist():
        values = {"inks": SHORT.get(inks, inks), **_percent(points)}
        lines.append(sentence(f"fading.difference{'_unsaid' * bool(reason)}", values))
    if lines:
        lines = [sentence("fading.differences"), *lines, ""]
    lines.append(sentence("fading.shares"))
    for regime, inks, *points, courses, reason in fading.shares.to_numpy().tolist():
        of = [*[regime] * (regime != "all"), SHORT.get(inks, inks)]
        values = {"of": of, "courses": courses, **_percent(points)}
        lines.append(sentence(f"fading.share{'_unsaid' * bool(reason)}", values))
    return [*lines, ""]


def _spacing_lines(spacing: Spacing | None) -> list[str]:
    if spacing is None:
        return [sentence("fading.spacing_unknown")]
    names = ("n", "low", "high", "weeks", "weeks_low", "weeks_high")
    weeks = (spacing.weeks_difference, *spacing.weeks_interval)
    found = dict(zip(names, (spacing.difference, *spacing.interval, *weeks), strict=True))
    return [
        sentence("fading.spacing_said", {"answer": spacing.answer}),
        sentence("fading.spacing_size", found),
        sentence("text.indented", {"note": spacing.caution}),
    ]


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class SplitFading(Result):
    """Paired fading of tattoos of which one half was always ns and the other always ps."""

    n_pairs: int  # tattoos with both halves graded after the same session at least once
    # ``session, ns, ps, difference, low, high, pairs``: mean percent faded of each half, and the
    # mean difference within pairs, ps less ns, over the pairs graded then.
    curves: pd.DataFrame
    # Of the remaining ink, removed per session, ps half less ns half, over the sessions after which
    # both halves were graded.
    share: PairedDifference


def split_fading(log: OutcomeLog, *, level: float) -> SplitFading | None:
    """Return the paired curves of ``log`` at ``level``, or None with fewer than 5 such pairs.

    Examples
    --------
    >>> split_fading(log, level=0.95) is None  # no halves of one tattoo in it
    True
    """
    if not len(log.sessions):
        return None
    graded = log.graded[log.graded["after_session"] > 0]
    mean = graded.groupby(["course_id", "after_session"])["fading_pct"].mean().reset_index()
    both = split_halves(log)[["tattoo_id", "course_id_ps", "course_id_ns"]]
    for name, on in (("ps", []), ("ns", ["after_session"])):
        half = mean.rename(columns={"course_id": f"course_id_{name}", "fading_pct": name})
        both = both.merge(half, on=[f"course_id_{name}", *on])
    last = both.sort_values("after_session").groupby("tattoo_id").tail(1)
    if len(last) < FEWEST_SPLIT:
        return None
    log_left = np.log1p(-np.minimum(last[["ps", "ns"]].to_numpy(), NEARLY_ALL) / 100)
    shares = -np.expm1(log_left / last[["after_session"]].to_numpy())
    curves = []
    for session, part in both.groupby("after_session"):
        if len(part) < FEWEST_SPLIT:
            continue
        ps, ns = part[["ps", "ns"]].to_numpy(dtype=np.float64).T
        gap = paired_difference(ps, ns, level=level)
        means = float(ns.mean()), float(ps.mean())
        curves.append((int(str(session)), *means, gap.estimate, *gap.interval, len(part)))
    columns = ["session", "ns", "ps", "difference", "low", "high", "pairs"]
    return SplitFading(
        n_pairs=len(last),
        curves=pd.DataFrame(curves, columns=columns),
        share=paired_difference(*shares.T, level=level),
    )


# The rule for a stop is one whose false alarms are counted on the log. A grading is compared with
# what the course's own gradings up to two, three and more sessions before let expect, and the
# farthest below counts: a stop shows the better the longer it has lasted. How far below is unusual
# is learnt from courses that went on to clear: they had not stopped, so each that the rule would
# have flagged at some time is a false alarm.
LOOK_BACKS = (2, 3, 4, 6, 9, 13)  # sessions between what is expected from and the grading judged
WITHIN_QUARTERS = 1.349  # standard deviations between the quarter points of normal values
LEAST_SPREAD = 0.01  # of the ink: no log grades closer
NEARLY = 3.0  # percentage points below the threshold that grading cannot tell from it
AT = 50.0  # percent faded at which levels of graders are stated
FALSE_ALARMS = 0.05  # courses that had not stopped and are flagged at some time


@dataclass(frozen=True, slots=True, eq=False)
class StallRule:
    """The rule and what it says of the log."""

    threshold: float  # standard deviations below expectation from which a course is flagged
    # Share of the courses that cleared later and would have been flagged at some time; None when no
    # course has cleared.
    false_alarms: float | None
    false_alarm_interval: tuple[float, float]  # its 95 % Wilson interval
    n_cleared: int  # courses behind it
    learnt: bool  # whether the threshold comes from cleared courses or, where few, from the model
    # Every grading judged: ``course_id, session, faded, expected, below, stalled``.
    looks: pd.DataFrame
    flagged: pd.DataFrame  # of the courses still running, those whose last judged one is flagged

    @property
    def trust(self) -> Note:
        """How far to trust what is flagged."""
        if not self.learnt or self.false_alarms is None:
            return Note("fading.stalls_from_model", "caution")
        low, high = self.false_alarm_interval
        counted = {"share": self.false_alarms, "courses": self.n_cleared, "low": low, "high": high}
        return Note("fading.stalls_false_alarms", "info", counted)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; ``flagged`` as records."""
        return {
            "threshold": self.threshold,
            "false_alarms": {
                "estimate": self.false_alarms,
                "interval": list(self.false_alarm_interval),
                "courses": self.n_cleared,
            },
            "learnt": self.learnt,
            "flagged": plain_table(self.flagged),
            "note_codes": [self.trust.to_dict()],
        }


def stall_rule(rows: FadingRows) -> StallRule:
    """Return the rule learnt from the courses of a log."""
    looks = _looks_of(rows)
    outcome = looks["course_id"].map(rows.courses.set_index("course_id")["outcome"])
    worst = looks[outcome == "cleared"].groupby("course_id")["below"].max().to_numpy()
    learnt = len(worst) >= FEWEST_CLEARED
    often = max(len(looks) / max(looks["course_id"].nunique(), 1), 1.0)
    threshold = NormalDist().inv_cdf(1 - FALSE_ALARMS / often)
    if learnt:
        threshold = float(np.quantile(worst, 1 - FALSE_ALARMS, method="higher"))
    alarms = int((worst > threshold).sum())
    looks = looks.assign(stalled=looks["below"] > threshold)
    last = looks.groupby("course_id").tail(1)
    return StallRule(
        threshold=threshold,
        false_alarms=alarms / len(worst) if len(worst) else None,
        false_alarm_interval=wilson_interval(alarms, len(worst)) if len(worst) else (0.0, 1.0),
        n_cleared=len(worst),
        learnt=learnt,
        looks=looks,
        flagged=last[last["stalled"] & (outcome[last.index] == "ongoing")].reset_index(drop=True),
    )


# Every grading with enough before it, and how far below expectation it is: the course's own share
# a session up to some sessions before, gone on, and what is usual for so long a look back.
def _looks_of(rows: FadingRows) -> pd.DataFrame:
    table = rows.table[["course_id", "session", "fading_pct", "left"]]
    known = table[table.groupby("course_id").cumcount() >= FEWEST_BEFORE - 1]
    known = known.assign(at=known["session"], before=known["left"].clip(lower=LEAST_LEFT))
    known = known[["course_id", "at", "before"]].sort_values("at")
    found = []
    for back in LOOK_BACKS:
        asked = table.assign(until=table["session"] - back).sort_values("until")
        pair = pd.merge_asof(asked, known, left_on="until", right_on="at", by="course_id")
        pair = pair[pair["at"].notna()]
        expected = pair["before"] ** (pair["session"] / pair["at"])
        over = pair["left"] - expected
        usual, spread = over.median(), over.quantile(0.75) - over.quantile(0.25)
        below = (over - usual) / max(spread / WITHIN_QUARTERS, LEAST_SPREAD)
        seen = 100 * (1 - expected - usual).clip(0, 1)
        found.append(pair.assign(faded=pair["fading_pct"], expected=seen, below=below))
    looks = pd.concat(found)
    # as good as cleared is never a stall
    looks = looks[looks["faded"] < rows.cleared_at - NEARLY]
    looks = looks.sort_values("below").groupby(["course_id", "session"]).tail(1)
    columns = ["course_id", "session", "faded", "expected", "below"]
    return looks.sort_values(["course_id", "session"])[columns].reset_index(drop=True)


@dataclass(frozen=True, slots=True, eq=False)
class GraderReport:
    """Graders compared."""

    # ``grader_id, points, low, high, gradings``: how many percentage points above the mean grader
    # somebody grades a tattoo that is half faded. Empty with fewer than two graders.
    levels: pd.DataFrame
    # ICC(1,1) over all tattoos graded by two or more people on the same occasion.
    icc: float | None
    n_twice: int  # how many occasions that were
    # ``first, second, occasions, icc, low, high, kappa``: ICC(2,1) and weighted kappa on quartile
    # grades of each pair of graders.
    pairs: pd.DataFrame
    notes: tuple[Note, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; tables as records."""
        return {**plain(self), **notes_as_json(self.notes)}


def grader_report(slopes: Slopes, gradings: pd.DataFrame, *, level: float) -> GraderReport:
    """Return graders' levels from the fitted model, and their agreement from double gradings."""
    known = gradings[gradings["grader_id"].notna() & gradings["fading_pct"].notna()]
    key = ["course_id", "after_session", "graded_on"]
    known = known.groupby([*key, "grader_id"])["fading_pct"].mean().reset_index()
    twice = known[known.groupby(key)["grader_id"].transform("size") > 1]
    n_twice = int(twice.groupby(key).ngroups)
    levels, icc, notes = _grader_levels(slopes, gradings), None, []
    if n_twice >= FEWEST_TWICE:
        occasion = twice.groupby(key).ngroup().to_numpy()
        found = one_way_intraclass(twice["fading_pct"].to_numpy(), occasion)
        icc = found if np.isfinite(found) else None
    else:
        few = {"occasions": n_twice, "least": FEWEST_TWICE}
        notes.append(Note("fading.agreement_unknown", "caution", few))
    if len(levels):
        apart = float(levels["points"].max() - levels["points"].min())
        chance = _chance_alike(slopes)
        code = "fading.graders_differ" if chance < 1 - VERDICT else "fading.graders_alike"
        notes.append(Note(code, "info", {"points": apart, "chance": chance}))
    return GraderReport(levels, icc, n_twice, _pair_table(twice, key, level), tuple(notes))


def _grader_levels(slopes: Slopes, gradings: pd.DataFrame) -> pd.DataFrame:
    told = slopes.rows.graders
    counts = gradings["grader_id"].value_counts()
    last = max((str(name) for name in counts.index[counts >= FEWEST_BY_GRADER]), default="")
    weights = np.vstack([np.eye(len(told)), np.full((1, len(told)), -1.0)])  # they sum to zero
    table = []
    for grader, own in zip([*told, last] if told else [], weights, strict=False):
        effect = float(own @ slopes.fit.coefficients[-len(told) :])
        error = slopes.error(slopes.fit.influence[:, -len(told) :] @ own)
        ends = effect + slopes.reach * error * np.array([0.0, 1.0, -1.0])
        points = (100 - AT) * -np.expm1(ends)
        table.append((grader, *points.tolist(), int(counts[grader])))
    return pd.DataFrame(table, columns=["grader_id", "points", "low", "high", "gradings"])


# Chance that levels lie as far apart where no grader's differs: Wald's chi-squared of all together.
def _chance_alike(slopes: Slopes) -> float:
    from scipy.special import chdtrc

    told = len(slopes.rows.graders)
    found, covariance = slopes.fit.coefficients[-told:], slopes.fit.covariance[-told:, -told:]
    return float(chdtrc(told, found @ np.linalg.solve(covariance, found)))


# Agreement of each pair of graders who graded the same tattoos often enough.
def _pair_table(twice: pd.DataFrame, key: list[str], level: float) -> pd.DataFrame:
    from statsmodels.stats.inter_rater import cohens_kappa, to_table

    wide = twice.set_index([*key, "grader_id"])["fading_pct"].unstack()  # noqa: PD010
    found = []
    for first, second in combinations(sorted(str(name) for name in wide.columns), 2):
        both = wide[[first, second]].dropna().to_numpy(dtype=np.float64)
        if len(both) < FEWEST_TWICE or np.ptp(both) == 0:
            continue
        icc, ends = intraclass(both, level=level)
        # grades 1 to 4 for 0-25, 26-50, 51-75 and 76-100 percent faded: the four-level scale of
        # Lapidoth & Aharonowitz 2004 (J Am Acad Dermatol 51:906)
        grades = np.clip(np.ceil(both / 25), 1, 4).astype(np.int64)
        with np.errstate(invalid="ignore"):  # no number where neither differs from one grade
            kappa = cohens_kappa(to_table(grades - 1, 4)[0], wt="quadratic", return_results=False)
        found.append((first, second, len(both), icc, *ends, float(kappa)))
    columns = ["first", "second", "occasions", "icc", "low", "high", "kappa"]
    return pd.DataFrame(found, columns=columns)
