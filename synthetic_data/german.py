"""A small invented clinic's book as kept in German, for the map of headings and words.

A sheet for each year, two rows of headings under a merged title, German words, dates of two-digit
years, rough numbers, a row of totals.
"""

from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from forecast.invented import simulate_log
from synthetic_data.xlsx import write_workbook

SEED = 20240311
HEADS = (
    ("Kunde", ("Kurs-Nr.", "Kunden-Nr.", "Alter", "Hauttyp", "Raucher")),
    ("Tattoo", ("Stelle", "Farben", "Dichte", "Cover-up", "Herkunft", "Fläche (cm²)", "Alter")),
    ("Verlauf", ("Beginn", "Anzahl Sitzungen", "Ergebnis", "Abbruchgrund", "Bezahlt", "Bemerkung")),
)
GERMAN = {
    "face": "Gesicht", "neck": "Nacken", "chest": "Brust", "back": "Rücken", "abdomen": "Bauch",
    "shoulder": "Schulter", "upper_arm": "Oberarm", "forearm": "Unterarm", "wrist": "Handgelenk",
    "hand": "Hand", "finger": "Finger", "buttock": "Gesäß", "thigh": "Oberschenkel",
    "lower_leg": "Wade", "ankle": "Knöchel", "foot": "Fuß",
    "black": "schwarz", "dark_blue": "dunkelblau", "light_blue": "hellblau", "green": "grün",
    "red": "rot", "orange": "orange", "yellow": "gelb", "purple": "lila", "brown": "braun",
    "white": "weiß", "flesh": "hautfarben",
    "light": "gering", "medium": "mittel", "heavy": "stark", "layered": "ja", "single": "nein",
    "amateur": "Laie", "professional": "Studio", "cosmetic": "Permanent-Make-up",
    "traumatic": "Unfall", "yes": "ja", "no": "nein",
    "cleared": "entfernt", "lightened": "aufgehellt", "stopped": "Abbruch", "ongoing": "läuft",
    "cost": "Kosten", "moved": "Umzug", "pain": "Schmerzen", "reaction": "Nebenwirkung",
    "satisfied": "zufrieden", "slow_progress": "zu langsam", "other": "Sonstiges",
    "unknown": "unbekannt", "ns": "Nano", "ps": "Pico",
}  # fmt: skip


def write_german(path: Path) -> None:
    """Write the workbook."""
    log = simulate_log(120, seed=SEED)
    years = log.courses["started_on"].dt.year
    sheets = {
        str(year): year_sheet(int(year), rows_of(log.courses[years == year]))
        for year in sorted(years.unique())
    }
    merged = tuple(
        f"{title}!{place}" for title in sheets for place in ("A1:R1", "A2:E2", "F2:L2", "M2:R2")
    )
    sheets["Sitzungen"] = [
        ["Kurs-Nr.", "Sitzung", "Datum", "Puls", "Gerät", "Wellenlänge (nm)", "Spot (mm)",
         "Behandler"],
        *(
            [row["course_id"], row["session_no"], row["treated_on"], GERMAN[row["regime"]],
             row["laser_id"], row["wavelengths_nm"], row["spot_mm"], row["operator_id"]]
            for row in rows_of(log.sessions)
        ),
    ]  # fmt: skip
    sheets["Bewertungen"] = [
        ["Kurs-Nr.", "nach Sitzung", "Datum", "Aufhellung (%)", "Beurteiler"],
        *(
            [row["course_id"], row["after_session"], short(row["graded_on"], n),
             rough(row["fading_pct"], n), row["grader_id"]]
            for n, row in enumerate(rows_of(log.gradings))
        ),
    ]  # fmt: skip
    sheets["Geräte"] = [
        ["Gerät", "Puls", "Wellenlängen", "seit"],
        *(
            [row["laser_id"], GERMAN[row["regime"]], row["wavelengths_nm"], row["in_use_from"]]
            for row in rows_of(log.lasers)
        ),
    ]
    sheets["Preisliste"] = [["Einzelsitzung", 150], ["Sechserblock", 780]]
    write_workbook(path, sheets, merged)


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows, dates as days and None where empty."""
    plain = frame.astype(object).where(frame.notna(), None)
    return [
        {k: v.date() if isinstance(v, pd.Timestamp) else v for k, v in row.items()}
        for row in plain.to_dict("records")
    ]


def year_sheet(year: int, rows: list[dict[str, Any]]) -> list[list[object]]:
    """Return the sheet of the courses begun in a year."""
    upper: list[object] = []
    for group, heads in HEADS:
        upper += [group, *[None] * (len(heads) - 1)]
    lower = [head for _, heads in HEADS for head in heads]
    cells = [
        [f"Behandlungen {year}"],
        upper,
        lower,
        *(course(n, row) for n, row in enumerate(rows)),
    ]
    given = sum(row["sessions_given"] for row in rows)
    return [*cells, [], ["Summe", *[None] * 12, given], [f"Stand 31.12.{year}"]]


def course(n: int, row: dict[str, Any]) -> list[object]:
    """Return one course as a receptionist wrote it down."""
    site = (
        "Bein"
        if n == 5 and row["body_site"] in ("thigh", "lower_leg")
        else GERMAN[row["body_site"]]
    )
    skin = {"II": "II-III", "III": "III/IV"}.get(row["skin_type"]) if n == 7 else None
    return [
        row["course_id"], row["client_id"], rough(row["age_years"], n), skin or row["skin_type"],
        GERMAN.get(row["smoker"]), site, said(row["inks"].split(";")), GERMAN[row["ink_density"]],
        GERMAN[row["layering"]], GERMAN.get(row["origin"]), area(row["area_cm2"], n),
        row["tattoo_age_years"], short(row["started_on"], n), row["sessions_given"],
        GERMAN[row["outcome"]], GERMAN.get(row["stop_reason"]), row["price_paid"],
        "Termin verschoben" if n % 9 == 4 else None,
    ]  # fmt: skip


def said(inks: Iterable[str]) -> str:
    """Return colours as they are said."""
    return " und ".join(GERMAN[ink] for ink in inks)


def short(day: date, n: int) -> str:
    """Return a date with the day first, now and then with a year of two digits."""
    return f"{day.day}.{day.month}.{day:%y}" if n % 3 == 1 else f"{day:%d.%m.%Y}"


def rough(value: float | None, n: int) -> object:
    """Return a number, now and then marked as rough."""
    return f"ca. {value:g}" if value is not None and n % 4 == 2 else value


def area(value: float | None, n: int) -> object:
    """Return an area, now and then as two sides or rough."""
    if value is not None and n % 5 == 3:
        return f"5x{max(round(value / 5), 1)}"
    return rough(value, n)


if __name__ == "__main__":
    write_german(Path(__file__).parent / "deutsche_praxis.xlsx")
