"""Workbooks: their dates, formulas and other habits."""

import datetime
import zipfile

import openpyxl
import pytest

from forecast.invented import simulate_log
from forecast.log.outcome_log import read_log

from .workbooks import as_workbook, assert_same


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
