"""What drives an estimate: which attribute, which way, and of what."""

import json
from dataclasses import asdict, fields, replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import forecast
from benchmarks.clinics import study_world
from forecast._notes import Note
from forecast.counts import LogSummary
from forecast.errors import RequestError
from forecast.survival import Durations, LifeTable


def test_drivers_name_what_differs_from_the_reference_and_which_way(forecaster):
    enquiry = forecast.Enquiry("III", "shoulder", "black;green", "heavy", "single", smoker="yes")
    found = {driver.attribute: driver for driver in forecaster.drivers(enquiry)}
    assert set(found) == {"inks", "ink_density", "smoker"}
    for driver in found.values():  # more sessions, or a smaller chance where sessions are no count
        assert driver.difference > 0 if driver.chances is None else driver.difference < 0
        assert driver.interval[0] <= driver.difference <= driver.interval[1]
        assert "instead of" in driver.to_text()
    plain = forecast.Enquiry("III", "shoulder", "black", "medium", "single")
    assert forecaster.drivers(plain) == ()


def test_a_number_among_the_drivers_is_said_in_the_reader_s_language(forecaster):
    enquiry = forecast.Enquiry("II", "forearm", "black", "medium", "single", age_years=80)
    (age,) = (one for one in forecaster.drivers(enquiry) if one.attribute == "age_years")
    assert (age.value, age.to_dict()["value"]) == ("80 years", "80 years")
    assert age.to_text(language="de").startswith("Alter: 80 Jahre (verglichen mit: ")
    assert " years " in age.to_text()


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
        assert driver.difference == pytest.approx(by_then - instead, abs=1e-9)
        assert driver.chances == pytest.approx((by_then, instead), abs=1e-9)
        assert -1 <= driver.interval[0] <= driver.difference <= driver.interval[1] <= 1
        assert f"of 100 there by session {forecaster.horizon} (" in driver.to_text()
        assert driver.to_dict()["by_session"] == forecaster.horizon
    assert found["inks"].difference < -0.3


def test_what_moves_the_count_by_less_than_half_a_session_is_small(forecaster):
    near = forecast.Enquiry("III", "shoulder", "black;green", "heavy", "single", area_cm2=32.15)
    found = {driver.attribute: driver for driver in forecaster.drivers(near)}
    for driver in found.values():
        limit = 0.5 if driver.by_session is None else 0.05
        assert driver.small == (abs(driver.difference) < limit)
        assert driver.to_dict()["small"] == driver.small
    assert found["area_cm2"].small
    assert not found["inks"].small
    assert "32 cm²" in found["area_cm2"].to_text()


def test_of_a_course_under_way_the_gradings_come_first(forecaster):
    enquiry = forecast.Enquiry("III", "forearm", "black", "heavy", "single")
    gradings = [(2, 20), (4, 35)]
    first, *rest = forecaster.drivers(enquiry, sessions_done=4, gradings=gradings)
    with_them, without = (
        forecaster.update(enquiry, sessions_done=4, gradings=given).remaining
        for given in (gradings, [])
    )
    assert (first.attribute, first.value) == ("gradings", "35 % after session 4")
    if first.by_session is None:
        assert first.difference == pytest.approx(with_them.median - without.median, abs=1.1)
    else:
        assert first.chances == pytest.approx(
            [1 - one.not_within_horizon for one in (with_them, without)], abs=1e-9
        )
    assert "ink_density" in {driver.attribute for driver in rest}
    assert forecaster.drivers(enquiry, sessions_done=4)[0].attribute != "gradings"


def test_the_inks_that_lasers_reach_are_answered_apart_from_those_they_do_not(forecaster):
    mixed = forecast.Enquiry("II", "forearm", "black;white", "medium", "single")
    alone = replace(mixed, inks="black")
    for found, expected in (
        (forecaster.estimate(mixed), forecaster.estimate(alone)),
        (
            forecaster.update(mixed, sessions_done=3, gradings=[(3, 40)]).remaining,
            forecaster.update(alone, sessions_done=3, gradings=[(3, 40)]).remaining,
        ),
    ):
        assert found.unreached == ("white",)
        assert found.reached.median == expected.median
        assert found.reached.interval == expected.interval
        said = found.to_text().split("\n- ")[0]
        assert f"Sessions for the black: about {expected.median}" in said
        assert "white" in said
        assert found.to_dict()["reached"]["inks"] == "black"
    for inks in ("black", "white"):
        assert forecaster.estimate(replace(mixed, inks=inks)).reached is None


def test_where_most_do_not_clear_lightening_stands_beside_it_and_stopping_is_named(forecaster):
    wanted = {"n_courses": 40, "n_reached": 35, "n_stopped": 2, "n_ongoing": 3, "n_other": 0}
    stored = {**forecaster.log_summary.to_dict(), "lightening": {**wanted, "followed_to": 20}}
    lighter = replace(forecaster, goal="lighten", log_summary=LogSummary.from_dict(stored))
    hard = forecast.Enquiry("VI", "ankle", "white;green;yellow", "heavy", "layered")
    found = forecaster.estimate(hard, lighten=lighter)
    assert found.not_within_horizon > 0.5
    assert found.instead.to_dict() == lighter.estimate(hard).to_dict()
    said = found.to_text().split("\n- ")[0]
    assert "Lighter instead, for a cover-up" in said
    assert "practitioner and client decide" in said
    few = {"reached": 9, "least": 10, "source": "algebra"}
    doubt = Note("counts.lightening_few_reached", "serious", few)
    leads = forecaster.estimate(hard, lighten=replace(lighter, notes=(doubt,))).leads
    assert leads[[note.code for note in leads].index("leads.instead") + 1] == doubt
    easy = forecaster.estimate(replace(hard, inks="black", layering="single"), lighten=lighter)
    assert (easy.instead is None) == (easy.not_within_horizon <= 0.5)
    with pytest.raises(RequestError, match="the goal 'clear'"):
        forecaster.estimate(hard, lighten=forecaster)


def test_drivers_are_counts_where_all_that_is_compared_is_within_the_horizon(forecaster):
    easy = forecast.Enquiry("III", "shoulder", "black", "heavy", "single")
    (driver,) = forecaster.drivers(easy)
    plain = forecaster.estimate(replace(easy, ink_density="medium"))
    assert driver.by_session is None
    assert driver.difference == pytest.approx(
        forecaster.estimate(easy).median - plain.median, abs=1.1
    )


PLAIN = forecast.Enquiry("III", "shoulder", "black", "medium", "single")
COMPLETE = replace(
    PLAIN, age_years=30, origin="professional", area_cm2=50, tattoo_age_years=4, scarring="none",
    smoker="no",
)  # fmt: skip


def test_many_answers_equal_single_ones_and_keep_the_index(forecaster):
    enquiries = [COMPLETE, replace(COMPLETE, skin_type="V"), PLAIN]
    frame = pd.DataFrame(
        [{f.name: getattr(one, f.name) for f in fields(one)} for one in enquiries],
        index=["a", "b", "c"],
    )
    before = frame.copy()
    answers = forecaster.estimate_many(frame)
    pd.testing.assert_frame_equal(frame, before)
    assert list(answers.index) == ["a", "b", "c"]
    for label, enquiry in zip("abc", enquiries, strict=True):
        single = forecaster.estimate(enquiry)
        assert answers.loc[label, "median"] == single.median
        assert answers.loc[label, "not_within_horizon"] == pytest.approx(single.not_within_horizon)
        assert answers.loc[label, "notes"] == tuple(map(str, single.notes))
    listed = forecaster.estimate_many(enquiries)
    pd.testing.assert_frame_equal(listed, answers.reset_index(drop=True))


def test_no_enquiry_gets_no_answer_and_no_error(forecaster):
    asked = pd.DataFrame(columns=["skin_type", "body_site", "inks", "ink_density", "layering"])
    found = forecaster.estimate_many(asked)
    assert len(found) == 0
    assert list(found.columns)[:3] == ["median", "low", "high"]


def test_a_saved_forecaster_answers_alike_and_holds_no_row(forecaster, invented_log, tmp_path):
    path = tmp_path / "model.json"
    forecaster.save(path)
    again = forecast.load_forecaster(path)
    assert_allclose(again.estimate(PLAIN).draws, forecaster.estimate(PLAIN).draws)
    text = path.read_text()
    ids = [*invented_log.courses["course_id"], *invented_log.courses["client_id"]]
    assert not any(f'"{identity}"' in text for identity in ids)
    assert not list(tmp_path.glob("*.part"))


def test_files_it_cannot_understand_are_refused(forecaster, tmp_path):
    path = tmp_path / "model.json"
    forecaster.save(path)
    stored = json.loads(path.read_text())
    path.write_text(json.dumps({**stored, "seed": stored["seed"] + 1}))
    with pytest.raises(RequestError, match="has changed since it was written"):
        forecast.load_forecaster(path)
    del stored["sha256"]  # as those are that somebody made
    path.write_text(json.dumps(stored))
    assert_allclose(
        forecast.load_forecaster(path).estimate(PLAIN).draws, forecaster.estimate(PLAIN).draws
    )
    for change, message in (
        ({"schema": 99}, "schema 99"),
        ({"kind": "something"}, "not a saved forecaster"),
        ({"model": {"model": "psychic"}}, "psychic"),
    ):
        path.write_text(json.dumps({**stored, **change}))
        with pytest.raises(RequestError, match=message):
            forecast.load_forecaster(path)
    del stored["reference"]
    path.write_text(json.dumps(stored))
    with pytest.raises(RequestError, match="incomplete"):
        forecast.load_forecaster(path)
    path.write_text("not json")
    with pytest.raises(RequestError, match="not a saved forecaster"):
        forecast.load_forecaster(path)
    with pytest.raises(RequestError, match="cannot be read"):
        forecast.load_forecaster(tmp_path / "none.json")


@pytest.mark.parametrize(
    "change",
    [
        {"horizon": 10**9}, {"horizon": 25.5}, {"seed": "x"}, {"goal": "x"}, {"notes": "abc"},
        {"assessment": {"subgroups": [{"factor": "skin", "label": "I-II"}]}},
        {"model": []}, {"reference": {}},
    ],
    ids=str,
)  # fmt: skip
def test_a_part_of_another_shape_is_refused_when_the_model_is_opened(forecaster, tmp_path, change):
    path = tmp_path / "model.json"
    forecaster.save(path)
    stored = json.loads(path.read_text())
    del stored["sha256"]  # which would have all of it refused at once
    assert change.keys() <= stored.keys()
    path.write_text(json.dumps({**stored, **change}))
    with pytest.raises(RequestError):
        forecast.load_forecaster(path)


@pytest.mark.parametrize(
    "change", [{"n_courses": "300"}, {"n_clients": 250.5}, {"n_others": 3}], ids=str
)
def test_what_a_model_says_of_its_log_is_not_bent_into_shape(forecaster, tmp_path, change):
    path = tmp_path / "model.json"
    forecaster.save(path)
    stored = json.loads(path.read_text())
    del stored["sha256"]
    stored["reference"] |= change
    path.write_text(json.dumps(stored))
    with pytest.raises(RequestError):
        forecast.load_forecaster(path)


def test_a_short_horizon_is_answered_and_what_lies_beyond_it_is_none():
    log = forecast.simulate_log(200, seed=91)
    estimate = forecast.fit_forecaster(log, horizon=10).estimate(PLAIN, level=0.95)
    assert estimate.to_dict()["interval"][1] is None
    assert estimate.to_dict()["chance_by"]["15"] is None
    assert estimate.chance_by(10) == pytest.approx(1 - estimate.not_within_horizon)


def test_a_named_strategy_is_answered_only_where_courses_kept_to_it(forecaster):
    with pytest.raises(RequestError, match=r"kept to the strategy .* at and after its") as caught:
        forecaster.estimate(PLAIN, strategy="ns:7>ps")
    assert "beim Wechsel und danach" in caught.value.problem.say("de")
    log = forecast.simulate_log(300, seed=3, world=study_world("two saved"))
    fitted = forecast.fit_forecaster(log)
    assert "ps" in fitted.strategies
    assert "Under the strategy ps" in fitted.estimate(COMPLETE, strategy="ps").notes[0].say("en")


def test_what_is_no_strategy_is_refused_as_such(forecaster):
    with pytest.raises(RequestError, match="xx"):
        forecaster.estimate(PLAIN, strategy="xx")


def test_beyond_the_last_session_of_a_life_table_nothing_is_known_rather_than_an_error(forecaster):
    durations = Durations(
        step=np.arange(1, 8),
        observed=np.ones(7, dtype=bool),
        covariates=pd.DataFrame(index=range(7)),
        subject=np.arange(7),
        entry=np.zeros(7, dtype=int),
        weight=np.ones(7),
    )
    table = replace(forecaster, model=LifeTable().fit(durations), evidence=None, recalibration=None)
    later = table.update(PLAIN, sessions_done=9)
    assert later.remaining.median is None
    assert later.remaining.not_within_horizon == 1
    assert later.remaining.support == "outside"
    assert later.total.supported_to == table.estimate(PLAIN).supported_to == 3
    begun = table.estimate_many(pd.DataFrame([{**asdict(PLAIN), "sessions_elsewhere": 8}]))
    assert begun["low"].isna().all()


def test_an_estimate_under_a_strategy_has_the_verdict_beside_it(forecaster, tmp_path):
    verdict = forecaster.regime_verdict
    assert verdict.code.startswith("regimes.desk_")
    under = replace(forecaster, strategies={"ps": forecaster.model})
    assert verdict in under.estimate(COMPLETE, strategy="ps").notes
    assert verdict not in under.estimate(COMPLETE).notes
    forecaster.save(tmp_path / "model.json")
    assert forecast.load_forecaster(tmp_path / "model.json").regime_verdict == verdict


def test_a_strategy_is_supported_as_far_as_its_own_courses_were_followed(forecaster):
    short = replace(forecaster.model, notes=replace(forecaster.model.notes, supported_to=4))
    estimate = replace(forecaster, strategies={"ps": short}).estimate(COMPLETE, strategy="ps")
    assert estimate.supported_to == 4
    assert any(
        "Fewer than five courses went past session 4" in str(note) for note in estimate.notes
    )


def test_gradings_for_a_cover_up_are_not_blamed_on_the_log(forecaster):
    lighter = replace(forecaster, goal="lighten", midcourse=None)
    notes = lighter.update(PLAIN, sessions_done=2, gradings=[(2, 40)]).remaining.notes
    assert any("for the goal clear only" in str(note) for note in notes)
    assert not any("Too few graded" in str(note) for note in notes)
