"""Split tattoos: the two halves' fading beside each other, session by session."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import check_level
from forecast._types import FloatArray
from forecast.causal.rates import PairedDifference, paired_difference
from forecast.counts import split_halves
from forecast.fading.curves import FadingFit, Slopes, Spacing, fit_with_remnant, spacing_of
from forecast.fading.rows import FadingRows, fading_rows
from forecast.fading.stalls import GraderReport, StallRule, grader_report, stall_rule
from forecast.log import check_log, graded_in_fractions

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

FEWEST_PAIRS = 5
NEARLY_ALL = 97.0  # percent faded beyond which a grading says no more than "nearly all"


@dataclass(frozen=True, slots=True, eq=False)
class SplitFading:
    """Paired fading of tattoos of which one half was always ns and the other always ps.

    Attributes
    ----------
    n_pairs : int
        Tattoos with both halves graded after the same session at least once.
    curves : DataFrame
        ``session, ns, ps, difference, low, high, pairs``: mean percent faded of each half, and
        the mean difference within pairs, ps less ns, over the pairs graded then.
    share : PairedDifference
        Share of the remaining ink removed per session, ps half less ns half, over the sessions
        after which both halves were graded.
    """

    n_pairs: int
    curves: pd.DataFrame
    share: PairedDifference

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; the curves as records."""
        return {
            "n_pairs": self.n_pairs,
            "share": {"estimate": self.share.estimate, "interval": list(self.share.interval)},
            "curves": self.curves.to_dict("records"),
        }


def split_fading(log: OutcomeLog, *, level: float) -> SplitFading | None:
    """Return the paired curves, or None with fewer than 5 pairs graded together."""
    if not len(log.sessions):
        return None
    pairs = split_halves(log)
    graded = log.graded[log.graded["after_session"] > 0]
    mean = graded.groupby(["course_id", "after_session"])["fading_pct"].mean().reset_index()
    both = pairs[["tattoo_id", "course_id_ps", "course_id_ns"]]
    for name in ("ps", "ns"):
        half = mean.rename(columns={"course_id": f"course_id_{name}", "fading_pct": name})
        on = [f"course_id_{name}", *(["after_session"] if name == "ns" else [])]
        both = both.merge(half, on=on)
    last = both.sort_values("after_session").groupby("tattoo_id").tail(1)
    if len(last) < FEWEST_PAIRS:
        return None
    shares = {
        name: -np.expm1(
            np.log1p(-np.minimum(last[name].to_numpy(), NEARLY_ALL) / 100)
            / last["after_session"].to_numpy()
        )
        for name in ("ps", "ns")
    }
    return SplitFading(
        n_pairs=len(last),
        curves=paired_curves(both, level),
        share=paired_difference(shares["ps"], shares["ns"], level=level),
    )


def paired_curves(both: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return the means by session, where at least 5 pairs were graded."""
    import pandas as pd

    found = []
    for session, part in both.groupby("after_session"):
        if len(part) < FEWEST_PAIRS:
            continue
        ps, ns = part["ps"].to_numpy(dtype=np.float64), part["ns"].to_numpy(dtype=np.float64)
        gap = paired_difference(ps, ns, level=level)
        means = float(ns.mean()), float(ps.mean())
        found.append((int(str(session)), *means, gap.estimate, *gap.interval, len(part)))
    columns = ["session", "ns", "ps", "difference", "low", "high", "pairs"]
    return pd.DataFrame(found, columns=columns)


ASSUMPTION = (
    "Courses may stop, clear or change regime because of the fading graded so far, their recorded "
    "attributes or the date: the curves allow for that. They do not allow for what somebody saw "
    "and nobody wrote down."
)


@dataclass(frozen=True, slots=True, eq=False)
class FadingCurves:
    """Fading by regime and ink group.

    Attributes
    ----------
    curves : DataFrame
        ``regime, ink_group, session, faded, low, high, middle_low, middle_high, courses``:
        percent faded of the middle course with the band of the estimate, and the range of the
        middle 8 of 10 courses. All courses together are the ink group ``all``.
    shares : DataFrame
        ``regime, ink_group, share, low, high, courses``: share of the remaining ink that a
        session removes.
    differences : DataFrame
        ``ink_group, difference, low, high``: share under ps less share under ns; empty when the
        log has one regime.
    remnant : float
        Share of the ink that the log says never goes, 0 unless that fits better.
    spacing : Spacing or None
        Longer against shorter intervals; None when the log cannot tell.
    graders : GraderReport
        Who grades how.
    stalls : StallRule
        Courses whose fading has stopped.
    split : SplitFading or None
        Paired curves of split tattoos.
    level : float
        Of the intervals.
    model : FadingFit
        The model behind it.
    rows : FadingRows
        What it was fitted to.
    assumption : str
        Under which the curves hold.
    notes : tuple of str
    """

    curves: pd.DataFrame
    shares: pd.DataFrame
    differences: pd.DataFrame
    remnant: float
    spacing: Spacing | None
    graders: GraderReport
    stalls: StallRule
    split: SplitFading | None
    level: float
    model: FadingFit
    rows: FadingRows
    assumption: str
    notes: tuple[str, ...]

    def share(self, regime: str, ink_group: str = "all") -> tuple[float, tuple[float, float]]:
        """Return the share of the remaining ink that a session removes, and its interval.

        Raises
        ------
        RequestError
            If the log tells nothing of that regime and ink group.
        """
        from forecast.errors import RequestError

        table = self.shares
        row = table[(table["regime"] == regime) & (table["ink_group"] == ink_group)]
        if row.empty:
            known = sorted({f"{r} / {g}" for r, g in table[["regime", "ink_group"]].to_numpy()})
            raise RequestError(
                f"Nothing is known of regime {regime!r} and ink group {ink_group!r}.",
                f"Known are {', '.join(known)}.",
            )
        share, low, high = (float(row[name].iloc[0]) for name in ("share", "low", "high"))
        return share, (low, high)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; tables as records."""
        return {
            "level": self.level,
            "shares": self.shares.to_dict("records"),
            "differences": self.differences.to_dict("records"),
            "curves": self.curves.to_dict("records"),
            "remnant": self.remnant,
            "level_off": [
                {"course_id": name, "chance": round(chance, 3)}
                for name, chance in self.model.levelled.items()
                if chance > LIKELY
            ],
            "spacing": self.spacing.to_dict() if self.spacing else None,
            "graders": self.graders.to_dict(),
            "stalls": self.stalls.to_dict(),
            "split": self.split.to_dict() if self.split else None,
            "courses": len(self.rows.courses),
            "gradings": len(self.rows.table),
            "left_out": dict(self.rows.left_out),
            "adjusted_for": list(self.adjusted_for),
            "assumption": self.assumption,
            "notes": list(self.notes),
        }

    @property
    def adjusted_for(self) -> tuple[str, ...]:
        """What the curves are adjusted for besides ink group."""
        extra = ("log_gap", "years", "years_squared")
        operators = any(name.startswith("operator ") for name in self.rows.names)
        kept = [name for name in extra if name in self.rows.names]
        return (*self.rows.adjusted, *kept, *(["operator"] if operators else []))

    def to_text(self) -> str:
        """Return the answer for people, with its doubts."""
        return fading_text(self)


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
    """
    check_level(level)
    check_log(log)
    rows = fading_rows(log)
    fit, gains = fit_with_remnant(rows)
    slopes = Slopes(rows, fit, level)
    graders = grader_report(slopes, log.graded, level=level)
    gaps = interval_weeks(log, rows)
    spacing = spacing_of(slopes, gaps) if len(gaps) else None
    split = split_fading(log, level=level)
    return FadingCurves(
        curves=slopes.curves(),
        shares=slopes.shares(),
        differences=slopes.differences(),
        remnant=fit.remnant,
        spacing=spacing,
        graders=graders,
        stalls=stall_rule(slopes),
        split=split,
        level=level,
        model=fit,
        rows=rows,
        assumption=ASSUMPTION,
        notes=(*map(str, graded_in_fractions(log)), *fading_notes(rows, fit, gains)),
    )


def interval_weeks(log: OutcomeLog, rows: FadingRows) -> FloatArray:
    """Return the weeks between sessions of the courses used."""
    if not len(log.sessions):
        return np.empty(0)
    used = log.sessions[log.sessions["course_id"].isin(rows.courses["course_id"])]
    used = used.sort_values(["course_id", "session_no"])
    days = used.groupby("course_id")["treated_on"].diff().dt.days.dropna()
    return np.asarray(days, dtype=np.float64) / 7


SHORT = {"all": "all inks"}
FEW_COURSES = 30
MOST_NAMED = 10
LIKELY = 0.5  # chance from which a course is said to level off


def fading_notes(rows: FadingRows, fit: FadingFit, gains: Mapping[float, float]) -> tuple[str, ...]:
    """Return what has to be known beside the curves."""
    notes = [
        f"From {len(rows.table)} gradings of {len(rows.courses)} courses of "
        f"{fit.fitted.n_clusters} clients; {fit.fitted.n_bounded} at the ends of the scale count "
        "as bounds."
    ]
    if rows.left_out:
        reasons = "; ".join(f"{n} {why}" for why, n in rows.left_out.items())
        notes.append(f"Courses left out: {reasons}.")
    notes += regime_notes(rows)
    if rows.unit > 1:
        notes.append(
            f"All gradings are multiples of {rows.unit:g} %: each counts as the range it was "
            "rounded from."
        )
    if fit.remnant > 0:
        gain = gains[fit.remnant] - gains[0.0]
        notes.append(
            f"The curves flatten: about {100 * fit.remnant:g} % of the ink is taken never to go "
            f"(log-likelihood higher by {gain:.1f}); shares are of the ink that can go."
        )
    levelled = [name for name, chance in fit.levelled.items() if chance > LIKELY]
    if levelled:
        more = ", ..." if len(levelled) > MOST_NAMED else ""
        notes.append(
            f"{len(levelled)} of {len(rows.courses)} courses level{'s' * (len(levelled) == 1)} off "
            f"with ink left that no laser here seems to take ({', '.join(levelled[:MOST_NAMED])}"
            f"{more}): their late sessions count neither for nor against a regime."
        )
    few = [name for name in rows.regimes if (rows.courses[name] > 0).sum() < FEW_COURSES]
    notes += [
        f"Fewer than {FEW_COURSES} courses had a {name} session: its curve is uncertain."
        for name in few
    ]
    if not fit.settled:
        notes.append("The fit did not settle; take the curves as rough.")
    return tuple(notes)


def regime_notes(rows: FadingRows) -> list[str]:
    """Return what limits the comparison of regimes."""
    if not rows.regimes:
        return ["The log has no sessions: regimes and intervals cannot be told apart."]
    if len(rows.regimes) == 1:
        return [f"All sessions are {rows.regimes[0]}: there is nothing to compare."]
    if rows.operators_apart:
        return [
            "No operator fired both regimes often enough: who treated and what was fired cannot "
            "be told apart."
        ]
    return []


def fading_text(fading: FadingCurves) -> str:
    """Return the answer for people."""
    lines = ["A session removes this share of the remaining ink:"]
    for regime, ink_group, *ends, courses in fading.shares.to_numpy().tolist():
        name = "" if regime == "all" else f"{regime}, "
        share, low, high = map(percent, ends)
        group = SHORT.get(ink_group, ink_group)
        lines.append(f"  {name}{group}: {share} ({low} to {high}), {courses} courses")
    if len(fading.differences):
        lines += ["", "ps less ns, in percentage points of the remaining ink per session:"]
    for name, *points in fading.differences.to_numpy().tolist():
        gap, low, high = (100 * one for one in points)
        lines.append(f"  {SHORT.get(name, name)}: {gap:+.1f} ({low:+.1f} to {high:+.1f})")
    lines += ["", *split_lines(fading), *spacing_lines(fading), *stall_lines(fading)]
    lines += grader_lines(fading)
    return "\n".join(
        [*lines, "", f"- {fading.assumption}", *(f"- {note}" for note in fading.notes)]
    )


def percent(share: float, digits: int = 1) -> str:
    """Return a share as a percentage."""
    return f"{100 * share:.{digits}f} %"


def split_lines(fading: FadingCurves) -> list[str]:
    """Return what split tattoos say."""
    if fading.split is None:
        return []
    low, high = fading.split.share.interval
    return [
        f"{fading.split.n_pairs} split tattoos, within pairs: ps less ns "
        f"{100 * fading.split.share.estimate:+.1f} ({100 * low:+.1f} to {100 * high:+.1f}) points "
        "of the remaining ink per session."
    ]


def spacing_lines(fading: FadingCurves) -> list[str]:
    """Return what intervals go with."""
    spacing = fading.spacing
    if spacing is None:
        return ["Spacing: the log cannot tell."]
    low, high = spacing.interval
    low_weeks, high_weeks = spacing.weeks_interval
    return [
        f"Spacing: {spacing.answer}",
        f"  {spacing.difference:+.1f} sessions ({low:+.1f} to {high:+.1f}), "
        f"{spacing.weeks_difference:+.0f} weeks ({low_weeks:+.0f} to {high_weeks:+.0f}).",
        f"  {spacing.caution}",
    ]


def stall_lines(fading: FadingCurves) -> list[str]:
    """Return which running courses have stopped fading, and how far to trust that."""
    stalls = fading.stalls
    low, high = stalls.false_alarm_interval
    trust = "from the model, too few courses have cleared to count false alarms"
    if stalls.learnt and stalls.false_alarms is not None:
        trust = (
            f"false alarms: {percent(stalls.false_alarms, 0)} of {stalls.n_cleared} courses that "
            f"cleared ({percent(low, 0)} to {percent(high, 0)})"
        )
    lines = [f"Stalls: {len(stalls.flagged)} running course(s) flagged; {trust}."]
    for row in stalls.flagged.itertuples():
        lines.append(
            f"  {row.course_id} after session {row.session}: {row.faded:.0f} % faded, its own "
            f"earlier gradings let expect {row.expected:.0f} %"
        )
    return lines


def grader_lines(fading: FadingCurves) -> list[str]:
    """Return how graders differ and agree."""
    graders = fading.graders
    lines = ["Graders, by the log's own ids:", *(f"  {note}" for note in graders.notes)]
    if graders.icc is not None:
        lines.append(f"  ICC {graders.icc:.2f} over {graders.n_twice} double gradings.")
    for row in graders.pairs.itertuples():
        lines.append(
            f"  {row.first} and {row.second}: ICC {row.icc:.2f} ({row.low:.2f} to {row.high:.2f}), "
            f"weighted kappa {row.kappa:.2f}, {row.occasions} gradings"
        )
    return lines
