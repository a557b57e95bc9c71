"""Damaged inputs of every kind the tool reads, each made from a seed, and what must come of them.

A case ends in an answer or in a ForecastError, within five seconds; every row of a log is used or
set aside. Damage knows the structure of what it damages: headings, types, parts of JSON and TOML,
names of files.
"""

import csv
import io
import json
import os
import random
import time
import warnings
from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

import forecast
from forecast.cli.files import read_enquiries, read_gradings
from forecast.errors import ForecastError
from forecast.forecaster import Forecaster
from forecast.log import TABLES
from forecast.log.files import write_to_correct
from forecast.page import desk
from forecast.prices import price_package, read_tariff, tariff_template
from forecast.sharing import pool_shares, share_log
from synthetic_data.xlsx import write_workbook

SLOWEST = 5.0  # seconds
Damage = Callable[["Maker", random.Random, Path], Callable[[], object]]
CELLS = (
    "", " ", "NaN", "inf", "-1", "1e999", "9" * 400, "0x10", "١٢", "=1+1", "#REF!",
    "'", '"', ";", "\n",
    "9999-12-31", "0000-00-00", "31/02/2024", "2024-13-01", "12:00", "45000", "45000.5", "1/2/24",
    "Anna Schmidt", "a@b.example", "yes", "black;;red", "-" * 50,
    "+44" + "(" * 40, "\u202e", "\ud7ff", "🙂",
    "T" * 5000, "0" * 5000, "a-" * 3000, "A1 " * 3000,
    "1,000.00", "1.000,00", "5 cm²", "I-II", "None",
)  # fmt: skip
VALUES = (
    None, True, False, -1, 0, 1, 10**9, 10**400, 1e300, -1e300, 1e-300, float("nan"), float("inf"),
    "", "x", "1", "9" * 5000, [], {}, [[]], [1, "a"], {"a": 1}, {"code": "x"},
)  # fmt: skip


@dataclass
class Maker:
    """What is damaged: the tables of a small log, a saved model, and a share."""

    tables: dict[str, pd.DataFrame]
    written: dict[str, list[list[str]]]  # each as it stands in a file, headings first
    model: str
    shares: tuple[dict[str, Any], dict[str, Any]]
    estimate: Any

    @classmethod
    def of(cls, forecaster: Forecaster, folder: Path) -> "Maker":
        log = forecast.simulate_log(3, seed=4)
        path = folder / "model.json"
        forecaster.save(path)
        stored = json.loads(path.read_text(encoding="utf-8"))
        del stored["sha256"]  # which would have all damage refused at once
        shares = tuple(share_log(forecast.simulate_log(150, seed=seed)) for seed in (1, 2))
        tables = {name: getattr(log, name) for name in TABLES}
        written = {
            name: list(csv.reader(io.StringIO(frame.to_csv(index=False))))
            for name, frame in tables.items()
        }
        return cls(tables, written, json.dumps(stored), shares, forecaster.estimate(ASKED))

    def cells(self, name: str) -> list[list[str]]:
        """Return a table as it stands in a file, to be damaged."""
        return [list(row) for row in self.written[name]]


def counted(path: Path) -> object:
    """Read a log and answer for every row of it."""
    report = forecast.read_log(path).report
    for table, count in report.rows.items():
        if count.rows_in != count.used + count.set_aside:
            raise AssertionError(f"{table}: {count}")
    report.to_text()
    return json.dumps(report.to_dict())


def damaged_cells(rng: random.Random, rows: list[list[str]]) -> None:  # noqa: C901 - a list
    """Change headings, cells and rows of a table, a few at a time."""
    for _ in range(rng.randint(1, 4)):
        head, row = rows[0], rng.choice(rows)
        place = rng.randrange(max(len(head), 1))
        what = rng.randrange(14)
        if what == 0:  # the same heading twice
            column = rng.choice([*head, "notes", "", "graded_on", "client_id"])
            for one in rows:
                one += [rng.choice(CELLS)] * 2
            head[-2:] = [column, column]
        elif what == 1 and head:
            head[place] = rng.choice([*CELLS, "Name", "notes", head[0], head[place].upper() + " "])
        elif what == 2 and head:
            del head[place]  # all that follow are shifted
        elif what == 3 and len(rows) > 1:
            del rows[0]
        elif what == 4:
            rows.insert(0, [rng.choice(CELLS)])
        elif what == 5:
            rows.insert(rng.randrange(len(rows) + 1), list(row))
        elif what == 6:
            row.insert(place, rng.choice(CELLS))
        elif what == 7 and row:
            row.pop()
        elif what == 8:
            row[:] = [rng.choice(CELLS) for _ in row]
        elif what == 9:
            for one in rows[1:]:
                if place < len(one):
                    one[place] = rng.choice(CELLS)
        elif row:
            row[place % len(row)] = rng.choice(CELLS)


def broken_bytes(rng: random.Random, content: bytes) -> bytes:
    """Change, cut or add a few bytes."""
    changed = bytearray(content)
    for _ in range(rng.randint(1, 5)):
        place = rng.randrange(len(changed) + 1)
        how = rng.randrange(4)
        if how == 0:
            changed[place : place + 1] = bytes([rng.randrange(256)])
        elif how == 1:
            changed[place:place] = rng.randbytes(rng.randint(1, 8))
        elif how == 2:
            del changed[place : place + rng.randint(1, 20)]
        elif rng.random() < 0.2:
            del changed[place:]
    return bytes(changed)


def as_csv(rng: random.Random, rows: list[list[str]]) -> bytes:
    text = io.StringIO()
    mark = rng.choice(",,,,;\t|")
    csv.writer(text, delimiter=mark, lineterminator=rng.choice(["\n", "\r\n"])).writerows(rows)
    encoding = rng.choice(["utf-8"] * 6 + ["utf-8-sig", "utf-16", "latin-1"])
    return text.getvalue().encode(encoding, "replace")


def csv_folder(made: Maker, rng: random.Random, folder: Path) -> Callable[[], object]:
    for name in made.tables:
        rows = made.cells(name)
        if rng.random() < 0.5:
            damaged_cells(rng, rows)
        content = as_csv(rng, rows)
        content = broken_bytes(rng, content) if rng.random() < 0.1 else content
        (folder / f"{name}.csv").write_bytes(content)
    return lambda: counted(folder)


LEFT = (
    "._courses.csv", "~$courses.csv", ".courses.csv", "Courses .csv", "COURSES.CSV",
    "courses.parquet", "corrected.xlsx", "courses_corrected.xlsx", "notes.csv",
    "datapackage.json", "log.xlsx",
)  # fmt: skip


def odd_names(made: Maker, rng: random.Random, folder: Path) -> Callable[[], object]:
    """Put files, pipes, links and folders where tables are looked for."""
    for name in made.tables:
        (folder / f"{name}.csv").write_bytes(as_csv(random.Random(0), made.cells(name)))
    name = rng.choice([*LEFT, *(f"{table}.csv" for table in made.tables)])
    path = folder / name
    path.unlink(missing_ok=True)
    how = rng.randrange(8)
    if how == 0 and hasattr(os, "mkfifo"):
        os.mkfifo(path)
    elif how == 1 and os.name == "posix":
        path.symlink_to(rng.choice(["/dev/zero", "/dev/null", "nowhere", name, ".", "lasers.csv"]))
    elif how == 2:
        path.mkdir()
    elif how == 3:
        path.write_text(
            json.dumps(damaged_json(rng, {"cleared_at": 95, "resources": [{"hash": 1}]}))
        )
    elif how == 4:
        path.write_text("[" * 100_000)
    elif how == 5:
        path.write_bytes(rng.randbytes(200))
    else:
        path.write_bytes(as_csv(rng, made.cells("courses")))
    asked = folder if rng.random() < 0.8 else folder / rng.choice([name, "x" * 300, "\0", ""])
    return lambda: counted(asked)


DAYS = [0, -(10**15), 253402214400 * 10**6, 2**62]  # in microseconds; the third is in 9999
TYPES: tuple[Callable[[int], pa.Array], ...] = (
    lambda n: pa.array([DAYS[i % 4] for i in range(n)], pa.timestamp("us")),
    lambda n: pa.array([253402214400] * n, pa.timestamp("s")),
    lambda n: pa.array([i * 10**9 for i in range(n)], pa.timestamp("ns", tz="Europe/Vienna")),
    lambda n: pa.array([0] * n, pa.timestamp("ms", tz="Mars/Base")),
    lambda n: pa.array([2932896] * n, pa.date32()),
    lambda n: pa.array([253402214400000] * n, pa.date64()),
    lambda n: pa.array([1] * n, pa.duration("s")),
    lambda n: pa.array([1] * n, pa.time64("us")),
    lambda n: pa.array([b"\xff\xfe"] * n, pa.binary()),
    lambda n: pa.array([b"C0001"] * n, pa.binary()),
    lambda n: pa.array([["black", "red"]] * n),
    lambda n: pa.array([{"a": 1}] * n),
    lambda n: pa.array([None] * n, pa.null()),
    lambda n: pa.array([i % 2 == 0 for i in range(n)]),
    lambda n: pa.array([2**63 - 1 - i for i in range(n)], pa.int64()),
    lambda n: pa.array([2**64 - 1] * n, pa.uint64()),
    lambda n: pa.array([float("nan"), float("inf"), -0.0, 1e308][: n % 4 + 1] * n)[:n],
    lambda n: pa.array([None if i % 3 else 1.5 for i in range(n)], pa.float32()),
    lambda n: pa.array(["x" * 100] * n, pa.large_string()),
    lambda n: pa.array(["I", None] * n)[:n].dictionary_encode(),
    lambda n: pa.array([1] * n).dictionary_encode(),
    lambda n: pa.array([1] * n, pa.int64()).cast(pa.decimal128(38, 5)),
    lambda n: pa.array([(("k", 1),)] * n, pa.map_(pa.string(), pa.int64())),
)


def parquet_folder(made: Maker, rng: random.Random, folder: Path) -> Callable[[], object]:
    for name in ("courses", rng.choice(["sessions", "gradings", "reactions", "lasers"])):
        table = pa.Table.from_pandas(made.tables[name], preserve_index=rng.random() < 0.2)
        for _ in range(rng.randint(0, 2)):
            place = rng.randrange(table.num_columns)
            heading = rng.choice([table.column_names[place]] * 5 + ["", "notes", "course_id"])
            table = table.set_column(place, heading, rng.choice(TYPES)(table.num_rows))
        path = folder / f"{name}.parquet"
        pq.write_table(table, path, compression=rng.choice(["none", "snappy", "gzip"]))
        if rng.random() < 0.3:
            path.write_bytes(broken_bytes(rng, path.read_bytes()))
    return lambda: counted(folder)


def workbook(made: Maker, rng: random.Random, folder: Path) -> Callable[[], object]:
    sheets: dict[str, list[list[str]]] = {}
    for name in made.tables:
        rows = made.cells(name)
        if rng.random() < 0.5:
            damaged_cells(rng, rows)
        title = rng.choice([name] * 9 + [name.upper(), "Notes"])
        sheets[title] = [[cell for cell in row if cell.isprintable()] for row in rows]
    path = folder / "log.xlsx"
    if rng.random() < 0.7:  # which takes a fifth of the time
        write_workbook(path, sheets)
    else:
        book = openpyxl.Workbook()
        for title, rows in sheets.items():
            sheet = book.create_sheet(title)
            for row in rows:
                sheet.append(row)
        book.save(path)
    if rng.random() < 0.4:
        path.write_bytes(broken_bytes(rng, path.read_bytes()))
    return lambda: counted(path)


def corrections(made: Maker, rng: random.Random, folder: Path) -> Callable[[], object]:
    """Damage what comes back of the rows that were to be corrected."""
    csv_folder(made, rng, folder)
    path = folder / "corrected.xlsx"

    def answer() -> object:
        write_to_correct(forecast.read_log(folder).report, path)
        if path.exists():
            book = openpyxl.load_workbook(path)
            for sheet in book:
                for _ in range(rng.randint(0, 6)):
                    row, at = (rng.randint(1, one) for one in (sheet.max_row, sheet.max_column))
                    cell = rng.choice(CELLS)
                    sheet.cell(row, at).value = cell if cell.isprintable() else None
            book.save(path)
            if rng.random() < 0.2:
                path.write_bytes(broken_bytes(rng, path.read_bytes()))
        return counted(folder)

    return answer


def places_in(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Walk through the places of nested JSON."""
    parts = value.items() if isinstance(value, dict) else ()
    for key, part in enumerate(value) if isinstance(value, list) else parts:
        yield (*path, key)
        yield from places_in(part, (*path, key))


def damaged_json(rng: random.Random, stored: Any) -> Any:
    """Change, move, take away or repeat a few parts; each part of the top is hit as often."""
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        top = rng.choice(list(stored))
        inside = list(places_in(stored[top], (top,)))
        *path, last = rng.choice([(top,), *inside])
        parent = stored
        for key in path:
            parent = parent[key]
        how = rng.randrange(5)
        if how < 3:
            parent[last] = deepcopy(rng.choice(VALUES))
        elif how == 3 and parent is not stored:
            del parent[last]
        elif isinstance(parent, list):
            parent.append(deepcopy(parent[last]))
        elif isinstance(parent[last], float):
            parent[last] *= rng.choice((-1, 1.1, 10, 1e6))
        else:
            parent["more"] = deepcopy(parent[last])
    return stored


ASKED = forecast.Enquiry(
    "VI", "face", "green;white", "heavy", "layered", age_years=70, origin="cosmetic",
    area_cm2=300, smoker="no", sessions_elsewhere=3,
)  # fmt: skip


def model(made: Maker, rng: random.Random, folder: Path) -> Callable[[], object]:
    text = json.dumps(damaged_json(rng, json.loads(made.model)))
    path = folder / "model.json"
    content = text.encode()
    path.write_bytes(broken_bytes(rng, content) if rng.random() < 0.2 else content)

    def answer() -> None:
        found = forecast.load_forecaster(path)
        found.estimate(ASKED).to_text()
        json.dumps(found.estimate(ASKED).to_dict())
        found.drivers(ASKED)
        found.update(ASKED, sessions_done=3, gradings=[(1, 20), (3, 40)])

    return answer


def share(made: Maker, rng: random.Random, folder: Path) -> Callable[[], object]:
    first = damaged_json(rng, json.loads(json.dumps(made.shares[0])))
    return lambda: pool_shares([first, made.shares[1]]).to_text()


TOML = (
    "x = " + "[" * 5000, "x = 1e999", "x = 1e-999999999", 'x = "\\ud800"', "[[packages]]\nkind = 3",
    "a.b.c = 1", "x = 9999-12-31", "x = nan", "x = -0.000000000000000000000001",
    "x = " + "9" * 5000,
)  # fmt: skip
CLINIC = 'name = "A Clinic"\nlanguage = "de"\nspacing_weeks = 8\n'


def toml(made: Maker, rng: random.Random, folder: Path) -> Callable[[], object]:
    of_tariff = rng.random() < 0.7
    lines = (tariff_template() if of_tariff else CLINIC).splitlines()
    lines = [line for line in lines if "=" in line.partition("#")[0] or line.startswith("[")]
    for _ in range(rng.randint(1, 3)):
        place, extra = rng.randrange(len(lines)), rng.choice(TOML)
        value = extra.partition(" = ")[2] or "1"
        key = lines[place].partition(" = ")[0]
        lines[place] = rng.choice([extra, f"{key} = {value}", "", lines[place] * 2])
    path = folder / "file.toml"
    path.write_bytes("\n".join(lines).encode("utf-8", "replace"))

    def answer() -> None:
        tariff = read_tariff(path)
        for package in tariff.packages:
            price_package(made.estimate, package, tariff).to_text()

    return answer if of_tariff else lambda: desk.read_clinic(path)


ENQUIRY = [
    [
        "enquiry_id",
        "skin_type",
        "body_site",
        "inks",
        "ink_density",
        "layering",
        "age_years",
        "facts",
    ],
    ["a", "II", "forearm", "black;red", "medium", "single", "30", "none"],
    ["b", "VI", "face", "green", "heavy", "layered", "", "hair;minor"],
]
GRADINGS = [
    ["after_session", "fading_pct", "graded_on"],
    ["1", "20", "2024-01-31"],
    ["3", "40", ""],
]


def small_table(made: Maker, rng: random.Random, folder: Path) -> Callable[[], object]:
    rows, reader = rng.choice([(ENQUIRY, read_enquiries), (GRADINGS, read_gradings)])
    rows = [list(row) for row in rows]
    damaged_cells(rng, rows)
    path = folder / "asked.csv"
    path.write_bytes(as_csv(rng, rows))
    return lambda: reader(path)


KINDS: dict[str, Damage] = {
    one.__name__: one
    for one in (
        csv_folder,
        odd_names,
        parquet_folder,
        workbook,
        corrections,
        model,
        share,
        toml,
        small_table,
    )
}


def run(made: Maker, kind: str, seed: int, folder: Path) -> str:
    """Run one case in an empty folder; return what was wrong with how it ended, or nothing."""
    ask = KINDS[kind](made, random.Random(f"{kind} {seed}"), folder)
    start = time.process_time()
    try:
        with warnings.catch_warnings():
            # Elsewhere a warning is an error. Here what is looked for is how a case ends, and
            # damaged files make openpyxl, pyarrow and numpy warn in ways that differ by version.
            warnings.simplefilter("ignore")  # libraries warn of damage; judged is how a case ends
            ask()
    except ForecastError:
        pass
    except Exception as error:  # noqa: BLE001 - which is what is looked for
        return f"{kind} {seed}: {type(error).__name__}: {str(error)[:200]}"
    took = time.process_time() - start
    return f"{kind} {seed}: {took:.1f} s" if took > SLOWEST else ""
