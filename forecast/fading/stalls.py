"""Whether the fading of a course has stopped, and whether the graders who say so agree.

The rule for a stop is one whose false alarms are counted on the log. A grading is compared with
what the course's own gradings up to two, three and more sessions before let expect, and the
farthest below counts: a stop shows the better the longer it has lasted. How far below is unusual is
learnt from courses that went on to clear: they had not stopped, so each that the rule would have
flagged at some time is a false alarm. What ``fading`` answers beside it is how much goes.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from statistics import NormalDist
from typing import Any

import numpy as np
import pandas as pd

from forecast._notes import Note, notes_as_json
from forecast._plain import plain, plain_table
from forecast.causal.rates import intraclass, one_way_intraclass, wilson_interval
from forecast.fading.curves import Slopes
from forecast.fading.rows import (
    FEWEST_BEFORE,
    FEWEST_BY_GRADER,
    FEWEST_CLEARED,
    FEWEST_TWICE,
    LEAST_LEFT,
    FadingRows,
)

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
    courses = rows.courses.set_index("course_id")["outcome"]
    outcome = looks["course_id"].map(courses)
    worst = looks[outcome == "cleared"].groupby("course_id")["below"].max().to_numpy()
    learnt = len(worst) >= FEWEST_CLEARED
    often = max(float(looks.groupby("course_id").size().mean()) if len(looks) else 1.0, 1.0)
    threshold = NormalDist().inv_cdf(1 - FALSE_ALARMS / often)
    if learnt:
        threshold = float(np.quantile(worst, 1 - FALSE_ALARMS, method="higher"))
    alarms = int((worst > threshold).sum())
    looks = looks.assign(stalled=looks["below"] > threshold)
    last = looks.groupby("course_id").tail(1)
    running = last["course_id"].map(courses) == "ongoing"
    interval = wilson_interval(alarms, len(worst)) if len(worst) else (0.0, 1.0)
    return StallRule(
        threshold=threshold,
        false_alarms=alarms / len(worst) if len(worst) else None,
        false_alarm_interval=interval,
        n_cleared=len(worst),
        learnt=learnt,
        looks=looks.reset_index(drop=True),
        flagged=last[running & last["stalled"]].reset_index(drop=True),
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
    levels = _grader_levels(slopes, gradings)
    notes = []
    icc = None
    if n_twice >= FEWEST_TWICE:
        occasion = twice.groupby(key).ngroup().to_numpy()
        icc = one_way_intraclass(twice["fading_pct"].to_numpy(), occasion)
        icc = icc if np.isfinite(icc) else None
    else:
        few = {"occasions": n_twice, "least": FEWEST_TWICE}
        notes.append(Note("fading.agreement_unknown", "caution", few))
    if len(levels):
        apart = float(levels["points"].max() - levels["points"].min())
        notes.append(Note("fading.graders_differ", "info", {"points": apart}))
    return GraderReport(levels, icc, n_twice, _pair_table(twice, key, level), tuple(notes))


def _grader_levels(slopes: Slopes, gradings: pd.DataFrame) -> pd.DataFrame:
    told = slopes.rows.graders
    counts = gradings["grader_id"].value_counts()
    last = max((str(name) for name in counts.index[counts >= FEWEST_BY_GRADER]), default="")
    weights = np.vstack([np.eye(len(told)), np.full((1, len(told)), -1.0)])  # they sum to zero
    others = np.zeros(len(slopes.fit.coefficients) - len(told))
    table = []
    for grader, own in zip([*told, last] if told else [], weights, strict=False):
        gradient = np.append(others, own)
        effect = float(gradient @ slopes.fit.coefficients)
        ends = effect + slopes.reach * slopes.error(gradient) * np.array([0.0, 1.0, -1.0])
        points = (100 - AT) * -np.expm1(ends)
        table.append((grader, *points.tolist(), int(counts[grader])))
    return pd.DataFrame(table, columns=["grader_id", "points", "low", "high", "gradings"])


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
