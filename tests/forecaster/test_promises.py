"""Were promises kept? Later logs, and what is on record."""

from dataclasses import replace
from datetime import date

import pandas as pd
import pytest

import forecast
from forecast._notes import Note
from forecast.counts import course_rows, is_judged
from forecast.errors import DataError
from forecast.figures import plot_watch
from forecast.forecaster.promises import (
    assess_forecaster,
    assess_promises,
    card_text,
    enquiry_of,
    model_card,
    most_parameters,
    promise_of,
)
from forecast.invented import World

ISSUED = date(2026, 5, 1)


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


def test_all_courses_are_judged_where_nothing_is_known_of_the_later_ones(forecaster):
    log = forecast.simulate_log(200, seed=31337, mechanism="waning")
    rows = course_rows(log)
    last = rows["started_on"][is_judged(rows)].max()
    assert (rows["started_on"] > last).any()
    summary = replace(forecaster.log_summary, last_start=f"{last:%Y-%m-%d}")
    found = assess_forecaster(replace(forecaster, log_summary=summary), log)
    assert found.what.startswith("All courses of the log: no result is known of any that started")
    assert not found.used_for_fit


def test_a_clinic_that_became_much_slower_is_noticed(forecaster):
    slower = replace(World(), log_speed=World().log_speed - 0.5)
    found = assess_forecaster(
        forecaster, later(forecast.simulate_log(400, seed=22, world=slower, years=2))
    )
    assert found.verdict == "fails"
    assert found.drift.shift < 0
    assert found.drift.p_value < 0.001


@pytest.mark.slow
def test_a_slowdown_is_signalled_month_by_month_and_a_clinic_as_before_is_not(forecaster):
    slower = replace(World(), log_speed=World().log_speed - 0.5)
    for world, signalled in ((World(), False), (slower, True)):
        log = forecast.simulate_log(400, seed=21, world=world, years=2)
        days = {name: pd.DateOffset(years=20) for name in ("started_on", "treated_on")}
        courses, sessions = (
            table.assign(**{name: table[name] + days[name] for name in days if name in table})
            for table in (log.courses, log.sessions)
        )
        moved = forecast.OutcomeLog.from_frames(courses, sessions, today=date(2060, 1, 1))
        found = assess_forecaster(forecaster, moved)
        assert (found.watch.signal is not None) == signalled
        assert ("longer than predicted, signalled in" in found.to_text()) == signalled
        assert found.to_dict()["watch"]["signal"] == found.watch.signal
        # each cleared course once, in the month of its last session
        assert found.watch.table["seen"].sum() == found.n_reached
        assert plot_watch(found).layout.title.text.startswith("Do courses take longer")


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
    assert again.log_summary.fingerprint == forecaster.log_summary.fingerprint
    assert len(again.log_summary.fingerprint) == 16
    assert invented_log.courses["course_id"].iloc[0] not in (tmp_path / "model.json").read_text()


@pytest.fixture(scope="module")
def assessed(forecaster):
    return assess_forecaster(forecaster, later(forecast.simulate_log(400, seed=21)))


def test_few_courses_are_counted_in_grammar(assessed):
    none = replace(assessed, n_courses=1, n_reached=0, drift=None)
    assert ": 1 course, 0 reached the goal." in none.to_text()
    assert "beyond those: 20 finished courses or more" in none.to_text()
    note = Note("forecaster.few_events", "caution", {"events": 0})
    assert str(note) == "0 courses reached the goal: too few for a sure check."
    assert "Only" not in str(note)


@pytest.mark.parametrize(
    ("shift", "power", "p_value", "said", "verdict"),
    [
        (0.08, 1.0, 1.5e-18, "a real difference (p < 0.001), too small to break", "holds"),
        (0.25, 1.0, 1.5e-18, "1.28 times as often as predicted: outcomes have moved", "fails"),
        (0.0, 0.7, 1e-6, "counts vary more than predicted: outcomes have moved", "fails"),
        (0.25, 1.0, 1.5e-18, "Verdict: fails, since outcomes have moved.", "fails"),
        (0.25, 1.0, 0.2, "No sign that outcomes have moved", "holds"),
        (0.25, 1.0, 0.012, "Little sign that outcomes have moved", "holds"),
    ],
)
def test_what_is_said_of_drift_goes_with_the_verdict(
    assessed, shift, power, p_value, said, verdict
):
    sure = replace(assessed.assessment.coverage, tie_split=0.8, tie_split_error=0.01)
    drift = replace(assessed.drift, shift=shift, power=power, p_value=p_value)
    found = replace(assessed, drift=drift, assessment=replace(assessed.assessment, coverage=sure))
    assert found.verdict == verdict
    assert said in found.to_text()


def test_promises_on_record_are_judged_by_their_own_outcomes(forecaster):
    log = forecast.simulate_log(100, seed=23)
    promises = []
    for row in log.courses.to_dict("records"):
        enquiry = enquiry_of(row)
        given = {"client_id": row["client_id"], "course_id": row["course_id"]}
        estimate = forecaster.estimate(enquiry)
        promises.append(promise_of(forecaster, estimate, enquiry, issued_on=ISSUED, **given))
    found = assess_promises(promises, log)
    assert found.what.startswith("100 of 100 promises on record")
    assert found.n_courses == is_judged(course_rows(log)).sum()
    straight = assess_forecaster(forecaster, later(log))
    assert found.assessment.coverage.tie_split == pytest.approx(
        straight.assessment.coverage.tie_split, abs=1e-3
    )


def test_the_first_promise_of_a_course_is_judged_whatever_was_said_later(forecaster):
    log = forecast.simulate_log(60, seed=23)
    enquiry = forecast.Enquiry("II", "back", "black", "light", "single")
    plain = forecaster.estimate(enquiry)
    first, later_on = [], []
    for number, identity in enumerate(log.courses["course_id"], 1):
        given = {"client_id": identity, "course_id": identity, "issued_on": date(2000, 1, 1)}
        kept = replace(promise_of(forecaster, plain, enquiry, **given), promise_no=number)
        first.append(kept)
        wrong = tuple(chance / 2 for chance in kept.chances)
        later_on.append(replace(kept, promise_no=1000 + number, chances=wrong))
    alone = assess_promises(first, log).to_dict()
    assert assess_promises([*later_on, *first], log).to_dict() == alone
    assert assess_promises(later_on, log).to_dict() != alone


def test_promises_of_other_clients_are_refused(forecaster, invented_log):
    enquiry = forecast.Enquiry("II", "back", "black", "light", "single")
    one = promise_of(forecaster, forecaster.estimate(enquiry), enquiry, client_id="nobody1")
    with pytest.raises(DataError, match="No course of this log is under a promise"):
        assess_promises([one], invented_log)


def test_promises_count_goals_and_what_was_issued_late(forecaster):
    log = forecast.simulate_log(120, seed=31)
    courses = log.courses.assign(outcome="lightened", goal="lighten")
    log = forecast.OutcomeLog.from_frames(courses)
    enquiry = forecast.Enquiry("II", "back", "black", "medium", "single")
    plain = forecaster.estimate(enquiry)
    promises = []
    for place, identity in enumerate(courses["course_id"]):
        goal = "lighten" if place % 2 else "clear"
        issued = date(2000 if place % 3 else 2090, 1, 1)
        given = {"client_id": identity, "course_id": identity, "issued_on": issued}
        promises.append(promise_of(forecaster, replace(plain, goal=goal), enquiry, **given))
    found = assess_promises(promises, log)
    assert found.n_reached == 60
    assert "(40 issued after the course had started" in found.what


def test_a_promise_names_its_model_by_the_checksum_of_the_saved_file(forecaster, tmp_path):
    forecaster.save(tmp_path / "m.json")
    assert forecaster.fingerprint in (tmp_path / "m.json").read_text()
    assert forecast.load_forecaster(tmp_path / "m.json").fingerprint == forecaster.fingerprint


def test_a_check_of_a_few_courses_claims_no_precision(forecaster, invented_log):
    few = forecast.OutcomeLog.from_frames(invented_log.courses.head(2))
    found = assess_forecaster(forecaster, few)
    assert found.verdict == "cannot say"
    assert "give or take" not in found.to_text()


def test_give_or_take_is_the_margin_of_95_percent_in_every_answer(forecaster, assessed):
    judged = {"level": 0.8, "tie_split": 0.79, "tie_split_error": 0.02}
    known = {**forecaster.assessment, "coverage": judged}
    sure = replace(assessed.assessment.coverage, tie_split=0.79, tie_split_error=0.02)
    found = replace(assessed, assessment=replace(assessed.assessment, coverage=sure))
    assert "(give or take 0.4)" in found.to_text()
    of_fit = replace(forecaster, assessment=known)
    for text in (of_fit.to_text(), card_text(of_fit)):
        assert "held the true count for 79 % (give or take 4)." in text
    assert "79 % (± 4)." in card_text(of_fit, language="de")


def test_the_model_card_says_who_what_how_good_and_what_not(forecaster):
    card = model_card(forecaster)
    assert card["participants"]["courses"] == 300
    assert all(effect["source"] for effect in card["prior_evidence"])
    text = card_text(forecaster)
    for part in ("**Use.**", "**Outcome.**", "**Assessment.**", "**Limits.**", "verdict"):
        assert part in text
    assert "| life table |" in text


def test_the_card_lists_prior_evidence_only_for_a_model_that_leans_on_it(forecaster):
    assert model_card(forecaster)["prior_source"] == "published evidence"
    alone = model_card(replace(forecaster, evidence=None))
    assert (alone["prior_source"], alone["prior_evidence"]) == (None, [])


@pytest.mark.parametrize(
    ("r2_cs", "courses", "parameters"),
    [(0.2, 60, 1.5), (0.2, 200, 5.0), (0.2, 300, 7.5), (0.4, 60, 3.5), (0.4, 300, 17.6)],
)
def test_what_a_small_log_can_bear(r2_cs, courses, parameters):
    # p = n (S - 1) ln(1 - R2 / S) with S = 0.9, Riley et al. (2020, BMJ 368:m441), by hand.
    assert most_parameters(courses, r2_cs) == parameters


def test_parameters_are_those_of_pmsampsize():
    # pmsampsize's survival example, R2_CS .051: 5,143 paths for 30 parameters at a slope of 0.9
    assert most_parameters(5143, 0.051) == 30
    assert most_parameters(0, 0.2) == 0
