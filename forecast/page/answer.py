"""The answer to one request, as texts of one language, for page, sheet and panel."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from forecast.clinic.cautions import cautions_for
from forecast.clinic.drivers import Driver, drivers
from forecast.page.asking import Asked
from forecast.page.pictures import Curve, draw_curve, whole_of_100
from forecast.page.prices import PriceRow, price_rows, range_text

if TYPE_CHECKING:
    from forecast.clinic.estimate import Estimate
    from forecast.clinic.forecaster import Forecaster
    from forecast.page.desk import Desk
    from forecast.page.words import Words

__all__ = ["Answer", "CautionRow", "DriverRow", "answer", "estimates_of"]

Line = tuple[str, bool]  # a text, and whether it is in the reader's language
FEW_DRIVERS = 6
OWN_SHARE = "% of what this rests on comes from this clinic's own log"  # has its own line


@dataclass(frozen=True, slots=True)
class DriverRow:
    """One attribute's part: its text, the difference, its range, and bars from -1 to 1."""

    text: str
    difference: str
    direction: str
    interval: str
    bar: float


@dataclass(frozen=True, slots=True)
class CautionRow:
    """One caution: ``kind`` is refer, care or always; ``own`` says that its text is translated."""

    kind: str
    text: str
    own: bool
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """All texts of an answer.

    Attributes
    ----------
    estimate : Estimate
        Of the sessions from now on.
    done : int
        Sessions had here already.
    headline : str
    lines : tuple of str
        Interval, who is not done, and the total when the course is under way.
    goal : str
        The goal's word: clear, light enough.
    meaning : str
        What that word means and does not.
    n : int
        The session shown in the picture at first.
    steps : tuple of (filled dots, text, label)
        For session 1 to the horizon.
    curve : Curve
    dates, changes : tuple of str
    drivers : tuple of DriverRow
    prices : tuple of PriceRow
    price_range : str
        Empty without pay per session.
    cautions : tuple of CautionRow
        Those that call for a referral first.
    notes : tuple of Line
    own_share, support, model, similar : str
    asked : tuple of (field, value)
        What was given, in plain words.
    """

    estimate: Estimate
    done: int
    headline: str
    lines: tuple[str, ...]
    goal: str
    meaning: str
    n: int
    steps: tuple[tuple[int, str, str], ...]
    curve: Curve
    dates: tuple[str, ...]
    changes: tuple[str, ...]
    drivers: tuple[DriverRow, ...]
    prices: tuple[PriceRow, ...]
    price_range: str
    cautions: tuple[CautionRow, ...]
    notes: tuple[Line, ...]
    own_share: str
    support: str
    model: str
    similar: str
    asked: tuple[tuple[str, str], ...]


def estimates_of(forecaster: Forecaster, asked: Asked) -> tuple[Estimate, Estimate]:
    """Return the estimates of the sessions from now on, and of all sessions here."""
    if not asked.sessions_done and not asked.gradings:
        estimate = forecaster.estimate(asked.enquiry)
        return estimate, estimate
    later = forecaster.update(
        asked.enquiry, sessions_done=asked.sessions_done, gradings=asked.gradings
    )
    return later.remaining, later.total


def answer(desk: Desk, asked: Asked, words: Words) -> Answer | None:
    """Return the answer, or None when no model for the goal is loaded."""
    forecaster = desk.forecasters.get(asked.goal)
    if forecaster is None:
        return None
    estimate, total = estimates_of(forecaster, asked)
    done = asked.sessions_done
    more = "_more" if done else ""
    goal = words.say(f"goal.{asked.goal}_done")
    quoted, price_notes = price_rows(estimate, desk.tariff, words, started=bool(done))
    lines = [range_line(estimate, words), not_done_line(estimate, goal, more, words)]
    if done:
        lines.insert(0, total_line(total, done, words))
    reference = forecaster.reference
    return Answer(
        estimate=estimate,
        done=done,
        headline=headline(estimate, more, words),
        lines=tuple(lines),
        goal=goal,
        meaning=words.say(f"goal.{asked.goal}_means"),
        n=min(asked.n or estimate.median or estimate.horizon, estimate.horizon),
        steps=steps(estimate, goal, more, words),
        curve=draw_curve(estimate),
        dates=date_lines(estimate, asked, goal, words),
        changes=changes(forecaster, asked, words),
        drivers=driver_rows(drivers(forecaster, asked.enquiry), asked, words),
        prices=quoted,
        price_range=range_text(estimate, desk.tariff, goal, words),
        cautions=caution_rows(forecaster, asked, words),
        notes=(
            *(words.note(note) for note in estimate.notes if OWN_SHARE not in note),
            *((note, True) for note in price_notes),
        ),
        own_share=own_share_line(forecaster, estimate, words),
        support=words.say(f"answer.support.{estimate.support}"),
        model=model_line(forecaster, words),
        similar=similar_line(reference.similar(asked.enquiry), words),
        asked=given(asked, words),
    )


def own_share_line(forecaster: Forecaster, estimate: Estimate, words: Words) -> str:
    """Return how much comes from the clinic's own data."""
    if forecaster.evidence is None:
        return words.say("answer.own_all")
    percent = words.number(round(100 * estimate.own_share))
    return words.say("answer.own_share", {"percent": percent})


def headline(estimate: Estimate, more: str, words: Words) -> str:
    """Return the middle in words."""
    if estimate.median is None:
        return words.say(f"answer.beyond{more}", {"horizon": estimate.horizon})
    n = estimate.median
    return words.say(f"answer.about{more}", {"n": n, "number": words.number(n)})


def spoken(n: int | None, estimate: Estimate, words: Words) -> str:
    """Return a session count, or that it is more than the horizon."""
    if n is None:
        return words.say("answer.more_than", {"horizon": estimate.horizon})
    return words.number(n)


def ends(estimate: Estimate, words: Words) -> dict[str, Any]:
    """Return the interval's ends and level for a text."""
    low, high = estimate.interval
    return {
        "of_ten": words.number(round(10 * estimate.level, 1)),
        "low": spoken(low, estimate, words),
        "high": spoken(high, estimate, words),
    }


def range_line(estimate: Estimate, words: Words) -> str:
    """Return the interval in natural frequencies."""
    low, high = estimate.interval
    if low is None:
        of_ten = words.number(round(10 - 5 * (1 - estimate.level), 1))
        return words.say("answer.range_beyond", {"of_ten": of_ten, "horizon": estimate.horizon})
    key = "answer.range_same" if low == high else "answer.range"
    return words.say(key, ends(estimate, words))


def not_done_line(estimate: Estimate, goal: str, more: str, words: Words) -> str:
    """Return how many of 100 have not reached the goal by the horizon."""
    share = estimate.not_within_horizon
    count = words.of_100(share)
    values = {
        "n": int(count) if count.isdigit() else 2,
        "count": count,
        "goal": goal,
        "horizon": estimate.horizon,
    }
    text = words.say(f"answer.not_done{more}", values)
    return text[:1].upper() + text[1:]


def total_line(total: Estimate, done: int, words: Words) -> str:
    """Return what the remaining sessions add up to with those done."""
    if total.median is None:
        return words.say("answer.total_beyond", {"done": done, "horizon": total.horizon})
    median = spoken(total.median, total, words)
    return words.say("answer.total", {"done": done, "median": median, **ends(total, words)})


def steps(
    estimate: Estimate, goal: str, more: str, words: Words
) -> tuple[tuple[int, str, str], ...]:
    """Return dots, text and label of every session that the reader may pick."""
    found = []
    for n in range(1, estimate.horizon + 1):
        share = estimate.chance_by(n)
        filled = whole_of_100(share)
        values = {
            "n": n,
            "goal": goal,
            "done": words.of_100(share),
            "left": words.of_100(1 - share),
            "filled": filled,
        }
        text = words.say(f"answer.by_session{more}", {**values, "n": words.number(n)})
        label = words.say("answer.icons_label", {**values, "n": words.number(n)})
        found.append((filled, text, label))
    return tuple(found)


def date_lines(estimate: Estimate, asked: Asked, goal: str, words: Words) -> tuple[str, ...]:
    """Return first session, middle and range as dates at the chosen spacing."""
    start = asked.start or date.today()
    found = estimate.calendar(asked.spacing_weeks, start)
    later = words.say("answer.dates_later", {"horizon": estimate.horizon})
    day = {name: later if when is None else words.day(when) for name, when in found.items()}
    first = words.say("answer.dates_next" if asked.sessions_done else "answer.dates_start")
    weeks = asked.spacing_weeks
    n = int(weeks) if float(weeks).is_integer() else None
    spacing = words.say(
        "answer.dates_spacing", {"n": 2 if n is None else n, "number": words.number(weeks)}
    )
    middle = words.say("answer.dates_middle", {"goal": goal})
    span = words.say("answer.dates_range", ends(estimate, words))
    between = words.say("answer.dates_join", {"low": day["low"], "high": day["high"]})
    return (
        f"{first}: {words.day(start)}, {spacing}",
        f"{middle}: {day['median']}",
        f"{span} {between}",
    )


def changes(forecaster: Forecaster, asked: Asked, words: Words) -> tuple[str, ...]:
    """Return what would change the estimate."""
    absent = forecaster.reference.absent(asked.enquiry)
    named = ", ".join(words.say(f"form.{name}_term") for name in absent)
    found = [words.say("answer.changes_absent", {"fields": named})] if absent else []
    if forecaster.midcourse is not None:
        found.append(words.say("answer.changes_gradings"))
    return (*found, words.say("answer.changes_lasers"))


def driver_rows(found: tuple[Driver, ...], asked: Asked, words: Words) -> tuple[DriverRow, ...]:
    """Return the largest drivers, with bars scaled to the largest."""
    largest = max((abs(one.difference) for one in found), default=0.0) or 1.0
    rows = []
    for one in found[:FEW_DRIVERS]:
        direction = "more_sessions" if one.difference >= 0 else "fewer_sessions"
        low, high = (words.number(end, signed=True) for end in one.interval)
        rows.append(
            DriverRow(
                text=words.say(
                    "answer.driver",
                    {
                        "attribute": words.say(f"form.{one.attribute}_term"),
                        "value": value_text(one.attribute, asked, words),
                        "against": against_text(one, words),
                    },
                ),
                difference=words.number(one.difference, signed=True),
                direction=words.say(f"answer.{direction}"),
                interval=words.say("answer.driver_range", {"low": low, "high": high}),
                bar=round(one.difference / largest, 3),
            )
        )
    return tuple(rows)


def value_text(name: str, asked: Asked, words: Words) -> str:
    """Return an attribute of the enquiry in words."""
    value = getattr(asked.enquiry, name)
    if isinstance(value, int | float):
        return words.number(value)
    return str(value) if name == "skin_type" else words.level(name, value)


def against_text(one: Driver, words: Words) -> str:
    """Return what a driver is compared with, in words."""
    level = one.against.replace(" ", "_")
    if one.attribute == "skin_type":
        return one.against
    if words.has(f"levels.{one.attribute}.{level}"):
        return words.level(one.attribute, level)
    number = one.against.split(" ")[0]
    return words.number(float(number)) if number.replace(".", "", 1).isdigit() else one.against


def caution_rows(forecaster: Forecaster, asked: Asked, words: Words) -> tuple[CautionRow, ...]:
    """Return the cautions that apply, with the wavelengths of the log's lasers."""
    wavelengths = {nm for _, of in forecaster.reference.lasers for nm in of}
    found = cautions_for(asked.enquiry, facts=asked.facts, wavelengths_nm=wavelengths)
    rows = []
    for one in found:
        text, own = words.caution(one)
        rows.append(CautionRow(one.kind, text, own, one.sources))
    return tuple(rows)


def model_line(forecaster: Forecaster, words: Words) -> str:
    """Return the model's size and dates."""
    reference = forecaster.reference
    values = {
        "courses": words.number(reference.n_courses),
        "horizon": words.number(forecaster.horizon),
    }
    days = [
        words.day(date.fromisoformat(text)) if text else ""
        for text in (reference.first_start, reference.last_start)
    ]
    if not all(days):
        return words.say("answer.model_no_dates", values)
    return words.say("answer.model", {**values, "first": days[0], "last": days[1]})


def similar_line(found: Any, words: Words) -> str:
    """Return how past courses like this one ended, or an empty text when there are too few."""
    if found is None:
        return ""
    like, _ = words.note(found["like"])
    values = {"like": like, "n": found["n"], "reached": found["reached"]}
    text = words.say("answer.similar", values)
    if found["half_by"] is not None:
        text += " " + words.say("answer.similar_half", {"half": words.number(found["half_by"])})
    return text


def given(asked: Asked, words: Words) -> tuple[tuple[str, str], ...]:
    """Return the attributes that were given, in plain words."""
    names = [name for name in type(asked.enquiry).__slots__ if getattr(asked.enquiry, name)]
    return tuple((words.say(f"form.{name}_term"), value_text(name, asked, words)) for name in names)
