"""What a forecaster remembers of its log: which courses are alike, and how well it is covered."""

from dataclasses import replace
from typing import Any

import pandas as pd
import pytest

import forecast
from forecast.counts.log_summary import Reference
from forecast.counts.rows import course_rows
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


def reference_of(*parts: tuple[int, dict[str, Any]]) -> Reference:
    log = log_of(*parts)
    return Reference.of(log, course_rows(log, goal="clear"))


def test_courses_counted_as_alike_share_density_and_layers_and_the_rest_is_named():
    reference = reference_of(
        (20, {"sessions_given": 8}), (7, {"layering": "layered", "sessions_given": 17})
    )
    found = reference.similar(HEAVY)
    assert found is not None
    # the twenty of a single layer, half of them cleared by session 8, say nothing of this one
    assert (found["n"], found["reached"], found["half_by"]) == (7, 7, 17)
    assert found["like"] == "black or dark blue ink, heavy density, several layers"
    assert found["unlike"] == ["skin_type", "body_site"]


def test_fewer_than_five_alike_are_not_counted():
    reference = reference_of((20, {}), (4, {"layering": "layered"}))
    assert reference.similar(HEAVY) is None


@pytest.mark.parametrize(("finished", "support"), [(2, "thin"), (19, "thin"), (20, "well covered")])
def test_covered_well_takes_twenty_finished_courses_not_only_courses(finished: int, support: str):
    reference = reference_of(
        (finished, {}), (40 - finished, {"outcome": "ongoing", "sessions_given": 3})
    )
    plain = forecast.Enquiry("III", "forearm", "black", "heavy", "single")
    told, notes = reference.doubts(plain)
    assert told == support
    said = f"{finished} of 40 courses in this log reached the goal."
    assert (said in notes) == (support == "thin")


def test_a_level_of_which_few_courses_finished_is_thin():
    reference = reference_of(
        (30, {}), (12, {"inks": "green", "outcome": "stopped"}), (2, {"inks": "green"})
    )
    green = forecast.Enquiry("III", "forearm", "black;green", "heavy", "single")
    support, notes = reference.doubts(green)
    assert support == "thin"
    assert notes == ("2 of 14 courses with green ink in this log reached the goal.",)


def test_an_attribute_that_the_log_never_recorded_leaves_the_support_alone():
    plain = forecast.Enquiry("III", "forearm", "black", "heavy", "single")
    full = replace(plain, scarring="none", smoker="yes", origin="amateur", area_cm2=40.0)
    bare = reference_of((20, {}))
    assert bare.doubts(full) == bare.doubts(plain) == ("well covered", ())
    assert bare.unrecorded(full) == ("origin", "scarring", "smoker", "area_cm2")
    assert bare.unrecorded(plain) == ()
    # recorded, and never so
    told, notes = reference_of((20, {"smoker": "no"})).doubts(full)
    assert (told, notes) == ("outside", ("No course with a smoker in this log.",))


@pytest.mark.parametrize(
    ("alike", "support", "notes"),
    [
        ((5, "cleared"), "well covered", ()),
        (
            (4, "cleared"),
            "thin",
            ("Fewer than five courses in this log are like it in inks, density and layers.",),
        ),
        (
            (5, "stopped"),
            "thin",
            ("None of 5 courses with such inks, density and layers in this log reached the goal.",),
        ),
    ],
)
def test_covered_well_takes_five_courses_of_the_same_combination_and_a_finished_one(
    alike: tuple[int, str], support: str, notes: tuple[str, ...]
):
    count, outcome = alike
    # each level by itself is frequent and often finished
    reference = reference_of(
        (20, {}),
        (20, {"inks": "red", "layering": "layered"}),
        (count, {"layering": "layered", "outcome": outcome}),
    )
    assert reference.doubts(replace(HEAVY, inks="black")) == (support, notes)


def test_what_is_remembered_survives_being_stored():
    reference = reference_of((20, {}), (7, {"layering": "layered"}))
    assert Reference.from_dict(reference.to_dict()) == reference
