"""What is asked of the program: files to ask with, commands, faulty logs and requests.

Every path is relative to one temporary folder. ``log`` there is the shipped log, ``small`` every
third course of it, ``model.json`` what the first case fits. Cases run once, in the order given.
"""

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

FAULTY = 60  # courses in a faulty log
HEADER = (
    "enquiry_id,skin_type,body_site,inks,ink_density,layering,age_years,origin,area_cm2,"
    "tattoo_age_years,scarring,smoker,sessions_elsewhere\n"
)
USUAL = "usual,III,forearm,black;red,medium,single,38,professional,60,8,none,no,\n"
OTHERS = """\
small,II,forearm,black,light,single,27,amateur,12,20,none,no,0
covered,IV,ankle,black;dark_blue,heavy,layered,45,professional,40,,slight,,
white,I,wrist,white;yellow,medium,single,30,professional,25,3,none,yes,
begun-elsewhere,V,lower_leg,black;green,heavy,single,52,professional,150,15,marked,no,5
bare,VI,face,black,medium,single,,,,,,,
cosmetic,II,face,flesh;brown,light,single,41,cosmetic,4,2,none,no,
"""
GRADINGS = "after_session,fading_pct\n0,0\n2,30\n4,60\n"
TARIFF = """\
currency = "EUR"
session_price = 150.00
minutes_per_session = 20
minutes_per_100_cm2 = 15
staff_per_hour = 45.00
room_per_hour = 20.00
consumables = 6.50
device_price = 90000.00
device_life_years = 7
device_sessions_per_year = 900
device_service_per_year = 6000.00
typical_area_cm2 = 50
fixed_cost = 30.00
tax_rate = 0.20
target_margin = 0.30
largest_chance_of_loss = 0.10
discount_rate = 0.03
weeks_between_sessions = 8
cap = 15
refund_share = 0.5
round_to = 5.00

[[packages]]
kind = "per_session"

[[packages]]
kind = "block"
sessions = 6

[[packages]]
kind = "until_cleared"
cap = 15
"""
FILES = {
    "enquiries.csv": HEADER + USUAL + OTHERS,
    "usual.csv": HEADER + USUAL,
    "coded.csv": HEADER + USUAL.replace("usual", "c017"),
    "gradings.csv": GRADINGS,
    "disordered.csv": "after_session,fading_pct\n4,60\n2,30\n0,0\n",
    "beyond.csv": "after_session,fading_pct\n0,0\n9,30\n",
    "falling.csv": "after_session,fading_pct\n0,0\n2,60\n4,30\n",
    "tariff.toml": TARIFF,
    "negative.toml": TARIFF.replace("consumables = 6.50", "consumables = -6.50"),
    "misspelt.toml": TARIFF.replace("session_price", "sesion_price"),
    "unknown-ink.csv": HEADER + USUAL.replace("black;red", "black;octarine"),
    "unknown-site.csv": HEADER + USUAL.replace("forearm", "tail"),
    "no-ink.csv": HEADER.replace("inks,", "") + USUAL.replace("black;red,", ""),
    "no-rows.csv": HEADER,
    "no-model.json": '{"kind": "something else"}\n',
    "broken.json": '{"kind": \n',
}

Tables = Mapping[str, pd.DataFrame]


@dataclass(frozen=True)
class Case:
    """One command, and the files it leaves that are kept with what it printed."""

    name: str
    arguments: tuple[str, ...]
    written: tuple[str, ...] = ()


def case(name: str, line: str, *written: str) -> Case:
    """Return a case from a command as it is typed."""
    return Case(name, tuple(line.split()), written)


WORK = [
    case("fit", "fit log -o model.json --seed 3 --json", "model.json"),
    case("check", "check log --json"),
    case("check-text", "check log"),
    case("check-cleared-at-90", "check small --cleared-at 90 --json"),
    case("estimate", "estimate model.json enquiries.csv --drivers --json"),
    case("estimate-level-50", "estimate model.json enquiries.csv --level 0.5 --json"),
    case("estimate-text", "estimate model.json enquiries.csv --drivers"),
    case("estimate-under-ps", "estimate model.json enquiries.csv --strategy ps --json"),
    case("estimate-register", "estimate model.json coded.csv --register r.sqlite"),
    case("estimate-old-register", "estimate model.json coded.csv --register r.jsonl"),
    case("update", "update model.json usual.csv --sessions-done 4 --json"),
    case(
        "update-gradings",
        "update model.json usual.csv --sessions-done 4 --gradings gradings.csv "
        "--tariff tariff.toml --json",
    ),
    case("update-falling", "update model.json usual.csv --sessions-done 4 --gradings falling.csv"),
    case(
        "update-text",
        "update model.json usual.csv --sessions-done 4 --gradings gradings.csv "
        "--tariff tariff.toml",
    ),
    case(
        "price",
        "price model.json enquiries.csv --tariff tariff.toml --courses 60 --log small --seed 5 "
        "--json",
    ),
    case(
        "price-text",
        "price model.json enquiries.csv --tariff tariff.toml --courses 60 --log small --seed 5",
    ),
    case("price-template", "price --template made.toml", "made.toml"),
    case("compare", "compare log --replicates 100 --seed 7 --plan 1 --json"),
    case("compare-text", "compare small --replicates 20 --seed 7"),
    case(
        "compare-switch",
        "compare log --strategies ns,ps,ns:4>ps --replicates 40 --seed 7 --json",
    ),
    case("fading", "fading log --json"),
    case("fading-text", "fading small"),
    case("reactions", "reactions small --json"),
    case("reactions-text", "reactions small --outcome lasting"),
    case(
        "reach",
        "reach log --wavelengths 532,755 --price 90000 --worth-cleared 400 --cost-per-session 55 "
        "--seed 2 --json",
    ),
    case("reach-text", "reach small --seed 2"),
    case("share", "share log -o share.json --json", "share.json"),
    case("share-small", "share small -o share-small.json --json", "share-small.json"),
    case("pool", "pool share.json share-small.json -o pooled.json --json", "pooled.json"),
    case("assess", "assess model.json log --card card.md --json", "card.md"),
    case("assess-text", "assess model.json small"),
    case(
        "sheet",
        "sheet model.json usual.csv -o sheet.html --tariff tariff.toml --start 2031-03-03",
        "sheet.html",
    ),
    case(
        "sheet-german",
        "sheet model.json usual.csv -o blatt.html --language de --start 2031-03-03 "
        "--sessions-done 4 --gradings gradings.csv",
        "blatt.html",
    ),
]

REQUESTS_AT_FAULT = [
    case("horizon-beyond-range", "fit log -o beyond.json --horizon 400"),
    case("level-80", "estimate model.json usual.csv --level 80"),
    case("unknown-ink", "estimate model.json unknown-ink.csv"),
    case("unknown-site", "estimate model.json unknown-site.csv"),
    case("no-ink", "estimate model.json no-ink.csv"),
    case("no-rows", "estimate model.json no-rows.csv"),
    case("no-such-enquiries", "estimate model.json nowhere.csv"),
    case("several-enquiries", "update model.json enquiries.csv --sessions-done 4"),
    case("unknown-strategy", "compare small --strategies ns,fs"),
    case("one-strategy", "compare small --strategies ns"),
    case("replicates-1", "compare small --replicates 1"),
    case("negative-cost", "price model.json usual.csv --tariff negative.toml"),
    case("misspelt-tariff", "price model.json usual.csv --tariff misspelt.toml"),
    case("no-tariff", "price model.json usual.csv"),
    case("no-model", "estimate no-model.json usual.csv"),
    case("broken-model", "estimate broken.json usual.csv"),
    case("no-such-log", "check nowhere"),
    case("written-over", "fit log -o usual.csv"),
    case(
        "gradings-out-of-order",
        "update model.json usual.csv --sessions-done 4 --gradings disordered.csv",
    ),
    case(
        "gradings-beyond-sessions",
        "update model.json usual.csv --sessions-done 4 --gradings beyond.csv",
    ),
    case("sessions-done-negative", "update model.json usual.csv --sessions-done -1"),
    case("unknown-wavelengths", "reach small --wavelengths 5"),
    case("unknown-reaction", "reactions small --outcome itch"),
    case("pool-one", "pool share.json -o one.json"),
    case("pool-no-share", "pool no-model.json -o none.json"),
    case("sheet-no-date", "sheet model.json usual.csv -o x.html --start 2026-13-40"),
    case("unknown-command", "predict log"),
    case("unknown-option", "check log --quietly"),
]


def with_cell(column: str, value: str, *, table: str = "courses", row: int = 1) -> Any:
    """Return what writes one cell of a table anew."""

    def change(tables: dict[str, pd.DataFrame]) -> None:
        tables[table].loc[row, column] = value

    return change


def without(column: str, *, table: str = "courses") -> Any:
    """Return what leaves a column out."""

    def change(tables: dict[str, pd.DataFrame]) -> None:
        tables[table] = tables[table].drop(columns=column)

    return change


def with_column(column: str, value: str) -> Any:
    """Return what adds a column to the courses."""

    def change(tables: dict[str, pd.DataFrame]) -> None:
        tables["courses"][column] = value

    return change


def twice(tables: dict[str, pd.DataFrame]) -> None:
    """Write the first course a second time."""
    courses = tables["courses"]
    tables["courses"] = pd.concat([courses, courses.head(1)])


def no_courses(tables: dict[str, pd.DataFrame]) -> None:
    """Leave only the header of the courses."""
    tables["courses"] = tables["courses"].head(0)


def courses_missing(tables: dict[str, pd.DataFrame]) -> None:
    """Leave the table of courses out."""
    del tables["courses"]


LOGS_AT_FAULT: dict[str, Callable[[dict[str, pd.DataFrame]], None]] = {
    "column-missing": without("outcome"),
    "session-column-missing": without("regime", table="sessions"),
    "unknown-level": with_cell("skin_type", "VII"),
    "unknown-ink-logged": with_cell("inks", "black;octarine"),
    "duplicate-ids": twice,
    "names-column": with_column("client_name", "A. B."),
    "unknown-column": with_column("mood", "good"),
    "no-courses": no_courses,
    "courses-missing": courses_missing,
    "no-date": with_cell("started_on", "soon"),
    "future-date": with_cell("started_on", "2091-01-01"),
    "fading-beyond": with_cell("fading_pct", "180", table="gradings"),
    "fading-falls": with_cell("fading_pct", "2", table="gradings", row=5),
    "session-of-nobody": with_cell("course_id", "C9999", table="sessions"),
    "no-such-outcome": with_cell("outcome", "vanished"),
    "impossible-age": with_cell("age_years", "5"),
}
LOG_CASES = [
    case(f"log-{name}", f"check faulty/{name} --to-correct {name}.xlsx --json")
    for name in LOGS_AT_FAULT
] + [case("log-empty-file", "check faulty/empty-file"), case("log-text", "check faulty/no-date")]

CASES = [*WORK, *REQUESTS_AT_FAULT, *LOG_CASES]

PAGE_REQUESTS: dict[str, dict[str, Any]] = {
    "new": {
        "inks": ["black", "red"],
        "ink_density": "medium",
        "layering": "single",
        "body_site": "forearm",
        "skin_type": "V",
        "start": "2031-03-03",
        "spacing_weeks": "8",
    },
    "under-way": {
        "inks": ["black", "green", "white"],
        "ink_density": "heavy",
        "layering": "layered",
        "body_site": "ankle",
        "skin_type": "II",
        "age_years": "44",
        "start": "2031-03-03",
        "spacing_weeks": "6",
        "sessions_done": "4",
        "gradings": [["2", "30"], ["4", "55"]],
    },
    "incomplete": {"inks": ["black"], "skin_type": "IV"},
}


def write_inputs(folder: Path, shipped: Path) -> None:
    """Write every file that the cases ask with."""
    tables = {
        path.stem: pd.read_csv(path, dtype=str, keep_default_na=False)
        for path in sorted(shipped.glob("*.csv"))
        if not path.stem.startswith("messy")
    }
    write_log(folder / "log", tables)
    write_log(folder / "small", of_courses(tables, tables["courses"]["course_id"][::3]))
    for name, change in LOGS_AT_FAULT.items():
        faulty = first(tables, FAULTY)
        change(faulty)
        write_log(folder / "faulty" / name, faulty)
    write_log(folder / "faulty" / "empty-file", first(tables, FAULTY))
    (folder / "faulty" / "empty-file" / "courses.csv").write_bytes(b"")
    for name, text in FILES.items():
        (folder / name).write_text(text, encoding="utf-8")


def first(tables: Tables, n: int) -> dict[str, pd.DataFrame]:
    """Return the tables of the first ``n`` courses."""
    return of_courses(tables, tables["courses"]["course_id"].head(n))


def of_courses(tables: Tables, kept: Iterable[str]) -> dict[str, pd.DataFrame]:
    """Return the tables with the rows of some courses."""
    return {
        name: table[table["course_id"].isin(set(kept))].reset_index(drop=True)
        if "course_id" in table
        else table.copy()
        for name, table in tables.items()
    }


def write_log(folder: Path, tables: Tables) -> None:
    """Write a log as a folder of CSV files."""
    folder.mkdir(parents=True)
    for name, table in tables.items():
        table.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")


def parsed(text: str) -> Any:
    """Return JSON as its values and any other text as its lines."""
    try:
        return json.loads(text)
    except ValueError:
        return text.splitlines()
