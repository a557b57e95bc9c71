"""What a session removes: fading by regime and ink group, and in split tattoos.

The answer with its doubts, as data and in words; the model behind it is in ``curves``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from forecast._checks import check_level
from forecast._notes import Note, bullets, notes_as_json, sentence
from forecast._plain import Result, plain, plain_table
from forecast.causal.rates import PairedDifference, paired_difference
from forecast.counts import split_halves
from forecast.errors import RequestError
from forecast.fading.curves import FadingFit, Slopes, Spacing, fit_rows, spacing_of
from forecast.fading.rows import FEWEST_SPLIT, WIDEST, WISHED_IN_REGIME, FadingRows, fading_rows
from forecast.fading.stalls import GraderReport, StallRule, grader_report, stall_rule
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
        10 courses, as graded; a course not followed so far goes on as before.
    shares : DataFrame
        ``regime, ink_group, share, low, high, courses, reason``: share of the remaining ink that a
        session removes. Where a ``reason`` is not empty the answer is "cannot say":
        ``interval_too_wide`` is beyond 20 points either way.
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
    (0.25, 0.2, 0.32)
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
            raise RequestError(
                f"Nothing is known of regime {regime!r} and ink group {ink_group!r}.",
                f"Known are {', '.join(known)}.",
            )
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
        stalls = self.stalls
        lines.append(sentence("fading.stalls", {"n": len(stalls.flagged), "trust": stalls.trust}))
        lines += [sentence("fading.stalled", row) for row in plain_table(stalls.flagged)]
        return [*lines, *_grader_lines(self.graders), "", *bullets((self.assumption, *self.notes))]


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


def _grader_lines(graders: GraderReport) -> list[str]:
    lines = [sentence("fading.graders")]
    lines += [sentence("text.indented", {"note": note}) for note in graders.notes]
    if graders.icc is not None:
        values = {"icc": graders.icc, "occasions": graders.n_twice}
        lines.append(sentence("fading.agreement", values))
    pairs = plain_table(graders.pairs)
    return [*lines, *(sentence("fading.agreement_of", row) for row in pairs)]


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
    pairs = split_halves(log)
    graded = log.graded[log.graded["after_session"] > 0]
    mean = graded.groupby(["course_id", "after_session"])["fading_pct"].mean().reset_index()
    both = pairs[["tattoo_id", "course_id_ps", "course_id_ns"]]
    for name in ("ps", "ns"):
        half = mean.rename(columns={"course_id": f"course_id_{name}", "fading_pct": name})
        on = [f"course_id_{name}", *(["after_session"] if name == "ns" else [])]
        both = both.merge(half, on=on)
    last = both.sort_values("after_session").groupby("tattoo_id").tail(1)
    if len(last) < FEWEST_SPLIT:
        return None
    shares = {
        name: -np.expm1(
            np.log1p(-np.minimum(last[name].to_numpy(), NEARLY_ALL) / 100)
            / last["after_session"].to_numpy()
        )
        for name in ("ps", "ns")
    }
    curves = []
    for session, part in both.groupby("after_session"):
        if len(part) < FEWEST_SPLIT:
            continue
        ps, ns = part["ps"].to_numpy(dtype=np.float64), part["ns"].to_numpy(dtype=np.float64)
        gap = paired_difference(ps, ns, level=level)
        means = float(ns.mean()), float(ps.mean())
        curves.append((int(str(session)), *means, gap.estimate, *gap.interval, len(part)))
    columns = ["session", "ns", "ps", "difference", "low", "high", "pairs"]
    return SplitFading(
        n_pairs=len(last),
        curves=pd.DataFrame(curves, columns=columns),
        share=paired_difference(shares["ps"], shares["ns"], level=level),
    )
