"""A log reads the same from CSV, Parquet and a workbook; what is no log is refused in words."""

import json
import os
import random
import zipfile
from contextlib import suppress
from itertools import pairwise
from time import process_time
from xml.sax.saxutils import escape

import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from forecast.errors import DataError
from forecast.invented import simulate_log
from forecast.log.columns import TABLES
from forecast.log.outcome_log import OutcomeLog, read_log, write_log
from tests.log.workbooks import as_workbook, assert_same


@pytest.fixture(scope="module")
def log():
    return simulate_log(40, seed=5)


@pytest.fixture
def folder(log, tmp_path):
    write_log(log, tmp_path / "log")
    return tmp_path / "log"


def test_a_written_log_reads_back_the_same(log, folder):
    again = read_log(folder)
    assert_same(again, log)
    assert again.report.set_aside.empty
    assert again.report.tolerated.empty


def test_parquet_and_a_workbook_read_the_same(log, tmp_path):
    parquet = tmp_path / "parquet"
    parquet.mkdir()
    for name in TABLES:
        getattr(log, name).to_parquet(parquet / f"{name}.parquet", row_group_size=7)
    assert_same(read_log(parquet), log)
    assert_same(read_log(as_workbook(log, tmp_path / "log.xlsx")), log)


def test_courses_alone_are_enough(folder):
    for name in TABLES:
        if name != "courses":
            (folder / f"{name}.csv").unlink()
    log = read_log(folder)
    assert len(log.courses) == 40
    assert list(log.report.rows) == ["courses"]


def test_headings_without_rows_are_an_absent_table_except_for_courses(folder):
    for name in ("sessions", "courses"):
        heading = (folder / f"{name}.csv").read_text().splitlines()[0]
        if name == "sessions":
            (folder / f"{name}.csv").write_text(heading + "\n")
            assert len(read_log(folder).sessions) == 0
        else:
            (folder / f"{name}.csv").write_text(heading + "\n\n")
            with pytest.raises(DataError, match="Table courses has no rows"):
                read_log(folder)


def rewrite(folder, table, change, **options):
    path = folder / f"{table}.csv"
    path.write_text(change(path.read_text()), **options)


def test_a_byte_order_mark_semicolons_and_windows_line_ends_are_tolerated_and_listed(log, folder):
    frame = pd.read_csv(folder / "courses.csv", dtype=str, na_filter=False)
    frame.to_csv(
        folder / "courses.csv", index=False, sep=";", encoding="utf-8-sig", lineterminator="\r\n"
    )
    again = read_log(folder)
    assert_same(again, log)
    assert set(again.report.tolerated["tolerance"]) == {
        "a byte order mark at the start",
        "cells separated by semicolons",
    }


def test_the_line_that_names_the_separator_is_tolerated(log, folder):
    frame = pd.read_csv(folder / "courses.csv", dtype=str, na_filter=False)
    text = frame.to_csv(index=False, sep=";")
    (folder / "courses.csv").write_text(f"sep=;\n{text}")
    again = read_log(folder)
    assert_same(again, log)
    assert "row 2" in " ".join(map(str, again.report.notes))


def test_utf_16_as_some_spreadsheets_export_it_is_read(log, folder):
    text = (folder / "courses.csv").read_text()
    (folder / "courses.csv").write_text(text, encoding="utf-16")
    assert_same(read_log(folder), log)


def test_empty_rows_are_counted_and_row_numbers_stay_those_of_the_file(folder):
    lines = (folder / "courses.csv").read_text().splitlines()
    commas = "," * (len(TABLES["courses"]) - 1)
    lines[3] = lines[3].replace("C0003", "")
    (folder / "courses.csv").write_text("\n".join([*lines[:2], "", *lines[2:], commas, " ", ""]))
    report = read_log(folder).report
    count = report.rows["courses"]
    assert (count.rows_in, count.used, count.set_aside, count.empty) == (40, 39, 1, 3)
    own = report.set_aside[report.set_aside["table"] == "courses"]
    assert list(own["row"]) == [5]


def test_a_title_above_the_headings_is_tolerated(log, folder):
    rewrite(folder, "courses", lambda text: f"Our clinic,since 2017\n\n{text}")
    again = read_log(folder)
    assert_same(again, log)
    assert "row 3" in " ".join(map(str, again.report.notes))


def test_spelled_headings_are_read_and_listed(log, folder):
    rewrite(
        folder,
        "courses",
        lambda text: text.replace("course_id,client_id", "Course ID,Client-Id", 1).replace(
            "area_cm2", "Area (cm²)", 1
        ),
        encoding="utf-8",
    )
    again = read_log(folder)
    assert_same(again, log)
    assert list(again.report.tolerated["written"]) == ["Course ID", "Client-Id", "Area (cm²)"]


def test_a_row_with_too_many_cells_is_set_aside_and_the_others_are_used(folder):
    def broken(text):
        lines = text.splitlines()
        lines[4] += ",and more"
        return "\n".join(lines)

    rewrite(folder, "courses", broken)
    report = read_log(folder).report
    own = report.set_aside[report.set_aside["table"] == "courses"]
    assert list(own["row"]) == [5]
    assert own["rule"].item() == "no more cells than headings"
    assert report.rows["courses"].used == 39


def test_cleared_at_may_stand_in_the_data_package(folder):
    described = json.loads((folder / "datapackage.json").read_text())
    described["cleared_at"] = 90
    (folder / "datapackage.json").write_text(json.dumps(described))
    assert read_log(folder).cleared_at == 90
    for asked in (85, 95):  # what is asked for holds, and is said
        log = read_log(folder, cleared_at=asked)
        assert log.cleared_at == asked
        assert f"As asked, a grading of {asked} %" in log.report.to_text()


def refusal(path, *words):
    """Return the error, after checking that it says these words in two sentences or so."""
    with pytest.raises(DataError) as caught:
        read_log(path)
    for word in words:
        assert word in str(caught.value)
    assert caught.value.problem.endswith(".")
    assert caught.value.remedy.endswith((".", "?"))
    return caught.value


def test_a_path_that_is_no_log_is_refused(tmp_path):
    refusal(tmp_path / "nothing", "There is no")
    refusal(tmp_path, "has no table courses", "courses.csv")
    text = tmp_path / "log.txt"
    text.write_text("hello")
    refusal(text, "neither a folder, nor")


def test_files_that_are_not_what_they_say_are_refused(folder):
    (folder / "sessions.csv").write_text("")
    refusal(folder, "sessions", "empty")
    (folder / "sessions.csv").unlink()
    (folder / "gradings.parquet").write_bytes(b"PAR1 not really")
    refusal(folder, "gradings", "twice")
    (folder / "gradings.csv").unlink()
    refusal(folder, "gradings.parquet", "Parquet")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"course_id,client_id\nc1,Mus\xe9e\n", ("not in UTF-8", "row 2", "CSV UTF-8")),
        (b"course_id,client_id\nc1,\0\0\n", ("corrupt", "row 2")),
        (b'course_id,client_id\nc1,"p1\nc2,p2\n', ("courses", "row", "quotation mark")),
        (b"\x89PNG\r\n\x1a\n\xff\xfe", ("not in UTF-8",)),
        (b"\n\n\n", ("empty",)),
        (b"course_id,client_id\nc1,p1\n", ("courses has no column started_on", "Add started_on")),
        (b"course_id,Course ID\nc1,c1\n", ("two columns for course_id",)),
    ],
)
def test_a_corrupt_table_is_refused_with_its_place(tmp_path, content, words):
    (tmp_path / "courses.csv").write_bytes(content)
    refusal(tmp_path, *words)


def in_parquet(table, folder):
    arrow = pa.table([list(table.iloc[:, i]) for i in range(table.shape[1])], [*table.columns])
    pq.write_table(arrow, folder / "courses.parquet")
    return folder


def in_csv(table, folder):
    table.to_csv(folder / "courses.csv", index=False)
    return folder


def in_workbook(table, folder):
    """Write a sheet as other programs may: openpyxl cuts a cell at 32,767 characters."""
    rows = [list(table.columns), *table.to_numpy().tolist()]
    cells = (
        "".join(f'<c t="inlineStr"><is><t>{escape(str(cell))}</t></is></c>' for cell in row)
        for row in rows
    )
    sheet = "".join(f"<row>{row}</row>" for row in cells)
    book = openpyxl.Workbook()
    book.active.title = "courses"
    book.save(folder / "plain.xlsx")
    with (
        zipfile.ZipFile(folder / "plain.xlsx") as old,
        zipfile.ZipFile(folder / "log.xlsx", "w") as new,
    ):
        for name in old.namelist():
            content = old.read(name)
            if name == "xl/worksheets/sheet1.xml":
                content = content.replace(b"</sheetData>", f"{sheet}</sheetData>".encode())
            new.writestr(name, content)
    return folder / "log.xlsx"


@pytest.fixture
def written(folder):
    return pd.read_csv(folder / "courses.csv", dtype=str, na_filter=False)


EVERY_FORM = pytest.mark.parametrize("save", [in_csv, in_parquet, in_workbook])


@EVERY_FORM
@pytest.mark.parametrize("second", ["notes", " Notes", "NOTES "])
def test_two_columns_of_one_name_are_refused_by_name(written, tmp_path, save, second):
    written["first"], written["second"] = "a", "b"
    path = save(written.rename(columns={"first": "notes", "second": second}), tmp_path)
    with pytest.raises(
        DataError, match=r"courses.* has two columns for notes(: .*)?\. Keep one of them"
    ):
        read_log(path)


def test_two_columns_of_one_name_are_refused_in_a_frame_too(written):
    written["first"] = written["second"] = "a"
    twice = written.rename(columns={"first": "notes", "second": "notes"})
    with pytest.raises(DataError, match="Table courses has two columns for notes"):
        OutcomeLog.from_frames(twice)


@pytest.mark.parametrize("save", [in_csv, in_workbook])
def test_a_table_without_headings_is_refused_and_its_cells_are_not_repeated(
    written, tmp_path, save
):
    first = written.iloc[0].tolist()
    path = save(written.iloc[1:].set_axis(first, axis=1), tmp_path)
    with pytest.raises(DataError, match=r"Table courses.* has no headings.*course_id") as refused:
        read_log(path)
    assert first[0] not in str(refused.value)


@pytest.mark.parametrize("name", ["courses.csv", "courses.parquet", "log.xlsx"])
def test_an_empty_file_is_refused_by_name(tmp_path, name):
    (tmp_path / name).write_bytes(b"")
    with pytest.raises(DataError, match=name):
        read_log(tmp_path / name if name == "log.xlsx" else tmp_path)


@EVERY_FORM
@pytest.mark.parametrize("column", ["client_id", "started_on", "remarks"])
@pytest.mark.parametrize("character", "a1")
def test_a_cell_of_a_megabyte_is_refused_with_its_place(written, tmp_path, save, column, character):
    written["remarks"] = ""
    written.loc[3, column] = character * 10**6
    with pytest.raises(
        DataError, match=f"courses has a cell of 1,000,000 characters: row 5, column {column}"
    ):
        read_log(save(written, tmp_path))


def test_a_cell_of_a_megabyte_in_a_file_of_uneven_rows_is_refused_with_its_place(written, tmp_path):
    written.loc[3, "inks"] = "a" * 10**6
    text = written.to_csv(index=False)
    (tmp_path / "courses.csv").write_text(text.replace("\nC0002,", "\nC0002,,,,", 1) + "c,,,,\n")
    with pytest.raises(DataError, match="characters: row 5, column inks"):
        read_log(tmp_path)


def test_a_heading_of_a_megabyte_is_refused_with_its_place(written, tmp_path):
    written["a" * 10**6] = ""
    place = written.shape[1]
    written.iloc[0, -1] = "x"
    with pytest.raises(DataError, match=f"the heading of column {place}") as refused:
        read_log(in_csv(written, tmp_path))
    assert len(str(refused.value)) < 300


@pytest.mark.parametrize("column", ["client_id", "started_on", "age_years", "remarks"])
@pytest.mark.parametrize("character", "aT1")
def test_the_longest_cells_that_are_read_take_no_longer_than_their_length(
    written, tmp_path, column, character
):
    written["remarks"] = ""
    for row in (3, 4):
        written.loc[row, column] = f"{character * 32_000}{row}x"
    start = process_time()
    log = read_log(in_csv(written, tmp_path))
    # the square of that length takes several times as long, on any machine
    assert process_time() - start < 5
    assert len(log.courses) == 40 - 2 * (column == "started_on")


def test_files_that_an_operating_system_leaves_beside_a_log_are_not_read(log, folder):
    for name in ("._courses.csv", "._sessions.csv", ".gradings.csv", ".courses.parquet"):
        (folder / name).write_bytes(b"\0\5\x16\7Mac OS X")
    assert_same(read_log(folder), log)


def test_a_data_package_that_is_no_json_is_refused(folder):
    (folder / "datapackage.json").write_text("{")
    refusal(folder, "datapackage.json", "JSON")
    (folder / "datapackage.json").write_text('{"cleared_at": "high"}')
    refusal(folder, "cleared_at", "'high'")


def test_files_that_are_no_workbook_are_refused(tmp_path):
    path = tmp_path / "log.xlsx"
    path.write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600))
    refusal(path, "old .xls file or is protected by a password")
    path.write_bytes(b"course_id,client_id")
    refusal(path, "log.xlsx cannot be opened")
    with zipfile.ZipFile(path, "w") as parts:
        parts.writestr("xl/worksheets/sheet1.xml", "<nothing/>")
    refusal(path, "log.xlsx cannot be opened")


def test_a_zip_bomb_is_refused_before_it_is_unpacked(tmp_path):
    path = tmp_path / "bomb.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as parts:
        for number in range(3):
            parts.writestr(f"xl/worksheets/sheet{number}.xml", bytes(70_000_000))
    assert path.stat().st_size < 1_000_000
    refusal(path, "210,000,000 bytes", "200,000,000 bytes", "100,000 rows")


def test_a_sheet_with_more_rows_than_stated_is_refused(tmp_path):
    path, long = tmp_path / "short.xlsx", tmp_path / "long.xlsx"
    book = openpyxl.Workbook()
    book.active.title = "courses"
    book.save(path)
    rows = b"<row><c><v>1</v></c></row>" * 100_002
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(long, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.namelist():
            sheet = part == "xl/worksheets/sheet1.xml"
            text = old.read(part)
            new.writestr(
                part, text.replace(b"<sheetData></sheetData>", b"<sheetData>%b</sheetData>" % rows)
            )
            assert not sheet or b"<sheetData></sheetData>" in text
    refusal(long, "Sheet 'courses'", "100,000 rows")


def test_a_sheet_of_endless_rows_is_refused_before_it_is_walked_through(tmp_path):
    path = tmp_path / "endless.xlsx"
    openpyxl.Workbook().save(path)
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as parts:
        parts.writestr("xl/worksheets/sheet2.xml", b"<row/>" * 1_048_577)
    refusal(path, "more than 1,048,576 rows", "100,000 filled rows")


def test_a_table_larger_than_stated_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "courses.csv"
    path.touch()
    os.truncate(path, 2_000_000_001)  # a sparse file: it takes no room
    refusal(tmp_path, "courses.csv", "2,000,000,001 bytes", "At most")


@pytest.mark.parametrize("kind", ["text", "category"])
def test_texts_of_parquet_come_back_as_texts_whatever_the_file_holds_them_as(log, tmp_path, kind):
    (tmp_path / "log").mkdir()
    for name in TABLES:
        frame = getattr(log, name).copy()
        if name == "courses":
            frame.loc[[3, 30], "skin_type"] = [" iv ", "IX"]
        for column in frame.select_dtypes("object").columns if kind == "category" else ():
            frame[column] = frame[column].astype("category")
        frame.to_parquet(tmp_path / "log" / f"{name}.parquet", index=False, row_group_size=16)
    read = read_log(tmp_path / "log")
    assert read.courses.loc[3, "skin_type"] == "IV"
    assert len(read.courses) == len(log.courses) - 1
    for name in TABLES:
        assert "category" not in set(getattr(read, name).dtypes.astype(str))
        assert "category" not in set(read.report.to_correct[name].dtypes.astype(str))
    left_out = read.report.to_correct["courses"]
    assert list(left_out["skin_type"]) == ["IX"]
    assert read.report.rows["sessions"].set_aside == log.courses.loc[30, "sessions_given"]


FOREIGN = {
    "the year 9999": pa.array([253402214400 * 10**6] * 40, pa.timestamp("us")),
    "bytes that are no text": pa.array([b"\xff\xfe"] * 40, pa.binary()),
    "a zone that nobody knows": pa.array([0] * 40, pa.timestamp("ms", tz="Mars/Base")),
    "lists": pa.array([["black", "red"]] * 40),
    "a duration": pa.array([1] * 40, pa.duration("s")),
}


@pytest.mark.parametrize("kind", FOREIGN)
@pytest.mark.parametrize("column", ["started_on", "client_id", "age_years", "smoker"])
def test_a_parquet_column_of_a_foreign_type_is_set_aside_or_named(written, tmp_path, column, kind):
    table = pa.Table.from_pandas(written, preserve_index=False)
    place = table.column_names.index(column)
    file = tmp_path / "courses.parquet"
    pq.write_table(table.set_column(place, column, FOREIGN[kind]), file)
    if kind in ("bytes that are no text", "a zone that nobody knows"):
        with pytest.raises(DataError, match=f"courses.parquet cannot be read.*column {column}"):
            read_log(tmp_path)
        return
    report = read_log(tmp_path).report
    assert report.rows["courses"].rows_in == 40
    listed = report.set_aside if column == "started_on" else report.flagged
    # an id may be any text
    assert (listed["column"] == column).sum() == (0 if column == "client_id" else 40)


def test_a_bit_flipped_in_any_page_of_parquet_ends_in_words(written, tmp_path):
    in_parquet(written, tmp_path)
    file = tmp_path / "courses.parquet"
    whole, rng = file.read_bytes(), random.Random(5)
    for _ in range(60):
        place = rng.randrange(len(whole))
        file.write_bytes(
            whole[:place] + bytes([whole[place] ^ 1 << rng.randrange(8)]) + whole[place + 1 :]
        )
        with suppress(DataError):
            read_log(tmp_path)


COURSE = {
    "course_id": "c1", "client_id": "p1", "started_on": "2024-01-10", "skin_type": "II",
    "body_site": "forearm", "inks": "black", "ink_density": "medium", "layering": "single",
    "sessions_given": 3, "outcome": "stopped",
}  # fmt: skip


@pytest.mark.parametrize("heading", ["Course No", "course number", "CourseID"])
def test_a_missing_column_names_the_heading_that_is_likely_meant(heading: str):
    frame = pd.DataFrame([{heading: "c1", **{k: v for k, v in COURSE.items() if k != "course_id"}}])
    with pytest.raises(DataError, match=f"Perhaps '{heading}' is meant"):
        OutcomeLog.from_frames(frame)


def test_a_column_that_is_there_is_not_suggested_for_another():
    frame = pd.DataFrame([{k: v for k, v in COURSE.items() if k != "course_id"}])
    with pytest.raises(DataError) as refused:
        OutcomeLog.from_frames(frame)
    assert "Perhaps" not in str(refused.value)


# A damaged file is either read or refused in words; nothing else comes out of it.

LOG = simulate_log(6, seed=5)
DAMAGE = st.lists(
    st.tuples(
        st.floats(0, 1, exclude_max=True),
        st.sampled_from(["change", "cut", "insert", "end"]),
        st.integers(0, 255),
    ),
    min_size=1,
    max_size=6,
)
FEW = settings(
    max_examples=20,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


def damaged(content, damage):
    changed = bytearray(content)
    for place, how, byte in damage:
        position = int(place * len(changed))
        if how == "change":
            changed[position] = byte
        elif how == "cut":
            del changed[position : position + byte % 20]
        elif how == "insert":
            changed[position:position] = bytes([byte])
        elif byte < 20:
            del changed[position:]
        changed = changed or bytearray(b"?")
    return bytes(changed)


def read_or_refused(path):
    """Read a log; only a DataError may stand in the way."""
    with suppress(DataError):
        log = read_log(path)
        for count in log.report.rows.values():
            assert count.rows_in == count.used + count.set_aside


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Return a folder with the same log as a workbook and as Parquet."""
    folder = tmp_path_factory.mktemp("whole")
    LOG.courses.to_parquet(folder / "courses.parquet")
    LOG.courses.to_csv(folder / "courses.txt", index=False)
    book = openpyxl.Workbook()
    book.active.title = "courses"
    plain = LOG.courses.astype(object).where(LOG.courses.notna(), None)
    for row in [list(plain.columns), *plain.to_numpy().tolist()]:
        book.active.append(row)
    book.save(folder / "log.xlsx")
    return folder


@given(damage=DAMAGE)
@FEW
def test_a_damaged_workbook(whole, tmp_path, damage):
    (tmp_path / "log.xlsx").write_bytes(damaged((whole / "log.xlsx").read_bytes(), damage))
    read_or_refused(tmp_path / "log.xlsx")


@given(damage=DAMAGE, part=st.integers(0, 20))
@FEW
def test_a_workbook_with_one_damaged_part(whole, tmp_path, damage, part):
    with (
        zipfile.ZipFile(whole / "log.xlsx") as old,
        zipfile.ZipFile(tmp_path / "log.xlsx", "w") as new,
    ):
        for number, name in enumerate(old.namelist()):
            content = old.read(name)
            hit = number == part % len(old.namelist())
            new.writestr(name, damaged(content, damage) if hit else content)
    read_or_refused(tmp_path / "log.xlsx")


@pytest.mark.parametrize(
    ("kept", "name"), [("courses.parquet",) * 2, ("courses.txt", "courses.csv")]
)
@given(damage=DAMAGE)
@FEW
def test_a_damaged_table(whole, tmp_path, kept, name, damage):
    (tmp_path / name).write_bytes(damaged((whole / kept).read_bytes(), damage))
    read_or_refused(tmp_path)


def test_a_workbook_that_lies_about_its_size_is_refused(whole, tmp_path):
    path = tmp_path / "log.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as parts:
        with zipfile.ZipFile(whole / "log.xlsx") as old:
            for name in old.namelist():
                if "sheet1" not in name:
                    parts.writestr(name, old.read(name))
        parts.writestr("xl/worksheets/sheet1.xml", b"<worksheet>" + bytes(5_000_000))
    content = path.read_bytes()
    true_size = (5_000_011).to_bytes(4, "little")
    assert content.count(true_size) >= 2
    path.write_bytes(content.replace(true_size, (1000).to_bytes(4, "little")))
    with pytest.raises(DataError, match=r"log\.xlsx cannot be opened"):
        read_log(path)


def test_a_workbook_whose_entities_would_blow_up_is_refused(whole, tmp_path):
    tenfold = "".join(f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in pairwise("abcdefghij"))
    doctype = f'<!DOCTYPE x [<!ENTITY a "ha">{tenfold}]>'.encode()
    with (
        zipfile.ZipFile(whole / "log.xlsx") as old,
        zipfile.ZipFile(tmp_path / "log.xlsx", "w") as new,
    ):
        for name in old.namelist():
            content = old.read(name)
            if name.endswith("sheet1.xml"):
                content = doctype + content.replace(b"forearm", b"&j;")
            new.writestr(name, content)
    with pytest.raises(DataError, match="defines entities"):
        read_log(tmp_path / "log.xlsx")
