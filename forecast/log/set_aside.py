"""Rows set aside, written out to be mended, and read back in."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast._files import write_whole
from forecast.errors import RequestError
from forecast.log.cells import as_text
from forecast.log.headings import HELPERS, read_headings

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log.report import LogReport

RECORD = "belongs_to.json"
PREFIX = "set_aside_"


def write_set_aside(report: LogReport, folder: str | Path) -> tuple[Path, ...]:
    """Write the rows set aside, one ``set_aside_<table>.csv`` per table, and return the paths.

    Each row stands as it was written, with what is wrong (``problem``), what to do (``remedy``)
    and which row of the log it replaces (``mends``). To mend: correct the cells, leave
    ``mends`` alone, save the file as ``mended_<table>.csv`` in the log's folder (or as a sheet
    ``mended_<table>`` of the workbook) and read the log again. Rows may as well be corrected in
    the log itself, or the mended rows added below its own: the three helper columns do no harm.

    A file changed since it was written is not written over: the new one is then numbered,
    ``set_aside_<table>_2.csv``. ``belongs_to.json`` beside them names the log.

    Raises
    ------
    RequestError
        If ``folder`` exists and is not a folder, or holds rows of another log.
    """
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise RequestError(f"{folder} is a file.", "Name a folder for the rows set aside.")
    contents = {
        table: _to_mend(report, table, rows)
        .to_csv(index=False, lineterminator="\n")
        .encode("utf-8-sig")
        for table, rows in report.withheld.items()
        if len(rows)
    }
    return _put_on_shelf(report.source, folder, contents)


def _to_mend(report: LogReport, table: str, rows: pd.DataFrame) -> pd.DataFrame:
    import pandas as pd

    headings = read_headings(table, list(rows.columns))
    texts = _texts(rows[list(headings)].rename(columns=headings))
    listed = report.set_aside[report.set_aside["table"] == table]
    why = listed["column"] + " " + listed["value"].map(repr) + ": " + listed["rule"]
    problems = why.groupby(listed["row"]).agg("; ".join)
    remedies = (
        listed["remedy"].groupby(listed["row"]).agg(lambda part: " ".join(dict.fromkeys(part)))
    )
    tokens = [_token(row, cells) for row, cells in zip(texts.index, _cells(texts), strict=True)]
    if "mends" in rows:  # mended once already: still the same row of the log
        before = rows["mends"].fillna("").astype(str)
        tokens = [old or new for old, new in zip(before, tokens, strict=True)]
    safe = texts.map(lambda text: f" {text}" if text.startswith(("=", "@", "+", "-")) else text)
    helpers = {
        "problem": problems.reindex(texts.index).fillna(""),
        "remedy": remedies.reindex(texts.index).fillna(""),
        "mends": pd.Series(tokens, texts.index, dtype=object),
    }
    return safe.assign(**helpers)


def shelf_for(log: str, folder: str | Path) -> Path:
    """Return ``folder``, or ``folder-2``, ``folder-3``, …: the first that is not another log's."""
    wanted = Path(folder)
    for place in _numbered(wanted):
        owner, _ = _record_of(place)
        if owner in ("", _owner_name(log)):
            return place
    raise AssertionError("numbers do not end")


def changed_files(folder: Path) -> tuple[Path, ...]:
    """Return the files of rows set aside that are not as they were written."""
    _, written = _record_of(folder)
    files = sorted(folder.glob(f"{PREFIX}*.csv")) if folder.is_dir() else []
    return tuple(path for path in files if not _is_as_written(path, written))


# One file per table goes into the folder, and whose rows they are. A file that was changed since it
# was written is left alone: the new one gets a number. Files of tables that have no row set aside
# any more are taken away unless they were changed.
def _put_on_shelf(log: str, folder: Path, contents: Mapping[str, bytes]) -> tuple[Path, ...]:
    owner, written = _record_of(folder)
    if owner not in ("", _owner_name(log)):
        raise RequestError(
            f"{folder} holds rows set aside from {owner}.", "Name another folder for this log."
        )
    if not contents and not written:
        return ()
    folder.mkdir(parents=True, exist_ok=True)
    paths, now = [], {}
    for table, content in contents.items():
        path = next(
            place
            for place in _numbered(folder / f"{PREFIX}{table}.csv")
            if not place.exists() or _is_as_written(place, written)
        )
        write_whole(path, content)
        now[path.name] = _digest(content)
        paths.append(path)
    for name in written.keys() - now.keys():
        if _is_as_written(folder / name, written):
            (folder / name).unlink()
    if now:
        record = json.dumps({"log": _owner_name(log), "written": now}, indent=1)
        write_whole(folder / RECORD, f"{record}\n".encode())
    else:
        (folder / RECORD).unlink()
    return tuple(paths)


# Whose rows a folder holds, "" where nothing says so, and the digest of each file.
def _record_of(folder: Path) -> tuple[str, dict[str, str]]:
    try:
        stored = json.loads((folder / RECORD).read_text(encoding="utf-8"))
        return str(stored["log"]), {str(k): str(v) for k, v in stored["written"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return "", {}


# A log's source in the one way in which it is recorded.
def _owner_name(log: str) -> str:
    return str(Path(log).resolve()) if Path(log).exists() else log


def _is_as_written(path: Path, written: Mapping[str, str]) -> bool:
    return path.is_file() and written.get(path.name) == _digest(path.read_bytes())


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


# A path, and then the same with 2, 3, … at the end of its name.
def _numbered(path: Path) -> Iterator[Path]:
    yield path
    mark = "_" if path.suffix else "-"
    number = 2
    while True:
        yield path.with_name(f"{path.stem}{mark}{number}{path.suffix}")
        number += 1


def apply_mends(
    table: str, raw: pd.DataFrame, mended: pd.DataFrame
) -> tuple[pd.DataFrame, int, int]:
    """Return the table with its mended rows, and how many were replaced and how many added.

    A mended row replaces the row that its ``mends`` names, if that still says what it said, and
    is added below the table otherwise.
    """
    import pandas as pd

    names = read_headings(table, list(raw.columns))
    known = {known: given for given, known in names.items()}
    fresh_names = read_headings(table, list(mended.columns))
    fresh = mended.rename(
        columns={given: known.get(name, name) for given, name in fresh_names.items()}
    )
    tokens = mended["mends"] if "mends" in mended else pd.Series("", mended.index)
    wanted = tokens.fillna("").astype(str).str.strip()
    places = _places(raw[list(names)].rename(columns=names), set(wanted))
    last = int(raw.index.max()) if len(raw) else 1
    rows, added = [], 0
    for token in wanted:
        added += token not in places
        rows.append(places.get(token, last + added))
    fresh = fresh.set_axis(rows, axis=0)
    fresh = fresh[~fresh.index.duplicated(keep="last")]
    kept = raw[~raw.index.isin(rows)]
    return pd.concat([kept, fresh]).sort_index(), len(set(rows) & set(raw.index)), added


def _places(raw: pd.DataFrame, wanted: set[str]) -> dict[str, int]:
    marks = {token.partition("#")[2] for token in wanted if "#" in token}
    if not marks:
        return {}
    texts = _texts(raw)
    places: dict[str, int] = {}
    for row, cells in zip(texts.index, _cells(texts), strict=True):
        token = _token(row, cells)
        if token in wanted:
            places[token] = int(row)
    return places


def _token(row: int, cells: Iterable[str]) -> str:
    return f"row {row} #{_digest(chr(31).join(cells).encode())[:10]}"


def _texts(frame: pd.DataFrame) -> pd.DataFrame:
    kept = frame[[name for name in frame.columns if name not in HELPERS]]
    return kept.astype(object).map(lambda value: (as_text(value) or "").strip())


def _cells(texts: pd.DataFrame) -> Iterable[tuple[Any, ...]]:
    return texts[sorted(texts.columns)].itertuples(index=False, name=None)
