"""From a log: a fit, a fit again to a log that has grown, and a number with its error."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import forecast
from benchmarks.clinics import drawn_world
from benchmarks.truth import fresh_clients
from forecast._notes import sentence
from forecast.assess import tie_split_coverage
from forecast.cli import main
from forecast.counts import Basis, duration_prior, hazard_prior
from forecast.daybook import Daybook, begin_daybook
from forecast.errors import DataError, RequestError
from forecast.forecaster import card_text, model_card, refresh_forecaster
from forecast.forecaster import fit as fitting
from forecast.invented import usual_world
from forecast.log import enquiry_of, write_log
from forecast.survival import CountDistribution

SHIPPED = Path(__file__).parents[2] / "synthetic_data"
PLAIN = forecast.Enquiry("III", "shoulder", "black", "medium", "single")
COMPLETE = replace(
    PLAIN, age_years=30, origin="professional", area_cm2=50, tattoo_age_years=4, scarring="none",
    smoker="no",
)  # fmt: skip


def only(log, rows, **changes):
    """Return the log with only some courses, changed."""
    courses = log.courses[rows].assign(**changes)
    return forecast.OutcomeLog.from_frames(courses)


def test_without_a_finished_course_the_estimate_is_evidence_only_and_wide(invented_log, forecaster):
    young = only(invented_log, slice(0, 40), outcome="ongoing", sessions_given=1)
    fitted = forecast.fit_forecaster(young)
    estimate = fitted.estimate(COMPLETE)
    assert any("all else is published evidence" in str(note) for note in estimate.notes)
    assert estimate.support == "outside"
    assert estimate.own_share < 0.2 < forecaster.estimate(COMPLETE).own_share
    low, high = estimate.interval
    narrow = forecaster.estimate(COMPLETE).interval
    assert (high or 26) - low > (narrow[1] or 26) - narrow[0]


def test_a_log_too_small_to_tell_inks_apart_does_not_make_white_as_quick_as_black():
    log = forecast.simulate_log(60, seed=77123, world=usual_world("leaving"))
    fitted = forecast.fit_forecaster(log)
    scores = {row["model"]: row for row in fitted.assessment["candidates"]}
    assert scores["life table"]["within_one_error"]  # the log cannot tell
    white, black = (
        fitted.estimate(replace(PLAIN, inks=inks)).not_within_horizon
        for inks in ("white;yellow", "black")
    )
    assert black < 0.05 < 0.4 < white


def test_a_log_of_unfinished_courses_says_how_far_it_moved_the_answer(invented_log):
    going = only(invented_log, slice(None), outcome="ongoing")
    estimate = forecast.fit_forecaster(going).estimate(PLAIN)
    alone = estimate.evidence_alone
    # nobody got there in hundreds of courses: the count rises, whatever became surer
    assert estimate.median > alone.median
    assert estimate.moved == estimate.median - alone.median
    assert estimate.chance_by(10) < alone.chance_by(10) - 0.2
    said = next(str(note) for note in estimate.notes if "evidence alone" in str(note))
    assert f"evidence alone: {alone.median} ({alone.interval[0]} to " in said
    assert f"with this log: {estimate.median} (" in said
    assert " 0 %" not in estimate.to_text()


def test_what_the_log_never_recorded_touches_nothing(invented_log):
    courses = invented_log.courses.drop(columns=["scarring", "smoker"])
    fitted = forecast.fit_forecaster(forecast.OutcomeLog.from_frames(courses), seed=1)
    plain = forecast.Enquiry("III", "forearm", "black", "medium", "single", age_years=30)
    ticked = replace(plain, scarring="marked", smoker="yes")
    without, given = fitted.estimate(plain), fitted.estimate(ticked)
    assert np.array_equal(given.draws, without.draws)
    assert (given.support, given.support_reasons) == (without.support, without.support_reasons)
    assert any(
        "Not recorded in this log, so not used: scarring, smoker" in str(n) for n in given.notes
    )


@pytest.mark.parametrize("outcome", ["cleared", "stopped"])
def test_one_course_and_all_at_the_first_session_still_fit(invented_log, outcome):
    one = only(invented_log, slice(0, 1), outcome=outcome, sessions_given=1)
    assert forecast.fit_forecaster(one).estimate(PLAIN).median is not None
    first = only(invented_log, slice(0, 80), outcome=outcome, sessions_given=1)
    estimate = forecast.fit_forecaster(first).estimate(PLAIN)
    assert (estimate.median == 1) == (outcome == "cleared")


def test_a_client_whose_next_course_begins_where_the_last_one_stopped_is_fitted(invented_log):
    # sessions had elsewhere as many as the course before had here: still two courses
    courses = invented_log.courses.copy()
    stopped = courses.index[courses["outcome"] == "stopped"][:5]
    for at in stopped:
        courses.loc[at + 1, "client_id"] = courses.loc[at, "client_id"]
        courses.loc[at + 1, "sessions_elsewhere"] = courses.loc[at, "sessions_given"]
    log = forecast.OutcomeLog.from_frames(courses, gradings=invented_log.gradings)
    assert forecast.fit_forecaster(log).log_summary.n_courses == len(courses)


def test_requests_out_of_range_are_refused(forecaster, invented_log):
    for level in (0, 1, 80, True):
        with pytest.raises(RequestError, match="level"):
            forecaster.estimate(PLAIN, level=level)
    with pytest.raises(RequestError, match="goal is 'vanish'"):
        forecast.fit_forecaster(invented_log, goal="vanish")
    with pytest.raises(RequestError, match="half of the finished courses needed more"):
        forecast.fit_forecaster(invented_log, horizon=3)
    with pytest.raises(RequestError, match="skin_type"):
        forecaster.estimate_many(pd.DataFrame({"inks": ["black"]}))


def test_a_log_without_a_usable_course_is_refused(invented_log):
    courses = invented_log.courses.head(5).assign(skin_type="VIII")
    with pytest.raises(DataError, match="No course of the log can be used"):
        forecast.fit_forecaster(forecast.OutcomeLog.from_frames(courses))


@pytest.mark.slow
def test_a_log_of_one_client_cannot_be_checked_and_says_so(invented_log):
    alone = forecast.OutcomeLog.from_frames(invented_log.courses.assign(client_id="P1"))
    with pytest.raises(DataError, match=r"All courses are of one client.* column client_id"):
        forecast.fit_forecaster(alone)


def test_intervals_cover_what_they_say_for_fresh_clients():
    covered = []
    for seed in range(12):
        world = drawn_world(400 + seed)
        fitted = forecast.fit_forecaster(forecast.simulate_log(300, seed=seed, world=world))
        frame, needed = fresh_clients(world, 500, seed=seed + 50, horizon=25)
        enquiries = [forecast.Enquiry(**row) for row in frame.to_dict("records")]
        draws, _ = fitted.estimate_draws(enquiries)
        found = CountDistribution(draws.mean(axis=0))
        counts = np.where(needed > 25, np.inf, needed)
        covered.append(tie_split_coverage(found, counts, level=0.8).mean())
    # the goal itself, without room for noise: twelve clinics leave an error of one point
    assert 0.77 < np.mean(covered) < 0.84
    assert min(covered) > 0.7


def test_the_same_seed_gives_the_same_forecaster(invented_log, forecaster):
    again = forecast.fit_forecaster(invented_log, seed=1)
    enquiry = forecast.Enquiry("II", "thigh", "black;red", "light", "single")
    assert np.array_equal(again.estimate(enquiry).draws, forecaster.estimate(enquiry).draws)


def test_the_clinics_own_columns_are_saved_judged_refreshed_and_read_from_frames(
    own_log, own_forecaster, tmp_path
):
    own_forecaster.save(tmp_path / "model.json")
    loaded = forecast.load_forecaster(tmp_path / "model.json")
    assert loaded.extra == own_forecaster.extra == ("sun_exposure", "lucky_number")
    assert loaded.fingerprint == own_forecaster.fingerprint
    courses = own_log.courses.head(20).rename(columns={"sun_exposure": "Sun Exposure"})
    told = loaded.estimate_many(courses)
    blind = loaded.estimate_many(courses.drop(columns=["Sun Exposure"]))
    assert (told["median"] != blind["median"]).mean() > 0.5
    one = loaded.estimate(courses.iloc[[0]])
    assert one.interval == loaded.estimate(dict(courses.iloc[0])).interval
    assert one.interval[0] == told["low"][0]
    judged = forecast.assess_forecaster(loaded, own_log.where(own_log.courses.index < 250))
    plain = forecast.fit_forecaster(own_log, seed=1)
    blunt = forecast.assess_forecaster(plain, own_log.where(own_log.courses.index < 250))
    crps = [
        found.assessment.scores.set_index("metric")["value"]["crps"] for found in (judged, blunt)
    ]
    assert crps[0] < 0.9 * crps[1]
    assert {"sun_exposure", "lucky_number"} < set(model_card(loaded)["predictors"])
    assert not loaded.assessment["contradicted"]
    smaller = own_log.where(own_log.courses.index < 280)
    assert refresh_forecaster(loaded, smaller).forecaster.extra == loaded.extra


@pytest.fixture(scope="module")
def clinic():
    return forecast.simulate_log(170, seed=15)


@pytest.fixture(scope="module")
def before(clinic):
    """A model of the clinic's first 160 courses, which began less than a month before the rest."""
    return forecast.fit_forecaster(first(clinic, 160), seed=1)


def first(log, n, *, days=0):
    courses = log.courses.sort_values("started_on", kind="stable")
    since = courses["started_on"].iloc[n - 1]
    if days:
        later = courses["started_on"] > since
        moved = courses["started_on"].where(~later, since + pd.Timedelta(days=days))
        courses = courses.assign(started_on=moved)
        return forecast.OutcomeLog.from_frames(courses)
    return forecast.OutcomeLog.from_frames(courses.head(n))


def all_but_latest(log, n):
    ids = log.courses.sort_values("started_on", kind="stable")["course_id"].iloc[:-n]
    tables = (log.courses, log.sessions, log.gradings)
    kept = [each[each["course_id"].isin(ids)] for each in tables]
    return forecast.OutcomeLog.from_frames(*kept, lasers=log.lasers, cleared_at=log.cleared_at)


def held(forecaster, share):
    """The same with that share of its intervals held in its own check."""
    coverage = {"level": 0.8, "tie_split": share, "tie_split_error": 0.02}
    return replace(forecaster, assessment={**forecaster.assessment, "coverage": coverage})


def test_a_log_that_is_the_same_changes_nothing(clinic, before):
    found = refresh_forecaster(before, first(clinic, 160))
    assert found.forecaster is before
    assert "Nothing new" in found.to_text()


def test_all_is_done_anew_only_when_enough_has_come_in(clinic, before):
    found = refresh_forecaster(before, first(clinic, 160, days=5))
    assert not found.chosen_anew
    new = found.forecaster
    assert found.changed["courses"] == [160, 170]
    at = [160, before.log_summary.last_start]
    assert new.assessment == before.assessment | {
        fitting.CHOSEN_AT: at,
        "contradicted": new.assessment["contradicted"],
    }
    assert new.recalibration is before.recalibration
    assert not np.array_equal(new.model.theta, before.model.theta)
    day = sentence("visits.day", {"day": at[1]})
    said = f"still those of 160 courses, started up to {day}"
    assert said in found.to_text()
    assert model_card(before)["chosen_at"] is None
    assert model_card(new)["chosen_at"] == found.to_dict()["chosen_at"] == at
    assert f"are those of 160 courses started up to {day}; since then" in card_text(new)
    # weeks of small steps add up: the log at the choice is what is compared
    assert fitting._chosen_at(new) == at


@pytest.mark.parametrize("what", ["a month on", "asked for", "fewer courses", "nothing seen alone"])
def test_all_is_done_anew(clinic, before, what):
    days, n = (31, 170) if what == "a month on" else (5, 150 if what == "fewer courses" else 170)
    log = first(clinic, 160, days=days) if n == 170 else first(clinic, n)
    old = replace(before, seen=None) if what == "nothing seen alone" else before
    found = refresh_forecaster(old, log, anew=what == "asked for")
    assert found.chosen_anew
    assert "chosen anew" in found.to_text()
    assert found.changed["chosen_at"][0] == n
    assert len(found.forecaster.assessment["candidates"]) > 1


def test_a_model_that_is_moved_lands_where_a_fit_does(clinic, before):
    """Without gradings nothing is carried on, so that a full fit has the same parameters."""
    log = first(clinic, 160, days=5)
    moved = refresh_forecaster(before, log).forecaster
    name = before.assessment["model"]
    basis = Basis.of(log, horizon=before.horizon, seed=1)
    spec = next(one for one in basis.specs if one.name == name)
    assert before.seen is before.model
    fitted = spec.fit(basis.durations)
    assert_allclose(moved.model.theta, fitted.theta, atol=1e-7)
    assert_allclose(moved.model.covariance, fitted.covariance, rtol=1e-5, atol=1e-9)
    again = basis.stopping(fitted, before.recalibration).model
    assert_allclose(moved.stopping.model.parameters, again.parameters, atol=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["shipped", "waning"])
def test_a_model_that_is_moved_comes_near_a_full_fit_of_the_same_choice(name, monkeypatch):
    log = forecast.read_log(SHIPPED)
    if name == "waning":
        log = forecast.simulate_log(600, seed=5, world=drawn_world(4, base=usual_world("waning")))
    before, choice = all_but_latest(log, 4), forecast.fit_forecaster(log).assessment["model"]
    whole = Basis.of

    def of_one_choice(*given, **named):
        basis = whole(*given, **named)
        return replace(basis, specs=tuple(one for one in basis.specs if one.name == choice))

    monkeypatch.setattr(Basis, "of", of_one_choice)
    asked = [enquiry_of(row) for row in log.courses.tail(200).to_dict("records")]

    def chances(forecaster):
        return replace(forecaster, seed=0).counts_here(asked).cdf()

    old, full = forecast.fit_forecaster(before), forecast.fit_forecaster(log)
    moved = refresh_forecaster(old, log)
    assert not moved.chosen_anew
    by_moving = chances(moved.forecaster)
    assert 1e-6 < np.abs(by_moving - chances(old)).max() < 0.01
    away = np.abs(by_moving - chances(full))
    assert away.mean() < 0.001
    assert away.max() < 0.02


def test_a_model_whose_intervals_fall_short_of_the_log_is_not_moved(clinic, before):
    """Its intervals are a fifth as wide as they were found to be right: choice and all go anew."""
    narrow = replace(before, recalibration=replace(before.recalibration, power=5.0))
    found = refresh_forecaster(narrow, first(clinic, 160, days=5))
    assert found.chosen_anew
    assert found.forecaster.recalibration.power < 2


def test_a_model_whose_promises_hold_is_not_replaced_by_one_that_fails(clinic, before, monkeypatch):
    monkeypatch.setattr(fitting, "fit_forecaster", lambda *given, **named: held(before, 0.6))
    grown = first(clinic, 160, days=31)
    with pytest.raises(RequestError, match="nothing was changed"):
        refresh_forecaster(held(before, 0.8), grown)
    assert refresh_forecaster(held(before, 0.6), grown).changed


def test_the_command_refuses_a_model_that_fails_and_changes_no_file(
    clinic, before, tmp_path, capsys, monkeypatch
):
    model, place = tmp_path / "model.json", tmp_path / "book.sqlite"
    held(before, 0.8).save(model)
    old = model.read_bytes()
    write_log(first(clinic, 160, days=5), tmp_path / "log")
    begin_daybook(place, tmp_path / "log")
    monkeypatch.setattr(fitting, "fit_forecaster", lambda *given, **named: held(before, 0.6))
    assert main(["refresh", str(model), str(place), "--anew"]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert "own check fails and the old one's promises hold: nothing was changed" in said.err
    assert model.read_bytes() == old
    assert [path.name for path in tmp_path.glob("*.json")] == ["model.json"]
    with Daybook(place) as book:  # and the book does not say that anything was learnt from it
        assert book.forget(clinic.courses["client_id"].iloc[0], by="op1")["learnt_by"] == []


def test_what_changed_is_said_number_by_number(clinic, before):
    found = refresh_forecaster(before, first(clinic, 160, days=5))
    said, new = found.to_dict(), found.forecaster
    assert said["reached"] == [one.log_summary.n_reached for one in (before, new)]
    assert said["coverage"] == [one.assessment["coverage"]["tie_split"] for one in (before, new)]
    rows = first(clinic, 160, days=5).courses.sort_values("started_on", kind="stable")
    asked = [forecast.enquiry_of(row) for row in rows.tail(said["latest"]).to_dict("records")]
    medians = [[one.estimate(enquiry).median or 26 for enquiry in asked] for one in (before, new)]
    moved = [late - early for early, late in zip(*medians, strict=True)]
    assert said["same"] == moved.count(0)
    assert abs(said["largest"]) == max(map(abs, moved))
    assert f"{said['same']} have the same median as before" in found.to_text()
    for largest, spoken in ((-1, "is 1 session fewer."), (2, "is 2 sessions more.")):
        assert spoken in replace(found, changed=said | {"largest": largest}).to_text()
    assert f"reached the goal {said['reached'][0]} and {said['reached'][1]}" in found.to_text()


def test_a_model_of_other_evidence_is_refused(clinic, before):
    other = {**before.assessment, "evidence": ["a", "b", "c"]}
    with pytest.raises(RequestError, match=r"of 3 clinics.*Give the same evidence"):
        refresh_forecaster(replace(before, assessment=other), first(clinic, 160, days=5))


def test_evidence_is_the_same_by_whose_it_is_and_not_by_how_it_is_called(clinic, before, reword):
    grown = first(clinic, 160, days=5)

    class Pooled:
        goal, members = "clear", ("a", "b", "d")
        hazard_prior, duration_prior = staticmethod(hazard_prior), staticmethod(duration_prior)

    of_others = replace(before, assessment={**before.assessment, "evidence": ["a", "b", "c"]})
    with pytest.raises(RequestError, match=r"3 clinics.*3 clinics"):
        refresh_forecaster(of_others, grown, evidence=Pooled())
    reword("en", {'published_evidence = "published evidence"': 'published_evidence = "reviews"'})
    assert refresh_forecaster(before, grown).changed


def test_the_command_keeps_the_old_model_beside_the_new_one(clinic, before, tmp_path, capsys):
    model, place = tmp_path / "model.json", tmp_path / "book.sqlite"
    before.save(model)
    old = model.read_bytes()
    write_log(first(clinic, 160, days=5), tmp_path / "log")
    begin_daybook(place, tmp_path / "log")
    assert main(["refresh", str(model), str(place)]) == 0
    assert "Courses 160 before, 170 now" in capsys.readouterr().out
    assert (tmp_path / f"model.{before.fingerprint}.json").read_bytes() == old
    new = forecast.load_forecaster(model)
    assert new.log_summary.n_courses == 170
    with Daybook(place) as book:
        client = clinic.courses["client_id"].iloc[0]
        assert book.forget(client, by="op1")["learnt_by"] == [new.fingerprint]


def test_what_somebody_who_is_forgotten_taught_is_not_taken_over(clinic, before, tmp_path):
    model, place = tmp_path / "model.json", tmp_path / "book.sqlite"
    write_log(first(clinic, 160, days=5), tmp_path / "log")
    begin_daybook(place, tmp_path / "log")
    with Daybook(place) as book:
        book.learnt(before.fingerprint)
        assert not book.forgotten_since(before.fingerprint)
        book.forget(clinic.courses["client_id"].iloc[0], by="op1")
        assert book.forgotten_since(before.fingerprint)
    before.save(model)
    assert main(["refresh", str(model), str(place)]) == 0
    new = forecast.load_forecaster(model)
    assert fitting.CHOSEN_AT not in new.assessment
    with Daybook(place) as book:
        assert not book.forgotten_since(new.fingerprint)


def share_cleared(log):
    return (log.courses["outcome"] == "cleared").mean()


@pytest.mark.slow
def test_the_error_of_a_share_is_the_textbook_one_of_clients(invented_log):
    one_each = invented_log.where(~invented_log.courses["client_id"].duplicated())
    found = forecast.bootstrap(one_each, share_cleared, replicates=200)
    share, n = share_cleared(one_each), len(one_each.courses)
    assert found.estimate == share
    assert found.error == pytest.approx((share * (1 - share) / n) ** 0.5, rel=0.15)
    low, high = found.interval
    assert high - low == pytest.approx(2 * 1.96 * found.error, rel=0.15)
    few, again = (forecast.bootstrap(one_each, share_cleared, replicates=10) for _ in range(2))
    assert few == again
    assert json.loads(json.dumps(found.to_dict()))["clients"] == n


def test_courses_of_one_client_are_drawn_together(invented_log):
    of_five = invented_log.courses["client_id"].factorize()[0] // 5
    shared = replace(
        invented_log, courses=invented_log.courses.assign(client_id=of_five.astype(str))
    )
    apart = forecast.bootstrap(invented_log, share_cleared, replicates=50)
    together = forecast.bootstrap(shared, share_cleared, replicates=50)
    assert together.clients < apart.clients


def test_a_client_drawn_twice_stands_there_as_two_with_all_of_theirs(invented_log):
    times = np.zeros(len(invented_log.courses), dtype=int)
    times[[0, 3]] = 2, 1
    drawn = fitting._drawn(invented_log, times)
    first, other = invented_log.courses["course_id"][[0, 3]]
    assert [*drawn.courses["course_id"]] == [first, f"{first}~1", other]
    assert drawn.courses["client_id"].nunique() == 3
    for name in ("sessions", "gradings", "reactions"):
        before, after = (getattr(log, name)["course_id"] for log in (invented_log, drawn))
        assert (after == f"{first}~1").sum() == (before == first).sum()
        assert (after == other).sum() == (before == other).sum()
    whole = fitting._drawn(invented_log, np.ones_like(times))
    for name in ("courses", "sessions", "gradings", "reactions"):
        assert getattr(whole, name).equals(getattr(invented_log, name)), name


def test_few_clients_no_spread_and_unanswered_resamples_give_no_interval(invented_log):
    def mostly_refuses(log):
        if len(log.courses) != len(invented_log.courses):
            raise DataError("No.", "Never.")
        return 1.0

    alone = replace(invented_log, courses=invented_log.courses.assign(client_id="P1"))
    for log, statistic in (
        (alone, share_cleared),
        (invented_log, lambda _: 2),
        (invented_log, mostly_refuses),
    ):
        found = forecast.bootstrap(log, statistic, replicates=20)
        assert found.interval == (None, None)
        assert found.error is None
    assert found.unanswered > 2


@pytest.mark.parametrize("given", [float("nan"), None, "many"])
def test_a_statistic_that_is_no_number_is_refused(invented_log, given):
    with pytest.raises(RequestError, match="no finite number"):
        forecast.bootstrap(invented_log, lambda _: given, replicates=10)
