"""The report says what happened, to people and to programs."""

import json
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from forecast.cli import main
from forecast.errors import RequestError
from forecast.invented import simulate_log
from forecast.log.data_package import write_log
from forecast.log.outcome_log import OutcomeLog, read_log
from forecast.log.report import RECORD, changed_files, shelf_for, write_set_aside


@pytest.fixture(scope="module")
def report():
    """Return the report of a log with a few faults in it."""
    log = simulate_log(30, seed=9)
    courses = log.courses.assign(room="1", skin_type=log.courses["skin_type"].str.lower())
    courses["sessions_given"] = courses["sessions_given"].astype(object)
    courses.loc[2, "sessions_given"] = "many"
    courses.loc[[4, 5, 6, 7], "skin_type"] = "beige"
    courses.loc[9, "age_years"] = 200
    return OutcomeLog.from_frames(courses).report


def test_the_text_says_counts_places_rules_and_remedies(report):
    text = report.to_text()
    assert "courses          30       25          5" in text
    assert "row 4: 'many'. Write a whole number from 1 to 100 (sessions)." in text
    assert "courses.skin_type, 4 rows, rule: one of I, II, III, IV, V, VI." in text
    assert "and 1 more." in text
    assert "Flagged (the row is used, the cell read as not recorded):" in text
    assert "Flagged (used all the same):" not in text
    assert "row 11: '200'." in text
    assert "upper and lower case, spaces and hyphens" in text
    assert "Columns of courses that the log does not know, kept out: room." in text
    assert "mended_<table>.csv" in text


def test_the_text_shows_as_many_examples_as_asked_for(report):
    assert "and 3 more." in report.to_text(examples=1)
    assert "more." not in report.to_text(examples=10)


def test_a_clean_log_has_a_short_report():
    text = OutcomeLog.from_frames(simulate_log(30, seed=9).courses).report.to_text()
    assert "set aside" in text.splitlines()[2]
    assert len(text.splitlines()) == 4


def test_the_dictionary_goes_through_json_and_keeps_every_entry(report):
    told = json.loads(json.dumps(report.to_dict()))
    assert told["rows"]["courses"] == {"in": 30, "used": 25, "set_aside": 5, "empty": 0}
    for part in ("set_aside", "flagged", "tolerated"):
        pd.testing.assert_frame_equal(
            pd.DataFrame(told[part]), getattr(report, part), check_dtype=False
        )
    assert told["extra_columns"] == {"courses": ["room"]}


def test_a_row_with_two_faults_is_listed_twice_and_counted_once():
    courses = simulate_log(10, seed=9).courses
    courses.loc[3, ["body_site", "skin_type"]] = ["leg", "IX"]
    report = OutcomeLog.from_frames(courses).report
    assert list(report.set_aside["column"]) == ["body_site", "skin_type"]
    assert report.rows["courses"].set_aside == 1


def test_a_log_of_which_nothing_can_be_used_still_has_its_report():
    log = simulate_log(5, seed=9)
    report = OutcomeLog.from_frames(
        log.courses.assign(skin_type="beige"),
        log.sessions,
        log.gradings,
        log.reactions,
        log.lasers,
    ).report
    for table in ("courses", "sessions", "gradings"):
        assert report.rows[table].used == 0
    assert report.rows["lasers"].used == len(log.lasers)
    assert report.flagged.empty


@pytest.fixture(scope="module")
def log():
    return simulate_log(30, seed=8)


@pytest.fixture
def folder(log, tmp_path):
    """Return a folder in which one skin type, one id and one date were mistyped."""
    write_log(log, tmp_path / "log")
    spoil(tmp_path / "log", "courses", 4, "skin_type", "IX")
    spoil(tmp_path / "log", "courses", 9, "course_id", "")
    spoil(tmp_path / "log", "gradings", 6, "graded_on", "soon")
    return tmp_path / "log"


def cells_of(path):
    return pd.read_csv(path, dtype=str, na_filter=False, encoding="utf-8-sig")


def spoil(folder, table, position, column, value):
    frame = cells_of(folder / f"{table}.csv")
    frame.loc[position, column] = value
    frame.to_csv(folder / f"{table}.csv", index=False)


def mend(path, changes):
    """Correct the cells of a written file by the column that was at fault."""
    frame = cells_of(path)
    for fault, value in changes.items():
        at_fault = frame["problem"].str.startswith(fault)
        assert at_fault.sum() == 1
        frame.loc[at_fault, fault] = value
    return frame


def test_mended_rows_saved_in_the_folder_take_the_place_of_the_broken_ones(log, folder, tmp_path):
    broken = read_log(folder)
    assert len(broken.courses) == 28
    written = write_set_aside(broken.report, tmp_path / "out")
    assert {path.name for path in written} >= {"set_aside_courses.csv", "set_aside_gradings.csv"}
    fixes = {
        "courses": {"skin_type": log.courses["skin_type"][4], "course_id": "C0010"},
        "gradings": {"graded_on": str(log.gradings["graded_on"][6].date())},
    }
    for table, changes in fixes.items():
        mended = mend(tmp_path / "out" / f"set_aside_{table}.csv", changes)
        mended.to_csv(folder / f"mended_{table}.csv", index=False)
    again = read_log(folder)
    assert again.report.set_aside.empty
    assert again.report.rows["courses"].rows_in == 30
    for table in ("courses", "sessions", "gradings", "reactions"):
        pd.testing.assert_frame_equal(getattr(again, table), getattr(log, table))
    assert "2 rows replaced and 0 added" in " ".join(map(str, again.report.notes))


def test_mended_rows_added_below_the_table_read_fine(log, folder, tmp_path):
    write_set_aside(read_log(folder).report, tmp_path)
    mended = mend(
        tmp_path / "set_aside_courses.csv",
        {"skin_type": log.courses["skin_type"][4], "course_id": "C0010"},
    )
    own = cells_of(folder / "courses.csv").drop(index=[4, 9])
    pd.concat([own, mended]).to_csv(folder / "courses.csv", index=False)
    again = read_log(folder)
    assert again.report.rows["courses"].set_aside == 0
    assert again.report.extra_columns == {}
    assert set(again.courses["course_id"]) == set(log.courses["course_id"])


def test_rows_left_unmended_change_nothing(folder, tmp_path):
    before = read_log(folder).report
    for path in write_set_aside(before, tmp_path):
        table = path.stem.removeprefix("set_aside_")
        (folder / f"mended_{table}.csv").write_bytes(path.read_bytes())
    after = read_log(folder).report
    assert dict(after.rows) == dict(before.rows)
    pd.testing.assert_frame_equal(after.set_aside, before.set_aside)


def test_mending_in_two_rounds_keeps_the_first(log, folder, tmp_path):
    write_set_aside(read_log(folder).report, tmp_path)
    first = cells_of(tmp_path / "set_aside_courses.csv")
    first.loc[first["problem"].str.startswith("skin_type"), "skin_type"] = "II"
    first.to_csv(folder / "mended_courses.csv", index=False)
    left = read_log(folder)
    assert len(left.courses) == 29
    write_set_aside(left.report, tmp_path)
    second = mend(tmp_path / "set_aside_courses.csv", {"course_id": "C0010"})
    second.to_csv(folder / "mended_courses_2.csv", index=False)
    again = read_log(folder)
    assert again.report.rows["courses"].used == 30
    assert again.courses["skin_type"][4] == "II"


def test_a_row_corrected_in_the_log_meanwhile_is_not_doubled(log, folder, tmp_path):
    write_set_aside(read_log(folder).report, tmp_path)
    mended = mend(tmp_path / "set_aside_courses.csv", {"skin_type": "II"})
    mended.to_csv(folder / "mended_courses.csv", index=False)
    spoil(folder, "courses", 4, "skin_type", "II")
    report = read_log(folder).report
    assert report.rows["courses"].used == 29
    assert "each row once" in set(report.set_aside["rule"])


def test_a_workbook_takes_its_mended_rows_as_a_sheet(log, folder, tmp_path):
    path = tmp_path / "log.xlsx"
    frames = {table: cells_of(folder / f"{table}.csv") for table in ("courses", "gradings")}
    save(path, frames)
    write_set_aside(read_log(path).report, tmp_path)
    fixes = {"skin_type": "II", "course_id": "C0010"}
    save(path, frames | {"mended_courses": mend(tmp_path / "set_aside_courses.csv", fixes)})
    assert read_log(path).report.rows["courses"].used == 30


def save(path, frames):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, frame in frames.items():
        sheet = book.create_sheet(name)
        for row in [list(frame.columns), *frame.to_numpy().tolist()]:
            sheet.append(row)
    book.save(path)


def test_a_cell_that_a_spreadsheet_would_run_is_written_harmless(folder, tmp_path):
    spoil(folder, "courses", 4, "skin_type", '=HYPERLINK("x")')
    write_set_aside(read_log(folder).report, tmp_path)
    cells = cells_of(tmp_path / "set_aside_courses.csv")
    assert not cells.map(lambda text: text.startswith(("=", "+", "-", "@"))).to_numpy().any()


def test_nothing_set_aside_writes_nothing(log, tmp_path):
    assert write_set_aside(log.report, tmp_path / "out") == ()
    assert not (tmp_path / "out").exists()


def test_a_file_in_the_place_of_the_folder_is_refused(log, folder, tmp_path):
    (tmp_path / "out").write_text("")
    with pytest.raises(RequestError, match="is a file"):
        write_set_aside(read_log(folder).report, tmp_path / "out")


# Rows set aside stay with their log, and what somebody corrected in them is never lost.


@pytest.fixture
def logs(log, tmp_path):
    """Return two folders, each with a course of its own set aside."""
    for name, row in (("here", 4), ("there", 7)):
        write_log(log, tmp_path / name)
        spoil(tmp_path / name, "courses", row, "skin_type", "IX")
    return tmp_path / "here", tmp_path / "there"


def correct(path, value="II"):
    frame = cells_of(path)
    frame["skin_type"] = value
    frame.to_csv(path, index=False)
    return path.read_bytes()


def names(folder):
    return {path.name for path in folder.iterdir()}


def test_the_folder_says_which_log_it_belongs_to(logs, tmp_path):
    write_set_aside(read_log(logs[0]).report, tmp_path / "out")
    stored = json.loads((tmp_path / "out" / RECORD).read_text(encoding="utf-8"))
    assert Path(stored["log"]) == logs[0].resolve()


def test_writing_the_same_again_leaves_the_same_files(logs, tmp_path):
    report = read_log(logs[0]).report
    first = write_set_aside(report, tmp_path / "out")
    contents = [path.read_bytes() for path in first]
    assert write_set_aside(report, tmp_path / "out") == first
    assert [path.read_bytes() for path in first] == contents
    assert names(tmp_path / "out") == {path.name for path in first} | {RECORD}


def test_corrections_made_in_place_are_kept_and_the_new_list_is_numbered(logs, tmp_path):
    report = read_log(logs[0]).report
    write_set_aside(report, tmp_path / "out")
    edited = tmp_path / "out" / "set_aside_courses.csv"
    corrected = correct(edited)
    for _ in range(2):
        again = write_set_aside(report, tmp_path / "out")
        assert again[0].name == "set_aside_courses_2.csv"
        assert edited.read_bytes() == corrected
        assert changed_files(tmp_path / "out") == (edited,)
    assert not (tmp_path / "out" / "set_aside_courses_3.csv").exists()


def test_corrections_in_both_files_are_kept(logs, tmp_path):
    report = read_log(logs[0]).report
    for name in ("set_aside_courses.csv", "set_aside_courses_2.csv"):
        write_set_aside(report, tmp_path / "out")
        correct(tmp_path / "out" / name)
    assert write_set_aside(report, tmp_path / "out")[0].name == "set_aside_courses_3.csv"


def test_what_is_mended_leaves_the_folder(logs, tmp_path):
    report = read_log(logs[0]).report
    written = write_set_aside(report, tmp_path / "out")
    assert len(written) > 1  # the rows that wait for their course
    mended = cells_of(tmp_path / "out" / "set_aside_courses.csv").assign(skin_type="II")
    mended.to_csv(logs[0] / "mended_courses.csv", index=False)
    assert write_set_aside(read_log(logs[0]).report, tmp_path / "out") == ()
    assert names(tmp_path / "out") == set()


def test_rows_of_another_log_are_refused(logs, tmp_path):
    write_set_aside(read_log(logs[0]).report, tmp_path / "out")
    with pytest.raises(RequestError, match=r"rows set aside from .*here"):
        write_set_aside(read_log(logs[1]).report, tmp_path / "out")


def test_a_file_of_unknown_origin_is_left_alone(logs, tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "set_aside_courses.csv").write_text("mine")
    written = write_set_aside(read_log(logs[0]).report, tmp_path / "out")
    assert written[0].name == "set_aside_courses_2.csv"
    assert (tmp_path / "out" / "set_aside_courses.csv").read_text() == "mine"


def test_each_log_finds_its_own_folder_again(logs, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for _ in range(2):
        for log, folder in zip(logs, ("set-aside", "set-aside-2"), strict=True):
            report = read_log(log).report
            assert shelf_for(report.source, "set-aside") == Path(folder)
            write_set_aside(report, folder)


def test_the_check_says_what_it_left_alone(logs, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["check", "here"]) == 0
    assert "Rows set aside from here are in" in capsys.readouterr().out
    corrected = correct(tmp_path / "set-aside" / "set_aside_courses.csv")
    assert main(["check", "here"]) == 0
    shown = capsys.readouterr().out
    assert "Left alone" in shown
    assert "set_aside_courses_2.csv" in shown
    assert main(["check", "there", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["left_as_changed"] == []
    assert Path(found["written"][0]).parent.name == "set-aside-2"
    assert (tmp_path / "set-aside" / "set_aside_courses.csv").read_bytes() == corrected
    assert main(["check", "there", "--set-aside", "set-aside"]) == 1
    assert "holds rows set aside from" in capsys.readouterr().err
