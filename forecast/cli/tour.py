"""`forecast tour`: the whole job on the invented clinic, into a folder to look at."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING, Any

import forecast
from forecast import figures, prices, reactions, tattoo
from forecast.cli.estimate import estimates_text, update_lines
from forecast.cli.files import (
    CLOSING,
    Options,
    answer,
    check_folder,
    progress,
    read_enquiries,
    typed,
    write_text,
)
from forecast.cli.log import fitted_text
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast.counts import Estimate
    from forecast.forecaster import Forecaster
    from forecast.log import OutcomeLog

SHIPPED_SEED = 20170102  # of the invented clinic, as in synthetic_data/make.py
INVENTED = "The clinic is invented: its numbers show the method, not yours."
TITLE = "Tour of an invented clinic"
INDEX = "index.html"
EDITED = ("enquiries.csv", "tariff.toml")  # which a reader is likely to change
TAKEN_UP = ("model.json", *EDITED)  # by the other commands
UNDER_WAY = "arm-2"
GRADINGS = ((0, 0), (2, 30), (4, 60))
ENQUIRIES = """\
enquiry_id,skin_type,body_site,inks,ink_density,layering,age_years,origin,area_cm2,smoker
arm-1,II,forearm,black,light,single,27,amateur,12,no
arm-2,III,forearm,black;red,medium,single,38,professional,60,no
leg-3,IV,ankle,black;dark_blue,heavy,layered,45,professional,40,
"""


@dataclass(slots=True)
class _Album:
    """The files written so far, each with a line that says what it shows."""

    folder: Path
    shown: dict[str, str] = field(default_factory=dict)
    said: dict[str, list[str]] = field(default_factory=dict)

    def say(self, heading: str, text: str) -> None:
        """Keep a result for the tour's own words, its notes left to the files."""
        lines = [line for line in text.splitlines() if not line.startswith("- ")]
        self.said[heading] = lines

    def text(self, name: str, says: str, text: str) -> None:
        """Add a text file."""
        write_text(self.folder / name, text if text.endswith("\n") else f"{text}\n")
        self.shown[name] = says

    def figure(self, name: str, says: str, figure: Any) -> None:
        """Add a plotly figure as a page that opens without a network."""
        # "directory" keeps one plotly.min.js beside the pages instead of a copy in each
        figure.write_html(
            self.folder / name, include_plotlyjs="directory", config=figures.CONFIG, full_html=True
        )
        self.shown[name] = says


def run_tour(options: Options) -> None:
    """Do what ``forecast tour`` is asked."""
    target: Path = options.out
    _check_place(target)
    target.absolute().parent.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(dir=target.absolute().parent, prefix=f".{target.name}."))
    try:
        album = _Album(folder)
        _walk(album)
        album.text(INDEX, "start here", _index_page(album))
        _settle(folder, target)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    files = {str(target / name): says for name, says in album.shown.items()}
    shown = {name: files[str(target / name)] for name in (INDEX, *TAKEN_UP)}
    width = max(map(len, shown))
    lines = [f"  {name:<{width}}  {says}" for name, says in shown.items()]
    lines.append(f"  and {len(files) - len(shown)} more, which {INDEX} lists")
    said = ["\n  ".join([f"{heading}:", *words]) for heading, words in album.said.items()]
    text = "\n\n".join(
        [*said, f"{INVENTED}\n{CLOSING}", "\n".join([f"Written into {target}:", *lines])]
    )
    answer(options, {"folder": str(target), "written": files}, text)


def _check_place(target: Path) -> None:
    _check_files(target, [INDEX, "model.json", *EDITED])
    for name, text in zip(EDITED, (ENQUIRIES, prices.tariff_template()), strict=True):
        there = target / name
        if there.is_file() and there.read_bytes() != text.encode():
            raise RequestError(
                f"{there} is not as the tour writes it: your changes would be lost.",
                "Copy it to another folder, or name another folder with -o.",
            )


def _check_files(target: Path, names: Iterable[str]) -> None:
    title = f"<title>{TITLE}</title>".encode()
    check_folder(target, names, what="a tour", by=INDEX, mark=title)


def _walk(album: _Album) -> None:
    progress("Reading the invented clinic's log")
    log = _read_invented_clinic(album)
    progress("Fitting its session counts (some ten seconds)")
    forecaster = forecast.fit_forecaster(log)
    forecaster.save(album.folder / "model.json")
    album.shown["model.json"] = "the fitted model; it holds no client rows"
    album.say("The model", fitted_text(forecaster))
    progress("Answering three enquiries")
    estimates = _answer_enquiries(album, forecaster)
    progress("Asking again after four sessions")
    _ask_again(album, forecaster)
    progress("Pricing them")
    _price_enquiries(album, estimates)
    progress("Looking a year ahead for the owner")
    _look_ahead(album, forecaster, log)
    progress("Comparing pulse regimes")
    _compare_pulses(album, log)
    progress("Fitting fading curves")
    _draw_fading(album, log)
    progress("Counting reactions")
    report = reactions.fit_reactions(log)
    album.text("reactions.txt", "reactions by regime and operator", report.to_text())


def _read_invented_clinic(album: _Album) -> OutcomeLog:
    shipped = Path(forecast.__file__).parents[1] / "synthetic_data"
    if (shipped / "courses.csv").is_file():
        log = forecast.read_log(shipped)
    else:
        log = forecast.simulate_log(600, seed=SHIPPED_SEED, mechanism="practised")
    album.text("check.txt", "what was read, understood and set aside", log.report.to_text())
    return log


def _answer_enquiries(album: _Album, forecaster: Forecaster) -> Mapping[str, Estimate]:
    album.text("enquiries.csv", "three invented enquiries", ENQUIRIES)
    enquiries, _ = read_enquiries(album.folder / "enquiries.csv")
    estimates = {label: forecaster.estimate(enquiry) for label, enquiry in enquiries.items()}
    cautions = {name: tattoo.cautions_for(one, all_asked=False) for name, one in enquiries.items()}
    none: dict[str, list[Any]] = {label: [] for label in enquiries}
    brief, full = (
        estimates_text(estimates, cautions, none, details=details) for details in (False, True)
    )
    album.text("estimates.txt", "how many sessions each needs", full)
    album.say("Three enquiries", brief.partition("\n\n")[0])
    for label, one in estimates.items():
        says = f"{label}: the chance of each count"
        album.figure(f"count-{label}.html", says, figures.plot_estimate(one))
        says = f"{label}: of 100 clients like this"
        album.figure(f"hundred-{label}.html", says, figures.plot_hundred(one))
    return estimates


def _ask_again(album: _Album, forecaster: Forecaster) -> None:
    enquiry = read_enquiries(album.folder / "enquiries.csv")[0][UNDER_WAY]
    later = forecaster.update(enquiry, sessions_done=4, gradings=GRADINGS)
    seen = ", ".join(f"{percent} % faded after {session}" for session, percent in GRADINGS)
    lines = [f"Seen: {seen}.", *update_lines(later, details=True)]
    album.text("update.txt", "the same, mid-course", "\n".join(lines))
    album.say(f"{UNDER_WAY}, after 4 sessions", "\n".join(lines))


def _price_enquiries(album: _Album, estimates: Mapping[str, Estimate]) -> None:
    album.text("tariff.toml", "an invented tariff to start from", prices.tariff_template())
    tariff = prices.read_tariff(album.folder / "tariff.toml")
    words, fixed = [], []
    for label, estimate in estimates.items():
        quotes = [forecast.price_package(estimate, package, tariff) for package in tariff.packages]
        words.append("\n\n".join([f"Enquiry {label}", *(quote.to_text() for quote in quotes)]))
        for quote in quotes:
            if quote.package.kind == "fixed":
                fixed.append(f"{label}: {quote.to_text().partition(chr(10))[0]}")
                album.figure(
                    f"price-{label}.html", f"{label}: what is risked", figures.plot_quote(quote)
                )
    album.say("Fixed price", "\n".join(fixed))
    album.text("prices.txt", "what each package should cost and risk", "\n\n".join(words))


def _look_ahead(album: _Album, forecaster: Forecaster, log: OutcomeLog) -> None:
    tariff = prices.read_tariff(album.folder / "tariff.toml")
    load = forecast.forecast_appointments(forecaster, log, tariff)
    year = forecast.price_caseload(
        forecaster, log.courses.tail(prices.NEWEST), tariff.packages, tariff, log=log
    )
    rows = forecast.price_many(forecaster, log.courses.tail(prices.NEWEST), tariff.packages, tariff)
    table = prices.WhoLoses(rows, tariff.currency).to_text()
    words = {"Appointments": load.to_text(), "The year": year.to_text(), "Packages": table}
    whole = "\n\n".join(f"{heading}\n{text}" for heading, text in words.items())
    album.text("owner.txt", "the appointments to come, the year, and which package loses", whole)
    album.figure("appointments.html", "the appointments to come", figures.plot_appointments(load))
    kept = [*load.in_brief(), *year.to_text().splitlines()[:2]]
    album.say("For the owner", "\n".join([*kept, table.partition("\n")[0]]))


def _compare_pulses(album: _Album, log: OutcomeLog) -> None:
    comparison = forecast.compare_regimes(log)
    text = typed(comparison.to_text())
    album.say("Regimes", text.partition("\n\n")[0])
    album.figure(
        "regimes.html", "clearing by regime, session by session", figures.plot_curves(comparison)
    )
    album.text("regimes.txt", "pulse regimes compared, and what plain readings say", text)


def _draw_fading(album: _Album, log: OutcomeLog) -> None:
    fading = forecast.fit_fading(log)
    text = fading.to_text()
    album.say("Fading", text.partition("\n\n")[0])
    album.text("fading.txt", "what a session removes, graders, intervals, stalls", text)
    album.figure("fading.html", "fading by regime", figures.plot_fading(fading))


def _index_page(album: _Album) -> str:
    found = "\n".join(
        f"<h2>{escape(heading)}</h2>\n" + "\n".join(f"<p>{escape(line)}</p>" for line in lines)
        for heading, lines in album.said.items()
    )
    items = "\n".join(
        f'<li><a href="{escape(name)}">{escape(name)}</a>: {escape(says)}</li>'
        for name, says in album.shown.items()
    )
    closing = "\n".join(f"<p>{escape(line)}</p>" for line in (INVENTED, str(CLOSING)))
    page = Template(Path(__file__).with_suffix(".html").read_text(encoding="utf-8"))
    return page.substitute(title=TITLE, closing=closing, found=found, items=items)


def _settle(made: Path, target: Path) -> None:
    _check_files(target, [file.name for file in made.iterdir()])
    target.mkdir(parents=True, exist_ok=True)
    for file in sorted(made.iterdir()):
        os.replace(file, target / file.name)
