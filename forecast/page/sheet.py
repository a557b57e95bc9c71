"""The client's sheet as a file: HTML that prints itself well, or PDF by a browser at hand."""

from __future__ import annotations

import os
import shutil
import subprocess
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from forecast._files import write_whole
from forecast.errors import RequestError
from forecast.page.answer import Answer, answer
from forecast.page.render import pictures, static_text, template
from forecast.page.words import Words, load_words

if TYPE_CHECKING:
    from forecast.page.asking import Asked
    from forecast.page.desk import Desk

BROWSERS = (
    *("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome"),
    *("msedge", "microsoft-edge"),
)
ON_WINDOWS = ("Google/Chrome/Application/chrome.exe", "Microsoft/Edge/Application/msedge.exe")
SECONDS = 60
SHEET_MARK = "session-forecast sheet"  # by which a sheet is known again, not shown
FITS = (2600, 3200, 3700, 4300)  # characters at each size of type, tried on both papers


def make_sheet(desk: Desk, asked: Asked, *, language: str = "") -> str:
    """Return the client's sheet as one HTML file that needs nothing beside it.

    Raises
    ------
    RequestError
        No model for the goal is loaded, or there are no texts in that language.
    """
    words = load_words(language or desk.clinic.language)
    found = answer(desk, asked, words)
    if found is None:
        raise RequestError(
            f"No model for the goal {asked.goal!r} is loaded.", "Give one fitted for that goal."
        )
    return render_sheet(found, desk, words, standalone=True)


def render_sheet(found: Answer, desk: Desk, words: Words, *, standalone: bool) -> str:
    """Return the client's sheet; ``standalone`` puts style and logo into the one file."""
    # the package's own style sheets need no escaping
    styles = [Markup(static_text(name)) for name in ("pictures.css", "sheet.css") if standalone]
    values: dict[str, Any] = {
        "w": words,
        "a": found,
        **pictures(found),
        "clinic": desk.clinic,
        "today": words.day(date.today()),
        "standalone": standalone,
        "mark": SHEET_MARK,
        "size": size_for(_text_length(found, desk)),
        "styles": styles,
    }
    return template("sheet.html").render(**values)


def _text_length(found: Answer, desk: Desk) -> int:
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


def is_sheet(content: bytes) -> bool:
    """Return whether a file is a client's sheet, HTML or PDF, as it is written here."""
    return SHEET_MARK.encode() in content


def find_browser() -> str | None:
    """Return the program of an installed Chromium, Chrome or Edge, or None."""
    named = [shutil.which(name) for name in BROWSERS]
    placed = [str(path) for path in usual_places() if path.is_file()]
    return next(filter(None, [*named, *placed]), None)


def usual_places() -> list[Path]:
    """Return where macOS and Windows keep a browser that is on no search path."""
    places = [
        Path("/Applications/Google Chrome.app/Contents/MacOS/Google Chrome"),
        Path("/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge"),
    ]
    for variable in ("PROGRAMFILES", "PROGRAMFILES(X86)", "LOCALAPPDATA"):
        root = os.environ.get(variable)
        if root:
            places += [Path(root, program) for program in ON_WINDOWS]
    return places


def html_to_pdf(html: str, path: Path, *, browser: str) -> None:
    """Write a page of HTML to ``path`` as PDF, by a headless browser without network.

    Raises
    ------
    RequestError
        The browser fails or takes longer than a minute.
    """
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
            raise RequestError(
                f"The browser {browser} could not make the PDF ({type(error).__name__}).",
                "Write the sheet as .html and print it from any browser.",
            ) from None
    write_whole(path, made + f"%{SHEET_MARK}\n".encode())  # a comment, which readers skip
