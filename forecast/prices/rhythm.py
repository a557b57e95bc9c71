"""The clinic's rhythm: how long clients take between sessions, and how many start, by month.

All is read from the log. Gaps are log-normal, each course with its own pace (method of moments),
and counted in the clinic's own time, which passes faster in the months of the year that are busier.
Starts follow a straight line in the log of their number over the last five years, with more spread
than chance alone where the log shows it, and the seasons of the years as far as chance leaves them.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray, IntArray
from forecast._checks import YEAR
from forecast.log import OutcomeLog
from forecast.survival import climb

MONTH = YEAR / 12  # days
MOST_MONTHS = 60  # of starts that the line is drawn through
DRIFT_SD = 0.15  # of the line's slope, in logs a year, before the log is seen (a judgement)
RECENT_YEARS, FEWEST_GAPS = 2, 30
USUAL_GAP = (np.log(56.0), 0.2, 0.25)  # eight weeks: common practice, no source
CHANCE_TO = 1.64  # standard deviations: more spread than 1 in 20 by chance is the clinic's own
WHOLE_YEARS = 2  # of log, from which seasons are looked for
SHUFFLES = 20  # of gaps among visits, to know the months of visits without seasons
LOOK_BACK = 3650  # days


def last_day(log: OutcomeLog) -> datetime:
    """Return the last day that the log tells of."""
    dates = (log.courses["started_on"], log.sessions["treated_on"], log.gradings["graded_on"])
    return max(day.max() for day in dates if day.notna().any()).to_pydatetime()  # type: ignore[no-any-return]


@dataclass(frozen=True, slots=True)
class Gaps:
    """Days between sessions, in logs: the mean, and its spread between and within courses."""

    mean: float
    between: float
    within: float
    known: bool  # from the log; else what is usual

    @classmethod
    def of(cls, log: OutcomeLog) -> tuple[Gaps, dict[str, tuple[int, float]]]:
        """Return the gaps, and of each course how many it had and the mean of their logs."""
        rows = log.each_session.sort_values(["course_id", "treated_on"])
        days = rows.groupby("course_id")["treated_on"].diff().dt.days
        kept = rows.assign(gap=np.log(days.where(days > 0)))[(days > 0).to_numpy()]
        own = kept.groupby("course_id")["gap"].agg(["count", "mean"])
        courses = {str(k): (int(n), float(m)) for k, n, m in own.itertuples()}
        since = np.datetime64(last_day(log)) - np.timedelta64(int(RECENT_YEARS * YEAR), "D")
        recent = kept[kept["treated_on"] >= since]
        kept = recent if len(recent) >= FEWEST_GAPS else kept
        if len(kept) < FEWEST_GAPS:
            return cls(*USUAL_GAP, known=False), courses
        groups = kept.groupby("course_id")["gap"]
        counts, means = groups.count().to_numpy(), groups.mean().to_numpy()
        rest = float(((kept["gap"] - groups.transform("mean")) ** 2).sum())
        within = rest / max(len(kept) - len(counts), 1)
        between = max(float(means.var()) - within * float((1 / counts).mean()), 0.0)
        return cls(float(means.mean()), between**0.5, max(within, 1e-8) ** 0.5, known=True), courses

    def pace(self, n: FloatArray, mean: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return mean and standard deviation of courses' own log gaps, after ``n`` gaps each."""
        precision = 1 / max(self.between**2, 1e-9) + n / self.within**2
        pull = self.mean / max(self.between**2, 1e-9) + n * mean / self.within**2
        return pull / precision, precision**-0.5

    def until_next(
        self, since: FloatArray, centre: FloatArray, spread: FloatArray, uniform: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return days until the next session, none having been ``since``, and its own log gap."""
        from scipy.special import ndtr, ndtri

        whole = np.sqrt(spread**2 + self.within**2)
        floor = ndtr((np.log(np.maximum(since, 0.5)) - centre) / whole)
        z = ndtri(np.clip(floor + uniform * (1 - floor), 1e-9, 1 - 1e-9))
        gap = centre + whole * z
        own = centre + spread**2 / whole**2 * (gap - centre)
        return np.maximum(np.exp(gap) - since, 1.0), own


@dataclass(frozen=True, slots=True, eq=False)
class OwnTime:
    """The clinic's own time: where it is closed no time passes, and visits come when it is not."""

    season: FloatArray  # factor of each month of the year, (12,)
    days: FloatArray  # from the end of the log's last day
    passed: FloatArray  # of own time since then

    @classmethod
    def of(cls, log: OutcomeLog, until: int) -> OwnTime:
        """Return the own time that the log's visits after the first show, for ``until`` days."""
        season, now = _visit_seasons(log), np.datetime64(last_day(log), "D")
        days = np.arange(-LOOK_BACK, until + 2)
        dates = now + 1 + days[:-1].astype("timedelta64[D]")
        speed = season[dates.astype("datetime64[M]").astype(int) % 12]
        passed = np.append(0.0, np.cumsum(speed))
        return cls(season, days.astype(np.float64), passed - passed[LOOK_BACK])

    def since(self, days: FloatArray) -> FloatArray:
        """Return how much of it passed in the last so many days."""
        return np.asarray(-np.interp(-days, self.days, self.passed))

    def after(self, day: FloatArray | float, gap: FloatArray) -> FloatArray:
        """Return the day that comes when so much of it has passed since a day."""
        then = np.interp(day, self.days, self.passed) + gap
        return np.asarray(np.interp(then, self.passed, self.days))


@dataclass(frozen=True, slots=True, eq=False)
class Starts:
    """New courses: the log of their number a month, its drift a year, and their covariance."""

    level: float
    drift: float
    covariance: FloatArray
    dispersion: float  # variance over mean, of a month's number; 1 is chance alone
    season: FloatArray  # factor of each month of the year, (12,)

    @classmethod
    def of(cls, log: OutcomeLog, *, given: float | None = None) -> Starts:
        """Return what the log's starts say; ``given`` a month is taken as known."""
        now = np.datetime64(last_day(log))
        started = log.courses["started_on"].to_numpy()
        ago = (now - started).astype("timedelta64[D]").astype(np.float64)
        n_months = int(np.clip(ago.max() // MONTH, 1, MOST_MONTHS))
        counts = np.bincount((ago // MONTH).astype(int), minlength=n_months)[:n_months]
        season, years = np.ones(12), int(ago.max() // YEAR)
        if years >= WHOLE_YEARS:
            seen = _by_month(started[ago < years * YEAR])
            season = _factors(seen, np.full(12, seen.sum() / 12))
        dates = now - np.round((np.arange(n_months) + 0.5) * MONTH).astype("timedelta64[D]")
        expected = season[dates.astype("datetime64[M]").astype(int) % 12]
        years_ago = -(np.arange(n_months) + 0.5) / 12
        level, drift, covariance = _line(counts, expected, years_ago)
        mean = expected * np.exp(level + drift * years_ago)
        pearson = float(((counts - mean) ** 2 / np.maximum(mean, 1e-9)).sum())
        free = max(n_months - 2, 1)
        by_chance = free + CHANCE_TO * (2 * free) ** 0.5  # of a chi-squared
        dispersion = pearson / free if pearson > by_chance else 1.0
        if given is not None:
            return cls(np.log(max(given, 1e-9)), 0.0, np.zeros((2, 2)), dispersion, season)
        return cls(level, drift, covariance * dispersion, dispersion, season)

    def draw(
        self, first: npt.NDArray[np.datetime64], edges: IntArray, n: int, rng: np.random.Generator
    ) -> tuple[IntArray, FloatArray]:
        """Return replicate and day of each new course; months begin on ``first``, at ``edges``."""
        mean = np.array([self.level, self.drift])
        level, drift = rng.multivariate_normal(mean, self.covariance, n, method="svd").T
        middle = (edges[:-1] + edges[1:]) / 2 / YEAR
        season = self.season[first.astype("datetime64[M]").astype(int) % 12]
        rate = np.exp(level[:, None] + drift[:, None] * middle) * season * np.diff(edges) / MONTH
        if self.dispersion > 1.01:  # below, a gamma so narrow is a constant
            shape = np.maximum(rate / (self.dispersion - 1), 1e-6)
            rate = rng.gamma(shape, self.dispersion - 1)
        counts = rng.poisson(rate)
        replicate, month = (np.repeat(at.ravel(), counts.ravel()) for at in np.indices(rate.shape))
        day = edges[month] + rng.random(len(month)) * np.diff(edges)[month]
        return replicate.astype(np.int64), day


def yearly_starts(log: OutcomeLog) -> tuple[float, float]:
    """Return the new courses expected in the year to come, and that mean's relative spread."""
    edges = np.round(np.arange(13) * MONTH).astype(np.int64)
    first = np.datetime64(last_day(log), "D") + edges[:-1].astype("timedelta64[D]")
    replicate, _ = Starts.of(log).draw(first, edges, 4000, np.random.default_rng(0))
    counts = np.bincount(replicate, minlength=4000)
    mean = float(counts.mean())
    return mean, float(max(counts.var() - mean, 0.0) ** 0.5 / max(mean, 1e-9))


def _line(
    counts: IntArray, expected: FloatArray, years: FloatArray
) -> tuple[float, float, FloatArray]:
    # a Poisson line with a prior on its drift; where none started, half a one keeps it finite
    design = np.column_stack([np.ones_like(years), years])
    prior, half = np.array([0.0, DRIFT_SD**-2]), 0.0 if counts.any() else 0.5

    def surface(at: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        mean = expected * np.exp(design @ at)
        value = float(counts @ (design @ at) - mean.sum() - prior @ at**2 / 2 + half * at[0])
        information = design.T @ (mean[:, None] * design) + np.diag(prior)
        slope = design.T @ (counts - mean) - prior * at + np.array([half, 0.0])
        return value, slope, information

    start = np.array([np.log((counts.sum() or half) / expected.sum()), 0.0])
    at, information, _ = climb(surface, start, settled=1e-12)
    return float(at[0]), float(at[1]), np.asarray(np.linalg.inv(information + 1e-6 * np.eye(2)))


def _visit_seasons(log: OutcomeLog) -> FloatArray:
    # the factor of each calendar month on visits after the first: those seen over those to be
    # expected from the visits before them, had all gaps been shuffled
    rows = log.each_session.sort_values(["course_id", "treated_on"])
    before = rows.groupby("course_id")["treated_on"].shift()
    gap = (rows["treated_on"] - before).dt.days
    now, recent = last_day(log), gap > 0
    ago = (now - before[recent]).dt.days
    years = min(int(ago.max() // YEAR), MOST_MONTHS // 12) if recent.any() else 0
    if years < WHOLE_YEARS:
        return np.ones(12)
    recent &= (now - before).dt.days < years * YEAR
    last, came, gaps = (one[recent].to_numpy() for one in (before, rows["treated_on"], gap))
    rng, expected = np.random.default_rng(0), np.zeros(12)
    for _ in range(SHUFFLES):
        then = last + rng.permutation(gaps).astype("timedelta64[D]")
        expected += _by_month(then[then <= np.datetime64(now)])
    seen = _by_month(came)
    return _factors(seen, expected * seen.sum() / expected.sum())


def _by_month(dates: npt.NDArray[np.datetime64]) -> FloatArray:
    months = dates.astype("datetime64[M]").astype(int) % 12
    return np.bincount(months, minlength=12).astype(np.float64)


def _factors(seen: FloatArray, expected: FloatArray) -> FloatArray:
    # seen over expected, drawn to 1 as far as chance alone would spread it
    if (mean := expected.mean()) == 0:
        return np.ones(12)
    spread = max(float(((seen - expected) ** 2 - expected).sum()), 0.0) / (expected**2).sum()
    if spread * mean < 1:  # less than as much again as chance: no season to speak of
        return np.ones(12)
    factor = (seen + 1 / spread) / (expected + 1 / spread)
    return np.asarray(factor / factor.mean())
