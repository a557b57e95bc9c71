"""The answer to one request and its prices, as texts of one language, for page, sheet and panel."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from forecast import forecaster as rooms  # promises are loaded where there is one
from forecast._checks import refusal
from forecast._notes import Note, in_language
from forecast.counts import Estimate, in_all, unchecked
from forecast.errors import ForecastError
from forecast.forecaster import GRADINGS, Driver, Forecaster
from forecast.log import ATTRIBUTES
from forecast.midcourse import STALL
from forecast.page.desk import Asked, Desk
from forecast.page.words import Words
from forecast.prices import (
    Package,
    Tariff,
    cap_note,
    draws_of,
    from_cents,
    left_of,
    no_longer_sold,
    price_rows,
)
from forecast.tattoo import cautions_for, cite, mark_of, waits

if TYPE_CHECKING:
    from forecast.daybook import Promise

Line = tuple[str, bool]  # a text, and whether it is in the reader's language
ALONE = "counts.evidence_alone"  # and the same mid-course: has its own line
MOST_DRIVERS = 6
YEAR = 365  # days, from which a model is called old
SOON = 0.5  # of the usual weeks between sessions: less is cautioned against (a judgement)
USUAL_WEEKS = 8.0  # where the log does not say: common practice, no source
WAYS = ("clear", "part", "lighten", "cover", "leave")
ODD = ("midcourse.grading_falls", "midcourse.gradings_differ", "midcourse.graded_as_cleared",
       "log.graded_in_fractions")  # fmt: skip
# what comes before the number when a course is under way, and what the client's sheet says of it
STRIPS = dict.fromkeys(STALL, "sheet.stalled") | dict.fromkeys(ODD, "sheet.grade_again")


class CautionRow(NamedTuple):
    """One caution, for the practitioner and for the client.

    ``kind`` is refer, care or always; ``own`` says that ``text``, which speaks to the
    practitioner, is translated; ``client`` is what the client's sheet says of the same thing.
    ``first`` is what a referral waits for, as in `Caution`.
    """

    kind: str
    text: str
    own: bool
    client: str
    first: str = ""


class DriverRow(NamedTuple):
    """One attribute's part: its text, the difference, its range, and a bar from -1 to 1."""

    text: str
    difference: str
    interval: str
    bar: float


class PriceRow(NamedTuple):
    """One package as the client sees it, in texts; its ``amount`` is None where it is no offer."""

    name: str
    price: str
    unit: str
    average: str
    enough: str
    amount: Decimal | None


class OptionRow(NamedTuple):
    """One way to go: its name, and in texts the sessions and what they cost, empty where unknown.

    By its ``key`` the languages have what it is like, what speaks for it and what against it.
    """

    key: str
    name: str
    sessions: str
    cost: str


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """All texts of an answer; an empty one where there is nothing to say."""

    estimate: Estimate  # of the sessions from now on
    done: int  # sessions had here already
    headline: str
    lines: tuple[str, ...]  # interval, who is not done, and the total of a course under way
    leads: tuple[str, ...]  # beside the number: what lasers reach, who gets there, other ways out
    goal: str  # its word: clear, light enough
    meaning: str  # what that word means and does not
    # what comes before the number, a stall or gradings that can hardly be: its text, whether that
    # is in the reader's language, and the client's
    strips: tuple[tuple[str, bool, str], ...]
    old: str  # that the model is older than a year
    n: int  # the session shown at first, the interval's upper end unless another is asked
    steps: tuple[tuple[int, str, str], ...]  # from session 1 on: filled dots, text and label
    options: tuple[OptionRow, ...]  # what can be chosen, doing nothing and covering among it
    dates: tuple[str, ...]  # none where no session is given any more
    changes: tuple[str, ...]
    drivers: tuple[DriverRow, ...]
    drivers_hint: str  # what their differences are of
    prices: tuple[PriceRow, ...]
    price_range: str
    price_notes: tuple[str, ...]  # packages without a price and why, for the practitioner
    cautions: tuple[CautionRow, ...]
    questions: str  # that the questions before starting were not asked
    sources: str  # of the cautions, for the practitioner
    notes: tuple[Line, ...]
    verdict: tuple[Line, ...]  # what the log says of the pulse regimes, for the practitioner
    own_share: str
    support: str
    model: str
    similar: str
    asked: tuple[tuple[str, str], ...]  # field and value, in plain words
    cited: str  # what its cautions rest on, for the client
    valid: str  # until when it is
    promised: str = ""  # what was promised against what is said now
    tell: bool = False  # whether the client is to be told of it
    kept: str = ""  # under which number this estimate was kept, and until when

    @property
    def referrals(self) -> tuple[CautionRow, ...]:
        """What has to be cleared up first: until then the client is given no date and no price."""
        return tuple(row for row in self.cautions if row.kind == "refer")


def answer(desk: Desk, asked: Asked, words: Words) -> Answer | None:
    """Return a ``desk``'s answer to what is ``asked``, in ``words``; None without such a model."""
    forecaster = desk.forecasters.get(asked.goal)
    if forecaster is None:
        return None
    asked = desk.at_course(asked)
    estimate, total = estimates_of(forecaster, asked, desk.forecasters.get("lighten"))
    done, more = asked.sessions_done, "_more" * bool(asked.sessions_done)
    goal = words.say(f"goal.{asked.goal}_done")
    quoted, price_notes = package_rows(estimate, desk.tariff, words, done=done)
    summary = forecaster.log_summary
    lasers = {nm for _, of in summary.lasers for nm in of}
    cautions = cautions_for(asked.enquiry, facts=asked.facts, wavelengths_nm=lasers)
    sources = dict.fromkeys(key for one in cautions for key in one.sources)
    lines = [words.note(in_all(total, done))[0]] if done else []
    lines += [range_line(estimate, more, words), _not_done_line(estimate, goal, more, words)]
    first = [note for note in estimate.notes if note.code in STRIPS]
    alone = [note for note in estimate.notes if ALONE in note.code]
    driven = forecaster.drivers(asked.enquiry, sessions_done=done, gradings=asked.gradings)
    by = next((one.by_session for one in driven), None)
    verdict = forecaster.regime_verdict if asked.goal == "clear" else None
    model, old = _model_lines(forecaster, words)
    unasked = "sheet.asked_in_part" if asked.facts else "sheet.not_asked"
    return Answer(
        estimate=estimate,
        done=done,
        headline=_headline(estimate, more, words),
        lines=tuple(lines),
        leads=tuple(words.note(note)[0] for note in estimate.leads),
        goal=goal,
        meaning=words.say(f"goal.{asked.goal}_means"),
        strips=tuple((*words.note(one), words.say(STRIPS[one.code])) for one in first),
        old=old,
        n=min(asked.n or estimate.interval[1] or estimate.horizon, estimate.horizon),
        steps=_steps(estimate, goal, more, words),
        options=_options(desk, asked, estimate, words),
        dates=_when(desk, estimate, summary.gap_weeks, asked, goal, words),
        changes=_changes(forecaster, asked, words),
        drivers=_driver_rows(driven, asked, words),
        drivers_hint=words.say(
            "answer.drivers_hint" if by is None else f"answer.drivers_by{more}", {"horizon": by}
        ),
        prices=quoted,
        price_range=range_text(estimate, desk.tariff, goal, words, done=done),
        price_notes=price_notes,
        cautions=tuple(
            CautionRow(one.kind, *words.caution(one), words.say(f"client.{one.key}"), one.first)
            for one in cautions
        ),
        questions="" if asked.questions_asked else words.say(unasked),
        sources="; ".join(cite(key, words.code) for key in sources),
        notes=tuple(words.note(one) for one in estimate.notes if one not in (*first, *alone)),
        verdict=() if verdict is None else (words.note(verdict),),
        own_share=words.note(alone[0])[0] if alone else words.say("answer.own_all"),
        support=words.say(f"answer.support.{estimate.support}"),
        model=model,
        similar=words.note(alike)[0] if (alike := summary.alike(asked.enquiry)) else "",
        asked=_given(asked, words),
        cited=", ".join(key for key in sources if mark_of(key).startswith("read")),
        **_of_book(desk, asked, estimate, total, words, held=waits(cautions)),
    )


def estimates_of(
    forecaster: Forecaster, asked: Asked, lighten: Forecaster | None
) -> tuple[Estimate, Estimate]:
    """Return what is asked from now on, and in all."""
    if not asked.sessions_done and not asked.gradings:
        estimate = forecaster.estimate(asked.enquiry, lighten=lighten)
        return estimate, estimate
    later = forecaster.update(
        asked.enquiry, sessions_done=asked.sessions_done, gradings=asked.gradings
    )
    return later.remaining, later.total


# until when the answer is valid, and what the daybook has of it: see the last fields of `Answer`
def _of_book(
    desk: Desk, asked: Asked, estimate: Estimate, total: Estimate, words: Words, *, held: bool
) -> dict[str, Any]:
    book = desk.daybook
    kept = book.promise(asked.promise) if book and asked.promise else None
    until = words.day(kept.until if kept else desk.valid_until(date.today()))
    found: dict[str, Any] = {"valid": until}
    if kept is not None:
        priced = kept.price is not None and not held
        said = [words.say("sheet.kept", {"until": until})] * priced
        found["kept"] = " ".join([f"{promise_text(kept, words)}.", *said])
    if book and asked.course:
        notes = total.notes + estimate.notes
        stands = rooms.against_promise(book.course(asked.course), total, notes)
        if stands is not None:
            found |= {"promised": words.note(stands)[0], "tell": stands.severity != "info"}
    return found


def _options(desk: Desk, asked: Asked, estimate: Estimate, words: Words) -> tuple[OptionRow, ...]:
    # both goals where both models are loaded, without what no laser reaches, and without a laser
    found = {asked.goal: estimate}
    for goal in desk.forecasters.keys() - found if not asked.sessions_done else ():
        found[goal] = estimates_of(desk.forecasters[goal], asked, None)[0]
    if len(found) == 2:
        # What is clear is light enough: two models that say otherwise are not set side by side.
        # Neither are they mid-course, where the one for lightening knows nothing of gradings.
        both = (found["lighten"], found["clear"])
        early, late = ((*one.interval, one.median) for one in both)
        if any((soon or np.inf) > (then or np.inf) for soon, then in zip(early, late, strict=True)):
            found = {asked.goal: estimate}
    kept = {"inks": words.level("inks", ";".join(estimate.unreached))}
    if "clear" in found and found["clear"].reached is not None:
        found["part"] = found["clear"].reached
    rows = []
    for key in (key for key in WAYS if key != "part" or key in found):
        one, sessions, cost = found.get(key), "", ""
        if one is not None:
            about = _headline(one, "_more" if asked.sessions_done else "", words)
            rest = key == "clear" and bool(one.unreached)
            said = {"sessions": True, "rest": rest, "unchecked": bool(unchecked(one))}
            values = {"about": about, **kept, **_likely(one, words)}
            sessions = "; ".join(words.say(f"options.{k}", values) for k, so in said.items() if so)
            cost = cost_of(desk.tariff, one, asked, words)
        rows.append(OptionRow(key, words.say(f"options.{key}.name", kept), sessions, cost))
    return tuple(rows)


def promise_text(promise: Promise, words: Words) -> str:
    """Return what was promised, with its number and day."""
    span = _span_text(promise.interval, len(promise.chances), words)
    values = {"n": promise.promise_no, "day": words.day(promise.issued_on), "span": span}
    return words.say("book.promise", values)


def _span_text(ends: Sequence[int | None], horizon: int, words: Words) -> str:
    beyond = words.say("answer.more_than", {"horizon": horizon})
    return words.span(*(beyond if end is None else words.number(end) for end in ends))


def whole_of_100(share: float) -> int:
    """Return how many of 100 dots a share fills: never all of them unless it is 1.

    Examples
    --------
    >>> whole_of_100(0.624), whole_of_100(0.999)
    (62, 99)
    """
    return min(round(100 * share), 99) if share < 1 else 100


def _steps(
    estimate: Estimate, goal: str, more: str, words: Words
) -> tuple[tuple[int, str, str], ...]:
    found = []
    for n, share in enumerate(estimate.distribution.cdf()[0].tolist(), 1):
        filled = whole_of_100(share)
        shares = {"done": words.of_100(share), "left": words.of_100(1 - share)}
        values = {"n": words.number(n), "goal": goal, "filled": filled, **shares}
        text = words.say(f"answer.by_session{more}", values)
        found.append((filled, text, words.say("answer.icons_label", values)))
    return tuple(found)


def _changes(forecaster: Forecaster, asked: Asked, words: Words) -> tuple[str, ...]:
    absent = forecaster.log_summary.absent(asked.enquiry)
    named = ", ".join(words.field(name) for name in absent)
    found = [words.say("answer.changes_absent", {"fields": named})] if absent else []
    if forecaster.midcourse is not None:
        found.append(words.say("answer.changes_gradings"))
    return (*found, words.say("answer.changes_lasers"))


# what the model rests on, and that it is old
def _model_lines(forecaster: Forecaster, words: Words) -> tuple[str, str]:
    summary = forecaster.log_summary
    sizes = {"courses": summary.n_courses, "horizon": forecaster.horizon}
    values = {name: words.number(size) for name, size in sizes.items()}
    try:
        days = [date.fromisoformat(day) for day in (summary.first_start, summary.last_start)]
    except ValueError:  # no course has a date
        return words.say("answer.model_no_dates", values), ""
    first, last = map(words.month, days)
    old = (date.today() - days[1]).days > YEAR
    said = words.say("answer.model", values | {"first": first, "last": last})
    return said, words.say("answer.model_old", {"last": last}) if old else ""


def _given(asked: Asked, words: Words) -> tuple[tuple[str, str], ...]:
    names = [*[name for name in ATTRIBUTES if getattr(asked.enquiry, name)], *asked.enquiry.extra]
    given = [(words.say("form.goal_term"), words.say(f"goal.{asked.goal}"))]
    given += [(words.field(name), _value_text(name, asked, words)) for name in names]
    if asked.sessions_done:
        given.append((words.say("form.sessions_done"), words.number(asked.sessions_done)))
    rows = [{"session": session, "percent": percent} for session, percent in asked.gradings]
    seen = ", ".join(words.note(Note("drivers.grading", values=row))[0] for row in rows)
    return (*given, *[(words.say("form.fading_term"), seen)] * bool(seen))


def _headline(estimate: Estimate, more: str, words: Words) -> str:
    if estimate.median is None:
        return words.say(f"answer.beyond{more}", {"horizon": estimate.horizon})
    n = estimate.median
    return words.say(f"answer.about{more}", {"n": n, "number": words.number(n)})


def _likely(estimate: Estimate, words: Words) -> dict[str, Any]:
    of_ten = words.number(round(10 * estimate.level, 1))
    return {"of_ten": of_ten, "span": _span_text(estimate.interval, estimate.horizon, words)}


def range_line(estimate: Estimate, more: str, words: Words) -> str:
    """Return the interval in natural frequencies."""
    if estimate.interval[0] is None:
        of_ten = words.number(round(10 - 5 * (1 - estimate.level), 1))
        values = {"of_ten": of_ten, "horizon": estimate.horizon}
        return words.say(f"answer.range_beyond{more}", values)
    return words.say(f"answer.range{more}", _likely(estimate, words))


def _not_done_line(estimate: Estimate, goal: str, more: str, words: Words) -> str:
    count = words.of_100(estimate.not_within_horizon)
    values = {"n": int(count) if count.isdigit() else 2, "count": count, "goal": goal}
    text = words.say(f"answer.not_done{more}", values | {"horizon": estimate.horizon})
    return text[:1].upper() + text[1:]


def date_lines(estimate: Estimate, asked: Asked, goal: str, words: Words) -> tuple[str, ...]:
    """Return the day of the first session, and middle and range in months, as spaced."""
    start = asked.start or date.today()
    found = estimate.calendar(asked.spacing_weeks, start)
    # a month says all that is known: the middle alone is years away and months wide
    by = {name: None if when is None else words.month(when) for name, when in found.items()}
    first = words.say("answer.dates_next" if asked.sessions_done else "answer.dates_start")
    weeks = asked.spacing_weeks
    every = {"n": int(weeks) if float(weeks).is_integer() else 2, "number": words.number(weeks)}
    lines = [f"{first}: {words.day(start)}, {words.say('answer.dates_spacing', every)}"]
    if by["median"]:
        lines.append(words.say("answer.dates_middle", {"goal": goal, "month": by["median"]}))
    else:
        lines.append(words.say("answer.dates_beyond", {"horizon": estimate.horizon}))
    low, high = by["low"], by["high"]
    if low is not None:
        span = words.span(low, high) if high else words.say("answer.dates_from", {"month": low})
        likely = {**_likely(estimate, words), "months": span}
        lines.append(words.say("answer.dates_range", likely))
    return tuple(lines)


# The dates of sessions that are still sold, with a caution first where they are to be much closer
# together than where the estimate comes from.
def _when(
    desk: Desk, estimate: Estimate, seen: float | None, asked: Asked, goal: str, words: Words
) -> tuple[str, ...]:
    if desk.tariff is not None and asked.sessions_done >= desk.tariff.cap:
        return ()
    dates = date_lines(estimate, asked, goal, words)
    usual, weeks = seen or USUAL_WEEKS, asked.spacing_weeks
    if asked.last and asked.start:
        weeks = min(weeks, (asked.start - asked.last).days / 7)
    if weeks >= SOON * usual:
        return dates
    key = "answer.dates_usual_here" if seen else "answer.dates_usual"
    values = {"usual": words.say(key, {"number": words.number(usual)})}
    return (words.say("answer.dates_soon", values), *dates)


def _driver_rows(found: tuple[Driver, ...], asked: Asked, words: Words) -> tuple[DriverRow, ...]:
    largest = max((abs(one.difference) for one in found), default=0.0) or 1.0
    rows = []
    for one in [one for one in found if not one.small][:MOST_DRIVERS]:
        sizes = (*one.interval, one.difference)
        low, high, moved = (words.number(size, signed=True) for size in sizes)
        if one.chances is not None:
            low, high = (words.whole(100 * end) for end in one.interval)
            own, other = map(words.of_100, one.chances)
            count, instead = (round(100 * chance) for chance in one.chances)
            values = {"own": own, "other": other, "difference": words.whole(count - instead)}
            moved = words.say("answer.driver_chances", values)
        if one.attribute == GRADINGS:
            session, percent = max(asked.gradings)
            values = {"session": str(session), "percent": words.number(percent)}
            text = words.say("answer.driver_gradings", values)
        else:
            value = _value_text(one.attribute, asked, words)
            values = {"attribute": words.field(one.attribute), "value": value}
            text = words.say("answer.driver", values | {"against": _against_text(one, words)})
        rows.append(
            DriverRow(text, moved, words.span(low, high), round(one.difference / largest, 3))
        )
    return tuple(rows)


def _value_text(name: str, asked: Asked, words: Words) -> str:
    value = asked.enquiry.value(name)
    if isinstance(value, int | float):
        return _with_unit(name, value, words)
    return str(value) if name == "skin_type" else words.level(name, value)


def _against_text(one: Driver, words: Words) -> str:
    level = one.against.replace(" ", "_")
    if one.attribute == "skin_type":
        return one.against
    if words.has(f"levels.{one.attribute}.{level}"):
        return words.level(one.attribute, level)
    number = one.against.split(" ")[0]
    if not number.replace(".", "", 1).isdigit():
        return one.against
    return _with_unit(one.attribute, float(number), words)


def _with_unit(name: str, value: float, words: Words) -> str:
    number = words.number(value)
    if not words.has(f"unit.{name}"):
        return number
    return words.say(f"unit.{name}", {"n": int(value) if value == 1 else 2, "number": number})


def package_rows(
    estimate: Estimate, tariff: Tariff | None, words: Words, *, done: int
) -> tuple[tuple[PriceRow, ...], tuple[str, ...]]:
    """Return a row per package, for what is left of it, and a note for each that is not sold."""
    if tariff is None:
        return (), ()
    rows, notes = [], [words.note(one)[0] for one in no_longer_sold(tariff, done)]
    left = [(one.label(words.code), left_of(one, tariff, done)) for one in tariff.packages]
    sold = [(name, one) for name, one in left if one]
    priced = _priced(estimate, [one for _, one in sold], done)
    for (name, one), found in zip(sold, priced, strict=True):
        if isinstance(found, ForecastError):
            said = in_language(refusal(found), words.code)
            notes.append(words.say("answer.price_fails", {"why": f"{name}: {said}"}))
        elif found.dearer[0]:  # all that it holds costs less one by one
            notes.append(words.say("answer.price_dearer", {"name": name}))
        else:  # one that is enough for few is marked so in its row
            rows.append(_price_row(found, *one, words, done=done))
    return tuple(rows), tuple(notes)


# what `price_rows` says of each, or why one is refused
def _priced(estimate: Estimate, sold: Sequence[tuple[Package, Tariff]], done: int) -> list[Any]:
    if not sold:
        return []
    stop = draws_of(estimate)[1].mean(axis=0)
    try:
        return [*price_rows(
            estimate.distribution.pmf, stop, [one for one, _ in sold], sold[0][1],
            area_cm2=estimate.enquiry.area_cm2, started=bool(done), pull=estimate.stop_pull,
        )]  # fmt: skip
    except ForecastError as error:  # of one of them
        apart = (_priced(estimate, [each], done) for each in sold)
        return [error] if len(sold) == 1 else [one for (one,) in apart]


def _price_row(
    priced: Any, package: Package, tariff: Tariff, words: Words, *, done: int
) -> PriceRow:
    sessions = priced.terms.cap if package.kind == "fixed" else package.sessions
    values = {"n": sessions or 1, "sessions": sessions, "extra": ""}
    kind = package.kind
    if package.extra_price is not None:
        values["extra"] = words.money(package.extra_price, tariff.currency)
        kind += "_extra" if kind == "block" else ""
    enough, chance, few = "", float(priced.enough[0]), ""
    if not np.isnan(chance):
        few = "of" if chance >= 0.5 else "none" if kind == "fixed" else "few"
        count = words.of_100(chance)
        enough = words.say(f"answer.price_enough_{few}", {"count": count})
    price, bill = from_cents(priced.price[0]), priced.revenue[0] * (1 + tariff.tax_rate)
    return PriceRow(
        name=package.label(words.code),
        price=words.money(price, tariff.currency),
        unit=words.say(f"price_unit.{kind}{'_more' * bool(done)}", values),
        average=words.money(from_cents(bill), tariff.currency),
        enough=enough,
        amount=None if few == "none" else price,
    )


def range_text(
    estimate: Estimate, tariff: Tariff | None, goal: str, words: Words, *, done: int = 0
) -> str:
    """Return what paying session by session comes to at the interval's ends and the middle.

    Each count is said once. Where the tariff's cap bounds them after ``done`` sessions, what is
    left of it is one of them, and for how many it is enough is said. Empty without a tariff.
    """
    if tariff is None:
        return ""
    beyond = words.say("answer.more_than", {"horizon": estimate.horizon})
    cap = cap_note(estimate, tariff, done)
    found = {*estimate.interval, estimate.median}
    found |= {tariff.cap - done} if cap and done < tariff.cap else set()
    counts = sorted(found, key=lambda n: np.inf if n is None else n)
    costs = [
        words.say("answer.price_one", {"cost": cost, "number": n or beyond})
        for n, cost in zip(counts, _paid(counts, estimate, tariff, words), strict=True)
    ]
    values = {"n": counts[-1], "goal": goal, "costs": ", ".join(costs)}
    said = words.say("answer.price_range", values)
    return f"{said} {words.note(cap)[0]}" if cap else said


def cost_of(tariff: Tariff | None, one: Estimate, asked: Asked, words: Words) -> str:
    """Return what an estimate's interval costs one by one, and what bounds it; else empty."""
    if tariff is None:
        return ""
    values = {"span": words.span(*_paid(one.interval, one, tariff, words))}
    left = max(tariff.cap - asked.sessions_done, 0)
    capped = cap_note(one, tariff, asked.sessions_done) is not None
    bound = ("cost_capped" if left else "cost_reached") if capped else "cost"
    return words.say(f"options.{bound}", values | {"left": left})


# what so many sessions cost, paid one by one; None is more than the horizon
def _paid(
    counts: Iterable[int | None], one: Estimate, tariff: Tariff, words: Words
) -> tuple[str, ...]:
    each = tariff.single_price(one.enquiry.area_cm2)
    paid = []
    for n in counts:
        cost = words.money((n or one.horizon) * each, tariff.currency)
        paid.append(cost if n else words.say("answer.more_than", {"horizon": cost}))
    return tuple(paid)
