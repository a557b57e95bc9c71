"""Texts into HTML: the templates escape every value; the pictures are drawn as SVG."""

from __future__ import annotations

from datetime import date
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template

from forecast.log import column
from forecast.page.asking import SPACING
from forecast.page.words import languages, load_words
from forecast.tattoo import FACTS, INKS, REGIONS

if TYPE_CHECKING:
    from forecast.counts import Estimate
    from forecast.page.answer import Answer
    from forecast.page.desk import Desk
    from forecast.page.words import Words

HERE = Path(__file__).parent
CHOICES = ("ink_density", "layering", "skin_type")
OPTIONAL_CHOICES = ("origin", "scarring", "smoker")
NUMBERS = ("age_years", "area_cm2", "tattoo_age_years", "sessions_elsewhere")
GRADING_ROWS = 8
WIDTH, HEIGHT = 290.0, 215.0
LEFT, RIGHT, TOP, BOTTOM = 34.0, 8.0, 26.0, 40.0
DOTS = tuple((20 * (k % 10 + 0.5), 20 * (k // 10 + 0.5)) for k in range(100))  # ten in a row


@cache
def template(name: str) -> Template:
    """Return a template; whatever is put into it is escaped."""
    environment = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)


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
    return str(
        template("page.html").render(
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
        name: template(f"{name}.html").render(w=words, a=found, **pictures(found))
        for name in ("headline", "picture", "details")
    }


def pictures(found: Answer) -> dict[str, Any]:
    """Return what the templates draw: the places of 100 dots, and the curve."""
    return {"dots": DOTS, "curve": _curve(found.estimate)}


def _curve(estimate: Estimate) -> dict[str, Any]:
    # How many of 100 have reached the goal by each session, in the units of the drawing; the band
    # is what the model itself is unsure of, ticks and levels are places with their labels.
    horizon = estimate.horizon
    step = (WIDTH - LEFT - RIGHT) / horizon
    spread = np.quantile(np.cumsum(estimate.draws, axis=1), [0.1, 0.9], axis=0)
    low, high = (_stairs(values, step) for values in spread)
    beyond = estimate.supported_to < horizon
    ticks = [n for n in range(1, horizon + 1) if n == 1 or n % 5 == 0]
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "left": LEFT,
        "right": WIDTH - RIGHT,
        "top": TOP,
        "bottom": HEIGHT - BOTTOM,
        "line": _path(_stairs(estimate.distribution.cdf()[0], step)),
        "band": _path([*high, *low[::-1]]) + "Z",
        "first": round(LEFT + step / 2, 2),
        "step": round(step, 4),
        "ticks": tuple((round(LEFT + (n - 0.5) * step, 1), n) for n in ticks),
        "levels": tuple((round(_place(level / 100), 1), level) for level in (0, 25, 50, 75, 100)),
        "supported_x": round(LEFT + estimate.supported_to * step, 1) if beyond else None,
    }


def _place(share: float) -> float:
    return HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)


def _stairs(
    shares: np.ndarray[tuple[int, ...], np.dtype[np.float64]], step: float
) -> list[tuple[float, float]]:
    corners = []
    for at, share in enumerate(shares):
        height = _place(float(share))
        corners += [(LEFT + at * step, height), (LEFT + (at + 1) * step, height)]
    return corners


def _path(corners: list[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in corners)
