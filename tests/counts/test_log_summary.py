"""What is remembered of a log: counts of courses that are alike, and never a row."""

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

import forecast
from forecast.counts import FEW, LogSummary, course_rows, few
from forecast.counts.attributes import COVARIATES
from forecast.counts.log_summary import (
    fills_of,
    spread_missing,
    support_of,
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


@pytest.mark.parametrize(
    ("sold", "said", "auf_deutsch"),
    [
        ("cleared", " Half are there by session 8.", " Die Hälfte ist es bis Sitzung 8."),
        (
            "stopped",
            " With those still open or stopped counted as far as ",
            " Werden laufende und ",
        ),
    ],
)
def test_a_half_that_is_read_off_the_life_table_is_said_to_be(
    sold: str, said: str, auf_deutsch: str
):
    # four of nine stopped after one session: of the five left at session 8 all clear
    kind = {"layering": "layered"}
    summary = summary_of((5, kind), (4, {**kind, "outcome": sold, "sessions_given": 1}))
    if sold == "cleared":
        summary = summary_of((9, kind))
    found = summary.alike(HEAVY)
    assert found is not None
    assert said in str(found)
    assert auf_deutsch in found.say("de")
    assert f"{9 if sold == 'cleared' else 5} of 9 reached" in str(found)


def test_what_courses_are_counted_together_by_does_not_hang_on_words(reword):
    parts = (40, {}), (12, {"layering": "layered"})
    stored = summary_of(*parts).to_dict()
    assert {*stored["cells"]} == {*stored["near"]} == {"black;heavy;layered", "black;heavy;single"}
    before = support_of(LogSummary.from_dict(stored), DENSE, followed=20)
    reword("en", {'"black or dark blue ink"': '"dark ink"', '"several layers"': '"two layers"'})
    again = LogSummary.from_dict(stored)
    assert support_of(again, DENSE, followed=20) == before
    assert str(again.similar(DENSE)["like"]) == "dark ink, heavy density, two layers"


def test_fewer_than_five_alike_are_not_counted():
    summary = summary_of((20, {}), (4, {"layering": "layered"}))
    assert summary.similar(HEAVY) is None


def test_what_is_remembered_survives_being_stored():
    summary = summary_of((20, {}), (7, {"layering": "layered"}))
    assert LogSummary.from_dict(summary.to_dict()) == summary


def test_weeks_between_sessions_are_the_middle_courses_and_survive_being_stored():
    weeks = {f"C{k}": [0, k + 2, 2 * (k + 2)] for k in range(5)} | {"C5": [0]}
    rows = [(course, n, at) for course, of in weeks.items() for n, at in enumerate(of, 1)]
    sessions = pd.DataFrame(rows, columns=["course_id", "session_no", "week"]).assign(regime="ns")
    days = pd.Timestamp("2023-01-02") + pd.to_timedelta(7 * sessions["week"], "D")
    sessions["treated_on"] = days.dt.strftime("%Y-%m-%d")
    courses = log_of(*[(1, {"sessions_given": len(of)}) for of in weeks.values()]).courses
    for left_out, gap in (("", 4.0), ("C4", None)):  # of four courses nothing is said
        log = OutcomeLog.from_frames(courses, sessions[sessions["course_id"] != left_out])
        summary = LogSummary.of(log, course_rows(log, goal="clear"))
        assert summary.gap_weeks == gap
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


NAN = float("nan")


def test_fills_are_the_eighths_of_what_the_log_has():
    values = pd.Series([*range(1, 81), NAN])
    assert fills_of(values, "age_decades") == (5, 15, 25, 35, 45, 55, 65, 75)
    # of few, none is one of the four at an end
    assert fills_of(pd.Series(range(1, 17)), "age_decades") == (5, 5, 5, 7, 9, 11, 12, 12)
    assert np.mean(fills_of(pd.Series([NAN] * 9), "smoker")) == 0.25  # a plausible client mix


def test_an_enquiry_is_asked_once_or_once_for_each_way_to_fill_it():
    given = {name: np.ones(2) for name in COVARIATES}
    fills = {"smoker": (0.0,) * 6 + (1.0,) * 2, "scarring": (0.0,) * 4 + (1.0,) * 4}
    absent = np.array([1.0, NAN])
    spread, sizes = spread_missing(given | {"smoker": absent, "scarring": absent}, fills)
    assert sizes.tolist() == [1, 8]
    assert {name: values[0] for name, values in spread.items()} == dict.fromkeys(COVARIATES, 1.0)
    assert spread["layering"].tolist() == [1.0] * 9
    smoker, scarring = spread["smoker"][1:], spread["scarring"][1:]
    assert sorted(smoker) == [0.0] * 6 + [1.0] * 2
    assert sorted(scarring) == [0.0] * 4 + [1.0] * 4
    # shifted against each other, or all who smoke would be scarred
    assert np.corrcoef(smoker, scarring)[0, 1] < 0.5


FAR = {"skin_type": "VI", "body_site": "ankle"}
DENSE = forecast.Enquiry("III", "forearm", "black", "heavy", "layered")


@pytest.mark.parametrize(
    ("parts", "label", "reasons"),
    [
        # all levels are frequent, but hardly any finished course combines them
        ([(40, {}), (5, {"layering": "layered", "outcome": "stopped"}),
          (1, {"layering": "layered"}), (12, {"layering": "layered", "inks": "green"})],
         "thin", ("few_like_it_finished",)),
        ([(40, {}), (12, {"layering": "layered", **FAR})], "thin", ("few_like_it_near",)),
        ([(40, {}), (12, {"layering": "layered"})], "well covered", ()),
    ],
)  # fmt: skip
def test_support_is_judged_on_finished_courses_that_combine_all_of_it(parts, label, reasons):
    found = support_of(summary_of(*parts), DENSE, followed=20, needed=12)
    assert found == (label, reasons)


def test_an_answer_longer_than_courses_were_followed_is_not_well_covered():
    summary = summary_of((40, {}), (12, {"layering": "layered"}))
    assert support_of(summary, DENSE, followed=9, needed=10)[1] == ("beyond_followed",)


def test_a_summary_without_neighbours_is_read_and_judged_by_the_rest():
    stored = summary_of((40, {}), (12, {"layering": "layered", **FAR})).to_dict()
    del stored["near"]
    older = LogSummary.from_dict(stored)
    assert support_of(older, DENSE, followed=20)[0] == "well covered"


def counts_in(value, place=()):
    """Every whole number in plain values, with where it stands."""
    if isinstance(value, dict):
        return [found for key, part in value.items() for found in counts_in(part, (*place, key))]
    if isinstance(value, list):
        return [found for part in value for found in counts_in(part, place)]
    return [(place, value)] if type(value) is int else []


NO_COUNTS = {"half_by", "followed_to", "bin", "step", "within", "low_digits", "high_digits"}


@pytest.mark.parametrize("goal", ["clear", "lighten"])
def test_a_saved_model_holds_no_count_from_one_to_four_and_no_extreme(tmp_path, goal):
    log = forecast.simulate_log(130, seed=8)
    path = tmp_path / "model.json"
    forecast.fit_forecaster(log, goal=goal, seed=1).save(path)
    stored = json.loads(path.read_text(encoding="utf-8"))
    told = [found for name in ("reference", "assessment", "midcourse", "recalibration")
            for found in counts_in(stored[name], (name,))]  # fmt: skip
    assert len(told) > 40
    assert not [found for found in told if 1 <= found[1] <= 4 and found[0][-1] not in NO_COUNTS]
    for name, ends in stored["reference"]["ranges"].items():
        known = log.courses[name].dropna()
        assert (known < ends[0]).sum() < 5
        assert (known > ends[1]).sum() < 5
    again = forecast.load_forecaster(path).log_summary
    assert json.loads(json.dumps(again.to_dict())) == stored["reference"]


def test_the_smallest_and_the_largest_course_move_no_range():
    log = forecast.simulate_log(130, seed=8)
    before = LogSummary.of(log, course_rows(log)).ranges
    courses = log.courses.copy()
    for name in before:
        courses.loc[courses[name].idxmin(), name] /= 2
        courses.loc[courses[name].idxmax(), name] *= 3
    other = replace(log, courses=courses)
    assert LogSummary.of(other, course_rows(other)).ranges == before


def test_a_log_of_one_course_gives_no_count_that_it_does_not_have(invented_log):
    log = OutcomeLog.from_frames(invented_log.courses.head(1))
    forecaster = forecast.fit_forecaster(log)
    said = "\n".join([*forecaster.lines("en"), forecaster.estimate(HEAVY).to_text()])
    assert "of 4 courses" not in said
    assert "At least five" not in said
    assert "Fewer than five courses were followed through a session" in said


def test_few_are_said_as_fewer_than_five_and_none_as_none():
    log = forecast.simulate_log(14, seed=3)
    summary = LogSummary.of(log, course_rows(log))
    assert str(few(summary.n_ongoing)) in ("0", "fewer than five")
    assert [few(0), few(5), str(few(FEW))] == [0, 5, "fewer than five"]
    assert str(few(FEW, first=True)) == "Fewer than five"
