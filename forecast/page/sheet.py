"""The client's sheet as a file: HTML that prints itself well, or PDF by a browser at hand."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from forecast._files import write_whole
from forecast.errors import RequestError
from forecast.page.answer import answer
from forecast.page.render import SHEET_MARK, render_sheet
from forecast.page.words import load_words

if TYPE_CHECKING:
    from forecast.page.asking import Asked
    from forecast.page.desk import Desk

__all__ = ["find_browser", "html_to_pdf", "is_sheet", "make_sheet"]

BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "msedge",
    "microsoft-edge",
)
ON_WINDOWS = ("Google/Chrome/Application/chrome.exe", "Microsoft/Edge/Application/msedge.exe")
SECONDS = 60


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


def is_sheet(content: bytes) -> bool:
    """Return whether a file is a client's sheet, HTML or PDF, as it is written here."""
    return SHEET_MARK.encode() in content


def find_browser() -> str | None:
    """Return the program of an installed Chromium, Chrome or Edge, or None."""
    named = (found for name in BROWSERS if (found := shutil.which(name)))
    return next(named, None) or next((str(path) for path in usual_places() if path.is_file()), None)


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
