"""An estimate in sentences: natural frequencies, both sides of them, and dates."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from forecast.counts import Estimate
    from forecast.page.asking import Asked
    from forecast.page.words import Words

__all__ = ["date_lines", "headline", "not_done_line", "range_line", "total_line"]


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


def likely(estimate: Estimate, words: Words) -> dict[str, Any]:
    """Return the interval and its level for a text."""
    low, high = (spoken(end, estimate, words) for end in estimate.interval)
    return {
        "of_ten": words.number(round(10 * estimate.level, 1)),
        "span": words.span(low, high),
    }


def range_line(estimate: Estimate, more: str, words: Words) -> str:
    """Return the interval in natural frequencies."""
    if estimate.interval[0] is None:
        of_ten = words.number(round(10 - 5 * (1 - estimate.level), 1))
        values = {"of_ten": of_ten, "horizon": estimate.horizon}
        return words.say(f"answer.range_beyond{more}", values)
    return words.say(f"answer.range{more}", likely(estimate, words))


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
    return words.say("answer.total", {"done": done, "median": median, **likely(total, words)})


def date_lines(estimate: Estimate, asked: Asked, goal: str, words: Words) -> tuple[str, ...]:
    """Return the day of the first session, and middle and range in months, as spaced."""
    start = asked.start or date.today()
    found = estimate.calendar(asked.spacing_weeks, start)
    later = words.say("answer.dates_later", {"horizon": estimate.horizon})
    # a month says all that is known: the middle alone is years away and months wide
    by = {name: later if when is None else words.month(when) for name, when in found.items()}
    first = words.say("answer.dates_next" if asked.sessions_done else "answer.dates_start")
    weeks = asked.spacing_weeks
    n = int(weeks) if float(weeks).is_integer() else None
    spacing = words.say(
        "answer.dates_spacing", {"n": 2 if n is None else n, "number": words.number(weeks)}
    )
    middle = words.say("answer.dates_middle", {"goal": goal})
    span = words.say("answer.dates_range", likely(estimate, words))
    return (
        f"{first}: {words.day(start)}, {spacing}",
        f"{middle}: {by['median']}",
        f"{span}: {words.span(by['low'], by['high'])}",
    )
