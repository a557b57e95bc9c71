"""Texts into HTML: the templates escape every value; only our own style sheets are put in whole."""

from __future__ import annotations

from datetime import date
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast.log import column
from forecast.page.asking import SPACING
from forecast.page.pictures import dots
from forecast.page.words import languages, load_words
from forecast.tattoo import FACTS, INKS, REGIONS

if TYPE_CHECKING:
    from jinja2 import Environment

    from forecast.page.answer import Answer
    from forecast.page.desk import Desk
    from forecast.page.words import Words

__all__ = ["SHEET_MARK", "render_page", "render_parts", "render_sheet", "static_text"]

HERE = Path(__file__).parent
CHOICES = ("ink_density", "layering", "skin_type")
OPTIONAL_CHOICES = ("origin", "scarring", "smoker")
NUMBERS = ("age_years", "area_cm2", "tattoo_age_years", "sessions_elsewhere")
SHEET_MARK = "session-forecast sheet"  # by which a sheet is known again, not shown
GRADING_ROWS = 8
FITS = (2600, 3200, 3700, 4300)  # characters at each size of type, tried on both papers


@cache
def environment() -> Environment:
    """Return the templates, with escaping on for all of them."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def static_text(name: str) -> str:
    """Return a file of the folder ``static``."""
    return (HERE / "static" / name).read_text(encoding="utf-8")


def render_page(desk: Desk, words: Words) -> str:
    """Return the page with an empty form."""
    levels = {name: column("courses", name).levels for name in (*CHOICES, *OPTIONAL_CHOICES)}
    facts = {
        key: words.say(f"facts.{key}") if words.has(f"facts.{key}") else text
        for key, text in FACTS.items()
    }
    return (
        environment()
        .get_template("page.html")
        .render(
            w=words,
            clinic=desk.clinic,
            goals=("clear", "lighten"),
            first_goal=next(iter(desk.forecasters)),
            inks=INKS,
            regions=REGIONS,
            levels=levels,
            choices=CHOICES,
            optional_choices=OPTIONAL_CHOICES,
            numbers=NUMBERS,
            facts=facts,
            grading_rows=GRADING_ROWS,
            spacing=SPACING,
            languages={code: load_words(code).say("name") for code in languages()},
            today=date.today().isoformat(),
        )
    )


def render_parts(found: Answer, words: Words) -> dict[str, str]:
    """Return the pieces of the answer that the page swaps: headline, picture, details."""
    return {
        name: environment().get_template(f"{name}.html").render(w=words, a=found, dots=dots())
        for name in ("headline", "picture", "details")
    }


def render_sheet(found: Answer, desk: Desk, words: Words, *, standalone: bool) -> str:
    """Return the client's sheet; ``standalone`` puts style and logo into the one file."""
    values: dict[str, Any] = {
        "w": words,
        "a": found,
        "dots": dots(),
        "clinic": desk.clinic,
        "today": words.day(date.today()),
        "standalone": standalone,
        "mark": SHEET_MARK,
        "size": size_for(text_length(found, desk)),
        "styles": own_styles() if standalone else (),
    }
    return environment().get_template("sheet.html").render(**values)


def text_length(found: Answer, desk: Desk) -> int:
    """Return how many characters the sheet has to find room for, headings left out."""
    clinic = desk.clinic
    rows, costs, dates = found.prices, found.price_range, found.dates
    if found.referrals:
        rows, costs, dates = (), "", ()
    texts = [
        *(clinic.opening, clinic.closing, found.meaning, found.questions, *found.lines, *dates),
        *(costs, found.own_share, found.support, found.model, *found.changes),
        *(text for text, _ in found.notes),
        *(caution.client for caution in found.cautions),
        *(part for pair in found.asked for part in pair),
        *(part for row in rows for part in (row.name, row.price, row.unit, row.enough)),
    ]
    return sum(map(len, texts))


def size_for(length: int) -> int:
    """Return which of the sheet's sizes of type fits that many characters on one page.

    Examples
    --------
    >>> size_for(1000), size_for(10_000)
    (0, 4)
    """
    return sum(length > most for most in FITS)


def own_styles() -> tuple[str, ...]:
    """Return the sheet's style sheets, which are the package's own and need no escaping."""
    from markupsafe import Markup

    return tuple(Markup(static_text(name)) for name in ("pictures.css", "sheet.css"))
