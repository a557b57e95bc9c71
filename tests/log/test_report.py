"""The report says what happened, to people and to programs."""

import ast
import json
from pathlib import Path

import pandas as pd
import pytest

import forecast
from forecast._notes import in_language
from forecast.daybook import begin_daybook
from forecast.invented import simulate_log
from forecast.log.outcome_log import OutcomeLog, read_log, write_log

ROOM = sorted((Path(forecast.__file__).parent / "log").rglob("*.py"))


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


def test_the_text_shows_as_many_examples_as_asked_for(report):
    assert "and 3 more." in report.to_text(examples=1)
    assert "more." not in report.to_text(examples=10)


def test_a_clean_log_has_a_short_report():
    text = OutcomeLog.from_frames(simulate_log(30, seed=9).courses).report.to_text()
    assert text.splitlines()[0] == "30 of 30 courses can be used."
    assert "set aside" in text.splitlines()[3]
    assert len(text.splitlines()) == 5


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


def test_a_row_of_a_daybook_is_named_by_its_course(tmp_path):
    log = simulate_log(30, seed=9)
    gradings = log.gradings.copy()
    last = gradings.index[-1]
    gradings.loc[last, "fading_pct"] = 0
    write_log(OutcomeLog.from_frames(log.courses, log.sessions, gradings), tmp_path / "log")
    begin_daybook(tmp_path / "book.sqlite", tmp_path / "log")
    report = read_log(tmp_path / "book.sqlite").report
    (first,) = (one for one in report.to_dict()["flagged"] if one["value"] == "0")
    assert first["cell"] == f"course {gradings['course_id'][last]}"
    assert f"    {first['cell']}: '0'. Check it" in report.to_text(examples=99)
    assert f"    Behandlung {gradings['course_id'][last]}: '0'." in report.to_text(
        examples=99, language="de"
    )


@pytest.mark.parametrize("path", ROOM, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_what_stops_the_reading_of_a_log_is_a_code_with_values(path):
    raised = [
        node
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id == "DataError"
    ]
    written = [
        ast.unparse(part)
        for node in raised
        for part in node.args
        if isinstance(part, ast.Constant | ast.JoinedStr | ast.BinOp)
    ]
    assert written == []


def test_every_rule_remedy_and_spelling_says_itself_in_german_too(report):
    for frame, column in [
        (report.set_aside, "rule"),
        (report.set_aside, "remedy"),
        (report.flagged, "rule"),
        (report.flagged, "remedy"),
        (report.tolerated, "tolerance"),
    ]:
        assert len(frame)
        for text in frame[column]:
            assert in_language(text, "de") != text


def test_numbers_of_the_report_have_the_marks_of_its_language():
    courses = simulate_log(1300, seed=9).courses
    courses = courses.assign(skin_type=courses["skin_type"].str.lower())
    text = OutcomeLog.from_frames(courses).report.to_text(language="de")
    assert "courses       1.300    1.300          0" in text
    assert "courses.skin_type: Groß- und Kleinschreibung" in text
    assert "Bindestriche, 1.300-mal" in text


def test_a_german_report_has_german_numbers_and_units_and_quotes_what_the_cell_says():
    courses = simulate_log(9, seed=9).courses.astype({"area_cm2": object, "price_paid": object})
    courses.loc[0, ["outcome", "stop_reason"]] = ["läuft noch", "umgezogen"]
    courses.loc[1, ["area_cm2", "price_paid"]] = ["groß", "viel"]
    courses.loc[2, "area_cm2"] = "12,5"
    report = OutcomeLog.from_frames(courses).report
    text = report.to_text(language="de", examples=9)
    assert "eine Zahl von 0,01 bis 10000 (cm²)" in text
    assert "eine Zahl von 0 bis 1000000 (Währung der Praxis)" in text
    assert "'12,5' gelesen als '12,5'" in text
    assert "wo das Ergebnis abgebrochen ist" in text
    assert "'umgezogen'. Das Ergebnis berichtigen" in text
    assert "'12,5' read as '12.5'" in report.to_text()
