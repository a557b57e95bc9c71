"""How well a log covers an enquiry, and why not better."""

from dataclasses import replace
from typing import Any

import pandas as pd
import pytest

import forecast
from forecast.counts import LogSummary, course_rows
from forecast.counts.doubts import support_of
from forecast.log import OutcomeLog


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


def told(summary: LogSummary, enquiry: forecast.Enquiry, *, followed: int = 20) -> tuple[Any, ...]:
    """Return the label, the reasons, and the notes as texts."""
    label, reasons, notes = support_of(summary, enquiry, followed=followed)
    return label, reasons, tuple(map(str, notes))


@pytest.mark.parametrize(("finished", "support"), [(2, "thin"), (19, "thin"), (20, "well covered")])
def test_covered_well_takes_twenty_finished_courses_not_only_courses(finished: int, support: str):
    summary = summary_of(
        (finished, {}), (40 - finished, {"outcome": "ongoing", "sessions_given": 3})
    )
    plain = forecast.Enquiry("III", "forearm", "black", "heavy", "single")
    label, reasons, said = told(summary, plain)
    assert label == support
    few = f"{finished} of 40 courses in this log reached the goal."
    assert (few in said) == ("too_few_finished" in reasons) == (support == "thin")


def test_a_level_of_which_few_courses_finished_is_thin():
    summary = summary_of(
        (30, {}), (12, {"inks": "green", "outcome": "stopped"}), (2, {"inks": "green"})
    )
    green = forecast.Enquiry("III", "forearm", "black;green", "heavy", "single")
    label, reasons, said = told(summary, green)
    assert (label, reasons) == ("thin", ("level_too_few_finished",))
    assert said == ("2 of 14 courses with green ink in this log reached the goal.",)


def test_an_attribute_that_the_log_never_recorded_leaves_the_support_alone():
    plain = forecast.Enquiry("III", "forearm", "black", "heavy", "single")
    full = replace(plain, scarring="none", smoker="yes", origin="amateur", area_cm2=40.0)
    bare = summary_of((20, {}))
    assert told(bare, full) == told(bare, plain) == ("well covered", (), ())
    assert bare.unrecorded(full) == ("origin", "scarring", "smoker", "area_cm2")
    assert bare.unrecorded(plain) == ()
    # recorded, and never so
    label, reasons, said = told(summary_of((20, {"smoker": "no"})), full)
    assert (label, reasons) == ("outside", ("level_not_in_log",))
    assert said == ("No course with a smoker in this log.",)


def test_one_course_and_a_few_with_a_level_are_told_apart_and_a_goal_nobody_reached_is_outside():
    summary = summary_of((30, {}), (1, {"inks": "red"}), (4, {"skin_type": "V"}))
    rare = forecast.Enquiry("V", "forearm", "black;red", "heavy", "single")
    label, reasons, said = told(summary, rare)
    assert (label, reasons) == ("thin", ("too_few_like_it", "level_rare", "level_once"))
    assert said[1:] == (
        "4 courses with skin type V in this log.",
        "One course with red ink in this log.",
    )
    plain = replace(rare, skin_type="III", inks="black")
    assert told(summary, plain, followed=0)[:2] == ("outside", ("not_followed",))
    none = summary_of((30, {"outcome": "ongoing"}))
    label, reasons, said = told(none, plain)
    assert (label, reasons) == ("outside", ("too_few_finished", "none_finished"))
    assert said == ("None of 30 courses in this log reached the goal.",)


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
    summary = summary_of(
        (20, {}),
        (20, {"inks": "red", "layering": "layered"}),
        (count, {"layering": "layered", "outcome": outcome}),
    )
    heavy = forecast.Enquiry("III", "forearm", "black", "heavy", "layered")
    label, reasons, said = told(summary, heavy)
    assert (label, said) == (support, notes)
    assert bool(reasons) == bool(notes)


def test_what_the_log_has_never_seen_is_said(forecaster):
    plain = forecast.Enquiry("III", "shoulder", "black", "medium", "single", age_years=30)
    complete = replace(plain, origin="professional", area_cm2=50, tattoo_age_years=4)
    old = replace(complete, age_years=109)
    estimate = forecaster.estimate(old)
    assert estimate.support == "outside"
    assert any("The age is 109 years; the log has" in str(note) for note in estimate.notes)
    rare = replace(complete, inks="black;white")
    assert forecaster.estimate(rare).support in ("thin", "outside")
    assert forecaster.estimate(complete).support == "well covered"


PLAIN = forecast.Enquiry("III", "shoulder", "black", "medium", "single")
COMPLETE = replace(
    PLAIN, age_years=30, origin="professional", area_cm2=50, tattoo_age_years=4, scarring="none",
    smoker="no",
)  # fmt: skip


def test_a_group_whose_intervals_fail_says_so_in_its_own_estimates_only(forecaster):
    assessment = {
        **forecaster.assessment,
        "subgroups": [
            {"factor": "skin", "label": "V-VI", "verdict": "fails", "coverage": 0.6, "n_events": 30}
        ],
    }
    failing = replace(forecaster, assessment=assessment)
    dark = forecast.Enquiry("VI", "shoulder", "black", "medium", "single")
    said = [note for note in failing.estimate(dark).notes if "have not held" in str(note)]
    assert len(said) == 1
    assert "60 %" in str(said[0])
    assert not any("have not held" in str(note) for note in failing.estimate(
        replace(dark, skin_type="II")
    ).notes)  # fmt: skip


def test_a_group_that_needs_more_sessions_than_predicted_is_not_said_to_miss_its_interval(
    forecaster,
):
    row = {"factor": "skin", "label": "V-VI", "verdict": "fails", "coverage": 0.83}
    row |= {"n_events": 40, "observed_to_expected": 0.7}
    failing = replace(forecaster, assessment={**forecaster.assessment, "subgroups": [row]})
    notes = failing.estimate(forecast.Enquiry("VI", "back", "black", "medium", "single")).notes
    assert any("0.70 times as often as predicted" in str(note) for note in notes)
    assert not any("have not held" in str(note) for note in notes)


def test_a_coverage_that_may_be_chance_is_not_given_as_the_reason(forecaster):
    row = {"factor": "skin", "label": "V-VI", "verdict": "fails", "coverage": 0.75}
    row |= {"n_events": 90, "observed_to_expected": 0.7, "coverage_high": 0.83}
    asked = forecast.Enquiry("VI", "back", "black", "medium", "single")
    for high, said in ((0.83, "0.70 times as often"), (0.78, "75 % of such courses fell inside")):
        assessment = {**forecaster.assessment, "subgroups": [{**row, "coverage_high": high}]}
        notes = replace(forecaster, assessment=assessment).estimate(asked).notes
        assert sum(said in str(note) for note in notes) == 1


def test_an_interval_that_is_corrected_is_not_called_the_models_own(forecaster):
    enquiry = forecast.Enquiry("II", "back", "black", "medium", "single")
    assert forecaster.recalibration.n_events < 6000
    notes = forecaster.estimate(enquiry, level=0.999).notes
    assert any("finished courses to check an interval at this level" in str(note) for note in notes)
    assert not any("the model's own" in str(note) for note in notes)
    plain = replace(forecaster, recalibration=None).estimate(enquiry, level=0.8).notes
    assert any("the model's own" in str(note) for note in plain)
