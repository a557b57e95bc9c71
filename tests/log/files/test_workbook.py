"""Workbooks: their dates, formulas, colours and other habits, and an empty one to fill in."""

import datetime
import io
import zipfile

import openpyxl
import pytest
from openpyxl.styles import PatternFill

from forecast.invented import simulate_log
from forecast.log import TABLES
from forecast.log.files import new_workbook
from forecast.log.files.workbook import letters
from forecast.log.outcome_log import read_log
from tests.log.workbooks import as_workbook, assert_same

ORANGE = PatternFill("solid", fgColor="FFFFA500")


@pytest.fixture(scope="module")
def log():
    return simulate_log(40, seed=5)


@pytest.fixture
def book(log, tmp_path):
    path = as_workbook(log, tmp_path / "log.xlsx")
    return openpyxl.load_workbook(path), path


def test_a_workbook_keeps_its_spreadsheet_habits_to_itself(log, book):
    book, path = book
    courses = book["courses"]
    book["courses"].title = " Courses "
    book.create_sheet("Price list").append(["not", "a", "table"])
    courses["C2"].value = datetime.datetime(2017, 4, 2, 15, 30)
    courses["C3"].value = 43000  # 2017-09-22 as the bare number of a spreadsheet
    courses["C3"].number_format = "General"
    courses["N4"].value = True  # smoker
    courses.cell(500, 1).value = "   "
    book.save(path)
    again = read_log(path)
    assert again.report.rows["courses"].used == 40
    assert list(again.courses["started_on"].astype(str)[:2]) == ["2017-04-02", "2017-09-22"]
    assert again.courses["smoker"][2] == "yes"
    assert "Price list" in " ".join(map(str, again.report.notes))
    assert again.report.rows["courses"].empty == 0
    listed = set(again.report.tolerated["tolerance"])
    assert listed == {"a date with a time of day", "a spreadsheet's date number"}


def test_a_formula_without_a_stored_result_is_set_aside_by_name(book):
    book, path = book
    book["courses"]["Q3"].value = "=1+2"  # openpyxl stores no results
    book.save(path)
    report = read_log(path).report
    own = report.set_aside[report.set_aside["table"] == "courses"].iloc[0]
    assert (own["row"], own["column"], own["value"]) == (3, "sessions_given", "=1+2")
    assert "formula" in own["rule"]


def test_a_formula_with_a_stored_result_is_read_by_it(log, book, tmp_path):
    book, path = book
    book.save(path)
    stored = tmp_path / "stored.xlsx"
    given = int(log.courses["sessions_given"][1])
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(stored, "w") as new:
        for part in old.namelist():
            text = old.read(part)
            if part == "xl/worksheets/sheet1.xml":
                cell = f'<c r="Q3" t="n"><v>{given}</v></c>'.encode()
                assert cell in text
                text = text.replace(cell, f'<c r="Q3"><f>1+1</f><v>{given}</v></c>'.encode())
            new.writestr(part, text)
    again = read_log(stored)
    assert_same(again, log)
    assert "1 formula read by the stored result" in " ".join(map(str, again.report.notes))


def test_a_workbook_that_counts_days_from_1904_reads_its_dates_and_says_so(log, book):
    book, path = book
    book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
    book.save(path)
    again = read_log(path)
    assert_same(again, log)
    assert "1904" in " ".join(map(str, again.report.notes))


def test_a_colour_that_makes_cells_stand_out_is_named_as_unread(log, book):
    book, path = book
    courses = book["courses"]
    for cell in ("F7", "F12", "B20", "B30"):
        courses[cell].fill = ORANGE
    book.save(path)
    again = read_log(path)
    (said,) = again.report.notes
    assert said.code == "log.colours_not_read"
    assert said.severity == "caution"
    assert str(said) == (
        "Sheet 'courses': colours are not read, and 4 cells stand out by one (F7, F12, B20). "
        "If they mean something, write it in a column."
    )
    assert_same(again, log)


def test_colours_of_heads_and_of_whole_columns_are_ornaments(book):
    book, path = book
    courses = book["courses"]
    for cell in (*courses[1], *courses["C"]):
        cell.fill = ORANGE
    courses["D4"].fill = PatternFill("solid", fgColor="FFFFFFFF")
    book.save(path)
    assert not read_log(path).report.notes


def test_an_empty_workbook_has_every_table_and_is_no_course():
    book = openpyxl.load_workbook(io.BytesIO(new_workbook()))
    assert book.sheetnames == list(TABLES)
    for name, rules in TABLES.items():
        assert [cell.value for cell in book[name][1]] == [rule.name for rule in rules]


def test_columns_have_letters():
    assert [letters(0), letters(27)] == ["A", "AB"]
