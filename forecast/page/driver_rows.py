"""What drives an estimate, as rows of texts with bars."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from forecast.clinic.drivers import Driver
    from forecast.page.asking import Asked
    from forecast.page.words import Words

__all__ = ["DriverRow", "driver_rows", "value_text"]

FEW_DRIVERS = 6


@dataclass(frozen=True, slots=True)
class DriverRow:
    """One attribute's part: its text, the difference, its range, and bars from -1 to 1."""

    text: str
    difference: str
    direction: str
    interval: str
    bar: float


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
                interval=words.span(low, high),
                bar=round(one.difference / largest, 3),
            )
        )
    return tuple(rows)


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
