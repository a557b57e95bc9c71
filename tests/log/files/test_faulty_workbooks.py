"""Fifteen faulty workbooks are read after one map and one correction,
and nothing is lost in silence."""

import re

import openpyxl
import pytest

from forecast.log import read_log
from forecast.log.files import corrected_file, propose_map, write_to_correct

from .faulty_workbooks import COUNT, FAULTS, LAYOUTS, make_book, rows_meant, write_book

EXACT = ("client_id", "skin_type", "body_site", "inks", "ink_density", "layering", "outcome")


@pytest.fixture(scope="module")
def books():
    return [make_book(number) for number in range(COUNT)]


def test_the_books_have_five_languages_five_layouts_and_all_forty_faults(books):
    assert len(FAULTS) == 40
    assert len({book.language for book in books}) == len(LAYOUTS) == 5
    assert {book.layout for book in books} == set(LAYOUTS)
    assert len({(book.language, book.layout) for book in books}) == COUNT
    assert {fault for book in books for fault in book.planted} == set(FAULTS)


def filled_in(text):
    """Return the map with the clinic's own words settled, as its owner would."""
    return re.sub(r'^# "(\w+) \(own\)" = ""', r'"\1 (own)" = "\1"', text, flags=re.MULTILINE)


def correct(book, path, report):
    """Correct each coloured cell of the workbook that is to be corrected, and nothing else."""
    written, _ = write_to_correct(report, path.with_name("to-correct.xlsx"))
    if written is None:  # all was understood, as the rows read say
        return
    made = openpyxl.load_workbook(written)
    for sheet in made:
        for row in sheet.iter_rows(min_row=2):
            places = iter(row[0].value.split("\n"))  # in the order of the faults
            for column in dict.fromkeys(one.split(":")[0] for one in row[1].value.split("\n")):
                (cell,) = (c for c in row if sheet.cell(1, c.column).value == column)
                assert cell.fill.fill_type == "solid"
                cell.value = book.meant.get(next(places), cell.value)
    made.save(corrected_file(path))


# the first five have each language and each layout once
@pytest.mark.parametrize(
    "number",
    [
        pytest.param(one, marks=[pytest.mark.slow] if one >= COUNT // 5 else [])
        for one in range(COUNT)
    ],
)
def test_a_faulty_workbook_is_read_after_one_map_and_one_correct(books, tmp_path, number):
    book, columns = books[number], tmp_path / "columns.toml"
    path = write_book(book, tmp_path / "book.xlsx")
    columns.write_text(filled_in(propose_map(path, columns)[0]), "utf-8")
    first = read_log(path, columns=columns).report
    correct(book, path, first)
    log = read_log(path, columns=columns)
    for report in (first, log.report):
        for rows in report.rows.values():
            assert rows.rows_in == rows.used + rows.set_aside
    meant = rows_meant(book)
    used = {table: log.report.rows[table].used for table in meant}
    assert sum(used.values()) >= 0.98 * sum(meant.values()), (used, meant)
    assert used["courses"] >= 0.95 * meant["courses"], (used, meant)
    # and what was read is what was meant
    read = log.courses.set_index("course_id")
    for row in book.tables["courses"]:
        if row.clean["course_id"] in read.index:
            found = read.loc[row.clean["course_id"]]
            assert [found[name] for name in EXACT] == [row.clean[name] for name in EXACT]
            assert found["started_on"].date() == row.clean["started_on"]
            assert found["sessions_given"] == row.clean["sessions_given"]
