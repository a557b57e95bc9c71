"""Workbooks: read whatever their habits, an empty one to fill in, and rows to be corrected."""

import datetime
import io
import json
import shutil
import zipfile

import openpyxl
import pandas as pd
import pytest
from openpyxl.styles import PatternFill

from forecast.cli import main
from forecast.errors import DataError, RequestError
from forecast.invented import simulate_log
from forecast.log import TABLES, read_log, write_log
from forecast.log.files import corrected_file, new_workbook, propose_map, write_to_correct
from forecast.log.files.workbook import FAULTY, MOST_CORRECTED, letters
from tests.log.workbooks import as_workbook, assert_same

ORANGE = PatternFill("solid", fgColor="FFFFA500")
OF_TABLES = ("courses", "sessions", "gradings", "reactions")


@pytest.fixture(scope="module")
def plain():
    return simulate_log(40, seed=5)


@pytest.fixture
def book(plain, tmp_path):
    path = as_workbook(plain, tmp_path / "log.xlsx")
    return openpyxl.load_workbook(path), path


def test_a_workbook_keeps_its_spreadsheet_habits_to_itself(plain, book):
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


def test_a_formula_with_a_stored_result_is_read_by_it(plain, book, tmp_path):
    book, path = book
    book.save(path)
    stored = tmp_path / "stored.xlsx"
    given = int(plain.courses["sessions_given"][1])
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(stored, "w") as new:
        for part in old.namelist():
            text = old.read(part)
            if part == "xl/worksheets/sheet1.xml":
                cell = f'<c r="Q3" t="n"><v>{given}</v></c>'.encode()
                assert cell in text
                text = text.replace(cell, f'<c r="Q3"><f>1+1</f><v>{given}</v></c>'.encode())
            new.writestr(part, text)
    again = read_log(stored)
    assert_same(again, plain)
    assert "1 formula read by the stored result" in " ".join(map(str, again.report.notes))


def test_a_workbook_that_counts_days_from_1904_reads_its_dates_and_says_so(plain, book):
    book, path = book
    book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
    book.save(path)
    again = read_log(path)
    assert_same(again, plain)
    assert "1904" in " ".join(map(str, again.report.notes))


def test_a_colour_that_makes_cells_stand_out_is_named_as_unread(plain, book):
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
    assert_same(again, plain)


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


@pytest.fixture(scope="module")
def log():
    return simulate_log(30, seed=8)


@pytest.fixture
def folder(log, tmp_path):
    """Return a folder with a skin type, an id and a date mistyped, and an age that cannot be."""
    write_log(log, tmp_path / "log")
    spoil(tmp_path / "log", "courses", 4, "skin_type", "IX")
    spoil(tmp_path / "log", "courses", 9, "course_id", "")
    spoil(tmp_path / "log", "courses", 12, "age_years", "200")
    spoil(tmp_path / "log", "gradings", 6, "graded_on", "soon")
    return tmp_path / "log"


def cells_of(path):
    return pd.read_csv(path, dtype=str, na_filter=False, encoding="utf-8-sig")


def spoil(folder, table, position, column, value):
    frame = cells_of(folder / f"{table}.csv")
    frame.loc[position, column] = value
    frame.to_csv(folder / f"{table}.csv", index=False)


@pytest.fixture
def fixes(log):
    age = f"{log.courses['age_years'][12]:g}"
    return {
        "skin_type": log.courses["skin_type"][4],
        "course_id": "C0010",
        "age_years": age,
        "graded_on": str(log.gradings["graded_on"][6].date()),
    }


def coloured(book):
    """Return each coloured cell of a workbook by the heading above it."""
    return [
        (sheet.cell(1, cell.column).value, cell)
        for sheet in book
        for row in sheet.iter_rows(min_row=2)
        for cell in row
        if cell.fill.fill_type == "solid"
    ]


def correct(written, saved, fixes):
    """Correct the coloured cells by their column, and save the workbook elsewhere."""
    book = openpyxl.load_workbook(written)
    for name, cell in coloured(book):
        cell.value = fixes.get(name, cell.value)
    book.save(saved)


def written_for(path, out, **given):
    return write_to_correct(read_log(path).report, out, **given)[0]


def test_corrected_rows_take_the_place_of_the_broken_ones(log, folder, fixes, tmp_path):
    assert len(read_log(folder).courses) == 28
    correct(written_for(folder, tmp_path / "m.xlsx"), folder / "corrected.xlsx", fixes)
    again = read_log(folder)
    assert again.report.set_aside.empty
    assert again.report.rows["courses"].rows_in == 30
    for table in OF_TABLES:
        pd.testing.assert_frame_equal(getattr(again, table), getattr(log, table))
    assert "3 rows replaced and 0 added" in " ".join(map(str, again.report.notes))
    assert write_to_correct(again.report, tmp_path / "m.xlsx") == (None, ())
    assert not (tmp_path / "m.xlsx").exists()


def test_the_cells_at_fault_alone_are_coloured_and_each_row_says_where_and_what(folder, tmp_path):
    book = openpyxl.load_workbook(written_for(folder, tmp_path / "m.xlsx"))
    found = [(name, cell.value) for name, cell in coloured(book)]
    assert [one for one in found if one != ("course_id", "C0010")] == [
        ("skin_type", "IX"), ("course_id", None), ("age_years", "200"), ("graded_on", "soon"),
    ]  # fmt: skip
    assert {cell.fill.fgColor.rgb for _, cell in coloured(book)} == {f"00{FAULTY}"}
    first = [cell.value for cell in book["courses"][2]]
    assert first[:3] == [
        "row 6",
        "skin_type: one of I, II, III, IV, V, VI",
        "Write one of I, II, III, IV, V, VI.",
    ]


def test_what_waits_for_its_course_is_not_to_be_corrected(logs, tmp_path):
    report = read_log(logs[0]).report
    assert set(report.set_aside["table"]) >= {"courses", "sessions"}
    written, _ = write_to_correct(report, tmp_path / "m.xlsx")
    assert openpyxl.load_workbook(written).sheetnames == ["courses"]


def test_a_workbook_names_the_cell_and_german_is_german(folder, tmp_path):
    path = as_one_workbook(folder, tmp_path / "log.xlsx")
    book = openpyxl.load_workbook(written_for(path, tmp_path / "m.xlsx", language="de"))
    rows = [[cell.value for cell in row[:3]] for row in book["courses"]]
    letter = chr(ord("A") + list(cells_of(folder / "courses.csv")).index("skin_type"))
    assert rows[0] == ["Stelle", "Fehler", "Abhilfe"]
    assert rows[1][0] == f"courses!{letter}6"
    assert rows[1][2] == "Bitte schreiben: eines von I, II, III, IV, V, VI."
    lists = [one.formula1 for one in book["courses"].data_validations.dataValidation]
    assert '"gering,mittel,stark"' in lists  # words that are read, as those of a rule


def as_one_workbook(folder, path):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for table in ("courses", "gradings"):
        sheet, frame = book.create_sheet(table), cells_of(folder / f"{table}.csv")
        for row in [list(frame.columns), *frame.to_numpy().tolist()]:
            sheet.append(row)
    book.save(path)
    return path


def test_the_rows_of_a_workbook_are_corrected_beside_it(log, folder, fixes, tmp_path):
    path = as_one_workbook(folder, tmp_path / "log.xlsx")
    assert corrected_file(path) == tmp_path / "log_corrected.xlsx"
    correct(written_for(path, tmp_path / "m.xlsx"), corrected_file(path), fixes)
    again = read_log(path)
    assert again.report.set_aside.empty
    for table in ("courses", "gradings"):
        pd.testing.assert_frame_equal(getattr(again, table), getattr(log, table))
    assert not [note for note in again.report.notes if "colours" in note.code]


def test_words_of_a_map_are_understood_in_corrected_rows_too(tmp_path):
    book = openpyxl.Workbook()
    book.active.title = "Fälle"
    book.active.append(["Fall", "Kunde", "Beginn", "Hauttyp", "Stelle", "Farben", "Dichte",
                        "Cover-up", "Sitzungen", "Ergebnis", "Raum"])  # fmt: skip
    for n, site in enumerate(["Wade", "Wade", "???"]):
        book.active.append([f"k{n}", f"p{n}", f"2{n}.06.2021", "IV", site, "schwarz", "stark",
                            "nein", 4, "alles weg", 3])  # fmt: skip
    path, columns = tmp_path / "log.xlsx", tmp_path / "columns.toml"
    book.save(path)
    text = propose_map(path, columns)[0]
    own = text.replace('# "alles weg" = ""', '"alles weg" = "cleared"')
    columns.write_text(own, "utf-8")
    report = read_log(path, columns=columns).report
    assert report.rows["courses"].used == 2
    written, _ = write_to_correct(report, tmp_path / "m.xlsx")
    made = openpyxl.load_workbook(written)
    ((_, cell),) = coloured(made)
    assert made["courses"]["A2"].value == "Fälle!E4"
    row = dict(zip((one.value for one in made["courses"][1]), made["courses"][2], strict=True))
    assert row["Raum"].value == "3"  # the clinic's own
    cell.value, row["outcome"].value = "Oberschenkel", "alles weg"
    made.save(corrected_file(path))
    log = read_log(path, columns=columns)
    assert list(log.courses["body_site"]) == ["lower_leg", "lower_leg", "thigh"]
    assert list(log.courses["outcome"]) == ["cleared"] * 3


def test_rows_left_uncorrected_change_nothing(folder, tmp_path):
    before = read_log(folder).report
    write_to_correct(before, folder / "corrected.xlsx")
    after = read_log(folder).report
    assert dict(after.rows) == dict(before.rows)
    pd.testing.assert_frame_equal(after.set_aside, before.set_aside)


def test_correcting_in_two_rounds_keeps_the_first_in_the_same_workbook(
    log, folder, fixes, tmp_path
):
    out, kept = tmp_path / "m.xlsx", folder / "corrected.xlsx"
    for name, left in (("skin_type", 29), ("course_id", 30)):
        correct(written_for(folder, out), kept, {name: fixes[name]})
        assert read_log(folder).report.rows["courses"].used == left
    assert list(read_log(folder).courses["skin_type"]) == list(log.courses["skin_type"])
    correct(written_for(folder, out), kept, fixes)
    again = read_log(folder)
    for table in OF_TABLES:
        pd.testing.assert_frame_equal(getattr(again, table), getattr(log, table))


def test_rows_put_in_above_and_a_column_more_do_not_lose_the_corrected_rows(
    folder, fixes, tmp_path
):
    correct(written_for(folder, tmp_path / "m.xlsx"), folder / "corrected.xlsx", fixes)
    own = cells_of(folder / "courses.csv").iloc[::-1]
    asked = ["2017-01-01", *[""] * (len(own) - 1)]
    own.assign(enquired_on=asked).to_csv(folder / "courses.csv", index=False)
    report = read_log(folder).report
    assert report.set_aside.empty
    assert report.rows["courses"].rows_in == 30


def test_a_row_corrected_in_the_log_meanwhile_is_not_doubled(folder, fixes, tmp_path):
    correct(written_for(folder, tmp_path / "m.xlsx"), folder / "corrected.xlsx", fixes)
    spoil(folder, "courses", 4, "skin_type", fixes["skin_type"])
    report = read_log(folder).report
    assert report.rows["courses"].used == 30
    assert "each row once" in set(report.set_aside["rule"])


def test_a_row_without_a_place_is_added(folder, fixes, tmp_path):
    correct(written_for(folder, tmp_path / "m.xlsx"), folder / "corrected.xlsx", fixes)
    book = openpyxl.load_workbook(folder / "corrected.xlsx")
    last = [cell.value for cell in book["courses"][2]]
    book["courses"].append(["", "", "", "C0099", "P0099", *last[5:-1], ""])
    book.save(folder / "corrected.xlsx")
    log = read_log(folder)
    assert log.report.rows["courses"].used == 31
    assert "3 rows replaced and 1 added" in " ".join(map(str, log.report.notes))


def test_two_rows_that_say_the_same_are_each_corrected(tmp_path, log):
    write_log(log, tmp_path / "log")
    for row in (4, 5):
        for name in log.courses.columns:
            if name in cells_of(tmp_path / "log" / "courses.csv"):
                spoil(tmp_path / "log", "courses", row, name, "")
        spoil(tmp_path / "log", "courses", row, "client_id", "P0001")
    book = openpyxl.load_workbook(written_for(tmp_path / "log", tmp_path / "m.xlsx"))
    sheet = book["courses"]
    names = [cell.value for cell in sheet[1]]
    wanted = log.courses.loc[[4, 5]].astype(object)
    for row, (_, true) in zip((2, 3), wanted.iterrows(), strict=True):
        for at, name in enumerate(names, start=1):
            if name in true and true[name] == true[name]:
                value = true[name]
                sheet.cell(row, at).value = value.date() if name == "started_on" else value
    book.save(tmp_path / "log" / "corrected.xlsx")
    again = read_log(tmp_path / "log").courses
    pd.testing.assert_frame_equal(again, log.courses)


def test_cells_beyond_the_headings_are_there_to_be_put_right(tmp_path, log):
    write_log(log, tmp_path / "log")
    path = tmp_path / "log" / "courses.csv"
    lines = path.read_text().splitlines()
    lines[3] += ",7"
    path.write_text("\n".join(lines))
    written = written_for(tmp_path / "log", tmp_path / "m.xlsx")
    correct(written, tmp_path / "log" / "corrected.xlsx", {"cells beyond the headings": None})
    again = read_log(tmp_path / "log")
    assert again.report.set_aside.empty
    pd.testing.assert_frame_equal(again.courses, log.courses)


@pytest.mark.parametrize("text", ['=HYPERLINK("x")', "+1", "a\x0bb", "-" * 50])
def test_a_cell_that_a_spreadsheet_would_run_or_not_hold_is_written_harmless(
    folder, tmp_path, text
):
    spoil(folder, "courses", 4, "skin_type", text)
    book = openpyxl.load_workbook(written_for(folder, tmp_path / "m.xlsx"))
    (cell,) = (cell for name, cell in coloured(book) if name == "skin_type")
    assert cell.data_type == "s"
    assert not cell.value.startswith(("=", "+", "-", "@"))


def test_levels_can_be_chosen_from_a_list(folder, tmp_path):
    sheet = openpyxl.load_workbook(written_for(folder, tmp_path / "m.xlsx"))["courses"]
    ((_, cell),) = [one for one in coloured(sheet.parent) if one[0] == "skin_type"]
    lists = [one for one in sheet.data_validations.dataValidation if cell.coordinate in one.sqref]
    assert [one.formula1 for one in lists] == ['"I,II,III,IV,V,VI"']


def test_more_rows_than_anybody_corrects_are_written_up_to_a_bound(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    for module in ("forecast.log.files", "forecast.log.files.workbook"):
        monkeypatch.setattr(f"{module}.MOST_CORRECTED", 1_000)  # MOST_CORRECTED would take long
    log = simulate_log(20, seed=1)
    write_log(log, tmp_path / "log")
    rows = pd.concat([cells_of(tmp_path / "log" / "gradings.csv")] * 12).assign(graded_on="soon")
    assert 1_000 < len(rows) < MOST_CORRECTED == 5_000
    rows.to_csv(tmp_path / "log" / "gradings.csv", index=False)
    assert main(["check", "log"]) == 0
    assert "The workbook has the first 1,000 rows of a table." in capsys.readouterr().out
    sheet = openpyxl.load_workbook("to-correct.xlsx")["gradings"]
    assert sheet.max_row == 1_001


def test_a_sheet_of_the_corrected_workbook_that_is_no_table_is_named(folder, tmp_path):
    book = openpyxl.load_workbook(written_for(folder, tmp_path / "m.xlsx"))
    book["courses"].title = "Sheet1"
    book.save(folder / "corrected.xlsx")
    assert "'Sheet1' is not a table" in " ".join(map(str, read_log(folder).report.notes))


def test_corrected_rows_of_a_table_that_is_not_there_are_refused(folder, tmp_path):
    written_for(folder, folder / "corrected.xlsx")
    (folder / "gradings.csv").unlink()
    with pytest.raises(
        DataError, match=r"corrected.xlsx has corrected rows of gradings, and the log"
    ):
        read_log(folder)


@pytest.mark.parametrize(("name", "says"), [("out.csv", "no .xlsx"), ("out.xlsx", "a folder")])
def test_what_cannot_be_such_a_workbook_is_refused(folder, tmp_path, name, says):
    if says == "a folder":
        (tmp_path / name).mkdir()
    with pytest.raises(RequestError, match=says):
        written_for(folder, tmp_path / name)


# Each log keeps its own workbook, and what somebody corrected is never lost.


@pytest.fixture
def logs(log, tmp_path):
    """Return two folders, each with a course of its own set aside."""
    for name, row in (("here", 4), ("there", 7)):
        write_log(log, tmp_path / name)
        spoil(tmp_path / name, "courses", row, "skin_type", "IX")
    return tmp_path / "here", tmp_path / "there"


def test_writing_again_writes_over_what_nobody_changed(logs, tmp_path):
    report = read_log(logs[0]).report
    for _ in range(2):
        assert write_to_correct(report, tmp_path / "m.xlsx") == (tmp_path / "m.xlsx", ())
    assert not (tmp_path / "m-2.xlsx").exists()


def test_what_somebody_changed_in_place_is_kept_and_the_new_one_is_numbered(logs, tmp_path):
    report, out = read_log(logs[0]).report, tmp_path / "m.xlsx"
    write_to_correct(report, out)
    for number in (2, 3):
        last = out if number == 2 else tmp_path / "m-2.xlsx"
        correct(last, last, {"skin_type": "II"})
        kept = last.read_bytes()
        for _ in range(2):
            written, changed = write_to_correct(report, out)
            assert written == tmp_path / f"m-{number}.xlsx"
            assert last in changed
            assert last.read_bytes() == kept


def test_a_file_of_another_log_or_of_unknown_origin_is_left_alone(logs, tmp_path):
    mine, out = tmp_path / "m-2.xlsx", tmp_path / "m.xlsx"
    write_to_correct(read_log(logs[0]).report, out)
    before = out.read_bytes()
    mine.write_text("mine")
    report = read_log(logs[1]).report
    for _ in range(2):
        assert write_to_correct(report, out) == (tmp_path / "m-3.xlsx", ())
    assert (out.read_bytes(), mine.read_text()) == (before, "mine")


def test_the_check_names_one_next_step_and_what_it_left_alone(logs, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["check", "here"]) == 0
    last = capsys.readouterr().out.splitlines()[-1]
    assert last == (
        "Next: correct the coloured cells in to-correct.xlsx, save it as here/corrected.xlsx and "
        "check again; or correct the log itself."
    )
    correct("to-correct.xlsx", "to-correct.xlsx", {"skin_type": "II"})
    assert main(["check", "here", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["written"], found["left_as_changed"]) == (
        "to-correct-2.xlsx",
        ["to-correct.xlsx"],
    )
    assert main(["check", "here"]) == 0
    assert "Left alone, as somebody changed it: to-correct.xlsx." in capsys.readouterr().out
    shutil.copy("to-correct.xlsx", "here/corrected.xlsx")
    assert main(["check", "here"]) == 0
    assert "Next:" not in capsys.readouterr().out
    assert [path.name for path in tmp_path.glob("to-correct*")] == ["to-correct.xlsx"]
