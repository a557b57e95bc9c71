"""What drives an estimate, as rows of texts with bars."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from forecast.forecaster import Driver
    from forecast.page.asking import Asked
    from forecast.page.words import Words

__all__ = ["DriverRow", "driver_rows", "hint_text", "value_text"]

FEW_DRIVERS = 6


@dataclass(frozen=True, slots=True)
class DriverRow:
    """One attribute's part: its text, the difference, its range, and a bar from -1 to 1."""

    text: str
    difference: str
    interval: str
    bar: float


def driver_rows(found: tuple[Driver, ...], asked: Asked, words: Words) -> tuple[DriverRow, ...]:
    """Return the largest drivers, with bars scaled to the largest."""
    largest = max((abs(one.difference) for one in found), default=0.0) or 1.0
    rows = []
    for one in found[:FEW_DRIVERS]:
        low, high = (amount(one, end, words) for end in one.interval)
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
                difference=amount(one, one.difference, words),
                interval=words.span(low, high),
                bar=round(one.difference / largest, 3),
            )
        )
    return tuple(rows)


def hint_text(found: tuple[Driver, ...], words: Words) -> str:
    """Return what the differences are of."""
    by_session = next((one.by_session for one in found), None)
    if by_session is None:
        return words.say("answer.drivers_hint")
    return words.say("answer.drivers_by", {"horizon": by_session})


def amount(one: Driver, size: float, words: Words) -> str:
    """Return a difference with its sign: in sessions, or of 100 clients where chances differ."""
    if one.by_session is None:
        return words.number(size, signed=True)
    return words.whole(100 * size)


def value_text(name: str, asked: Asked, words: Words) -> str:
    """Return an attribute of the enquiry in words."""
    value = getattr(asked.enquiry, name)
    if isinstance(value, int | float):
        return with_unit(name, value, words)
    return str(value) if name == "skin_type" else words.level(name, value)


def against_text(one: Driver, words: Words) -> str:
    """Return what a driver is compared with, in words."""
    level = one.against.replace(" ", "_")
    if one.attribute == "skin_type":
        return one.against
    if words.has(f"levels.{one.attribute}.{level}"):
        return words.level(one.attribute, level)
    number = one.against.split(" ")[0]
    if not number.replace(".", "", 1).isdigit():
        return one.against
    return with_unit(one.attribute, float(number), words)


def with_unit(name: str, value: float, words: Words) -> str:
    """Return an attribute's number with its unit, where it has one."""
    number = words.number(value)
    if not words.has(f"unit.{name}"):
        return number
    return words.say(f"unit.{name}", {"n": int(value) if value == 1 else 2, "number": number})
