"""Regimes compared on clinics whose truth is known, and on logs that cannot answer."""

import json
import math
import re

import numpy as np
import pandas as pd
import pytest

from benchmarks.clinics import simulate_clinic, study_world
from forecast.errors import DataError, RequestError
from forecast.invented import World
from forecast.log import OutcomeLog
from forecast.regimes.compare import compare_regimes
from forecast.regimes.plan import plan_comparison
from forecast.regimes.trial import trial_rows
from forecast.regimes.verdict import Contrast, verdict_of, words_for

from .made import made_log, with_tables

QUICK = {"horizon": 10, "replicates": 60}


def true_difference(clinic, course_ids, horizon):
    """Return the difference in mean sessions had these very courses followed ps or ns."""
    truth = clinic.truth.set_index("course_id").loc[course_ids]
    capped = truth[["needed_ps", "needed_ns"]].fillna(99).clip(upper=horizon).mean()
    return capped["needed_ps"] - capped["needed_ns"]


def test_every_pair_has_its_key_later_minus_earlier(comparison):
    keys = ["ps - ns", "ns:4>ps - ns", "ns:4>ps - ps"]
    tables = [
        comparison.difference,
        comparison.unadjusted,
        comparison.second_route,
        comparison.verdict,
        comparison.words,
        *comparison.cleared_by.values(),
        *comparison.by_ink.values(),
    ]
    for table in tables:
        assert list(table) == keys
    assert list(comparison.cleared_by) == [5, 10, 15]


def test_the_answer_lies_near_the_truth_of_the_eligible_courses(clinic, log, comparison):
    eligible = trial_rows(log, horizon=10).courses["course_id"]
    truth = true_difference(clinic, eligible, 10)
    for found in (comparison.difference["ps - ns"], comparison.second_route["ps - ns"]):
        assert abs(found.estimate - truth) < 3 * found.error
    assert comparison.verdict["ps - ns"] == "saves"
    low, high = comparison.difference["ps - ns"].interval
    assert low < comparison.difference["ps - ns"].estimate < high < 0


def test_what_a_session_removes_gives_the_sessions_by_a_third_route(comparison, log):
    # of always-strategies; beside the others, and narrower
    assert list(comparison.by_fading) == ["ps - ns"]
    own, weighted = comparison.by_fading["ps - ns"], comparison.difference["ps - ns"]
    assert own.estimate < 0
    assert own.error < weighted.error
    code = "disagrees" if weighted.disagrees(own) else "agrees"
    assert [n.code for n in comparison.notes if "fading_" in n.code] == [f"regimes.fading_{code}"]
    assert comparison.to_dict()["by_fading"]["ps - ns"]["estimate"] == pytest.approx(own.estimate)
    bare = with_tables(log, gradings=None)
    assert compare_regimes(bare, **QUICK).by_fading == {}


def test_more_courses_are_cleared_by_five_where_sessions_are_saved(comparison):
    assert comparison.cleared_by[5]["ps - ns"].estimate > 0
    assert comparison.cleared_by[15]["ps - ns"].estimate is None  # beyond the horizon


def test_what_nobody_followed_cannot_be_said_and_the_number_is_given(comparison):
    for key in ("ns:4>ps - ns", "ns:4>ps - ps"):
        assert comparison.difference[key].estimate is None
        assert comparison.difference[key].interval == (None, None)
        assert comparison.verdict[key] == "cannot say"
    at_risk = comparison.diagnostics.at_risk["ns:4>ps"].loc[10]
    assert any(
        note.startswith("ns:4>ps: cannot say up to session 10")
        and f"following it there: {at_risk} " in note
        for note in map(str, comparison.notes)
    )


def test_a_horizon_beyond_support_is_answered_up_to_where_there_is_support(log):
    far = compare_regimes(log, horizon=25, replicates=20)
    assert far.difference["ps - ns"].estimate is None
    assert far.verdict["ps - ns"] == "cannot say"
    reach = far.supported["ps - ns"]
    assert 5 <= reach.horizon < 25
    assert f"Up to session {reach.horizon}" in far.words["ps - ns"]
    assert any(f"horizon={reach.horizon}" in note for note in map(str, far.notes))


def test_plain_readings_stand_beside_with_a_sentence_each(comparison):
    names = [reading.name for reading in comparison.naive]
    assert names == ["ever changed against never", "finished courses only", "unadjusted"]
    assert all(reading.why.endswith(".") for reading in comparison.naive)
    ever = comparison.naive[0].difference["ps - ns"].estimate
    assert ever > comparison.difference["ps - ns"].estimate + 0.5  # immortal time hides the saving


def test_weights_balance_what_the_clinic_looked_at(comparison):
    start = comparison.diagnostics.balance.query("session == 1 and strategy != 'ns:4>ps'")
    before, after = start["before"].abs(), start["after"].abs()
    assert before.max() > 0.2
    assert after.max() < before.max() / 2
    assert after.mean() < 0.05


def test_same_seed_same_numbers_whatever_the_order_of_rows_and_workers(log, monkeypatch):
    asked = {"horizon": 8, "replicates": 40, "seed": 4}
    monkeypatch.setenv("FORECAST_WORKERS", "1")
    one = compare_regimes(log, **asked).to_frame()
    monkeypatch.setenv("FORECAST_WORKERS", "2")
    shuffled = with_tables(
        log,
        courses=log.courses.sample(frac=1, random_state=1),
        sessions=log.sessions.sample(frac=1, random_state=2),
        gradings=log.gradings.sample(frac=1, random_state=3),
    )
    pd.testing.assert_frame_equal(one, compare_regimes(shuffled, **asked).to_frame())


def test_the_log_is_not_touched(log):
    before = {name: getattr(log, name).copy() for name in ("courses", "sessions", "gradings")}
    compare_regimes(log, horizon=5, replicates=20)
    for name, frame in before.items():
        pd.testing.assert_frame_equal(frame, getattr(log, name))


def test_the_verdict_does_not_depend_on_the_level_shown(log):
    narrow = compare_regimes(log, horizon=8, replicates=40, level=0.5)
    wide = compare_regimes(log, horizon=8, replicates=40, level=0.99)
    assert narrow.verdict == wide.verdict
    low, high = narrow.difference["ps - ns"].interval
    assert wide.difference["ps - ns"].interval[0] < low < high


@pytest.mark.parametrize(
    ("estimate", "error", "code"),
    [
        (-1.0, 0.4, "saves"),
        (-0.2, 0.05, "saves"),
        (1.0, 0.4, "costs"),
        (0.1, 0.3, "equivalent"),
        (-0.4, 0.5, "cannot say"),
        (0.0, 0.61, "cannot say"),  # 90 % interval just outside one session
        (0.41894, 1e-16, "cannot say"),  # all resamples alike, but for rounding
    ],
)
def test_verdict_codes(estimate, error, code):
    contrast = Contrast.normal(estimate, error, 0.8)
    assert verdict_of(contrast, margin=1.0) == code
    words = str(words_for("ps - ns", contrast, (), horizon=10, margin=1.0))
    assert "no difference" not in words.lower()


def test_an_effect_below_the_margin_is_said_to_be_so():
    world = study_world("two saved", confounded=False)
    found = compare_regimes(
        simulate_clinic(500, seed=1, world=world).log, horizon=6, margin=5.0, replicates=40
    )
    assert found.verdict["ps - ns"] == "saves"
    assert any("below the margin" in note for note in map(str, found.notes))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"strategies": ("ns", "pico")}, "cannot be read"),
        ({"strategies": ("ns", "ns:0>ps")}, "cannot be read"),
        ({"strategies": ("ns", "ns:12>ps")}, "changes after session 12"),
        ({"strategies": ("ns", "ns:4-ns")}, "cannot be read"),
        ({"strategies": ("ns", "ns:4>ps", "ns:4-ps")}, "do not make a comparison"),
        ({"strategies": ("ns", "ns:15-ps"), "horizon": "auto"}, "changes after session 15"),
        ({"horizon": "auto", "looking_again": True}, "Looking again needs a horizon"),
        ({"horizon": "far"}, "horizon"),
        ({"by": "colour"}, "no column 'colour'"),
        ({"by": "goal"}, "has 1 level"),
        ({"by": "area_cm2"}, "level"),
        ({"strategies": ("ns",)}, "do not make a comparison"),
        ({"strategies": "ns,ps"}, "is the text"),
        ({"horizon": 1}, "horizon"),
        ({"horizon": 400}, "horizon"),
        ({"margin": 0}, "margin"),
        ({"margin": float("nan")}, "margin"),
        ({"margin": True}, "margin"),
        ({"level": 95}, "level"),
        ({"replicates": 1}, "replicates"),
    ],
    ids=lambda value: str(value)[:40],
)
def test_requests_that_cannot_be_met_are_refused(log, change, message):
    with pytest.raises(RequestError, match=message):
        compare_regimes(log, **(QUICK | change))


def test_a_log_without_sessions_or_with_one_regime_is_refused(log):
    bare = OutcomeLog.from_frames(log.courses)
    with pytest.raises(DataError, match="no sessions table"):
        compare_regimes(bare)
    one = with_tables(log, sessions=log.sessions.assign(regime="ns"), lasers=None)
    with pytest.raises(DataError, match="are ns"):
        compare_regimes(one)


def test_a_regime_that_replaced_the_other_overnight_cannot_be_judged(log):
    day = log.sessions["treated_on"].median()
    regime = np.where(log.sessions["treated_on"] < day, "ns", "ps")
    swapped = with_tables(log, sessions=log.sessions.assign(regime=regime), lasers=None)
    found = compare_regimes(swapped, **QUICK)
    assert found.verdict["ps - ns"] == "cannot say"
    assert found.difference["ps - ns"].estimate is None
    said = {note.code: str(note) for note in found.notes}
    assert "when only one regime was in use" in said["regimes.left_out"]
    assert "begun here while both regimes are in use" in said["regimes.to_settle"]
    assert "could have been begun with either" in found.words["ps - ns"]
    plan = plan_comparison(swapped, simulations=50)
    assert "regimes.none_yet" in [note.code for note in plan.notes]
    assert set(plan.years.values()) == {math.inf}
    assert "none comes at present" in plan.to_text()
    assert "zur Zeit kommt keine dazu" in plan.to_text(language="de")
    json.dumps(found.to_dict(), allow_nan=False)
    assert set(found.to_frame()["comparison"]) == {"ps - ns"}


def test_a_small_log_says_that_it_cannot_say():
    small = simulate_clinic(120, seed=2, world=study_world("none")).log
    assert compare_regimes(small, **QUICK).verdict["ps - ns"] == "cannot say"


def test_sensitivity_names_what_would_change_the_verdict(comparison):
    found = comparison.sensitivity
    assert list(found.tipping_point) == ["ps - ns"]
    like = found.tipping.query("phi_left == 1 and phi_right == 1").iloc[0]
    assert like["estimate"] == pytest.approx(comparison.difference["ps - ns"].estimate, abs=1e-6)
    worst = found.tipping.query("phi_left == 0 and phi_right == inf").iloc[0]
    best = found.tipping.query("phi_left == inf and phi_right == 0").iloc[0]
    assert worst["estimate"] > like["estimate"] > best["estimate"]
    estimate, limit = found.e_value["ps - ns"]
    assert estimate >= limit >= 1
    assert found.weeks["ps - ns"].estimate < 0
    assert found.operator["ps - ns"] == comparison.difference["ps - ns"]
    assert found.without_operator["ps - ns"].estimate is not None
    said = "\n".join(map(str, found.words))
    assert "on the calendar" in said
    # in words that a reader of prices understands
    assert "times as likely" in said
    assert "endless" not in said
    assert "risk ratio" not in said
    german = "\n".join(note.say("de") for note in found.words)
    assert "nach dem Kalender" in german
    assert not {"sessions", "weeks", "cannot say", "verdict"} & set(re.findall(r"\w+", german))


def test_before_anybody_is_cleared_nothing_is_called_equivalent(log):
    found = compare_regimes(log, horizon=2, replicates=20)
    assert found.verdict["ps - ns"] == "cannot say"
    assert any(
        "cleared before session 2; a verdict needs 5" in note for note in map(str, found.notes)
    )


def test_one_pair_of_hands_per_regime_gives_no_verdict():
    world = study_world("two saved", base=World(ps_owner=True))
    found = compare_regimes(simulate_clinic(600, seed=1, world=world).log, **QUICK)
    assert found.verdict["ps - ns"] == found.supported["ps - ns"].verdict == "cannot say"
    assert "saves" not in found.words["ps - ns"]
    assert any("used one regime only" in note for note in map(str, found.notes))


def test_each_pair_is_compared_as_far_as_the_log_carries_both(found_alone):
    at_risk = found_alone.diagnostics.at_risk
    assert found_alone.strategies == ("ns", "ps", "ns:4>ps")
    for key, horizon in found_alone.horizons.items():
        least = at_risk[key.split(" - ")].min(axis=1)
        assert least.loc[:horizon].min() >= 10
        assert horizon == 15 or least.loc[horizon + 1] < 10
        assert found_alone.words[key].startswith(f"Up to session {horizon}, ")
        assert found_alone.supported[key].contrast == found_alone.difference[key]
    assert found_alone.horizon == max(found_alone.horizons.values())
    assert found_alone.to_dict()["horizons"] == dict(found_alone.horizons)


def test_an_own_horizon_gives_what_that_horizon_asked_for_gives(log, found_alone):
    asked = compare_regimes(log, horizon=found_alone.horizons["ps - ns"], replicates=40)
    one, other = asked.difference["ps - ns"], found_alone.difference["ps - ns"]
    # rows beyond the horizon teach the weights a little more
    assert abs(one.estimate - other.estimate) < 0.3 * one.error


def test_the_effect_within_levels_is_tested_for_being_one(log, found_alone):
    assert list(found_alone.by_group) == ["smoker no", "smoker yes"]
    inside = [table["ps - ns"].estimate for table in found_alone.by_group.values()]
    statistic, df, p_value, horizon = found_alone.differ["ps - ns"]
    assert None not in inside
    assert df == 1
    assert 0 <= p_value <= 1
    assert statistic > 0
    assert horizon <= found_alone.horizons["ps - ns"]
    assert any("by smoker, to session" in note for note in map(str, found_alone.notes))
    said, _, rest = found_alone.to_text().partition("\n\n")
    assert said.count(", by smoker") == 3
    assert ", by smoker" not in rest
    assert found_alone.to_dict()["differ"]["ps - ns"]["p_value"] == pytest.approx(p_value)


def test_effects_made_to_differ_are_found_to_differ():
    # ps saves much in smokers and nothing in others; both start with either by turns
    rng = np.random.default_rng(3)
    smoker = rng.random(600) < 0.5
    ps = np.arange(600) % 2 == 0
    need = rng.integers(4, 13, 600) - np.where(smoker & ps, 3, 0)
    log = made_log(need, np.where(ps, "ps", "ns"))
    courses = log.courses.assign(smoker=np.where(smoker, "yes", "no"))
    found = compare_regimes(with_tables(log, courses=courses), replicates=60, by="smoker")
    assert found.differ["ps - ns"][2] < 0.001
    for level, saved in (("no", 0), ("yes", 3)):
        mine = smoker == (level == "yes")
        base, horizon = need[mine & ~ps], found.differ["ps - ns"][3]
        truth = (np.minimum(base - saved, horizon) - np.minimum(base, horizon)).mean()
        inside = found.by_group[f"smoker {level}"]["ps - ns"]
        assert abs(inside.estimate - truth) < 3 * inside.error
    assert any("differ more than chance" in note for note in map(str, found.notes))


def test_looking_again_widens_every_interval_and_says_why(log):
    asked = {"horizon": 8, "replicates": 40}
    once, again = (compare_regimes(log, **asked, looking_again=k) for k in (False, True))
    one, other = once.difference["ps - ns"], again.difference["ps - ns"]
    assert one.estimate == other.estimate
    width = [high - low for low, high in (one.interval, other.interval)]
    assert 1.5 < width[1] / width[0] < 1.7
    assert "at every look" in again.to_text().partition("\n\n")[0]


def test_looking_again_the_log_never_chooses_the_horizon(log):
    far = compare_regimes(log, horizon=25, replicates=20, looking_again=True)
    assert far.difference["ps - ns"].estimate is None
    assert not far.supported
    assert not any(note.code == "regimes.ask_again" for note in far.notes)
    assert " 25" in far.words["ps - ns"]


def test_operators_who_like_ps_and_are_quick_do_not_make_ps_save_sessions():
    # nothing differs between the regimes; the quick operator fires ps in 4 of 5, the slow in 1 of 5
    rng = np.random.default_rng(8)
    quick = rng.random(700) < 0.5
    ps = rng.random(700) < np.where(quick, 0.8, 0.2)
    need = np.where(quick, 4, 7) + rng.integers(0, 3, 700)
    log = made_log(need, np.where(ps, "ps", "ns"))
    hands = log.sessions["course_id"].str[1:].astype(int).map(lambda i: "ab"[int(quick[i])])
    found = compare_regimes(
        with_tables(log, sessions=log.sessions.assign(operator_id=hands)), replicates=60
    )
    without = found.sensitivity.without_operator["ps - ns"]
    assert without.estimate < -1.0
    assert abs(found.difference["ps - ns"].estimate) < 3 * found.difference["ps - ns"].error
    assert found.verdict["ps - ns"] == "equivalent"


def test_a_regime_that_one_operator_owns_cannot_be_told_from_his_hands(log):
    one = np.where(log.sessions["regime"] == "ps", "a", log.sessions["operator_id"])
    one = np.where((one == "a") | (log.sessions["regime"] == "ps"), one, "b" + one.astype(str))
    found = compare_regimes(
        with_tables(log, sessions=log.sessions.assign(operator_id=one)), **QUICK
    )
    assert "operators_apart" in found.reasons["ps - ns"]
    assert "cannot be separated" in found.words["ps - ns"]


@pytest.mark.slow
@pytest.mark.parametrize("scenario", ["none", "two saved"])
def test_over_many_clinics_the_answer_holds_and_the_naive_one_does_not(scenario):
    errors, naive, inside, verdicts = [], [], [], []
    for seed in range(20):
        clinic = simulate_clinic(600, seed=700 + seed, world=study_world(scenario))
        found = compare_regimes(clinic.log, horizon=8, replicates=80)
        eligible = trial_rows(clinic.log, horizon=8).courses["course_id"]
        truth = true_difference(clinic, eligible, 8)
        contrast = found.difference["ps - ns"]
        errors.append(contrast.estimate - truth)
        naive.append(found.naive[0].difference["ps - ns"].estimate - truth)
        inside.append(contrast.interval[0] < truth < contrast.interval[1])
        verdicts.append(found.verdict["ps - ns"])
    # fixed bounds: an estimate that got noisier would not pass more easily
    assert abs(np.mean(errors)) < 0.15
    assert np.std(errors) < 0.25
    assert np.mean(naive) > 0.3
    assert np.sum(inside) >= 17  # fewer than 17 of 20 is a chance of 2 in 100 at 95 %
    assert verdicts.count("costs") == 0
    if scenario == "two saved":
        assert verdicts.count("saves") >= 16
    else:
        assert verdicts.count("saves") <= 1


def test_sessions_all_on_one_day_can_be_compared(practice):
    first = practice.sessions.groupby("course_id")["treated_on"].transform("min")
    log = with_tables(practice, sessions=practice.sessions.assign(treated_on=first))
    found = compare_regimes(log, horizon=5, replicates=20, looking_again=True)
    assert found.difference["ps - ns"].estimate is not None


def test_a_wavelength_may_have_decimals(practice):
    lasers = practice.lasers.assign(wavelengths_nm="1064")
    # ruby, 694.3 nm: common practice, no source
    lasers.loc[lasers["regime"] == "ns", "wavelengths_nm"] = "1064;694.3"
    found = compare_regimes(with_tables(practice, lasers=lasers), horizon=5, replicates=20)
    assert any("694.3 nm" in str(note) for note in found.notes)
