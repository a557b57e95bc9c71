"""Fifteen workbooks as clinics keep them, made with a seed: five languages, five layouts, and
faults drawn from a list of forty. What each cell was to say is kept, so that a test can do the work
of whoever fills in the map and replaces a cell.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from typing import Any

import numpy as np

from forecast.invented import simulate_log
from forecast.log import TABLES, OutcomeLog
from synthetic_data.german import GERMAN, rows_of
from synthetic_data.xlsx import write_workbook

SEED = 20261129
COUNT, COURSES, EACH = 15, 16, 9
LAYOUTS = ("plain", "years", "titled", "pages", "beside")
SKIN_TYPES = ("I", "II", "III", "IV", "V", "VI")
SHOWN = {
    "courses": ("course_id", "client_id", "started_on", "age_years", "skin_type", "body_site",
                "inks", "ink_density", "layering", "origin", "area_cm2", "tattoo_age_years",
                "smoker", "sessions_given", "price_paid", "outcome", "stop_reason"),
    "sessions": ("course_id", "session_no", "treated_on", "regime", "laser_id", "wavelengths_nm",
                 "fluence_j_cm2", "operator_id"),
    "gradings": ("course_id", "after_session", "graded_on", "fading_pct", "grader_id"),
    "reactions": ("course_id", "after_session", "reaction", "severity", "lasting"),
    "lasers": ("laser_id", "regime", "wavelengths_nm", "in_use_from"),
}  # fmt: skip


def _named(text: str) -> dict[str, tuple[str, ...]]:
    lines = " ".join(text.split()).split(" | ")
    return {
        table: tuple(part.strip() for part in line.split(","))
        for table, line in zip(SHOWN, lines, strict=True)
    }


HEADS = {
    "en": _named("""
        Case no, Client no, Start date, Age, Fitzpatrick, Body part, Colours, Density, Cover
        up, Made by, Area (cm²), Tattoo age, Smoker, Number of sessions, Paid, Result,
        Reason for stopping | Case no, Session, Treatment date, Pulse, Laser, Wavelength
        (nm), Fluence, Operator | Case no, After session, Date, Faded (%), Grader | Case no,
        After session, Reaction, Severity, Lasting | Laser, Pulse, Wavelengths, Since"""),
    "de": _named("""
        Kurs-Nr., Kunden-Nr., Beginn, Alter, Hauttyp, Stelle, Farben, Dichte, Cover-up,
        Herkunft, Fläche (cm²), Tattoo-Alter, Raucher, Anzahl Sitzungen, Bezahlt, Ergebnis,
        Abbruchgrund | Kurs-Nr., Sitzung, Datum, Puls, Gerät, Wellenlänge (nm), Fluenz,
        Behandler | Kurs-Nr., nach Sitzung, Datum, Aufhellung (%), Beurteiler | Kurs-Nr.,
        nach Sitzung, Nebenwirkung, Schweregrad, bleibend | Gerät, Puls, Wellenlängen, seit"""),
    "fr": _named("""
        No dossier, No client, Date de début, Âge, Phototype, Localisation, Couleurs,
        Densité, Recouvrement, Origine, Surface (cm²), Âge du tatouage, Fumeur, Nombre de
        séances, Payé, Résultat, Motif | No dossier, Séance, Date, Impulsion, Appareil,
        Longueur d'onde (nm), Fluence, Opérateur | No dossier, Après séance, Date,
        Éclaircissement (%), Évaluateur | No dossier, Après séance, Réaction, Gravité,
        Durable | Appareil, Impulsion, Longueurs d'onde, Depuis"""),
    "es": _named("""
        Expediente, Cliente, Fecha de inicio, Edad, Fototipo, Zona, Colores, Densidad,
        Capas, Origen, Superficie (cm²), Edad del tatuaje, Fumador, Número de sesiones,
        Pagado, Resultado, Motivo | Expediente, Sesión, Fecha, Pulso, Equipo, Longitud de
        onda (nm), Fluencia, Operador | Expediente, Tras sesión, Fecha, Aclaramiento (%),
        Evaluador | Expediente, Tras sesión, Reacción, Gravedad, Duradero | Equipo, Pulso,
        Longitudes, Desde"""),
    "it": _named("""
        Pratica, Cliente, Data di inizio, Età, Fototipo, Sede, Colori, Densità, Copertura,
        Origine, Superficie (cm²), Età del tatuaggio, Fumatore, Numero di sedute, Pagato,
        Esito, Motivo | Pratica, Seduta, Data, Impulso, Apparecchio, Lunghezza d'onda (nm),
        Fluenza, Operatore | Pratica, Dopo seduta, Data, Schiarimento (%), Valutatore |
        Pratica, Dopo seduta, Reazione, Gravità, Permanente | Apparecchio, Impulso,
        Lunghezze d'onda, Dal"""),
}  # fmt: skip
TITLES = {
    "en": ("Courses", "Sessions", "Gradings", "Reactions", "Lasers"),
    "de": ("Behandlungen", "Sitzungen", "Bewertungen", "Nebenwirkungen", "Geräte"),
    "fr": ("Dossiers", "Séances", "Évaluations", "Réactions", "Appareils"),
    "es": ("Expedientes", "Sesiones", "Evaluaciones", "Reacciones", "Equipos"),
    "it": ("Pratiche", "Sedute", "Valutazioni", "Reazioni", "Apparecchi"),
}
# The levels, and in the same order the words for them; the German ones are the shipped ones.
LEVELS = """
    face neck chest back abdomen shoulder upper_arm forearm wrist hand finger buttock thigh
    lower_leg ankle foot black dark_blue light_blue green red orange yellow purple brown
    white flesh light medium heavy layered single amateur professional cosmetic traumatic
    yes no cleared lightened stopped ongoing cost moved pain reaction satisfied
    slow_progress other unknown ns ps blister hypopigmentation hyperpigmentation scar
    texture allergy darkening mild moderate severe
"""
SAID = {
    "en": """
        face neck ribs back belly shoulder upper_arm forearm wrist hand finger hip thigh
        calf ankle foot black dark_blue light_blue green red orange yellow purple brown
        white flesh light medium heavy yes no homemade professional PMU accident yes no
        cleared lightened stopped in_progress money moved pain reaction satisfied too_slow
        other unknown Q-switched pico blisters hypopigmentation hyperpigmentation scar
        texture allergy darkening mild moderate severe
    """,
    "fr": """
        visage cou poitrine dos ventre épaule haut_du_bras avant-bras poignet main doigt
        fesse cuisse mollet cheville pied noir bleu_foncé bleu_clair vert rouge orange jaune
        violet marron blanc chair faible moyenne forte oui non amateur professionnel
        cosmétique accident oui non effacé éclairci abandonné en_cours prix déménagement
        douleur réaction satisfait trop_lent autre inconnu nano pico cloque hypopigmentation
        hyperpigmentation cicatrice texture allergie foncement léger modéré grave
    """,
    "es": """
        cara cuello pecho espalda abdomen hombro brazo_superior antebrazo muñeca mano dedo
        nalga muslo pantorrilla tobillo pie negro azul_oscuro azul_claro verde rojo naranja
        amarillo morado marrón blanco carne baja media alta sí no amateur profesional
        cosmético accidente sí no eliminado aclarado abandonado en_curso dinero mudanza
        dolor reacción satisfecho lento otro desconocido nano pico ampolla hipopigmentación
        hiperpigmentación cicatriz textura alergia oscurecimiento leve moderado grave
    """,
    "it": """
        viso collo petto schiena addome spalla braccio_superiore avambraccio polso mano dito
        gluteo coscia polpaccio caviglia piede nero blu_scuro azzurro verde rosso arancione
        giallo viola marrone bianco carne leggera media alta sì no amatoriale professionale
        cosmetico incidente sì no rimosso schiarito interrotto in_corso costo trasloco
        dolore reazione soddisfatto lento altro sconosciuto nano pico vescica
        ipopigmentazione iperpigmentazione cicatrice texture allergia scurimento lieve
        moderato grave
    """,
}
FURTHER_GERMAN = {
    "blister": "Blase",
    "hypopigmentation": "Hypopigmentierung",
    "hyperpigmentation": "Hyperpigmentierung",
    "scar": "Narbe",
    "texture": "Hautstruktur",
    "allergy": "Allergie",
    "darkening": "Nachdunkeln",
    "mild": "leicht",
    "moderate": "mittel",
    "severe": "schwer",
}
TOTAL = {"en": "Total", "de": "Summe", "fr": "Total", "es": "Total", "it": "Totale"}
AND = {"en": " and ", "de": " und ", "fr": " et ", "es": " y ", "it": " e "}


def words_in(language: str) -> dict[str, str]:
    """Return the word for each level."""
    if language == "de":
        return GERMAN | FURTHER_GERMAN
    said = [word.replace("_", " ") for word in SAID[language].split()]
    return dict(zip(LEVELS.split(), said, strict=True))


@dataclass
class Row:
    """One row of a table: what it was to say, and what it says where that is another thing."""

    table: str
    clean: dict[str, Any]
    written: dict[str, Any] = field(default_factory=dict)
    twice: bool = False  # a row too many, which nobody needs

    def cell(self, name: str) -> Any:
        return self.written.get(name, self.clean[name])


@dataclass
class Book:
    """The rows of each table, what is planted, and, once written, what each cell was to say."""

    language: str
    layout: str
    rng: np.random.Generator
    tables: dict[str, list[Row]]
    planted: list[str] = field(default_factory=list)
    extra: list[str] = field(default_factory=list)
    meant: dict[str, Any] = field(default_factory=dict)
    sheets: dict[str, list[list[object]]] = field(default_factory=dict)
    merged: tuple[str, ...] = ()

    def rows(self, table: str, fits: Callable[[Row], bool], n: int) -> list[Row]:
        """Return up to ``n`` rows that fit and have nothing wrong yet."""
        free = [row for row in self.tables[table] if not row.written and fits(row)]
        order = self.rng.permutation(len(free))[:n]
        return [free[i] for i in order]


Fault = Callable[[Book], int]


def cells(table: str, name: str, change: Callable[[Any, Book], Any], n: int = 2) -> Fault:
    """Return a fault that changes some cells of a column."""

    def plant(book: Book) -> int:
        rows = book.rows(table, lambda row: row.clean[name] is not None, n)
        for row in rows:
            row.written[name] = change(row.clean[name], book)
        return len(rows)

    return plant


def _twice(table: str) -> Fault:
    def plant(book: Book) -> int:
        (row,) = book.rows(table, lambda row: True, 1)
        row.written["course_id"] = row.clean["course_id"]  # left alone by what comes after
        book.tables[table].append(Row(table, dict(row.clean), twice=True))
        return 1

    return plant


def _extra(what: str) -> Fault:
    def plant(book: Book) -> int:
        book.extra.append(what)
        return 1

    return plant


def _day(text: str) -> Callable[[Any, Book], Any]:
    return lambda day, _: format(day, text)


def _short(day: date, book: Book) -> str:
    first, second = (day.month, day.day) if book.language == "en" else (day.day, day.month)
    return f"{first}/{second}/{day:%y}"


FAULTS: dict[str, Fault] = {
    # what is understood as it stands
    "a skin type as a number": cells("courses", "skin_type", lambda v, _: SKIN_TYPES.index(v) + 1),
    "a skin type in small letters": cells("courses", "skin_type", lambda v, _: f" {v.lower()} "),
    "a decimal comma": cells("courses", "area_cm2", lambda v, _: f"{v:.1f}".replace(".", ",")),
    "a unit in the cell": cells("courses", "area_cm2", lambda v, _: f"{v:g} cm²"),
    "a rough number": cells("courses", "age_years", lambda v, _: f"ca. {v:g}"),
    "a number with a tilde": cells("courses", "tattoo_age_years", lambda v, _: f"~{v:g}"),
    "two sides": cells("courses", "area_cm2", lambda v, _: f"5x{max(round(v / 5), 1)}"),
    "a year of two digits": cells("courses", "started_on", _short),
    "a date as ISO text": cells("sessions", "treated_on", _day("%Y-%m-%d")),
    "a date with a time": cells("sessions", "treated_on", _day("%Y-%m-%d 10:30")),
    "a date as a serial number": cells(
        "gradings", "graded_on", lambda day, _: (day - date(1899, 12, 30)).days
    ),
    "a month written out": cells("courses", "started_on", _day("%d %b %Y")),
    "inks in capitals": cells("courses", "inks", lambda v, book: said(v, book).upper()),
    "inks joined by a plus": cells(
        "courses", "inks", lambda v, book: said(v, book).replace(AND[book.language], " + ")
    ),
    "a mark for not known": cells("courses", "age_years", lambda *_: "?"),
    "a flag as a cross": cells("courses", "smoker", lambda v, _: "x" if v == "yes" else "n"),
    "money with its sign": cells("courses", "price_paid", lambda v, _: f"€ {v:g}"),
    "a whole number with decimals": cells("sessions", "session_no", lambda v, _: f"{v}.0"),
    "a percent sign": cells("gradings", "fading_pct", lambda v, _: f"{v:g} %"),
    "a fading as rough": cells("gradings", "fading_pct", lambda v, _: f"ca. {v:g}%"),
    "a date with points": cells("gradings", "graded_on", _day("%d.%m.%Y")),
    "a space too many": cells("sessions", "course_id", lambda v, _: f" {v} "),
    # what the map asks
    "two skin types": cells(
        "courses", "skin_type", lambda v, _: {"I": "I", "II": "I-II"}.get(v, f"II-{v}"), 1
    ),
    "a word of the clinic's own": cells("courses", "outcome", lambda v, _: f"{v} (own)"),
    # what has to be corrected
    "an ink that the log does not know": cells("courses", "inks", lambda *_: "glitter"),
    "a formula gone wrong": cells("courses", "sessions_given", lambda *_: "#REF!", 1),
    "no outcome": cells("courses", "outcome", lambda *_: None, 1),
    "sessions in words": cells("courses", "sessions_given", lambda *_: "a few", 1),
    "a date that is none": cells("sessions", "treated_on", lambda *_: "31.02.2021"),
    "a session without its course": cells("sessions", "course_id", lambda v, _: f"{v}0"),
    "no session number": cells("sessions", "session_no", lambda *_: None),
    "no grading written": cells("gradings", "fading_pct", lambda *_: "better"),
    "a date in a far year": cells(
        "courses", "started_on", lambda day, _: day.replace(year=day.year - 100), 1
    ),
    "an age that cannot be": cells("courses", "age_years", lambda *_: 340),
    "a fading beyond all": cells("gradings", "fading_pct", lambda *_: 105),
    "a course entered twice": _twice("courses"),
    "a session entered twice": _twice("sessions"),
    # what is in the way
    "a column of the clinic's own": _extra("column"),
    "rows left empty": _extra("empty"),
    "a row of totals": _extra("total"),
}


def said(inks: str, book: Book) -> str:
    """Return colours as they are said."""
    word = words_in(book.language)
    return AND[book.language].join(word[ink] for ink in inks.split(";"))


@cache
def clinic() -> OutcomeLog:
    """Return the log whose courses are dealt out to the books."""
    return simulate_log(COUNT * COURSES, seed=SEED, mechanism="practised")


def make_book(number: int) -> Book:
    """Return the workbook of this number, ready to be written."""
    rng = np.random.default_rng([SEED, number])
    log = clinic()
    own = log.courses["course_id"][number::COUNT]
    tables = {}
    for table, names in SHOWN.items():
        frame = getattr(log, table)
        frame = frame[frame["course_id"].isin(own)] if table != "lasers" else frame
        frame = frame[frame["part"] == 1] if table == "sessions" else frame
        rows = rows_of(frame[list(names)])
        tables[table] = [Row(table, {k: _python(v) for k, v in row.items()}) for row in rows]
    language, layout = list(HEADS)[number % 5], LAYOUTS[(number // 5 + number) % 5]
    book = Book(language, layout, rng, tables)
    names = list(FAULTS)
    for at in [*range(number, len(names), COUNT), *rng.permutation(len(names))]:
        if len(book.planted) < EACH and names[at] not in book.planted and FAULTS[names[at]](book):
            book.planted.append(names[at])
    _lay_out(book)
    return book


def _python(value: Any) -> Any:
    whole = isinstance(value, float) and value == int(value)
    return int(value) if whole or isinstance(value, np.integer) else value


def _lay_out(book: Book) -> None:
    for table, title in zip(SHOWN, TITLES[book.language], strict=True):
        rows = book.tables[table]
        if book.layout == "years" and table == "courses":
            years = sorted({row.clean["started_on"].year for row in rows})
            for year in years:
                part = [row for row in rows if row.clean["started_on"].year == year]
                _sheet(book, table, str(year), part)
        else:
            _sheet(book, table, title, rows)
    book.sheets["Info"] = [["Tel.", "-"], ["2024", 3]]


def _sheet(book: Book, table: str, title: str, rows: list[Row]) -> None:
    names = list(SHOWN[table])
    heads: list[object] = list(HEADS[book.language][table])
    lines: list[list[object]] = []
    at = 1 if book.layout == "beside" else 0  # an empty column first
    if book.layout in ("titled", "years"):
        lines += [[f"{title} - {book.language.upper()}"], []]
    if book.layout == "years" and table == "courses":
        lines[-1] = ["A", *[None] * 4, "B", *[None] * (len(names) - 6)]
        book.merged += (f"{title}!A1:Q1", f"{title}!A2:E2", f"{title}!F2:Q2")
    own = ["Info"] if "column" in book.extra and table == "courses" else []
    lines.append([None] * at + heads + list(own))
    for n, row in enumerate(rows):
        if "empty" in book.extra and n % 10 == 7:
            lines.append([])
        if book.layout == "pages" and n and n % 40 == 0:
            lines.append(list(lines[0]))
        lines.append([None] * at + [_shown(book, row, name) for name in names] + own[:1] * (n % 2))
        for place, name in enumerate(names):
            cell = f"{title}!{chr(ord('A') + at + place)}{len(lines)}"
            book.meant[cell] = None if row.twice else _word(book, name, row.clean[name])
    if "total" in book.extra and table in ("courses", "sessions"):
        lines += [[], [None] * at + [TOTAL[book.language], None, None, len(rows)]]
    book.sheets[title] = lines


def _shown(book: Book, row: Row, name: str) -> object:
    if name not in row.written:
        return _word(book, name, row.clean[name])
    value = row.written[name]
    return _word(book, name, value) if value == row.clean[name] else value


def _word(book: Book, name: str, value: Any) -> object:
    """Return a clean value as this clinic writes it."""
    if value is None:
        return None
    if isinstance(value, date) and book.layout in ("years", "pages"):
        return f"{value:%m/%d/%Y}" if book.language == "en" else f"{value:%d.%m.%Y}"
    if name == "inks":
        return said(value, book)
    if any(rule.levels for table in TABLES for rule in TABLES[table] if rule.name == name):
        return words_in(book.language).get(value, value)
    return value


def write_book(book: Book, path: Any) -> Any:
    """Write the workbook and return its path."""
    write_workbook(path, book.sheets, book.merged)
    return path


def rows_meant(book: Book) -> dict[str, int]:
    """Return how many rows of each table say something that somebody needs."""
    return {name: sum(not row.twice for row in rows) for name, rows in book.tables.items()}
