"""Rows set aside stay with their log, and what somebody corrected in them is never lost."""

import json
from pathlib import Path

import pandas as pd
import pytest

from forecast.cli import main
from forecast.errors import RequestError
from forecast.invented import simulate_log
from forecast.log.data_package import write_log
from forecast.log.outcome_log import read_log
from forecast.log.report import RECORD, changed_files, shelf_for, write_set_aside


@pytest.fixture(scope="module")
def log():
    return simulate_log(25, seed=8)


@pytest.fixture
def logs(log, tmp_path):
    """Return two folders, each with a course of its own set aside."""
    for name, row in (("here", 4), ("there", 7)):
        write_log(log, tmp_path / name)
        spoil(tmp_path / name, row, "IX")
    return tmp_path / "here", tmp_path / "there"


def cells_of(path):
    return pd.read_csv(path, dtype=str, na_filter=False, encoding="utf-8-sig")


def spoil(folder, row, value):
    frame = cells_of(folder / "courses.csv")
    frame.loc[row, "skin_type"] = value
    frame.to_csv(folder / "courses.csv", index=False)


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
