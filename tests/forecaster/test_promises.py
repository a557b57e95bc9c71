"""Were promises kept? Later logs, the register, drivers and the model card."""

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

import forecast
from forecast.counts import course_rows
from forecast.errors import DataError
from forecast.forecaster.card import card_text, model_card
from forecast.forecaster.promises import (
    assess_forecaster,
    assess_register,
    enquiry_of,
    holds_promises,
    read_register,
    record_promise,
)
from forecast.invented import World
from forecast.log import is_judged
from forecast.survival import CountDistribution


def later(log, years=20):
    """Return the log with every date moved on, so that its courses come after the model's."""
    courses = log.courses.assign(started_on=log.courses["started_on"] + pd.DateOffset(years=years))
    return forecast.OutcomeLog.from_frames(courses, today=date(2060, 1, 1))


def test_promises_hold_on_a_later_log_of_the_same_clinic(forecaster):
    # two years only, as a standing check sees them: most courses are still running
    log = forecast.simulate_log(400, seed=21, years=2)
    found = assess_forecaster(forecaster, later(log))
    assert (log.courses["outcome"] == "ongoing").mean() > 0.3
    assert found.what.startswith("Courses started after")
    assert found.verdict in ("holds", "cannot say")
    assert abs(found.assessment.coverage.tie_split - 0.8) < 0.08
    assert not (found.assessment.subgroups["verdict"] == "fails").any()


def test_a_clinic_that_became_much_slower_is_noticed(forecaster):
    slower = replace(World(), log_speed=World().log_speed - 0.5)
    found = assess_forecaster(
        forecaster, later(forecast.simulate_log(400, seed=22, world=slower, years=2))
    )
    assert found.verdict == "fails"
    assert found.drift.shift < 0
    assert found.drift.p_value < 0.001


def test_courses_the_model_may_have_seen_are_said_to_flatter(forecaster, invented_log):
    found = assess_forecaster(forecaster, forecast.OutcomeLog.from_frames(
        invented_log.courses.head(250)
    ))  # fmt: skip
    assert "may flatter" in found.what
    assert found.to_dict()["verdict"] == found.verdict


def test_nothing_is_concluded_from_the_very_log_that_was_fitted_to(forecaster, invented_log):
    shuffled = invented_log.courses.sample(frac=1, random_state=0)
    for log in (invented_log, forecast.OutcomeLog.from_frames(shuffled)):
        found = assess_forecaster(forecaster, log)
        assert found.used_for_fit
        assert found.verdict == "cannot say"
        assert set(found.assessment.subgroups["verdict"]) == {"cannot say"}
        assert "was used for the fit" in found.to_text()
        assert "Verdict" not in found.to_text()
        assert "see the model card" in found.to_text()
    other = later(forecast.simulate_log(100, seed=77))
    assert not assess_forecaster(forecaster, other).used_for_fit


def test_a_fingerprint_of_a_log_holds_no_course_and_outlives_the_file(
    forecaster, invented_log, tmp_path
):
    forecaster.save(tmp_path / "model.json")
    again = forecast.load_forecaster(tmp_path / "model.json")
    assert again.reference.fingerprint == forecaster.reference.fingerprint
    assert len(again.reference.fingerprint) == 16
    assert invented_log.courses["course_id"].iloc[0] not in (tmp_path / "model.json").read_text()


@pytest.mark.parametrize(
    ("shift", "power", "p_value", "said", "verdict"),
    [
        (0.08, 1.0, 1.5e-18, "a real difference (p < 0.001), too small to break", "holds"),
        (0.25, 1.0, 1.5e-18, "1.28 times as often as predicted: outcomes have moved", "fails"),
        (0.0, 0.7, 1e-6, "counts vary more than predicted: outcomes have moved", "fails"),
        (0.25, 1.0, 0.2, "No sign that outcomes have moved", "holds"),
    ],
)
def test_what_is_said_of_drift_goes_with_the_verdict(
    forecaster, shift, power, p_value, said, verdict
):
    found = assess_forecaster(forecaster, later(forecast.simulate_log(400, seed=21)))
    sure = replace(found.assessment.coverage, tie_split=0.8, tie_split_error=0.01)
    drift = replace(found.drift, shift=shift, power=power, p_value=p_value)
    found = replace(found, drift=drift, assessment=replace(found.assessment, coverage=sure))
    assert found.verdict == verdict
    assert said in found.to_text()


def test_registered_promises_are_judged_by_their_own_outcomes(forecaster, tmp_path):
    log = forecast.simulate_log(200, seed=23)
    register = tmp_path / "promises.jsonl"
    for row in log.courses.to_dict("records"):
        estimate = forecaster.estimate(enquiry_of(row))
        record_promise(register, estimate, enquiry_id=row["course_id"], issued_on=date(2026, 5, 1))
    found = assess_register(register, log)
    assert found.what.startswith("200 of 200 registered promises")
    assert found.n_courses == is_judged(course_rows(log)).sum()
    straight = assess_forecaster(forecaster, later(log))
    assert found.assessment.coverage.tie_split == pytest.approx(
        straight.assessment.coverage.tie_split, abs=1e-3
    )
    text = register.read_text()
    assert "skin" not in text
    assert "black" not in text


def test_a_register_that_cannot_be_used_is_refused(forecaster, invented_log, tmp_path):
    register = tmp_path / "promises.jsonl"
    enquiry = forecast.Enquiry("II", "back", "black", "light", "single")
    record_promise(
        register, forecaster.estimate(enquiry), enquiry_id="nobody", issued_on=date(2026, 5, 1)
    )
    with pytest.raises(DataError, match=r"None of the 1 promise\(s\) is a course"):
        assess_register(register, invented_log)
    register.write_text(register.read_text() + "{}\n")
    with pytest.raises(DataError, match="Line 2 of"):
        assess_register(register, invented_log)


def test_a_torn_line_of_a_register_loses_nothing_but_itself(forecaster, invented_log, tmp_path):
    register = tmp_path / "promises.jsonl"
    estimate = forecaster.estimate(forecast.Enquiry("II", "back", "black", "light", "single"))
    names = list(invented_log.courses["course_id"].head(4))

    def promise(name):
        record_promise(register, estimate, enquiry_id=name, issued_on=date(2000, 1, 1))

    for name in names[:3]:
        promise(name)
    whole = register.read_bytes()
    register.write_bytes(whole[: len(whole) - 100])
    promise(names[3])
    promised, torn = read_register(register)
    assert list(promised) == [names[0], names[1], names[3]]
    assert torn == [3]
    found = assess_register(register, invented_log)
    assert found.what == (
        "3 of 3 registered promises that became courses (torn and left out: line 3 of the register)"
    )
    assert holds_promises(register.read_bytes())


@pytest.mark.parametrize("end", [b"\0" * 40, b"\xff\xfe{", b'{"enquiry_id": "x", "pm'])
def test_whatever_a_torn_line_holds_the_others_are_read(forecaster, tmp_path, end):
    register = tmp_path / "promises.jsonl"
    estimate = forecaster.estimate(forecast.Enquiry("II", "back", "black", "light", "single"))
    register.write_bytes(end)
    record_promise(register, estimate, enquiry_id="é", issued_on=date(2000, 1, 1))
    promised, torn = read_register(register)
    assert list(promised) == ["é"]
    assert promised["é"]["median"] == estimate.median
    assert torn == [1]


def test_drivers_name_what_differs_from_the_reference_and_which_way(forecaster):
    enquiry = forecast.Enquiry("III", "shoulder", "black;green", "heavy", "single", smoker="yes")
    found = {driver.attribute: driver for driver in forecaster.drivers(enquiry)}
    assert set(found) == {"inks", "ink_density", "smoker"}
    for driver in found.values():
        assert driver.difference > 0
        assert driver.interval[0] <= driver.difference <= driver.interval[1]
        assert "instead of" in driver.to_text()
    plain = forecast.Enquiry("III", "shoulder", "black", "medium", "single")
    assert forecaster.drivers(plain) == ()


@pytest.mark.parametrize("inks", ["white", "brown;white;flesh"])
def test_drivers_of_what_lies_beyond_the_horizon_are_chances_by_then_and_no_counts(
    forecaster, inks
):
    hard = forecast.Enquiry("III", "shoulder", inks, "heavy", "single")
    found = {driver.attribute: driver for driver in forecaster.drivers(hard)}
    easier = {
        "inks": replace(hard, inks="black"),
        "ink_density": replace(hard, ink_density="medium"),
    }
    assert set(found) == set(easier)
    for name, driver in found.items():
        by_then, instead = (
            1 - forecaster.estimate(each).not_within_horizon for each in (hard, easier[name])
        )
        assert driver.by_session == forecaster.horizon
        assert driver.difference == pytest.approx(by_then - instead, abs=0.1)
        assert -1 <= driver.interval[0] <= driver.difference <= driver.interval[1] <= 1
        assert f"of 100 there by session {forecaster.horizon} (" in driver.to_text()
        assert driver.to_dict()["by_session"] == forecaster.horizon
    assert found["inks"].difference < -0.3


def test_drivers_are_counts_where_all_that_is_compared_is_within_the_horizon(forecaster):
    easy = forecast.Enquiry("III", "shoulder", "black", "heavy", "single")
    (driver,) = forecaster.drivers(easy)
    plain = forecaster.estimate(replace(easy, ink_density="medium"))
    assert driver.by_session is None
    assert driver.difference == pytest.approx(
        forecaster.estimate(easy).median - plain.median, abs=1.1
    )


def test_similar_courses_are_counts_of_at_least_five(forecaster, invented_log):
    cells = forecaster.reference.cells
    assert min(cell["n"] for cell in cells.values()) >= 5
    enquiry = forecast.Enquiry("III", "shoulder", "black", "medium", "single")
    found = forecaster.reference.similar(enquiry)
    inks = invented_log.courses["inks"].isin(["black", "dark_blue", "black;dark_blue"])
    same = inks & (invented_log.courses["ink_density"] == "medium")
    same &= invented_log.courses["layering"] == "single"
    assert found["n"] == int(same.sum())


def test_the_model_card_says_who_what_how_good_and_what_not(forecaster):
    card = model_card(forecaster)
    assert card["participants"]["courses"] == 300
    assert all(effect["source"] for effect in card["prior_evidence"])
    text = card_text(forecaster)
    for part in ("**Use.**", "**Outcome.**", "**Assessment.**", "**Limits.**", "verdict"):
        assert part in text
    assert "| life table |" in text


def test_a_group_whose_intervals_fail_says_so_in_its_own_estimates_only(forecaster):
    assessment = {
        **forecaster.assessment,
        "subgroups": [
            {"factor": "skin", "label": "V-VI", "verdict": "fails", "coverage": 0.6, "n_events": 30}
        ],
    }
    failing = replace(forecaster, assessment=assessment)
    dark = forecast.Enquiry("VI", "shoulder", "black", "medium", "single")
    said = [note for note in failing.estimate(dark).notes if "have not held" in note]
    assert len(said) == 1
    assert "60 %" in said[0]
    assert not any("have not held" in note for note in failing.estimate(
        replace(dark, skin_type="II")
    ).notes)  # fmt: skip


def test_the_same_seed_gives_the_same_forecaster(invented_log, forecaster):
    again = forecast.fit_forecaster(invented_log, seed=1)
    enquiry = forecast.Enquiry("II", "thigh", "black;red", "light", "single")
    assert np.array_equal(again.estimate(enquiry).draws, forecaster.estimate(enquiry).draws)


def test_a_group_that_needs_more_sessions_than_predicted_is_not_said_to_miss_its_interval(
    forecaster,
):
    row = {"factor": "skin", "label": "V-VI", "verdict": "fails", "coverage": 0.83}
    row |= {"n_events": 40, "observed_to_expected": 0.7}
    failing = replace(forecaster, assessment={**forecaster.assessment, "subgroups": [row]})
    notes = failing.estimate(forecast.Enquiry("VI", "back", "black", "medium", "single")).notes
    assert any("0.70 times as often as predicted" in note for note in notes)
    assert not any("have not held" in note for note in notes)


def test_a_coverage_that_may_be_chance_is_not_given_as_the_reason(forecaster):
    row = {"factor": "skin", "label": "V-VI", "verdict": "fails", "coverage": 0.75}
    row |= {"n_events": 90, "observed_to_expected": 0.7, "coverage_high": 0.83}
    asked = forecast.Enquiry("VI", "back", "black", "medium", "single")
    for high, said in ((0.83, "0.70 times as often"), (0.78, "75 % of such courses fell inside")):
        assessment = {**forecaster.assessment, "subgroups": [{**row, "coverage_high": high}]}
        notes = replace(forecaster, assessment=assessment).estimate(asked).notes
        assert sum(said in note for note in notes) == 1


def test_an_interval_that_is_corrected_is_not_called_the_models_own(forecaster):
    enquiry = forecast.Enquiry("II", "back", "black", "medium", "single")
    assert forecaster.recalibration.n_events < 6000
    notes = forecaster.estimate(enquiry, level=0.999).notes
    assert any("finished courses to check an interval at this level" in note for note in notes)
    assert not any("the model's own" in note for note in notes)
    plain = replace(forecaster, recalibration=None).estimate(enquiry, level=0.8).notes
    assert any("the model's own" in note for note in plain)


def test_a_register_counts_goals_rounding_and_late_promises(forecaster, tmp_path):
    log = forecast.simulate_log(120, seed=31)
    courses = log.courses.assign(outcome="lightened", goal="lighten")
    log = forecast.OutcomeLog.from_frames(courses)
    plain = forecaster.estimate(forecast.Enquiry("II", "back", "black", "medium", "single"))
    # 24 equal chances of 0.0416666 and one of 0.0000016: rounded to six digits the sum is over 1
    sure = np.append(np.full(24, 0.0416666), 1.6e-6)
    sure = replace(plain, distribution=CountDistribution(sure[None] / sure.sum()))
    register = tmp_path / "promises.jsonl"
    for place, identity in enumerate(courses["course_id"]):
        goal = "lighten" if place % 2 else "clear"
        issued = date(2000 if place % 3 else 2090, 1, 1)
        record_promise(register, replace(sure, goal=goal), enquiry_id=identity, issued_on=issued)
    found = assess_register(register, log)
    assert found.n_reached == 60
    assert "(40 issued after the course had started" in found.what


def test_the_card_lists_prior_evidence_only_for_a_model_that_leans_on_it(forecaster):
    assert model_card(forecaster)["prior_source"] == "published evidence"
    alone = model_card(replace(forecaster, evidence=None))
    assert (alone["prior_source"], alone["prior_evidence"]) == (None, [])


def test_a_check_of_a_few_courses_claims_no_precision(forecaster, invented_log):
    few = forecast.OutcomeLog.from_frames(invented_log.courses.head(2))
    found = assess_forecaster(forecaster, few)
    assert found.verdict == "cannot say"
    assert "give or take" not in found.to_text()
