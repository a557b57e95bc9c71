"""Fading curves: what share of the remaining ink a session removes, by regime and ink.

One mixed model of the log of the remaining ink, fitted to every grading by maximum likelihood:
each course has its own start and its own pace; gradings at the ends of the scale are bounds. Since
every earlier grading of a course is in the likelihood, courses may stop, clear, or be changed to
another regime because of the fading graded so far, and the curves stay right (Rubin 1976,
Biometrika 63:581). A plain average of the gradings after each session does not: it follows those
who are left.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level
from forecast.clinic.fading_fit import FadingFit, fit_with_remnant
from forecast.clinic.fading_rows import FadingRows, fading_rows
from forecast.clinic.fading_slopes import Slopes
from forecast.clinic.fading_text import LIKELY, fading_notes, fading_text
from forecast.clinic.graders import GraderReport, grader_report
from forecast.clinic.log import check_log
from forecast.clinic.spacing import Spacing, spacing_of
from forecast.clinic.split_fading import SplitFading, split_fading
from forecast.clinic.stalls import StallRule, stall_rule
from forecast.clinic.suspicions import graded_in_fractions

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.log import OutcomeLog

__all__ = ["ASSUMPTION", "FadingCurves", "fit_fading"]

FloatArray = npt.NDArray[np.float64]

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
        notes=(*graded_in_fractions(log), *fading_notes(rows, fit, gains)),
    )


def interval_weeks(log: OutcomeLog, rows: FadingRows) -> FloatArray:
    """Return the weeks between sessions of the courses used."""
    if not len(log.sessions):
        return np.empty(0)
    used = log.sessions[log.sessions["course_id"].isin(rows.courses["course_id"])]
    used = used.sort_values(["course_id", "session_no"])
    days = used.groupby("course_id")["treated_on"].diff().dt.days.dropna()
    return np.asarray(days, dtype=np.float64) / 7
