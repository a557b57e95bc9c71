"""Whatever is given in place of what is meant is refused in words, never by a traceback."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

import forecast
from forecast._checks import refusal
from forecast.cli import main
from forecast.invented import usual_world
from forecast.survival import model_from_dict
from forecast.tattoo import Laser, read_inks

ENQUIRY = forecast.Enquiry("II", "forearm", "black", "medium", "single")
MANY = [ENQUIRY] * 10
PACKAGE, PRICED = forecast.Package("fixed", cap=15), forecast.Package("fixed", price=900)
TARIFF = forecast.Tariff(currency="EUR", session_price=150, cost_per_session=55, cap=15)


@pytest.fixture(scope="module")
def log() -> forecast.OutcomeLog:
    # too few finished courses to choose among models: quick to fit
    courses = forecast.simulate_log(30, seed=1).courses
    return forecast.OutcomeLog.from_frames(courses.head(12))


@pytest.fixture(scope="module")
def forecaster(log: forecast.OutcomeLog) -> forecast.Forecaster:
    assert log.suspicions == ()
    return forecast.fit_forecaster(log)


OF_FORECASTERS: dict[str, Callable[[forecast.Forecaster], object]] = {
    "enquiry is 'x'": lambda one: one.estimate("x"),  # type: ignore[arg-type]
    "enquiry is None": lambda one: one.update(None, sessions_done=2),  # type: ignore[arg-type]
    "enquiry is 3": lambda one: one.drivers(3),  # type: ignore[arg-type]
    "grading 1 has 1 part": lambda one: one.update(
        ENQUIRY,
        sessions_done=2,
        gradings=[1, 2],  # type: ignore[list-item]
    ),
    "gradings is 5": lambda one: one.update(ENQUIRY, sessions_done=2, gradings=5),  # type: ignore[arg-type]
    "enquiries is 4": lambda one: one.estimate_many(4),  # type: ignore[arg-type]
    "enquiry is 5": lambda one: one.estimate_many([5]),  # type: ignore[list-item]
    "strategy is 3": lambda one: one.estimate(ENQUIRY, strategy=3),  # type: ignore[arg-type]
    "path is 3": lambda one: one.save(3),  # type: ignore[arg-type]
    "package is 'x'": lambda one: forecast.price_package(one.estimate(ENQUIRY), "x", TARIFF),  # type: ignore[arg-type]
    "tariff is 'y'": lambda one: forecast.price_package(one.estimate(ENQUIRY), PACKAGE, "y"),  # type: ignore[arg-type]
    "start is 'soon'": lambda one: one.estimate(ENQUIRY).calendar(6, "soon"),  # type: ignore[arg-type]
    "spacing_weeks is 'six'": lambda one: one.estimate(ENQUIRY).calendar("six", date(2026, 1, 5)),  # type: ignore[arg-type]
    "enquiry is 7": lambda one: forecast.price_caseload(one, [7], [PACKAGE], TARIFF),  # type: ignore[list-item]
    "package is 'p'": lambda one: forecast.price_caseload(one, [ENQUIRY], "p", TARIFF),
    "tariff is 't'": lambda one: forecast.price_caseload(one, [ENQUIRY], [PACKAGE], "t"),  # type: ignore[arg-type]
    "seed is -1": lambda one: forecast.price_caseload(one, [ENQUIRY], [PACKAGE], TARIFF, seed=-1),
    "package is 'q'": lambda one: forecast.make_price_list(one, MANY, "q", TARIFF),  # type: ignore[arg-type]
    "tariff is 'u'": lambda one: forecast.make_price_list(one, MANY, PACKAGE, "u"),  # type: ignore[arg-type]
    "enquiries is 6": lambda one: forecast.price_many(one, 6, PACKAGE, TARIFF),  # type: ignore[arg-type]
}
OF_LOGS: dict[str, Callable[[forecast.OutcomeLog], object]] = {
    "seed is -1": lambda log: forecast.fit_forecaster(log, seed=-1),
    "seed is 'x'": lambda log: forecast.fit_forecaster(log, seed="x"),  # type: ignore[arg-type]
    "evidence is 'x'": lambda log: forecast.fit_forecaster(log, evidence="x"),  # type: ignore[arg-type]
    "seed is -2": lambda log: forecast.compare_regimes(log, seed=-2),
    "strategies is 3": lambda log: forecast.compare_regimes(log, strategies=3),  # type: ignore[arg-type]
    "seed is -3": lambda _: forecast.plan_comparison(forecast.simulate_log(150, seed=1), seed=-3),
    "seed is -4": lambda _: forecast.simulate_log(20, seed=-4),
    "path is 3": lambda _: forecast.read_log(3),  # type: ignore[arg-type]
    "path is 4": lambda _: forecast.load_forecaster(4),  # type: ignore[arg-type]
    "estimate is 'e'": lambda _: forecast.price_package("e", PACKAGE, TARIFF),  # type: ignore[arg-type]
    "log is 8": lambda _: forecast.what_would_change(8, [755]),  # type: ignore[arg-type]
    "wavelengths_nm is 755": lambda log: forecast.what_would_change(log, 755),  # type: ignore[arg-type]
    "log is 9": lambda _: forecast.backtest_package(9, PRICED, TARIFF),  # type: ignore[arg-type]
    "package is 'v'": lambda log: forecast.backtest_package(log, "v", TARIFF),  # type: ignore[arg-type]
    "tariff is 'w'": lambda log: forecast.value_open_book(None, log, "w"),  # type: ignore[arg-type]
    "forecaster is 'g'": lambda log: forecast.forecast_appointments("g", log),
    "forecaster is 'f'": lambda _: forecast.price_caseload("f", [ENQUIRY], PACKAGE, TARIFF),  # type: ignore[arg-type]
}
FUNCTIONS = (
    forecast.fit_forecaster,
    forecast.compare_regimes,
    forecast.plan_comparison,
    forecast.fit_fading,
    forecast.stop_factors,
    forecast.log_reach,
    forecast.reach_effect,
)


@pytest.mark.parametrize("problem", OF_FORECASTERS)
def test_a_forecaster_refuses_in_words(forecaster: forecast.Forecaster, problem: str):
    with pytest.raises(forecast.RequestError) as refused:
        OF_FORECASTERS[problem](forecaster)
    assert problem in refused.value.problem
    assert refused.value.remedy.startswith("Give")


@pytest.mark.parametrize("problem", OF_LOGS)
def test_what_takes_a_log_refuses_in_words(log: forecast.OutcomeLog, problem: str):
    with pytest.raises(forecast.RequestError) as refused:
        OF_LOGS[problem](log)
    assert problem in refused.value.problem
    assert refused.value.remedy.startswith("Give")


ONLY_FROM_PYTHON: dict[str, Callable[[forecast.OutcomeLog, forecast.Forecaster], object]] = {
    "spacing": lambda _, one: one.estimate(ENQUIRY).calendar(0, date(2026, 1, 5)),
    "extra_one": lambda log, _: forecast.fit_forecaster(log, extra="sun"),
    "no_goal": lambda log, _: forecast.fit_forecaster(log, goal="clar"),
    "no_share_of": lambda *_: forecast.fit_fading(forecast.simulate_log(60, seed=2)).share("ls"),
    "no_statistic": lambda log, _: forecast.bootstrap(log, lambda _: float("nan")),
    "mechanism": lambda *_: forecast.simulate_log(20, mechanism="magic"),  # type: ignore[arg-type]
    "two_mechanisms": lambda *_: forecast.simulate_log(
        20, world=usual_world("share"), mechanism="waning"
    ),
    "extra_pairs": lambda *_: replace(ENQUIRY, extra=3),  # type: ignore[arg-type]
    "one_row": lambda log, one: one.estimate(log.courses),  # type: ignore[arg-type]
    "no_field": lambda _, one: one.estimate_many(pd.DataFrame({"inks": ["black"]})),
    "mask_shape": lambda log, _: log.where([True]),
    "mask_empty": lambda log, _: log.where([False] * len(log.courses)),
    "grading_parts": lambda _, one: one.update(ENQUIRY, sessions_done=2, gradings=[(1,)]),  # type: ignore[list-item]
    "grading_number": lambda _, one: one.update(ENQUIRY, sessions_done=2, gradings=[(1, "x")]),  # type: ignore[list-item]
    "no_rate": lambda *_: forecast.fit_reactions(forecast.simulate_log(60, seed=2)).rate("frost"),
    "strategies_text": lambda log, _: forecast.compare_regimes(log, strategies="ns"),
    "laser_regime": lambda *_: Laser("as", (755,)),
    "no_ink": lambda *_: read_inks("blak"),
    "model_kind": lambda *_: model_from_dict({"model": "oracle"}),
    "model_part": lambda *_: model_from_dict({"model": "life_table"}),
}


@pytest.mark.parametrize("code", ONLY_FROM_PYTHON)
def test_what_only_python_can_ask_is_refused_in_each_language(
    code: str, log: forecast.OutcomeLog, forecaster: forecast.Forecaster
):
    with pytest.raises(forecast.RequestError) as refused:
        ONLY_FROM_PYTHON[code](log, forecaster)
    told = refusal(refused.value)
    assert told == str(refused.value)
    parts = told.note.values.values()
    assert [one.note.code for one in parts] == [f"refused.{code}", f"refused.{code}_do"]
    assert not re.search(r"\b(Give|Choose|the|Did|There|is)\b", told.say("de"))


@pytest.mark.parametrize("function", FUNCTIONS, ids=lambda one: one.__name__)
@pytest.mark.parametrize("given", ["folder", 3, None, pd.DataFrame({"course_id": ["a" * 80]})])
def test_what_is_no_log_is_refused_by_all_that_take_one(
    function: Callable[[object], object], given: object
):
    with pytest.raises(forecast.RequestError, match=r"log is .*Give what read_log returns"):
        function(given)


@pytest.mark.parametrize("command", ["fit", "compare"])
def test_a_seed_below_zero_is_refused_on_the_command_line(
    command: str,
    log: forecast.OutcomeLog,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
):
    log.courses.to_csv(tmp_path / "courses.csv", index=False)
    out = ["-o", str(tmp_path / "model.json")] if command == "fit" else []
    assert main([command, str(tmp_path), *out, "--seed", "-1"]) == 1
    assert "seed is -1. Give seed as a whole number" in capsys.readouterr().err
    assert not (tmp_path / "model.json").exists()
