"""The answer to one request, as texts of one language, for page, sheet and panel."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from forecast.forecaster import drivers_of
from forecast.page.asking import Asked
from forecast.page.driver_rows import DriverRow, driver_rows, hint_text, value_text
from forecast.page.lines import date_lines, headline, not_done_line, range_line, total_line
from forecast.page.pictures import Curve, draw_curve, whole_of_100
from forecast.page.prices import PriceRow, price_rows, range_text
from forecast.tattoo import cautions_for, cite

if TYPE_CHECKING:
    from forecast.counts import Estimate
    from forecast.forecaster import Forecaster
    from forecast.page.desk import Desk
    from forecast.page.words import Words
    from forecast.tattoo import Caution

__all__ = ["Answer", "CautionRow", "answer", "estimates_of"]

Line = tuple[str, bool]  # a text, and whether it is in the reader's language
OWN_SHARE = "counts.own_share"  # has its own line


@dataclass(frozen=True, slots=True)
class CautionRow:
    """One caution, for the practitioner and for the client.

    ``kind`` is refer, care or always; ``own`` says that ``text``, which speaks to the
    practitioner, is translated; ``client`` is what the client's sheet says of the same thing.
    """

    kind: str
    text: str
    own: bool
    client: str


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
    drivers_hint : str
        What their differences are of.
    prices : tuple of PriceRow
    price_range : str
        Empty without pay per session.
    price_notes : tuple of str
        Packages without a price and why, for the practitioner.
    cautions : tuple of CautionRow
        Those that call for a referral first.
    questions : str
        That the questions before starting were not asked; empty once they were.
    sources : str
        Of the cautions, for the practitioner.
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
    drivers_hint: str
    prices: tuple[PriceRow, ...]
    price_range: str
    price_notes: tuple[str, ...]
    cautions: tuple[CautionRow, ...]
    questions: str
    sources: str
    notes: tuple[Line, ...]
    own_share: str
    support: str
    model: str
    similar: str
    asked: tuple[tuple[str, str], ...]

    @property
    def referrals(self) -> tuple[CautionRow, ...]:
        """What has to be cleared up first: until then the client is given no date and no price."""
        return tuple(row for row in self.cautions if row.kind == "refer")


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
    quoted, price_notes = price_rows(estimate, desk.tariff, words, done=done)
    cautions = cautions_of(forecaster, asked)
    lines = [range_line(estimate, more, words), not_done_line(estimate, goal, more, words)]
    if done:
        lines.insert(0, total_line(total, done, words))
    driven, summary = drivers_of(forecaster, asked.enquiry), forecaster.log_summary
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
        drivers=driver_rows(driven, asked, words),
        drivers_hint=hint_text(driven, words),
        prices=quoted,
        price_range=range_text(estimate, desk.tariff, goal, words, done=done),
        price_notes=price_notes,
        cautions=caution_rows(cautions, words),
        questions=questions_line(asked, words),
        sources=sources_of(cautions, words),
        notes=tuple(words.note(note) for note in estimate.notes if note.code != OWN_SHARE),
        own_share=own_share_line(forecaster, estimate, words),
        support=words.say(f"answer.support.{estimate.support}"),
        model=model_line(forecaster, words),
        similar=similar_line(summary.similar(asked.enquiry), words),
        asked=given(asked, words),
    )


def own_share_line(forecaster: Forecaster, estimate: Estimate, words: Words) -> str:
    """Return how much comes from the clinic's own data."""
    if forecaster.evidence is None:
        return words.say("answer.own_all")
    percent = words.number(round(100 * estimate.own_share))
    return words.say("answer.own_share", {"percent": percent})


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


def changes(forecaster: Forecaster, asked: Asked, words: Words) -> tuple[str, ...]:
    """Return what would change the estimate."""
    absent = forecaster.log_summary.absent(asked.enquiry)
    named = ", ".join(words.say(f"form.{name}_term") for name in absent)
    found = [words.say("answer.changes_absent", {"fields": named})] if absent else []
    if forecaster.midcourse is not None:
        found.append(words.say("answer.changes_gradings"))
    return (*found, words.say("answer.changes_lasers"))


def cautions_of(forecaster: Forecaster, asked: Asked) -> tuple[Caution, ...]:
    """Return the cautions that apply, with the wavelengths of the log's lasers."""
    wavelengths = {nm for _, of in forecaster.log_summary.lasers for nm in of}
    return cautions_for(asked.enquiry, facts=asked.facts, wavelengths_nm=wavelengths)


def caution_rows(found: tuple[Caution, ...], words: Words) -> tuple[CautionRow, ...]:
    """Return the cautions as texts."""
    return tuple(
        CautionRow(one.kind, *words.caution(one), client=words.say(f"client.{one.key}"))
        for one in found
    )


def questions_line(asked: Asked, words: Words) -> str:
    """Return that the questions before starting were not, or not all, asked."""
    if asked.questions_asked:
        return ""
    return words.say("sheet.asked_in_part" if asked.facts else "sheet.not_asked")


def sources_of(found: tuple[Caution, ...], words: Words) -> str:
    """Return what the cautions rest on, each source once."""
    keys = dict.fromkeys(key for one in found for key in one.sources)
    return "; ".join(words.note(cite(key))[0] for key in keys)


def model_line(forecaster: Forecaster, words: Words) -> str:
    """Return the model's size and dates."""
    summary = forecaster.log_summary
    values = {
        "courses": words.number(summary.n_courses),
        "horizon": words.number(forecaster.horizon),
    }
    try:
        first, last = (
            words.month(date.fromisoformat(text))
            for text in (summary.first_start, summary.last_start)
        )
    except ValueError:  # no course has a date
        return words.say("answer.model_no_dates", values)
    return words.say("answer.model", {**values, "first": first, "last": last})


def similar_line(found: Any, words: Words) -> str:
    """Return how past courses like this one ended, or an empty text when there are too few."""
    if found is None:
        return ""
    like, _ = words.note(found["like"])
    values = {"like": like, "n": found["n"], "reached": found["reached"]}
    text = words.say("answer.similar", values)
    if found["half_by"] is not None:
        text += " " + words.say("answer.similar_half", {"half": words.number(found["half_by"])})
    fields = ", ".join(words.say(f"form.{name}_term") for name in found["unlike"])
    return f"{text} {words.say('answer.similar_unlike', {'fields': fields})}"


def given(asked: Asked, words: Words) -> tuple[tuple[str, str], ...]:
    """Return the attributes that were given, in plain words."""
    names = [name for name in type(asked.enquiry).__slots__ if getattr(asked.enquiry, name)]
    return tuple((words.say(f"form.{name}_term"), value_text(name, asked, words)) for name in names)
