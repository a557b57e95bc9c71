"""What the page answers from: a model per goal, a tariff, the clinic's name, logo and wording."""

from __future__ import annotations

import base64
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from forecast._checks import nearest
from forecast.errors import DataError, RequestError
from forecast.forecaster import Forecaster, load_forecaster
from forecast.page.words import languages
from forecast.prices import Tariff, read_tariff

LARGEST_FILE, LARGEST_LOGO, LONGEST_TEXT = 100_000, 500_000, 600
PAPERS = ("A4", "Letter")
SIGNATURES = {b"\x89PNG\r\n\x1a\n": "image/png", b"\xff\xd8\xff": "image/jpeg"}
CLINIC_TEMPLATE = """\
# What the consultation page and the client's sheet say about the clinic. All of it is optional.

name = "Example Laser Clinic"
address = "1 Example Street, Exampletown"
contact = "Phone and opening hours as you wish to print them"

# A PNG or JPEG file beside this one, at most 500 kB.
# logo = "logo.png"

language = "en"          # of the page and the sheet: en or de
paper = "A4"             # or Letter
spacing_weeks = 8        # weeks between sessions, used for dates until changed on the page

# Your own words on the sheet: above the estimate and at the end. Plain text, a few lines.
opening = "Thank you for coming to see us."
closing = "Please call us when anything worries you between sessions."
"""
GOALS = ("clear", "lighten")


@dataclass(frozen=True, slots=True)
class Logo:
    """A picture, with its kind.

    Attributes
    ----------
    kind : str
        ``image/png`` or ``image/jpeg``, from the file's own first bytes.
    data : bytes
        The file.
    """

    kind: str
    data: bytes

    @property
    def address(self) -> str:
        """The picture as a data address, for a sheet that is one file."""
        return f"data:{self.kind};base64,{base64.b64encode(self.data).decode('ascii')}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Clinic:
    """The clinic as clients see it.

    Attributes
    ----------
    name, address, contact, opening, closing : str
        Plain text, printed as it is.
    logo : Logo or None
        At the head of the page and the sheet.
    language : str
        Code of the language unless another is asked for.
    paper : str
        ``A4`` or ``Letter``.
    spacing_weeks : float
        Weeks between sessions, to begin with.
    """

    name: str = ""
    address: str = ""
    contact: str = ""
    opening: str = ""
    closing: str = ""
    logo: Logo | None = None
    language: str = "en"
    paper: str = "A4"
    spacing_weeks: float = 8.0


def read_clinic(path: Path) -> Clinic:
    """Return the clinic of a TOML file.

    Raises
    ------
    DataError
        The file or its logo cannot be read, a key is unknown or a value is of the wrong kind.
    """
    table = _parse(path)
    known = [field.name for field in fields(Clinic)]
    for key in table:
        if key not in known:
            raise DataError(
                f"{path.name}: unknown key {key!r}.{nearest(key, known)}",
                f"Known keys are {', '.join(known)}.",
            )
    for key in ("name", "address", "contact", "opening", "closing", "logo"):
        _check_text(path, key, table.get(key, ""))
    for key, allowed in (("language", languages()), ("paper", PAPERS)):
        if key in table and table[key] not in allowed:
            raise DataError(
                f"{path.name}: {key} is {table[key]!r}.", f"Use one of {', '.join(allowed)}."
            )
    weeks = table.get("spacing_weeks", 8.0)
    if isinstance(weeks, bool) or not isinstance(weeks, int | float) or not 1 <= weeks <= 104:
        raise DataError(
            f"{path.name}: spacing_weeks is {weeks!r}.", "Give a number of weeks from 1 to 104."
        )
    logo = table.pop("logo", "")
    return Clinic(**table, logo=_read_logo(path, logo) if logo else None)


def _parse(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise DataError(f"{path.name} is larger than 100 kB.", "Keep the wording short.")
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise DataError(
            f"{path} cannot be read: {error.strerror}.",
            "Check the path; forecast page --template writes an example.",
        ) from None
    except UnicodeDecodeError:
        raise DataError(f"{path.name} is not UTF-8 text.", "Save it as UTF-8.") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise DataError(
            f"{path.name} is not TOML: {error}.", 'Write key = value, text in "quotes".'
        ) from None


def _check_text(path: Path, key: str, value: object) -> None:
    if not isinstance(value, str) or len(value) > LONGEST_TEXT:
        raise DataError(
            f"{path.name}: {key} is not a text of at most {LONGEST_TEXT} characters.",
            f'Write {key} = "…".',
        )


def _read_logo(path: Path, name: str) -> Logo:
    file = path.parent / name
    try:
        data = file.read_bytes() if file.stat().st_size <= LARGEST_LOGO else b""
    except (OSError, ValueError):
        raise DataError(
            f"{path.name}: the logo {name!r} cannot be read.", "Put it beside this file."
        ) from None
    for signature, kind in SIGNATURES.items():
        if data.startswith(signature):
            return Logo(kind, data)
    raise DataError(
        f"{path.name}: the logo {name!r} is not a PNG or JPEG of at most 500 kB.",
        "Save it again as PNG.",
    )


@dataclass(frozen=True, slots=True, eq=False)
class Desk:
    """Everything an answer is made from; nothing of a client.

    Attributes
    ----------
    forecasters : mapping of goal to Forecaster
        ``clear``, ``lighten`` or both.
    tariff : Tariff or None
        Prices are shown when it is there.
    clinic : Clinic
        Name, logo and wording.
    """

    forecasters: Mapping[str, Forecaster]
    tariff: Tariff | None = None
    clinic: Clinic = field(default_factory=Clinic)


def open_desk(
    model: Path,
    *,
    lighten: Path | None = None,
    tariff: Path | None = None,
    clinic: Path | None = None,
) -> Desk:
    """Return the desk of saved models and files.

    Raises
    ------
    RequestError
        A model cannot be read, or the one for lightening has another goal.
    DataError
        The tariff or the clinic's file cannot be used.
    """
    first = load_forecaster(model)
    if first.goal not in GOALS:
        raise RequestError(
            f"{model.name} has the goal {first.goal!r}.", f"Give one of {', '.join(GOALS)}."
        )
    forecasters = {first.goal: first}
    if lighten is not None:
        second = load_forecaster(lighten)
        if second.goal != "lighten" or first.goal == "lighten":
            raise RequestError(
                f"{model.name} has the goal {first.goal!r} and {lighten.name} {second.goal!r}.",
                "Give a model for clear first and, with --lighten, one fitted with --goal lighten.",
            )
        forecasters["lighten"] = second
    return Desk(
        forecasters,
        read_tariff(tariff) if tariff else None,
        read_clinic(clinic) if clinic else Clinic(),
    )
