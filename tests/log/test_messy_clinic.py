"""The shipped messy workbook: every planted fault is reported, and nothing else is set aside."""

from pathlib import Path

import pandas as pd
import pytest
from numpy.testing import assert_equal

import forecast
from forecast.log.outcome_log import read_log

SHIPPED = Path(__file__).parents[2] / "synthetic_data"
FAULTS = pd.read_csv(SHIPPED / "messy_clinic_faults.csv", dtype=str, keep_default_na=False).to_dict(
    "records"
)
PLACED = [fault for fault in FAULTS if fault["row"] and fault["report"] in ("set aside", "flagged")]
GROUPED = [fault for fault in FAULTS if not fault["row"] and fault["report"] == "set aside"]
# Gradings carry error, so some fall without anyone having planted it.
NATURAL = "no fall below the gradings before"


@pytest.fixture(scope="module")
def log():
    return read_log(SHIPPED / "messy_clinic.xlsx")


@pytest.fixture(scope="module")
def tidy():
    return read_log(SHIPPED / "tangled")


def entry(fault):
    return f"{fault['table']}-{fault['row']}-{fault['column']}-{fault['fault']}"


@pytest.mark.parametrize("fault", PLACED, ids=entry)
def test_a_fault_is_reported_at_its_place_with_its_rule(log, fault):
    listed = log.report.set_aside if fault["report"] == "set aside" else log.report.flagged
    found = listed[
        (listed["table"] == fault["table"])
        & (listed["row"] == int(fault["row"]))
        & (listed["column"] == fault["column"])
    ]
    assert len(found) >= 1
    assert any(fault["says"] in rule for rule in found["rule"]), list(found["rule"])
    assert found["remedy"].str.endswith(".").all()


@pytest.mark.parametrize("fault", GROUPED, ids=entry)
def test_rows_that_wait_for_a_course_are_counted(log, fault):
    listed = log.report.set_aside
    found = listed[(listed["table"] == fault["table"]) & (listed["rule"] == fault["says"])]
    alone = [
        other
        for other in PLACED
        if other["table"] == fault["table"] and fault["says"].startswith(other["says"])
    ]
    assert len(found) - len(alone) == int(fault["count"])


def test_nothing_is_set_aside_or_flagged_that_is_not_on_the_list(log):
    planted = {(fault["table"], int(fault["row"]), fault["column"]) for fault in PLACED}
    grouped = {(fault["table"], fault["says"]) for fault in GROUPED}
    listed = pd.concat([log.report.set_aside, log.report.flagged[lambda f: f["rule"] != NATURAL]])
    unexpected = [
        case
        for case in listed.to_dict("records")
        if (case["table"], case["row"], case["column"]) not in planted
        and (case["table"], case["rule"]) not in grouped
    ]
    assert unexpected == []


def test_every_tolerance_is_listed_with_its_count(log):
    expected = {
        (fault["table"], fault["column"], fault["says"]): int(fault["count"])
        for fault in FAULTS
        if fault["report"] == "tolerated"
    }
    tolerated = log.report.tolerated
    keys = zip(tolerated["table"], tolerated["column"], tolerated["tolerance"], strict=True)
    assert dict(zip(keys, tolerated["count"], strict=True)) == expected


def test_notes_and_unknown_columns_are_said(log):
    notes = " ".join(map(str, log.report.notes))
    for fault in FAULTS:
        if fault["report"] == "note":
            assert fault["says"] in notes
    extra = {f["table"]: (f["says"],) for f in FAULTS if f["report"] == "extra column"}
    assert log.report.extra_columns == extra


def test_no_row_is_lost(log):
    for table, count in log.report.rows.items():
        aside = log.report.set_aside
        listed = aside.loc[aside["table"] == table, "row"].nunique()
        assert count.rows_in == count.used + count.set_aside == count.used + listed


def test_what_is_used_says_the_same_as_the_tidy_clinic(log, tidy):
    planted = {fault["column"] for fault in PLACED if fault["table"] == "courses"}
    both = log.courses.merge(tidy.courses, on="course_id", suffixes=("", "_tidy"))
    assert len(both) >= len(log.courses) - 1  # all but the twin that was made up
    for column in tidy.courses.columns.drop("course_id"):
        same = (both[column] == both[f"{column}_tidy"]) | (
            both[column].isna() & both[f"{column}_tidy"].isna()
        )
        assert same.all() or (column in planted and (~same).sum() <= 3), column
    sessions = log.sessions.merge(tidy.sessions, on=["course_id", "session_no"])
    assert len(sessions) >= len(log.sessions) - 1
    assert (sessions["treated_on_x"] != sessions["treated_on_y"]).sum() == 1
    assert (sessions["regime_x"] != sessions["regime_y"]).sum() == 1
    assert_equal(sessions["fluence_j_cm2_x"].to_numpy(), sessions["fluence_j_cm2_y"].to_numpy())
    gradings = log.gradings.merge(tidy.gradings, on=["course_id", "after_session", "grader_id"])
    assert (gradings["fading_pct_x"] != gradings["fading_pct_y"]).sum() == 4


@pytest.mark.slow
def test_a_forecaster_fits_and_says_nearly_what_the_tidy_clinic_says(log, tidy):
    enquiries = [
        forecast.Enquiry("II", "forearm", "black", "medium", "single"),
        forecast.Enquiry("IV", "ankle", "black;green", "heavy", "layered"),
    ]
    messy, plain = (forecast.fit_forecaster(each, seed=1) for each in (log, tidy))
    for enquiry in enquiries:
        left, right = messy.estimate(enquiry), plain.estimate(enquiry)
        for n in (5, 10, 15):
            assert abs(left.chance_by(n) - right.chance_by(n)) < 0.1
