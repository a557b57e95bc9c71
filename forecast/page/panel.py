"""The same answer beside the analyst's notebook: controls on the left, the page's own parts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from markupsafe import escape

from forecast.errors import RequestError
from forecast.log import column
from forecast.page.answer import answer
from forecast.page.desk import Desk
from forecast.page.sheet import CHOICES, NUMBERS, OPTIONAL_CHOICES, render_parts, static_text
from forecast.page.words import load_words
from forecast.tattoo import INKS, REGIONS

if TYPE_CHECKING:
    import ipywidgets

    from forecast.counts import LogSummary
    from forecast.forecaster import Forecaster
    from forecast.page.desk import Reading
    from forecast.page.words import Words
    from forecast.prices import Tariff


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
        raise RequestError(
            "The panel needs ipywidgets.",
            "Install session-forecast with its extra: pip install -e '.[notebooks]'.",
        ) from None
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
        return {
            "description": words.field(name),
            "style": {"description_width": "14em"},
            "layout": {"width": "28em"},
        }

    sites = [(words.level("body_site", site), site) for sites in REGIONS.values() for site in sites]
    inks = [(words.level("inks", ink), ink) for ink in INKS]
    nothing = ("–", "")
    controls: dict[str, Any] = {
        "inks": widgets.SelectMultiple(
            options=inks, value=[commonest("inks", list(INKS))], rows=5, **labelled("inks")
        ),
        "body_site": widgets.Dropdown(
            options=sites,
            value=commonest("body_site", [site for _, site in sites]),
            **labelled("body_site"),
        ),
    }
    for name in (*CHOICES, *OPTIONAL_CHOICES):
        rule = column("courses", name)
        options = [(words.level(name, level), level) for level in rule.levels]
        first = commonest(name, rule.levels) if rule.required else ""
        controls[name] = widgets.Dropdown(
            options=options if rule.required else [nothing, *options], value=first, **labelled(name)
        )
    for name in (*NUMBERS, "sessions_done"):
        key = "sessions_done" if name == "sessions_done" else f"{name}_term"
        named = {**labelled(name), "description": words.say(f"form.{key}")}
        controls[name] = widgets.Text(value="", continuous_update=True, **named)
    for own in summary.extra:
        more: dict[str, Any] = (
            {"options": [nothing, *((one, one) for one in own.levels)]} if own.levels else {}
        )
        kind = widgets.Dropdown if own.levels else widgets.Text
        controls[f"extra.{own.name}"] = kind(value="", **more, **labelled(f"extra.{own.name}"))
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
