"""The appointments to come: what open courses and new ones will need, by month, with bands.

Every replicate has one draw of the model's parameters, shared by all courses, and its own fates:
who clears, who stops, when each comes back, who starts. Sessions are those of the log's own habits;
nothing here is a plan to treat sooner or later.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from forecast._arrays import FloatArray, IntArray
from forecast._checks import YEAR, check_kind, check_seed, check_whole_number
from forecast._notes import (
    Note,
    Sentence,
    aligned,
    bullets,
    notes_as_json,
    problem_and_remedy,
    sentence,
)
from forecast._plain import Result
from forecast.counts import FEW, SHORTER, competing_ends, lasers_in_use, of_100
from forecast.errors import RequestError
from forecast.log import OutcomeLog, check_log, enquiries_of, enquiry_of
from forecast.prices.package import from_cents
from forecast.prices.past_and_open import from_now, gradings_by_course, match_package
from forecast.prices.quote import areas_of, price_rows
from forecast.prices.rhythm import Gaps, OwnTime, Starts, last_day
from forecast.prices.tariff import Tariff, charges_of
from forecast.prices.year import DrawsEstimates, pull_of, stretched
from forecast.tattoo import Laser, ink_group, unreached_inks

REPLICATES = 2000
MOST_WEEKS = 156
COURSES_AT_ONCE = 200  # open ones: their fates in all replicates fit into memory
NEWEST = 300  # courses of the log that new ones are taken to be like
FARTHEST = 3.0  # standard deviations of a gap, past which nobody is taken to come back
LOW, HIGH = 0.05, 0.95
LIKELY = 0.5  # chance from which a month is said not to fit

# What may still come of courses, n of them: the chance of more than 0, 1, … further sessions by
# draw, (n_draws, n, horizon), and what the k-th further one adds to each tally, (n, horizon).
Rows: TypeAlias = tuple[FloatArray, dict[str, FloatArray]]


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Appointments(Result):
    """The appointments to come, by calendar month; the first and last month may be parts.

    Attributes
    ----------
    first_days, days : tuple of date, of int
        On which months begin, the day after the log's last and then the first, and their days.
    n_open, overdue : int
        Courses under way, and those whose client has been away for longer than gaps of the log
        explain, who are taken to have stopped and are not counted.
    from_open, from_new : ndarray of shape (months,)
        Expected sessions.
    tallies : dict of ndarray of shape (replicates, months)
        What every simulated future holds: ``sessions``, and with a tariff ``minutes``, hours of
        each wavelength (``"1064"``), ``income``, ``of_owed``, ``prepaid`` and ``cost``, in cents.
    starts_per_month, weeks_between : float
        New courses expected, and what is usual between sessions.
    currency, hours_a_week : str, float or None
        Of the tariff, empty without one; hours that can be booked.
    another_laser : mapping
        Of the further one that the tariff describes the ``hours`` a week it adds, what it ``cost``
        a year, and for what share of the newest courses it ``reaches`` inks anew.
    unknown_packages : dict of int
        Courses by the name of a package that the tariff does not know: counted, without money.
    notes : tuple of Note
        How it was computed.

    Examples
    --------
    >>> forecast_appointments(forecaster, log, weeks=4).to_frame()[["month", "low", "high"]]
            month  low  high
    0  2025-01-03    8    14
    """

    first_days: tuple[date, ...]
    days: tuple[int, ...]
    n_open: int
    overdue: int
    from_open: FloatArray
    from_new: FloatArray
    tallies: dict[str, FloatArray]
    starts_per_month: float
    weeks_between: float
    currency: str
    hours_a_week: float | None
    another_laser: Mapping[str, float]
    unknown_packages: dict[str, int]
    notes: tuple[Note, ...]

    @property
    def total(self) -> tuple[float, float, float]:
        """All sessions: expected, and the ends of the 90 % interval."""
        sums = self.tallies["sessions"].sum(axis=1)
        low, high = np.quantile(sums, [LOW, HIGH])
        return float(sums.mean()), float(low), float(high)

    def chance_too_full(self, hours_a_week: float) -> FloatArray:
        """Return the chance that each month needs more than ``hours_a_week``, shape (months,)."""
        needed = self.tallies.get("minutes", np.zeros((1, len(self.days))))
        return np.asarray((needed > np.array(self.days) / 7 * hours_a_week * 60).mean(axis=0))

    def first_too_full(self, hours_a_week: float | None = None) -> date | None:
        """Return the first month that more likely than not needs more hours, or None."""
        hours = self.hours_a_week if hours_a_week is None else hours_a_week
        full = self.chance_too_full(np.inf if hours is None else hours) >= LIKELY
        return self.first_days[int(full.argmax())] if full.any() else None

    def to_frame(self) -> pd.DataFrame:
        """Return one row per month; minutes, hours and money are expected values.

        ``income`` is what comes in, ``of_owed`` the part of it that was sold already (instalments
        and rests), ``prepaid`` counts sessions that were paid before, ``cost`` is that of the
        sessions; money in currency, tax included but in ``cost``.
        """
        sessions = self.tallies["sessions"]
        low, high = np.quantile(sessions, [LOW, HIGH], axis=0)
        frame = pd.DataFrame({
            "month": [day.isoformat() for day in self.first_days],
            "days": self.days,
            "from_open_courses": self.from_open.round(1),
            "from_new_courses": self.from_new.round(1),
            "sessions": sessions.mean(axis=0).round(1),
            "low": np.floor(low).astype(int),
            "high": np.ceil(high).astype(int),
        })  # fmt: skip
        for name, values in self.tallies.items():
            mean = values.mean(axis=0)
            if name.isdigit():
                frame[f"hours_{name}_nm"] = (mean / 60).round(1)
            elif name in ("income", "of_owed", "cost"):
                frame[name] = (mean / 100).round(2)
            elif name != "sessions":
                frame[name] = mean.round(1)
        if self.hours_a_week is not None and "minutes" in self.tallies:
            frame["chance_too_full"] = self.chance_too_full(self.hours_a_week).round(3)
        return frame

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values: the months as rows, and what holds for all."""
        kept = ("n_open", "overdue", "starts_per_month", "weeks_between", "currency",
                "hours_a_week", "another_laser", "unknown_packages")  # fmt: skip
        full = self.first_too_full()
        return {
            "months": self.to_frame().to_dict("records"),
            "total": dict(zip(("sessions", "low", "high"), map(round, self.total), strict=True)),
            **{name: getattr(self, name) for name in kept},
            "first_too_full": full and full.isoformat(),
            **notes_as_json(self.notes),
        }

    def in_brief(self) -> list[Sentence]:
        """Return the appointments in all and by month, whether they fit, and the money."""
        rest = (line for line in self.summary() if line.note.code != "prices.hours_at")
        return [*self._counts(), *rest]

    def _counts(self) -> list[Sentence]:
        mean, low, high = map(round, self.total)
        values: dict[str, Any] = {"mean": mean, "low": low, "high": high, "days": sum(self.days)}
        values |= {"old": round(self.from_open.sum()), "new": round(self.from_new.sum())}
        values |= {"open": self.n_open, "rate": self.starts_per_month}
        whole = sentence("visits.all", values | {"first": str(self.first_days[0])})
        return [whole, sentence("visits.by_month", {"months": [*self._by_month()]})]

    def lines(self, language: str) -> list[str]:
        """Return the months as a table in words, then hours, money and the notes."""
        table = aligned(self._table(), language, to_the_right=True)
        return [*self._counts(), *table, *self.summary(), *bullets(self.notes)]

    def _table(self) -> Iterator[list[Sentence]]:
        frame = self.to_frame()
        more = {name: part for name, part in {"minutes": 60, "income": 1}.items() if name in frame}
        heads = ("from", "open", "new", "sessions", "range", *more)
        yield [sentence(f"visits.head_{name}") for name in heads]
        for day, row in zip(self.first_days, frame.to_dict("records"), strict=True):
            numbers = [row[name] for name in ("from_open_courses", "from_new_courses", "sessions")]
            numbers += [row[name] / part for name, part in more.items()]
            cells = [sentence("visits.number", {"n": one}) for one in numbers]
            spread = sentence("headline.span", {"low": row["low"], "high": row["high"]})
            yield [sentence("visits.day", {"day": str(day)}), *cells[:3], spread, *cells[3:]]

    def _by_month(self) -> Iterator[Sentence]:
        said, sessions = 0, self.tallies["sessions"].mean(axis=0)
        for day, number in zip(self.first_days, sessions, strict=True):
            code = "visits.month" if day.year == said else "visits.month_of_year"
            yield sentence(code, {"day": str(day), "n": round(number)})
            said = day.year

    def summary(self) -> list[Sentence]:
        """Return what a tariff adds, in words: hours, the first month too full, money."""
        return [Sentence(note) for note in (*self._hours(), *self._money())]

    def _hours(self) -> Iterator[Note]:
        if "minutes" not in self.tallies:
            return
        for name, minutes in self.tallies.items():
            if name.isdigit():
                hours = round(minutes.sum(axis=1).mean() / 60)
                yield Note("prices.hours_at", "info", {"hours": hours, "nm": name})
        if self.hours_a_week is None:
            return
        full, chance = self.first_too_full(), self.chance_too_full(self.hours_a_week)
        at = int(chance.argmax()) if full is None else self.first_days.index(full)
        values = {"hours": self.hours_a_week, "chance": of_100(chance[at]), "month": str(full)}
        yield Note(f"prices.{'book_fits' if full is None else 'too_full'}", "info", values)
        if self.another_laser:
            hours = self.hours_a_week + self.another_laser["hours"]
            still = self.first_too_full(hours)
            values = {"hours": hours, "month": str(still) if still else Note("prices.no_month")}
            values |= {"cost": self.another_laser["cost"], "currency": self.currency}
            values["reaches"] = of_100(self.another_laser["reaches"])
            yield Note("prices.another_laser", "info", values)

    def _money(self) -> Iterator[Note]:
        if "income" not in self.tallies:
            return
        sums = {name: tally.sum(axis=1) for name, tally in self.tallies.items()}
        cents = {name: sums[name].mean() for name in ("income", "of_owed", "cost")}
        cents |= dict(zip(("low", "high"), np.quantile(sums["income"], [LOW, HIGH]), strict=True))
        money = {name: float(from_cents(float(amount))) for name, amount in cents.items()}
        owed = "_owed" * bool(money["of_owed"])
        yield Note(f"prices.coming_in{owed}", "info", money | {"currency": self.currency})
        yield Note("prices.owed_to_clients", "info", {"sessions": round(sums["prepaid"].mean())})
        for name, count in self.unknown_packages.items():
            yield Note("prices.unknown_package", "caution", {"courses": count, "package": name})

    def to_calendar(self, *, language: str = "en") -> str:
        """Return the months as events of an iCalendar file (RFC 5545); nothing of any client."""
        lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//session-forecast//appointments//EN"]
        records = self.to_frame().to_dict("records")
        for row, first, days in zip(records, self.first_days, self.days, strict=True):
            about = sentence("visits.event", {str(name): one for name, one in row.items()})
            lines += [
                "BEGIN:VEVENT",
                f"UID:{first:%Y%m%d}@session-forecast",
                f"DTSTAMP:{self.first_days[0]:%Y%m%d}T000000Z",
                f"DTSTART;VALUE=DATE:{first:%Y%m%d}",
                f"DTEND;VALUE=DATE:{first + timedelta(days=days):%Y%m%d}",
                f"SUMMARY:{about.say(language)}",
                "TRANSP:TRANSPARENT",
                "END:VEVENT",
            ]
        return "\r\n".join([*lines, "END:VCALENDAR", ""])


def forecast_appointments(
    forecaster: Any,
    log: OutcomeLog,
    tariff: Tariff | None = None,
    *,
    weeks: int = 52,
    starts_per_month: float | None = None,
    seed: int = 0,
) -> Appointments:
    """Return the appointments of the coming weeks, from open courses and from new ones.

    Parameters
    ----------
    forecaster : Forecaster
        With the goal ``clear``; it offers ``update`` and ``estimate_draws``.
    log : OutcomeLog
        Its courses under way, the gaps between its sessions, and how many start. The future begins
        on the day after its last date.
    tariff : Tariff, optional
        With ``minutes_per_session``, minutes; with ``hours_a_week`` the first month that no longer
        fits; and the money that comes in.
    weeks : int
        How far to look, 1 to 156.
    starts_per_month : float, optional
        New courses a month; by default the log's own rate, with its drift and its seasons.
    seed : int
        Same seed, same numbers.

    Raises
    ------
    RequestError
        A forecaster for lightening, or weeks or starts out of range.

    Examples
    --------
    >>> forecast_appointments(forecaster, log, weeks=4).n_open
    29
    """
    check_log(log)
    check_kind(forecaster, DrawsEstimates, name="forecaster", give="what fit_forecaster returns")
    check_kind(tariff, (Tariff, type(None)), name="tariff", give="a Tariff, or None")
    weeks = check_whole_number(weeks, name="weeks", low=1, high=MOST_WEEKS)
    given = starts_per_month
    if given is not None and not (isinstance(given, int | float) and 0 <= given <= 10_000):
        values = {"name": "starts_per_month", "given": repr(given), "low": 0, "high": 10_000}
        raise RequestError(*problem_and_remedy("refused.number", values))
    if getattr(forecaster, "goal", "clear") != "clear":
        raise RequestError(*problem_and_remedy("refused.for_lightening", {"goal": "clear"}))
    rng = np.random.default_rng([check_seed(seed), 22])
    day_one = last_day(log).date() + timedelta(days=1)
    end = day_one + timedelta(weeks=weeks)
    first_days = (day_one, *pd.date_range(day_one, end, freq="MS", inclusive="neither").date)
    edges = np.array([(day - day_one).days for day in (*first_days, end)])
    (gaps, own_gaps), starts = Gaps.of(log), Starts.of(log, given=given)
    own_time, worth = OwnTime.of(log, int(edges[-1])), _Worth(log, tariff)
    tallies = {"sessions": np.zeros((REPLICATES, len(first_days)))}
    n_open, overdue = 0, 0
    for rows, since, pace in _open_rows(forecaster, log, gaps, own_gaps, own_time, worth):
        away = np.isfinite(since)
        n_open, overdue = n_open + int(away.sum()), overdue + int((~away).sum())
        shape = (REPLICATES, len(since))
        wait, own = gaps.until_next(since, *pace, rng.random(shape))
        rest = np.sqrt(1 / (1 / np.maximum(pace[1], 1e-9) ** 2 + 1 / gaps.within**2))
        own = own + rest * rng.standard_normal(shape)
        entries = (*np.indices(shape), own_time.after(0.0, wait - 0.5), own)
        chosen = [one[:, away].ravel() for one in entries]
        _come(tallies, rows, chosen, gaps.within, own_time, edges, rng)
    from_open = tallies["sessions"].mean(axis=0)
    replicate, day = starts.draw(np.array(first_days, "datetime64[D]"), edges, REPLICATES, rng)
    rows = _new_rows(forecaster, log, worth)
    row = rng.integers(rows[0].shape[1], size=len(day))
    own = gaps.mean + gaps.between * rng.standard_normal(len(day))
    _come(tallies, rows, [replicate, row, day, own], gaps.within, own_time, edges, rng)
    return Appointments(
        first_days=first_days,
        days=tuple(int(n) for n in np.diff(edges)),
        n_open=n_open,
        overdue=overdue,
        from_open=from_open,
        from_new=tallies["sessions"].mean(axis=0) - from_open,
        tallies=tallies,
        starts_per_month=len(day) / REPLICATES / (7 * weeks) * YEAR / 12,
        weeks_between=float(np.exp(gaps.mean) / 7),
        currency="" if tariff is None else tariff.currency,
        hours_a_week=None if tariff is None else tariff.hours_a_week,
        another_laser=_another(log, tariff),
        unknown_packages=worth.unknown,
        notes=_notes(gaps, own_time, overdue, () if given is not None else _of_starts(log), worth),
    )


def _notes(
    gaps: Gaps, own_time: OwnTime, overdue: int, starts: tuple[Note, ...], worth: _Worth
) -> tuple[Note, ...]:
    weeks = {"weeks": round(float(np.exp(gaps.mean)) / 7, 1)}
    usual = Note("prices.visits_usual_gap", "caution")
    notes = [Note("prices.visits_as_before", "info", weeks) if gaps.known else usual]
    if np.ptp(own_time.season) > 0:
        ends = own_time.season.min(), own_time.season.max()
        least, most = (round(100 * float(end)) for end in ends)
        notes.append(Note("prices.visits_by_month", "info", {"least": least, "most": most}))
    notes += starts
    if overdue:
        notes.append(Note("prices.overdue", "caution", {"courses": overdue}))
    if worth.tariff is not None and worth.tariff.minutes_per_session is None:
        notes.append(Note("prices.no_minutes"))
    return tuple(notes)


def _of_starts(log: OutcomeLog) -> tuple[Note, ...]:
    few = len(log.courses) <= FEW
    return (Note("prices.starts_few", "caution") if few else Note("prices.starts_as_before"),)


def _another(log: OutcomeLog, tariff: Tariff | None) -> dict[str, float]:
    if tariff is None or not (asked := tariff.another_laser):
        return {}
    bought = float(asked.get("price", 0)) - float(asked.get("resale", 0))
    lasers = lasers_in_use(log.lasers)
    more = (*lasers, Laser("ns", tuple(int(nm) for nm in asked.get("wavelengths_nm", ()))))
    inks = [str(one) for one in log.courses.sort_values("started_on").tail(NEWEST)["inks"]]
    gained = [len(unreached_inks(one, more)) < len(unreached_inks(one, lasers)) for one in inks]
    return {
        "hours": float(asked.get("hours_a_week", 0)),
        "cost": round(float(asked.get("lease", 0)) + bought / float(asked.get("life_years", 1)), 2),
        "reaches": float(np.mean(gained)) if lasers else 0.0,
    }


def _come(
    tallies: dict[str, FloatArray],
    rows: Rows,
    entries: list[Any],
    within: float,
    own_time: OwnTime,
    edges: IntArray,
    rng: np.random.Generator,
) -> None:
    # One entry per course and replicate: these two, the day of its first further session, its own
    # log gap. Each comes as often as one uniform number says; what it adds goes to its month.
    (replicate, row, day, own), (more, values), n_months = entries, rows, len(edges) - 1
    left = rng.random(len(row))
    for k in range(more.shape[2]):
        comes = (left < more[replicate % len(more), row, k]) & (day < edges[-1])
        replicate, row, day, own, left = (a[comes] for a in (replicate, row, day, own, left))
        if not len(row):
            return
        cell = replicate * n_months + np.searchsorted(edges, day, side="right") - 1
        for name, value in values.items():
            added = np.bincount(cell, value[row, k], minlength=REPLICATES * n_months)
            into = tallies.setdefault(name, np.zeros((REPLICATES, n_months)))
            into += added.reshape(REPLICATES, n_months)
        day = own_time.after(day, np.exp(own + within * rng.standard_normal(len(day))))


def _more_than(pmf: FloatArray, stop: FloatArray, pull: FloatArray | None) -> FloatArray:
    """Return the chance that more than 0, 1, … sessions are held, the shape of ``pmf``."""
    ended = np.cumsum(sum(competing_ends(pmf, stop, pull)), axis=-1)
    return np.concatenate([np.ones((*pmf.shape[:-1], 1)), 1 - ended[..., :-1]], axis=-1)


def _open_rows(
    forecaster: Any,
    log: OutcomeLog,
    gaps: Gaps,
    own: dict[str, tuple[int, float]],
    own_time: OwnTime,
    worth: _Worth,
) -> Iterator[tuple[Rows, FloatArray, tuple[FloatArray, FloatArray]]]:
    # courses under way, some at a time: what may come, own days since the last session (infinite
    # where the client is taken to have left), and mean and spread of the own log gap
    courses = log.courses.assign(judged=log.judged_sessions)
    courses = courses[courses["outcome"] == "ongoing"]
    graded, now = gradings_by_course(log), last_day(log)
    last = log.sessions.groupby("course_id")["treated_on"].max()
    for low in range(0, len(courses), COURSES_AT_ONCE):
        part = courses.iloc[low : low + COURSES_AT_ONCE]
        laws = [_open_law(forecaster, one, graded) for one in part.to_dict("records")]
        more = np.stack(laws, axis=1)
        had = [own.get(str(name), (0, 0.0)) for name in part["course_id"]]
        pace = gaps.pace(*(np.array(each, dtype=np.float64) for each in zip(*had, strict=True)))
        given, usual = part["sessions_given"].to_numpy(dtype=np.float64), np.exp(pace[0])
        seen = (now - part["course_id"].map(last)).dt.days.to_numpy(dtype=np.float64)
        begun = (now - part["started_on"]).dt.days.to_numpy(dtype=np.float64)
        rough = np.clip(begun - (given - 1) * usual, 0, usual / 2)  # where no session is dated
        since = own_time.since(np.where(np.isnan(seen), rough, seen))
        spread = np.sqrt(pace[1] ** 2 + gaps.within**2)
        since[np.log(np.maximum(since, 1)) > pace[0] + FARTHEST * spread] = np.inf
        yield (more, worth.of(part, given.astype(int), more.shape[2], {})), since, pace


def _open_law(
    forecaster: Any, course: dict[Any, Any], graded: dict[str, list[tuple[int, float]]]
) -> FloatArray:
    # chance of more than 0, 1, … further sessions under each draw, (n_draws, horizon)
    enquiry = enquiry_of(course, getattr(forecaster, "extra", ()))
    given, judged = int(course["sessions_given"]), int(course["judged"])
    gradings = graded.get(str(course["course_id"]), [])
    later = forecaster.update(enquiry, sessions_done=judged, gradings=gradings).remaining
    if course["goal"] == "lighten":
        steps = later.draws.shape[1]
        pmf, _ = forecaster.estimate_draws([enquiry], steps=int((judged + steps + 1) / SHORTER) + 1)
        light = stretched(pmf[:, 0], 1 / SHORTER, judged + steps)
        going = np.maximum(1 - light[:, :judged].sum(axis=1, keepdims=True), 1e-9)
        later = replace(later, draws=light[:, judged:] / going)
    over, law = from_now(later, waiting=given > judged)
    more = (1 - over.sum(axis=1, keepdims=True)) * _more_than(*law)
    return np.pad(more, ((0, 0), (0, later.draws.shape[1] - more.shape[1])))


def _new_rows(forecaster: Any, log: OutcomeLog, worth: _Worth) -> Rows:
    courses = log.courses.sort_values("started_on").tail(NEWEST)
    asked = enquiries_of(courses, getattr(forecaster, "extra", ()))
    pmf, stop = forecaster.estimate_draws(asked)
    lighten = np.flatnonzero((courses["goal"] == "lighten").to_numpy())
    if len(lighten):
        horizon, those = pmf.shape[2], [asked[k] for k in lighten]
        far, _ = forecaster.estimate_draws(those, steps=int(horizon / SHORTER) + 1)
        pmf = pmf.copy()
        pmf[:, lighten] = stretched(far, 1 / SHORTER, horizon)
    pull = pull_of(forecaster)
    stop, none = np.broadcast_to(stop, pmf.shape), np.zeros(len(courses), dtype=np.int64)
    priced = {}
    if worth.tariff is not None:
        sold, means = worth.tariff.packages, (pmf.mean(axis=0), stop.mean(axis=0))
        found = price_rows(*means, sold, worth.tariff, area_cm2=areas_of(asked), pull=pull)
        priced = {one.name: each.price for one, each in zip(sold, found, strict=True)}
    return _more_than(pmf, stop, pull), worth.of(courses, none, pmf.shape[2], priced)


class _Worth:
    """What a session takes and brings in: minutes, hours by wavelength, money in cents."""

    def __init__(self, log: OutcomeLog, tariff: Tariff | None) -> None:
        self.tariff = tariff
        self.unknown: dict[str, int] = {}
        timed = tariff is not None and tariff.minutes_per_session is not None
        self.shares = _wavelength_shares(log) if timed else pd.DataFrame()

    def of(
        self,
        courses: pd.DataFrame,
        given: IntArray,
        horizon: int,
        asked: Mapping[str, FloatArray],  # each course's price, where the tariff leaves it open
    ) -> dict[str, FloatArray]:
        """Return what the k-th further session of each course adds, by tally, (n, horizon)."""
        shape = (len(courses), horizon)
        found = {"sessions": np.ones(shape)}
        tariff = self.tariff
        if tariff is None:
            return found
        area = areas_of(enquiries_of(courses))
        if tariff.minutes_per_session is not None:
            minutes = tariff.minutes(area)
            found["minutes"] = np.broadcast_to(minutes[:, None], shape)
            groups = courses["inks"].astype(str).map(ink_group)
            for nm, share in self.shares.reindex(groups, fill_value=0.0).items():
                found[str(nm)] = np.broadcast_to((minutes * share.to_numpy())[:, None], shape)
        prices = [{name: float(own[k]) for name, own in asked.items()} for k in range(len(area))]
        rows = zip(courses.to_dict("records"), given.tolist(), area.tolist(), prices, strict=True)
        money = [self._money(one, had, horizon, cm2, own) for one, had, cm2, own in rows]
        for place, name in enumerate(("income", "of_owed", "prepaid")):
            found[name] = np.stack([one[place] for one in money])
        found["cost"] = np.broadcast_to(tariff.session_costs(area)[:, None], shape)
        return found

    def _money(
        self, course: dict[Any, Any], had: int, horizon: int, area: float, asked: dict[str, float]
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        # income with each further session, what of it is owed already, and whether it was prepaid
        nothing = np.zeros(horizon)
        assert self.tariff is not None
        try:
            package = match_package(course["package"], self.tariff.packages)
        except RequestError:
            recorded = course["package"]
            name = str(recorded) if recorded and recorded == recorded else "not recorded"
            if had:  # of new courses there is none yet to name
                self.unknown[name] = self.unknown.get(name, 0) + 1
            return nothing, nothing, nothing
        sessions = np.arange(had + 1, had + horizon + 1)
        charges, held = charges_of(package, self.tariff, had + horizon, area, asked=asked)
        later, recorded = charges[had:], course.get("sessions_prepaid")
        if had and package.kind == "block" and pd.notna(recorded):
            later = np.where((sessions > held) & (sessions <= recorded), 0.0, later)
            held = int(recorded)
        sold = (sessions <= held) & bool(had)
        return later, np.where(sold, later, 0.0), sold.astype(np.float64)


def _wavelength_shares(log: OutcomeLog) -> pd.DataFrame:
    # of each ink group, the share of a session's time at each wavelength in the last two years
    rows = log.each_session.dropna(subset=["wavelengths_nm"])
    rows = rows[rows["treated_on"] >= np.datetime64(last_day(log)) - np.timedelta64(730, "D")]
    inks = log.courses.set_index("course_id")["inks"]
    listed = rows["wavelengths_nm"].astype(str).str.split(";")
    groups = rows["course_id"].map(inks).astype(str).map(ink_group)
    each = pd.DataFrame({"group": groups, "nm": listed, "part": 1 / listed.str.len()}).explode("nm")
    each["nm"] = each["nm"].astype(float).astype(int)
    sums = each.pivot_table("part", "group", "nm", aggfunc="sum", fill_value=0.0)
    return sums.div(sums.sum(axis=1), axis=0)
