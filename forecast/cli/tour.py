"""`forecast tour`: the whole job on the invented clinic, into a folder to look at."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from html import escape
from itertools import groupby, takewhile
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING, Any

import forecast
from forecast import figures, prices, reactions, tattoo
from forecast._notes import (
    NOTHING,
    Row,
    Sentence,
    aligned,
    in_language,
    is_bullet,
    languages,
    problem_and_remedy,
    sentence,
    text_of,
)
from forecast.cli.estimate import estimates_lines, update_lines
from forecast.cli.files import (
    CLOSING,
    Options,
    answer,
    check_folder,
    paragraphs,
    progress,
    read_enquiries,
    write_text,
)
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast.counts import Estimate
    from forecast.forecaster import Forecaster
    from forecast.log import OutcomeLog

SHIPPED_SEED = 20170102  # of the invented clinic, as in synthetic_data/make.py
TITLE = "Tour of an invented clinic"  # by which a folder is known, in every language
INDEX = "index.html"
EDITED = ("enquiries.csv", "tariff.toml")  # which a reader is likely to change
TAKEN_UP = ("model.json", *EDITED)  # by the other commands
AT_THE_END = (sentence("tour.invented"), CLOSING)
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
    language: str
    shown: dict[str, Sentence] = field(default_factory=dict)
    said: dict[Sentence, list[str]] = field(default_factory=dict)

    def say(self, about: str, lines: Iterable[str], values: Mapping[str, Any] = NOTHING) -> None:
        """Keep a result for the tour's own words, its notes left to the files."""
        kept = [in_language(line, self.language) for line in lines if not is_bullet(line)]
        self.said[sentence(f"tour.head_{about}", values)] = kept

    def text(self, name: str, lines: Iterable[str]) -> None:
        """Add a text file."""
        text = text_of(lines, self.language, typed=True)
        write_text(self.folder / name, text if text.endswith("\n") else f"{text}\n")
        self.shown[name] = sentence(f"tour.{Path(name).stem}")

    def figure(self, kind: str, plot: Callable[..., Any], shown: Any, label: str = "") -> None:
        """Add what ``plot`` draws as a page that opens without a network."""
        name = f"{kind}{'-' * bool(label)}{label}.html"
        # "directory" keeps one plotly.min.js beside the pages instead of a copy in each
        asked = {"include_plotlyjs": "directory", "config": figures.CONFIG, "full_html": True}
        plot(shown, language=self.language).write_html(self.folder / name, **asked)
        self.shown[name] = sentence(f"tour.drawn_{kind}", {"label": label})


def run_tour(options: Options) -> None:
    """Do what ``forecast tour`` is asked."""
    target: Path = options.out
    _check_files(target, [INDEX, "model.json", *EDITED])
    ours = {ENQUIRIES.encode(), *(prices.tariff_template(code).encode() for code in languages())}
    for name in EDITED:
        there = target / name
        if there.is_file() and there.read_bytes() not in ours:
            raise RequestError(*problem_and_remedy("refused.tour", {"file": str(there)}))
    target.absolute().parent.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(dir=target.absolute().parent, prefix=f".{target.name}."))
    try:
        album = _Album(folder, options.language)
        _walk(album)
        album.text(INDEX, [_index_page(album)])
        _check_files(target, [file.name for file in folder.iterdir()])
        target.mkdir(parents=True, exist_ok=True)
        for file in sorted(folder.iterdir()):
            os.replace(file, target / file.name)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    files = {str(target / name): says for name, says in album.shown.items()}
    shown = {name: files[str(target / name)] for name in (INDEX, *TAKEN_UP)}
    language, more = album.language, len(files) - len(shown)
    listed = [f"  {line}" for line in aligned(shown.items(), language)]
    written = [sentence("tour.written", {"folder": str(target)}), *listed]
    written.append(sentence("tour.and_more", {"n": more, "index": INDEX}))
    said = [
        [f"{heading.say(language)}:", *(f"  {line}" for line in lines)]
        for heading, lines in album.said.items()
    ]
    lines = paragraphs([*said, AT_THE_END, written])
    answer(options, {"folder": str(target), "written": files}, lines)


def _check_files(target: Path, names: Iterable[str]) -> None:
    check_folder(target, names, what="a_tour", by=INDEX, mark=TITLE.encode())


def _walk(album: _Album) -> None:
    progress(album.language, "reading_clinic")
    shipped = Path(forecast.__file__).parents[1] / "synthetic_data"
    if (shipped / "courses.csv").is_file():
        log = forecast.read_log(shipped)
    else:
        log = forecast.simulate_log(600, seed=SHIPPED_SEED, mechanism="practised")
    album.text("check.txt", log.lines(album.language))
    progress(album.language, "fitting")
    forecaster = forecast.fit_forecaster(log)
    forecaster.save(album.folder / "model.json")
    album.shown["model.json"] = sentence("tour.model")
    album.say("model", forecaster.lines(album.language))
    progress(album.language, "answering")
    estimates = _answer_enquiries(album, forecaster)
    progress(album.language, "asking_again")
    enquiry = read_enquiries(album.folder / "enquiries.csv")[0][UNDER_WAY]
    later = forecaster.update(enquiry, sessions_done=4, gradings=GRADINGS)
    values = ({"session": session, "percent": percent} for session, percent in GRADINGS)
    seen = [sentence("tour.seen_after", one) for one in values]
    lines: list[str] = [sentence("tour.seen", {"seen": seen})]
    lines += update_lines(later, details=True)
    album.text("update.txt", lines)
    album.say("update", lines, {"label": UNDER_WAY, "n": GRADINGS[-1][0]})
    progress(album.language, "pricing")
    _price_enquiries(album, estimates)
    progress(album.language, "looking_ahead")
    _look_ahead(album, forecaster, log)
    progress(album.language, "comparing")
    comparison = forecast.compare_regimes(log)
    lines = comparison.lines(album.language)
    album.say("regimes", takewhile(bool, lines))
    album.figure("regimes", figures.plot_curves, comparison)
    album.text("regimes.txt", lines)
    progress(album.language, "fading")
    fading = forecast.fit_fading(log)
    lines = fading.lines(album.language)
    album.say("fading", takewhile(bool, lines))
    album.text("fading.txt", lines)
    album.figure("fading", figures.plot_fading, fading)
    progress(album.language, "reactions")
    album.text("reactions.txt", reactions.fit_reactions(log).lines(album.language))


def _answer_enquiries(album: _Album, forecaster: Forecaster) -> Mapping[str, Estimate]:
    album.text("enquiries.csv", [ENQUIRIES])
    enquiries, _ = read_enquiries(album.folder / "enquiries.csv")
    estimates = {label: forecaster.estimate(enquiry) for label, enquiry in enquiries.items()}
    cautions = {name: tattoo.cautions_for(one, all_asked=False) for name, one in enquiries.items()}
    none: dict[str, list[Any]] = {label: [] for label in enquiries}
    brief, full = (
        estimates_lines(estimates, cautions, none, details=details, language=album.language)
        for details in (False, True)
    )
    album.text("estimates.txt", full)
    album.say("enquiries", takewhile(bool, brief))
    for label, one in estimates.items():
        album.figure("count", figures.plot_estimate, one, label)
        album.figure("hundred", figures.plot_hundred, one, label)
    return estimates


def _price_enquiries(album: _Album, estimates: Mapping[str, Estimate]) -> None:
    album.text("tariff.toml", [prices.tariff_template(album.language)])
    tariff = prices.read_tariff(album.folder / "tariff.toml")
    words: list[str] = []
    fixed: list[Sentence] = []
    for label, estimate in estimates.items():
        quotes = [forecast.price_package(estimate, package, tariff) for package in tariff.packages]
        words.append(sentence("text.enquiry", {"label": label}))
        for quote in quotes:
            lines = quote.lines(album.language)
            words += ["", *lines]
            if quote.package.kind == "fixed":
                fixed.append(sentence("tour.of", {"label": label, "said": lines[0]}))
                album.figure("price", figures.plot_quote, quote, label)
        words.append("")
    album.say("prices", fixed)
    album.text("prices.txt", words[:-1])


def _look_ahead(album: _Album, forecaster: Forecaster, log: OutcomeLog) -> None:
    tariff = prices.read_tariff(album.folder / "tariff.toml")
    latest = log.courses.tail(prices.NEWEST)
    load = forecast.forecast_appointments(forecaster, log, tariff)
    year = forecast.price_caseload(forecaster, latest, tariff.packages, tariff, log=log)
    rows = forecast.price_many(forecaster, latest, tariff.packages, tariff)
    labels = {one.name: one.said for one in tariff.packages}
    table = prices.WhoLoses(rows, tariff.currency, labels)
    found = {"appointments": load, "year": year, "packages": table}
    words = {name: one.lines(album.language) for name, one in found.items()}
    whole = [[sentence(f"tour.head_{name}"), *lines] for name, lines in words.items()]
    album.text("owner.txt", paragraphs(whole))
    album.figure("appointments", figures.plot_appointments, load)
    album.say("owner", [*load.in_brief(), *words["year"][:2], words["packages"][0]])


def _index_page(album: _Album) -> str:
    language = album.language
    found = "\n".join(
        f"<h2>{escape(heading.say(language))}</h2>\n" + "\n".join(_paragraphs(lines))
        for heading, lines in album.said.items()
    )
    items = "\n".join(
        f'<li><a href="{escape(name)}">{escape(name)}</a>: {escape(says.say(language))}</li>'
        for name, says in album.shown.items()
    )
    closing = "\n".join(f"<p>{escape(line.say(language))}</p>" for line in AT_THE_END)
    named = {name: sentence(f"tour.{name}").say(language) for name in ("title", "files")}
    page = Template(Path(__file__).with_suffix(".html").read_text(encoding="utf-8"))
    parts = {"closing": closing, "found": found, "items": items}
    return page.substitute(parts | named, language=language, known=TITLE)


def _paragraphs(lines: Iterable[str]) -> Iterator[str]:
    for in_a_table, group in groupby(lines, lambda line: isinstance(line, Row)):
        if in_a_table:
            cells = (map(escape, line.cells) for line in group if isinstance(line, Row))
            yield from ("<table>", *(f"<tr><td>{'<td>'.join(row)}" for row in cells), "</table>")
        else:
            yield from (f"<p>{escape(line.strip())}" for line in group)
