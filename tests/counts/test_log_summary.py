"""What is remembered of a log: counts of courses that are alike, and never a row."""

from typing import Any

import pandas as pd

import forecast
from forecast.counts import (
    LogSummary,
    course_rows,
)
from forecast.log import OutcomeLog

HEAVY = forecast.Enquiry("III", "forearm", "black;dark_blue", "heavy", "layered")


def log_of(*parts: tuple[int, dict[str, Any]]) -> OutcomeLog:
    """Return a log of so many courses of each kind."""
    plain = {
        "skin_type": "III",
        "body_site": "forearm",
        "inks": "black",
        "ink_density": "heavy",
        "layering": "single",
        "sessions_given": 8,
        "outcome": "cleared",
    }
    rows = [{**plain, **kind} for count, kind in parts for _ in range(count)]
    for k, row in enumerate(rows):
        row |= {"course_id": f"C{k}", "client_id": f"P{k}", "started_on": "2023-01-02"}
    return OutcomeLog.from_frames(pd.DataFrame(rows))


def summary_of(*parts: tuple[int, dict[str, Any]]) -> LogSummary:
    log = log_of(*parts)
    return LogSummary.of(log, course_rows(log, goal="clear"))


def test_courses_counted_as_alike_share_density_and_layers_and_the_rest_is_named():
    summary = summary_of(
        (20, {"sessions_given": 8}), (7, {"layering": "layered", "sessions_given": 17})
    )
    found = summary.similar(HEAVY)
    assert found is not None
    # the twenty of a single layer, half of them cleared by session 8, say nothing of this one
    assert (found["n"], found["reached"], found["half_by"]) == (7, 7, 17)
    assert str(found["like"]) == "black or dark blue ink, heavy density, several layers"
    assert found["unlike"] == ["skin_type", "body_site"]


def test_fewer_than_five_alike_are_not_counted():
    summary = summary_of((20, {}), (4, {"layering": "layered"}))
    assert summary.similar(HEAVY) is None


def test_what_is_remembered_survives_being_stored():
    summary = summary_of((20, {}), (7, {"layering": "layered"}))
    assert LogSummary.from_dict(summary.to_dict()) == summary


def test_similar_courses_are_counts_of_at_least_five(forecaster, invented_log):
    cells = forecaster.log_summary.cells
    assert min(cell["n"] for cell in cells.values()) >= 5
    enquiry = forecast.Enquiry("III", "shoulder", "black", "medium", "single")
    found = forecaster.log_summary.similar(enquiry)
    inks = invented_log.courses["inks"].isin(["black", "dark_blue", "black;dark_blue"])
    same = inks & (invented_log.courses["ink_density"] == "medium")
    same &= invented_log.courses["layering"] == "single"
    assert found["n"] == int(same.sum())
