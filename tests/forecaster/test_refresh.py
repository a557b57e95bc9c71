"""A model fitted again to a log that has grown: chosen anew or not, and never for the worse."""

from dataclasses import replace

import pandas as pd
import pytest

import forecast
from forecast.cli import main
from forecast.daybook import Daybook, make_daybook, take_over
from forecast.errors import RequestError
from forecast.forecaster import refresh as refreshing
from forecast.forecaster import refresh_forecaster
from forecast.log import write_log


@pytest.fixture(scope="module")
def clinic():
    return forecast.simulate_log(170, seed=12)


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


def held(forecaster, share):
    """The same with that share of its intervals held in its own check."""
    coverage = {"level": 0.8, "tie_split": share, "tie_split_error": 0.02}
    return replace(forecaster, assessment={**forecaster.assessment, "coverage": coverage})


def test_a_log_that_is_the_same_changes_nothing(clinic, before):
    found = refresh_forecaster(before, first(clinic, 160))
    assert found.forecaster is before
    assert "Nothing new" in found.to_text()


def test_the_choice_is_made_anew_only_when_enough_has_come_in(clinic, before):
    found = refresh_forecaster(before, first(clinic, 160, days=5))
    assert not found.chosen_anew
    assert found.changed["courses"] == [160, 170]
    assert found.forecaster.assessment["model"] == before.assessment["model"]
    assert [one["model"] for one in found.forecaster.assessment["candidates"]] == [
        before.assessment["model"]
    ]
    assert "not chosen anew" in found.to_text()
    # weeks of small steps add up: the log at the choice is what is compared
    again = found.forecaster.assessment[refreshing.CHOSEN_AT]
    assert again == [160, before.log_summary.last_start]


def test_a_month_on_the_choice_is_made_anew(clinic, before):
    found = refresh_forecaster(before, first(clinic, 160, days=31))
    assert found.chosen_anew
    assert len(found.forecaster.assessment["candidates"]) > 1


def test_a_model_whose_promises_hold_is_not_replaced_by_one_that_fails(clinic, before, monkeypatch):
    monkeypatch.setattr(refreshing, "fit_forecaster", lambda *given, **named: held(before, 0.6))
    grown = first(clinic, 160, days=5)
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
    with make_daybook(place) as book:
        take_over(book, tmp_path / "log")
    monkeypatch.setattr(refreshing, "fit_forecaster", lambda *given, **named: held(before, 0.6))
    assert main(["refresh", str(model), str(place)]) == 1
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
    with make_daybook(place) as book:
        take_over(book, tmp_path / "log")
    assert main(["refresh", str(model), str(place)]) == 0
    assert "Courses 160 before, 170 now" in capsys.readouterr().out
    assert (tmp_path / f"model.{before.fingerprint}.json").read_bytes() == old
    new = forecast.load_forecaster(model)
    assert new.log_summary.n_courses == 170
    with Daybook(place) as book:
        client = clinic.courses["client_id"].iloc[0]
        assert book.forget(client, by="op1")["learnt_by"] == [new.fingerprint]
