"""A model fitted again to a log that has grown: chosen anew or not, and never for the worse."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import forecast
from benchmarks.clinics import drawn_world
from forecast._notes import sentence
from forecast.cli import main
from forecast.counts import Basis
from forecast.daybook import Daybook, begin_daybook
from forecast.errors import RequestError
from forecast.forecaster import card_text, model_card, refresh_forecaster
from forecast.forecaster import refresh as refreshing
from forecast.invented import usual_world
from forecast.log import enquiry_of, write_log

SHIPPED = Path(__file__).parents[2] / "synthetic_data"


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
        refreshing.CHOSEN_AT: at,
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
    assert refreshing._chosen_at(new) == at


@pytest.mark.parametrize("what", ["a month on", "asked for", "fewer courses", "an older file"])
def test_all_is_done_anew(clinic, before, what):
    days, n = (31, 170) if what == "a month on" else (5, 150 if what == "fewer courses" else 170)
    log = first(clinic, 160, days=days) if n == 170 else first(clinic, n)
    old = replace(before, seen=None) if what == "an older file" else before
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
    monkeypatch.setattr(refreshing, "fit_forecaster", lambda *given, **named: held(before, 0.6))
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
    monkeypatch.setattr(refreshing, "fit_forecaster", lambda *given, **named: held(before, 0.6))
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
    other = {**before.assessment, "evidence": "what 3 clinics found together"}
    with pytest.raises(RequestError, match="Give the same evidence"):
        refresh_forecaster(replace(before, assessment=other), first(clinic, 160, days=5))


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
    assert refreshing.CHOSEN_AT not in new.assessment
    with Daybook(place) as book:
        assert not book.forgotten_since(new.fingerprint)
