"""Any workbook as a log: which sheets are one table, and what its headings and words mean."""

from __future__ import annotations

import json
import re
import tomllib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from forecast._checks import nearest
from forecast._notes import Sentence, in_language, languages, problem_and_remedy, sentence, texts_of
from forecast.errors import DataError
from forecast.log.cells import (
    SEPARATORS,
    WORDS,
    UnreadableError,
    date_order,
    first_unknown,
    folded,
    higher_of_two,
    meant,
    normal_heading,
    read_cell,
    rule_of,
    says_none,
    unmistakable,
)
from forecast.log.cleaning import FOUND, SEARCHED_ROWS, is_total
from forecast.log.columns import TABLES, Column, column, column_names, words
from forecast.log.files.reading import (
    RawLog,
    add_table,
    correct,
    every_sheet,
    headings_found,
    in_levels,
    keep_stated,
    place_of,
)
from forecast.log.files.workbook import Sheets, letters
from forecast.log.identity import identifies

if TYPE_CHECKING:
    import pandas as pd

STATED = ("cleared_at", "cleared_judged", "date_order")
PARTS = ("columns", "words", "in_every_row")  # of a table in a map
LEAST = 3  # headings known in a sheet that is taken for a table
MOST_WORDS = 30  # of a column are listed
WEAK = words(WORDS["weak"])
CLOSE = 0.86  # of a heading to a known one, 1 is the same
YEAR = re.compile(r"(19|20)\d\d")


class Heads(NamedTuple):
    """Where a sheet's headings end, and the text of each column, two rows of them joined."""

    row: int
    names: list[str]


@dataclass(slots=True)
class TableMap:
    """How sheets become one table: their titles, and by heading the column that it means.

    Words have their level by column; what is ``in_every_row`` stands in no column of the sheets.
    """

    sheets: list[str]
    columns: dict[str, str]
    words: dict[str, dict[str, str]]
    in_every_row: dict[str, str]


def _plain(heading: str) -> str:
    return folded(normal_heading(heading))


def _heads(rows: pd.DataFrame) -> Iterator[Heads]:
    """Yield what could be headings: each of the first rows, and each with the row above."""
    above: list[str] = []
    for number, *cells in rows.iloc[:SEARCHED_ROWS].itertuples(name=None):
        own = ["" if cell is None or cell != cell else str(cell).strip() for cell in cells]
        yield Heads(int(number), own)
        if any(above):
            spread, last = [], ""  # a merged cell holds its text in the first of its columns
            for upper, lower in zip(above, own, strict=True):
                last = upper or last
                spread.append(f"{last} / {lower}" if last and lower else upper or lower)
            yield Heads(int(number), spread)
        above = own


def read_mapped(path: Path, file: Path) -> RawLog:
    """Return the tables at ``path`` as a map in ``file`` has them, nothing judged yet."""
    maps, stated = _read_map(file)
    sheets, notes = every_sheet(path)
    raw = RawLog(str(path), notes=notes, mapped=True)
    keep_stated(raw, file.name, stated)
    for table, found in maps.items():
        _put_together(raw, table, found, sheets, file.name)
    if "courses" not in raw.tables:
        raise DataError(*problem_and_remedy("reading.map_no_courses", {"file": file.name}))
    correct(raw, path, {table: found.words for table, found in maps.items()})
    return raw


def _put_together(raw: RawLog, table: str, found: TableMap, sheets: Sheets, file: str) -> None:
    import pandas as pd

    frames: list[pd.DataFrame] = []
    after = 0
    for title in found.sheets:
        if title not in sheets:
            values: dict[str, Any] = {"file": file, "title": title, "table": table}
            values |= {"sheets": [*map(repr, sheets)], "hint": nearest(title, sheets)}
            raise DataError(*problem_and_remedy("reading.map_no_sheet", values))
        frame, head, columns = _under_columns(table, found, title, sheets[title], file)
        headings_found(raw, table if len(found.sheets) == 1 else f"{table}, {title}", head)
        frame.index = frame.index + after
        place = place_of(title, frame, columns, after)
        raw.places[table] = (*raw.places.get(table, ()), place)
        frames.append(frame)
        after = place.last
    raw.own_words[table] = pd.concat(frames)
    joined = in_levels(raw.own_words[table], found.words)
    given = {normal_heading(heading) for heading in joined}
    joined = joined.assign(**{k: v for k, v in found.in_every_row.items() if k not in given})
    given |= found.in_every_row.keys()
    lacking = [rule for rule in TABLES[table] if rule.required and rule.name not in given]
    if lacking:
        values = {"table": table, "columns": [rule.name for rule in lacking], "file": file}
        values |= {"first": lacking[0].name, "or": _or(lacking[0], table)}
        raise DataError(*problem_and_remedy("reading.map_no_column", values))
    add_table(raw, table, joined)


def _or(rule: Column, table: str) -> Sentence | str:
    """Return what else to do about a column that no heading of a table means."""
    values = {"table": table, "name": rule.name, "level": (*rule.levels, "")[0]}
    ways = ("", "same") if table == "courses" else ("without", "either")
    way = "regime" if (table, rule.name) == ("sessions", "regime") else ways[bool(rule.levels)]
    return sentence(f"reading.map_{way}", values) if way else ""


def _under_columns(
    table: str, found: TableMap, title: str, rows: pd.DataFrame, file: str
) -> tuple[pd.DataFrame, int, list[str]]:
    known = {_plain(heading): name for heading, name in found.columns.items()}
    heads = list(_heads(rows))
    count = [sum(_plain(name) in known for name in head.names) for head in heads]
    if not max(count, default=0):
        where = {"title": title, "file": file, "table": table}
        raise DataError(*problem_and_remedy("reading.map_no_headings", where))
    head = heads[count.index(max(count))]
    below = rows.loc[head.row :].iloc[1:]
    kept: dict[str, int] = {}
    for at, heading in enumerate(head.names):
        name = known.get(_plain(heading), heading)
        if not name:
            continue
        if name in kept:
            both = ((letters(place), head.names[place]) for place in (kept[name], at))
            cells = [f"{title}!{letter}{head.row} ({text!r})" for letter, text in both]
            values = {"title": title, "name": name, "cells": cells, "file": file}
            raise DataError(*problem_and_remedy("reading.map_two_columns", values))
        kept[name] = at
    frame = below.iloc[:, list(kept.values())].set_axis(list(kept), axis=1)
    return frame, head.row, [letters(at) for at in kept.values()]


def _read_map(file: Path) -> tuple[dict[str, TableMap], dict[str, Any]]:
    try:
        written = tomllib.loads(file.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise DataError(*problem_and_remedy("reading.no_map", {"file": str(file)})) from error
    except ValueError as error:
        values = {"file": file.name, "why": str(error)}
        raise DataError(*problem_and_remedy("reading.map_no_toml", values)) from error
    stated = {name: written.pop(name) for name in STATED if name in written}
    maps = {}
    for table, given in written.items():
        parts = given if isinstance(given, dict) else {}
        whole = all(isinstance(parts.get(one, {}), dict) for one in PARTS)
        if table not in TABLES or not isinstance(parts.get("sheets"), list) or not whole:
            found = {"file": file.name, "table": table, "tables": [*TABLES]}
            raise DataError(*problem_and_remedy("reading.map_no_table", found))
        columns = {str(k): str(v) for k, v in parts.get("columns", {}).items()}
        meanings = {
            name: _meanings(file.name, table, name, given)
            for name, given in parts.get("words", {}).items()
        }
        _check_names(file.name, table, filter(None, columns.values()))
        same = {name: str(value) for name, value in parts.get("in_every_row", {}).items()}
        for name, value in same.items():
            _meanings(file.name, table, name, {"in_every_row": value})
        maps[table] = TableMap([*map(str, parts["sheets"])], columns, meanings, same)
    return maps, stated


def _check_names(file: str, table: str, names: Iterable[str]) -> None:
    known = column_names(table)
    for name in names:
        if name not in known:
            values: dict[str, Any] = {"file": file, "name": name, "table": table, "columns": known}
            values["hint"] = nearest(name, known)
            raise DataError(*problem_and_remedy("reading.map_odd_column", values))


def _meanings(file: str, table: str, name: str, given: Mapping[str, str]) -> dict[str, str]:
    _check_names(file, table, [name])
    rule = column(table, name)
    for word, level in given.items():
        try:
            read_cell(rule, str(level), order="day")
        except UnreadableError as error:
            values = {"file": file, "word": word, "level": level, "column": f"{table}.{name}"}
            values |= {"rule": error.args[0], "hint": meant(rule, str(level))}
            raise DataError(*problem_and_remedy("reading.map_odd_level", values)) from error
    return {folded(word.strip()): str(level) for word, level in given.items()}


def propose_map(
    path: str | Path, file: str | Path, *, language: str = "en"
) -> tuple[str, list[Sentence]]:
    """Return a commented map, to be ``file``, of the sheets at ``path``, and a line on each.

    Its remarks are in the ``language``. Headings and words are those of ``words.toml``. What is
    only likely, or not known, is marked; columns that seem to say who a person is are kept out.

    Raises
    ------
    DataError
        If no sheet holds anything like the courses of a log.

    Examples
    --------
    >>> book, columns = folder / "book.xlsx", folder / "columns.toml"
    >>> log.courses.head(9).to_excel(book, sheet_name="courses", index=False)
    >>> text, lines = propose_map(book, columns)
    >>> written = columns.write_text(text, encoding="utf-8")  # to be corrected by hand
    >>> len(forecast.read_log(book, columns=columns).courses)
    9
    """
    path, file = Path(path), Path(file)
    sheets, _ = every_sheet(path)
    found: dict[str, dict[str, Heads]] = {}
    for title, rows in sheets.items():
        table, head = _table_in(title, rows)
        if table:
            found.setdefault(table, {})[title] = head
    if "courses" not in found:
        found_none = {"file": path.name, "sheets": [*map(repr, sheets)]}
        raise DataError(*problem_and_remedy("reading.nothing_alike", found_none))
    named = {"of": path.resolve().name, "path": path.name or str(path), "file": file.name}
    lines: list[str] = [sentence("reading.map_head", named)]
    brief: list[Sentence] = []
    undecided: list[str] = []
    for table in (name for name in TABLES if name in found):
        text, said = _proposed(table, found[table], sheets, undecided)
        lines += text
        brief.append(said)
    if undecided:
        values = {"n": len(undecided), "first": undecided[0]}
        lines.insert(1, sentence("reading.map_date_order", values))
    unread = [title for title in sheets if not any(title in titles for titles in found.values())]
    lines += [sentence("reading.map_unread", {"title": title}) for title in unread]
    brief += [sentence("reading.other_sheet", {"title": title}) for title in unread]
    return "\n".join(in_language(line, language) for line in lines) + "\n", brief


def is_map(content: bytes) -> bool:
    """Say whether a file begins as a map does in one of the languages.

    Examples
    --------
    >>> is_map(b"# How the sheets of the clinic become the log."), is_map(b"# my own notes")
    (True, False)
    """
    heads = (texts_of(one)["notes"]["reading"]["map_head"] for one in languages())
    return content.startswith(tuple(head.partition("{")[0].encode() for head in heads))


def _table_in(title: str, rows: pd.DataFrame) -> tuple[str, Heads]:
    """Return the table that a sheet is likeliest to be, "" for none, and its headings."""
    best, choice = 0, ("", Heads(0, []))
    for head in _heads(rows):
        for table in TABLES:
            said = bool({*_plain(title).split("_")} & {*words(WORDS["sheets"][table])})
            matched = {*filter(None, _meant_by(table, head.names).values())}
            required = {rule.name for rule in TABLES[table] if rule.required}
            year = table == "courses" and YEAR.search(title) is not None
            score = 2 * len(matched & required) + len(matched) + 6 * said + year
            if len(matched) >= min(LEAST, len(required)) and score > best:
                best, choice = score, (table, head)
    return choice


def _meant_by(table: str, names: list[str]) -> dict[str, str]:
    """Return the column that each heading means, "" for none; a column is meant once."""
    known = {name: [name] for name in column_names(table)}
    listed = WORDS["headings"][table]
    if "course_id" in known:
        listed = {"course_id": WORDS["headings"]["courses"]["course_id"]} | listed
    for name, said in listed.items():
        for word in words(said):
            known.setdefault(word, []).append(name)
    found = dict.fromkeys(filter(None, names), "")
    for tries in zip(*(_readings(heading, known) for heading in found), strict=True):
        for heading, word in zip(found, tries, strict=True):
            left = [name for name in known.get(word, ()) if name not in found.values()]
            if left and not found[heading]:
                found[heading] = left[0]
    return found


def _readings(heading: str, known: Iterable[str]) -> list[str]:
    """Return a heading whole, its lower part, that without a unit, and the known word closest.

    A weak word, such as "Nr.", comes last.
    """
    whole, lower = _plain(heading), heading.rpartition(" / ")[2]
    close = get_close_matches(whole, known, 1, CLOSE)
    tries = whole, _plain(lower), _plain(re.sub(r"\(.*", "", lower)), close[0] if close else ""
    weak = next((word for word in tries if word in WEAK), "")
    return [*("" if word in WEAK else word for word in tries), weak]


def _aside(row: tuple[object, ...], head: Heads) -> bool:
    """Return whether a row is of totals, or the headings again: nothing to ask about."""
    said = [(str(cell).strip(), name) for cell, name in zip(row, head.names, strict=True) if cell]
    return bool(said) and (is_total(said[0][0]) or all(name.endswith(text) for text, name in said))


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _heading_line(table: str, heading: str, name: str, cells: pd.Series[Any]) -> str:
    if name:
        line = f"{_quoted(heading)} = {_quoted(name)}"
        values = {"line": line, "meaning": {"en": f"  # {column(table, name).meaning}"}}
        return line if _plain(heading) == name else sentence("reading.map_meaning", values)
    if why := identifies(heading, cells):
        return sentence("reading.map_kept_out", {"line": f'{_quoted(heading)} = ""', "why": why})
    # without a line it stays beside the rows that are to be corrected
    line = f'# {_quoted(heading)} = ""'
    for other, found in FOUND.items() if table == "sessions" else ():
        if _meant_by(other, [heading])[heading] == found:
            return sentence(f"reading.map_of_{other}", {"line": line})
    return sentence("reading.map_not_known", {"line": line})


def _proposed(
    table: str, heads: Mapping[str, Heads], sheets: Sheets, undecided: list[str]
) -> tuple[list[str], Sentence]:
    import pandas as pd

    columns: dict[str, str] = {}
    cells: dict[str, list[pd.Series[Any]]] = {}
    for title, head in heads.items():
        below = sheets[title].loc[head.row :].iloc[1:]
        rows = [not _aside(row, head) for row in below.itertuples(index=False, name=None)]
        below = below.loc[np.array(rows, dtype=np.bool_)]
        for heading, name in _meant_by(table, head.names).items():
            columns[heading] = columns.get(heading) or name
            cells.setdefault(heading, []).append(below.iloc[:, head.names.index(heading)])
    lines = [f"[{table}]", f"sheets = [{', '.join(map(_quoted, heads))}]", f"\n[{table}.columns]"]
    lines += [
        _heading_line(table, heading, name, pd.concat(cells[heading]))
        for heading, name in columns.items()
    ]
    lacking = [r for r in TABLES[table] if r.required and r.name not in columns.values()]
    for rule in lacking:
        lacks = {"name": rule.name, "rule": rule_of(rule), "or": _or(rule, table)}
        lines.append(sentence("reading.map_missing", lacks))
    unsure = 0
    for name in dict.fromkeys(filter(None, columns.values())):
        same = [one for head, parts in cells.items() if columns[head] == name for one in parts]
        listed, asked = _words_of(column(table, name), pd.concat(same), undecided)
        lines += [f"\n[{table}.words.{name}]", *listed] if listed else []
        unsure += asked
    named, missing = sum(map(bool, columns.values())), [rule.name for rule in lacking]
    values = {"table": table, "sheets": [*map(repr, heads)], "of": len(columns), "named": named}
    code = "reading.proposed_but" if missing else "reading.proposed"
    return [*lines, ""], sentence(code, {**values, "words": unsure, "missing": missing})


def _words_of(rule: Column, cells: pd.Series[Any], undecided: list[str]) -> tuple[list[str], int]:
    """Return a line for each word of a column that is not the log's, and how many are unsure.

    Dates whose order nothing proves are added to those ``undecided``.
    """
    if rule.kind in ("id", "text"):
        return [], 0
    texts = [str(cell).strip() for cell in cells if cell is not None and cell == cell]
    order = date_order(texts) if rule.kind == "date" else None
    understood, asked, unordered = [], [], []
    parts = Counter(
        part.strip()
        for text in filter(None, texts)
        for part in (re.split(SEPARATORS, text) if rule.kind == "set" else [text])
    )
    for part, n in parts.most_common():
        if not part or is_total(part) or (rule.name == "reaction" and says_none(part)):
            continue
        try:
            # what a point before three digits is, the whole column shows when it is read
            value = read_cell(rule, unmistakable(part), order=order).value
            if rule.levels and value is not None and folded(part) != str(value).lower():
                understood.append(f"{_quoted(part)} = {_quoted(str(value))}")
        except UnreadableError as error:
            if error.args[0].note.code == "rules.which_is_the_day":
                unordered += [part] * n
                continue
            higher = higher_of_two(rule, first_unknown(rule, part))
            values: dict[str, Any] = {"n": n, "rule": error.args[0], "hint": meant(rule, part)}
            values["line"] = f"{'' if higher else '# '}{_quoted(part)} = {_quoted(higher)}"
            asked.append(sentence("reading.map_asked", values))
    undecided += unordered
    return [*understood[:MOST_WORDS], *asked[:MOST_WORDS]], len(asked) + bool(unordered)
