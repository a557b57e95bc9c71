"""Texts into HTML, escaped, with pictures as SVG: the page, the client's sheet, the panel."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from datetime import date
from functools import cache, partial
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from jinja2 import BaseLoader, Environment, StrictUndefined, Template
from jinja2.bccache import bc_version
from markupsafe import Markup, escape

from forecast._arrays import FloatArray
from forecast._files import write_whole
from forecast._notes import languages, problem_and_remedy
from forecast._shipped import shipped
from forecast.counts import GOALS, Estimate, LogSummary
from forecast.errors import RequestError
from forecast.forecaster import Forecaster
from forecast.log import ATTRIBUTES, LEVELLED, REQUIRED, column
from forecast.page.answer import Answer, answer
from forecast.page.desk import Asked, Desk, Reading
from forecast.page.words import Words, load_words
from forecast.prices import Tariff
from forecast.survival import quantiles
from forecast.tattoo import FACTS, INKS, REGIONS

if TYPE_CHECKING:
    import ipywidgets

HERE = Path(__file__).parent
STATIC = HERE / "static"
CHOICES = ("ink_density", "layering", "skin_type")
OPTIONAL_CHOICES = tuple(name for name in LEVELLED if name not in REQUIRED)
NUMBERS = tuple(name for name in ATTRIBUTES if name not in (*LEVELLED, "inks"))
GRADING_ROWS = 8
LISTED = {
    "regime": "sessions", "basis": "gradings", "reaction": "reactions", "severity": "reactions",
    "stop_reason": "courses",
}  # fmt: skip
WIDTH, HEIGHT = 290.0, 215.0
LEFT, RIGHT, TOP, BOTTOM = 34.0, 8.0, 26.0, 40.0
DOTS = tuple((20 * (k % 10 + 0.5), 20 * (k // 10 + 0.5)) for k in range(100))  # ten in a row


class _Compiled(BaseLoader):
    def load(self, environment: Environment, name: str, *more: Any) -> Template:
        compiled = partial(environment.compile, name=name, filename=name)
        code = shipped(HERE / "templates" / name, compiled, f"jinja{bc_version}")
        return Template.from_code(environment, code, *more)


@cache
def template(name: str) -> Template:
    """Return a template; whatever is put into it is escaped."""
    environment = Environment(
        loader=_Compiled(),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)


def static_text(name: str) -> str:
    """Return a file of the folder ``static``."""
    return (STATIC / name).read_text(encoding="utf-8")


def render_page(desk: Desk, words: Words, *, carried: str = "") -> str:
    """Return the page with an empty form, or with the entries ``carried`` from another language."""
    book = desk.daybook
    levels = {name: column("courses", name).levels for name in (*CHOICES, *OPTIONAL_CHOICES)}
    facts = {key: words.say(f"facts.{key}") for key in FACTS}
    return template("page.html").render(
        w=words, clinic=desk.clinic, goals=GOALS, inks=INKS, regions=REGIONS,
        first_goal=next(iter(desk.forecasters)), levels=levels, numbers=NUMBERS, facts=facts,
        optional_choices=OPTIONAL_CHOICES, extra=desk.extra, grading_rows=GRADING_ROWS,
        languages={code: load_words(code).say("name") for code in languages()},
        today=date.today().isoformat(), carried=carried, book=book,
        lately=book.lately() if book else [],
        lasers=book.rows("SELECT laser_id FROM lasers_now") if book else [],
        packages=desk.tariff.packages if desk.tariff else (),
        listed={name: column(table, name).levels for name, table in LISTED.items()},
    )  # fmt: skip


def render_parts(found: Answer, words: Words) -> dict[str, str]:
    """Return the pieces of the answer that the page swaps: headline, picture, details."""
    values = {"w": words, "a": found, **pictures(found)}
    return {
        name: template(f"{name}.html").render(values) for name in ("headline", "picture", "details")
    }


def pictures(found: Answer) -> dict[str, Any]:
    """Return what the templates draw: the 100 dots, and the curve."""
    return {"dots": _dots(found.steps[found.n - 1][0]), "curve": _curve(found.estimate)}


@cache  # of 101 pictures
def _dots(filled: int) -> Markup:
    return Markup(template("dots.html").render(dots=DOTS, filled=filled))


def _curve(estimate: Estimate) -> dict[str, Any]:
    # How many of 100 have reached the goal by each session, in the units of the drawing; the band
    # is what the model itself is unsure of, ticks and levels are places with their labels.
    horizon = estimate.horizon
    step = (WIDTH - LEFT - RIGHT) / horizon
    spread = quantiles(np.cumsum(estimate.draws, axis=1), [0.1, 0.9])
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


def _stairs(shares: FloatArray, step: float) -> list[tuple[float, float]]:
    corners = []
    for at, share in enumerate(shares):
        height = _place(float(share))
        corners += [(LEFT + at * step, height), (LEFT + (at + 1) * step, height)]
    return corners


def _path(corners: list[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in corners)


BROWSERS = (
    *("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome"),
    *("msedge", "microsoft-edge"),
)
ON_WINDOWS = ("Google/Chrome/Application/chrome.exe", "Microsoft/Edge/Application/msedge.exe")
SECONDS = 60
SHEET_MARK = "session-forecast sheet"  # by which a sheet is known again, not shown


def make_sheet(desk: Desk, asked: Asked, *, language: str = "") -> str:
    """Return a ``desk``'s sheet for what is ``asked`` as one HTML file that needs no other.

    Raises
    ------
    RequestError
        No model for the goal is loaded, or there are no texts in the language.

    Examples
    --------
    >>> from forecast.page import Asked, Desk
    >>> html = make_sheet(Desk({"clear": forecaster}), Asked(enquiry))
    >>> is_sheet(html.encode())
    True
    """
    words = load_words(language or desk.clinic.language)
    found = answer(desk, asked, words)
    if found is None:
        raise RequestError(*problem_and_remedy("refused.no_model_for", {"goal": asked.goal}))
    return render_sheet(found, desk, words, standalone=True)


def render_sheet(found: Answer, desk: Desk, words: Words, *, standalone: bool) -> str:
    """Return the client's sheet; ``standalone`` puts style and logo into the one file."""
    # the package's own style sheets need no escaping
    styles = [Markup(static_text(name)) for name in ("pictures.css", "sheet.css") if standalone]
    spoken = desk.clinic.spoken(words.code)
    return template("sheet.html").render(
        w=words, a=found, clinic=desk.clinic, spoken=spoken, today=words.day(date.today()),
        standalone=standalone, mark=SHEET_MARK, styles=styles, **pictures(found),
    )  # fmt: skip


def is_sheet(content: bytes) -> bool:
    """Return whether a file is a client's sheet, HTML or PDF, as it is written here.

    Examples
    --------
    >>> is_sheet(b"<p>Somebody's notes</p>")
    False
    """
    return SHEET_MARK.encode() in content


def find_browser() -> str | None:
    """Return the program of an installed Chromium, Chrome or Edge, or None.

    Examples
    --------
    >>> browser = find_browser()
    >>> browser is None or Path(browser).is_file()
    True
    """
    named = [shutil.which(name) for name in BROWSERS]
    placed = [str(path) for path in usual_places() if path.is_file()]
    return next(filter(None, [*named, *placed]), None)


def usual_places() -> list[Path]:
    """Return where macOS and Windows keep a browser that is on no search path."""
    apps = ("Google Chrome", "Microsoft Edge")
    places = [Path(f"/Applications/{app}.app/Contents/MacOS/{app}") for app in apps]
    named = ("PROGRAMFILES", "PROGRAMFILES(X86)", "LOCALAPPDATA")
    roots = [root for root in map(os.environ.get, named) if root]
    return places + [Path(root, program) for root in roots for program in ON_WINDOWS]


def html_to_pdf(html: str, path: Path, *, browser: str) -> None:
    """Write a page, ``html``, to ``path`` as PDF, by a headless browser without network.

    Raises
    ------
    RequestError
        The browser fails or takes longer than a minute.

    Examples
    --------
    >>> html_to_pdf("<p>7 to 12 sessions</p>", folder / "sheet.pdf", browser="none-here")
    Traceback (most recent call last):
    forecast.errors.RequestError: The browser none-here could not make the PDF ...
    """
    import subprocess  # which a sheet in HTML does not need
    from tempfile import TemporaryDirectory

    with TemporaryDirectory(prefix="sheet-") as folder:
        source, target = Path(folder, "sheet.html"), Path(folder, "sheet.pdf")
        source.write_text(html, encoding="utf-8")
        command = [
            browser,
            "--headless",
            "--disable-gpu",
            "--disable-background-networking",
            "--no-first-run",
            "--host-resolver-rules=MAP * ~NOTFOUND",
            f"--user-data-dir={Path(folder, 'profile')}",
            "--no-pdf-header-footer",
            f"--print-to-pdf={target}",
            source.as_uri(),
        ]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.insert(1, "--no-sandbox")  # Chromium's sandbox refuses the superuser
        try:
            subprocess.run(command, capture_output=True, timeout=SECONDS, check=True)
            made = target.read_bytes()
        except (OSError, subprocess.SubprocessError) as error:
            values = {"browser": str(browser), "why": type(error).__name__}
            raise RequestError(*problem_and_remedy("refused.no_pdf", values)) from None
    write_whole(path, made + f"%{SHEET_MARK}\n".encode())  # a comment, which readers skip


def estimate_panel(
    forecaster: Forecaster, *, tariff: Tariff | None = None, language: str = "en"
) -> ipywidgets.HBox:
    """Return controls and an answer that follows them, for JupyterLab.

    Parameters
    ----------
    forecaster : Forecaster
        Answers, as on the consultation page.
    tariff : Tariff, optional
        Adds the prices of its packages.
    language : str
        Code of a shipped language.

    Raises
    ------
    RequestError
        If ipywidgets is not installed, or there are no texts in that language.

    Examples
    --------
    >>> type(estimate_panel(forecaster)).__name__
    'HBox'
    """
    try:
        import ipywidgets as widgets
    except ImportError:
        raise RequestError(*problem_and_remedy("refused.no_widgets")) from None
    words = load_words(language)
    controls = _make_controls(widgets, words, forecaster.log_summary)
    slider = widgets.IntSlider(
        value=10,
        min=1,
        max=forecaster.horizon,
        description=words.say("answer.pick"),
        style={"description_width": "initial"},
    )
    shown = widgets.HTML()
    desk = Desk({forecaster.goal: forecaster}, tariff)

    def read(n: str = "") -> Reading:
        values = {name: control.value for name, control in controls.items()}
        sent = {name: list(v) if isinstance(v, tuple) else v for name, v in values.items()}
        return desk.read({**sent, "goal": forecaster.goal, "n": n})

    def follow(_: Any = None) -> None:
        shown.value = _html_of(read(str(slider.value)), desk, words)

    first = read().asked
    if first is not None and (found := answer(desk, first, words)) is not None:
        slider.value = found.n  # the upper end, as on the page
    for control in (*controls.values(), slider):
        control.observe(follow, names="value")
    follow()
    left = widgets.VBox(list(controls.values()), layout={"flex": "0 0 auto"})  # not squeezed
    right = widgets.VBox([slider, shown], layout={"flex": "1 1 0", "min_width": "0"})  # nor cut off
    return widgets.HBox([left, right])


def _make_controls(widgets: Any, words: Words, summary: LogSummary) -> dict[str, Any]:
    def commonest(name: str, levels: Sequence[str]) -> str:
        return max(levels, key=lambda level: summary.levels.get(name, {}).get(level, 0))

    def labelled(name: str) -> dict[str, Any]:
        sizes = {"style": {"description_width": "14em"}, "layout": {"width": "28em"}}
        return {"description": words.field(name), **sizes}

    inks, nothing = [(words.level("inks", ink), ink) for ink in INKS], ("–", "")
    first = [commonest("inks", list(INKS))]
    controls: dict[str, Any] = {
        "inks": widgets.SelectMultiple(options=inks, value=first, rows=5, **labelled("inks"))
    }
    offered: dict[str, Sequence[str]] = {"body_site": [*chain(*REGIONS.values())]}
    offered |= {name: column("courses", name).levels for name in (*CHOICES, *OPTIONAL_CHOICES)}
    for name, levels in offered.items():
        optional = name in OPTIONAL_CHOICES
        options = [nothing] * optional + [(words.level(name, level), level) for level in levels]
        value = "" if optional else commonest(name, levels)
        controls[name] = widgets.Dropdown(options=options, value=value, **labelled(name))
    for name in NUMBERS:
        controls[name] = widgets.Text(**labelled(name))
    done = {**labelled("sessions_done"), "description": words.say("form.sessions_done")}
    controls["sessions_done"] = widgets.Text(**done)
    for own in summary.extra:
        kind = widgets.Dropdown if own.levels else widgets.Text
        options = [nothing, *((one, one) for one in own.levels)]
        more = {"options": options, "value": ""} if own.levels else {}
        controls[f"extra.{own.name}"] = kind(**more, **labelled(f"extra.{own.name}"))
    return controls


def _html_of(reading: Reading, desk: Desk, words: Words) -> str:
    message, wrong = reading.told(words)
    named = [f"{words.field(name)}: {text}" for name, text in wrong.items()]
    said = " ".join(filter(None, [*named, message]))
    told = f"<p>⚠ {escape(said)}</p>" * bool(said)
    if reading.asked is None:
        return told
    found = answer(desk, reading.asked, words)
    if found is None:
        return f"<p>{escape(words.say('answer.cannot_say'))}</p>"
    parts = render_parts(found, words)
    text = escape(found.steps[found.n - 1][1])
    pictures = static_text("pictures.css").replace(":root", ".estimate-panel")
    styles = pictures + static_text("panel.css")
    return (
        f"{told}<style>{styles}</style><div class='estimate-panel'>{parts['headline']}"
        f"<p class='line'>{text}</p>{parts['picture']}{parts['details']}</div>"
    )
