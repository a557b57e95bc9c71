"""The invented clinic: who comes to it, and its five mechanisms, whose truth is known."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_array_equal

from benchmarks.clinics import drawn_world, simulate_clinic, study_world
from benchmarks.futures import run_on
from benchmarks.truth import fresh_clients, true_contrast, true_distribution
from forecast.errors import RequestError
from forecast.invented import World, simulate_log, usual_world
from forecast.invented.world import CaseMix, pick

from .conftest import LIGHT, MECHANISMS, OTHERS, cohort


def one_quickly(names):
    """Return the first name, and the others among the slow studies."""
    return [names[0], *(pytest.param(name, marks=pytest.mark.slow) for name in names[1:])]


def test_a_level_is_picked_by_the_chances_of_its_own_row():
    uniform = np.array([0.1, 0.3, 0.99])
    assert pick(np.array([0.2, 0.3, 0.5]), uniform).tolist() == [0, 1, 2]
    assert pick(np.eye(3)[[2, 1, 0]], uniform).tolist() == [2, 1, 0]


def test_courses_of_a_client_share_what_a_person_has_and_nothing_of_the_tattoo():
    world = replace(World(), course_sd=0.0)
    courses = cohort(world)
    known = pd.DataFrame({"client": courses.client, "frailty": courses.frailty})
    for name in ("skin", "age", "smoker", "site", "inks", "area"):
        known[name] = getattr(courses.attributes, name)
    apart = known[known["client"].duplicated(keep=False)].groupby("client").nunique()
    assert len(known) / known["client"].nunique() == pytest.approx(1.25)
    assert (courses.attributes.tattoo_age <= courses.attributes.age - 15).all()
    shared = (apart == 1).all()
    assert shared[shared].index.tolist() == ["frailty", "skin", "age", "smoker"]


def test_who_comes_is_the_mix_that_was_asked_for():
    mix = CaseMix(skin=(0, 0, 0, 0, 3, 1), origin=(0, 0, 1, 0), colour=0.0, smoker=0.0)
    enquiries = cohort(World(mix=mix)).attributes.enquiries()
    assert (enquiries["skin_type"] == "V").mean() == pytest.approx(0.75, abs=0.05)
    assert set(enquiries["body_site"]) == {"face"}  # of cosmetic tattoos
    for name, only in {"origin": "cosmetic", "inks": "black", "smoker": "no"}.items():
        assert set(enquiries[name]) == {only}


def test_what_is_not_recorded_of_a_course_is_none_in_its_enquiry():
    known = cohort(World(), 3).attributes
    unknown = replace(known, skin=np.full(3, -1), smoker=np.array([np.nan, 0, 1]))
    enquiries = unknown.take(np.array([2, 0])).enquiries()
    assert enquiries["skin_type"].tolist() == [None, None]
    assert enquiries["smoker"].tolist() == ["yes", None]


@pytest.mark.parametrize("name", MECHANISMS)
def test_a_usual_black_tattoo_and_the_share_that_never_clears_are_plausible(name):
    enquiries, needed = fresh_clients(usual_world(name), 4000, seed=3)
    black = enquiries["inks"] == "black"
    usual = black & (enquiries["origin"] == "professional")
    assert 7 <= np.median(needed[usual]) <= 12
    late, light = needed > 25, enquiries["inks"].str.contains(LIGHT).to_numpy()
    assert 0.05 < late.mean() < 0.14
    assert light[late].mean() > 0.5
    assert late[black].mean() < 0.03


@pytest.mark.parametrize("name", MECHANISMS)
def test_logs_are_clean_and_the_same_seed_gives_the_same_log(name):
    log, again = (simulate_log(60, seed=7, mechanism=name) for _ in range(2))
    assert len(log.report.set_aside) == 0
    pd.testing.assert_frame_equal(log.gradings, again.gradings)
    other = simulate_log(60, seed=7, mechanism="waning" if name == "share" else "share")
    assert list(log.gradings) == list(other.gradings)
    assert not log.gradings["fading_pct"].equals(other.gradings["fading_pct"])


@pytest.mark.parametrize("name", OTHERS)
def test_a_regime_without_effect_makes_no_difference_and_scenarios_hit_their_names(name):
    base = usual_world(name)
    truth = simulate_clinic(200, seed=1, world=study_world("none", base=base)).truth
    assert_array_equal(truth["needed_ns"], truth["needed_ps"])
    for scenario, target in {"one saved": -1.0, "two saved": -2.0, "harm": 1.0}.items():
        world = study_world(scenario, base=base, confounded=False)
        told = true_contrast(world, n=3000, seed=2)
        assert told["difference"]["ps - ns"] == pytest.approx(target, abs=0.15)


@pytest.mark.parametrize("name", OTHERS)
def test_every_habit_of_the_clinic_works_under_every_mechanism(name):
    drawn = drawn_world(3, base=usual_world(name))
    world = replace(
        drawn, by_calendar=False, by_density=False, review_effect=0.0, operator_speed_sd=0.4
    )
    log = simulate_log(300, seed=2, world=world, dropout=False)
    assert set(log.courses["outcome"]) == {"cleared", "lightened", "ongoing"}
    regime = log.sessions.groupby("course_id")["regime"]
    # by_stalled: changes come after stalls, none before the fourth session is looked at
    changes = log.sessions[(log.sessions["regime"] == "ps") & (regime.shift() == "ns")]
    assert (changes["session_no"] >= 4).mean() > 0.5


@pytest.mark.parametrize("name", one_quickly(OTHERS))
def test_the_true_distribution_is_calibrated_under_every_mechanism(name):
    world = usual_world(name)
    enquiries, needed = fresh_clients(world, 1500, seed=6)
    chance = true_distribution(world, enquiries, 25, n_inner=40, seed=1).cdf()
    for rows in (np.ones(1500, np.bool_), enquiries["age_years"].isna().to_numpy()):
        for session in (5, 9, 15):
            told, came = chance[rows, session - 1], needed[rows] <= session
            error = np.sqrt((told * (1 - told)).mean() / len(told) * (1 + 1 / 40))
            assert abs(told.mean() - came.mean()) < 4 * error


@pytest.mark.parametrize("name", one_quickly(MECHANISMS))
def test_futures_of_a_course_are_its_true_law(name, clinics):
    # of all courses alike in what they are told, as many must clear as told
    clinic = clinics[name]
    for after in (5, None):
        ahead = run_on(clinic, after=after, futures=40, seed=1)
        true = clinic.truth.set_index("course_id")["needed"].fillna(61).loc[ahead.course_id]
        left, came = ahead.needed - ahead.after[:, None], true.to_numpy() - ahead.after
        for more in (0, 1, 3, 6, 12):
            told = (left <= more).mean(axis=1)
            error = np.sqrt(np.mean(told * (1 - told)) / len(told) * (1 + 1 / 40)) + 1e-3
            assert abs(told.mean() - (came <= more).mean()) < 4 * error
        # and it knows the course: closer than any law that is the same for all
        within = (left <= 6).mean(axis=1) - (came <= 6)
        assert np.mean(within**2) < 0.85 * np.var(came <= 6)


def test_futures_keep_the_past_and_end_in_the_goal_or_in_stopping(clinics):
    clinic = clinics["leaving"]
    ahead = run_on(clinic, after=4, futures=5)
    rows = clinic.truth["course_id"].isin(ahead.course_id).to_numpy()
    own = clinic.behind.paths.grade[rows, :3]
    assert_array_equal(ahead.paths[:, :, :3], np.repeat(own[:, None], 5, axis=1))
    assert (ahead.held >= 4).all()
    assert_array_equal(ahead.held == ahead.needed, ~ahead.stopped & (ahead.needed <= 60))
    again = run_on(clinic, ahead.course_id[:3].tolist(), after=[4, 4, 3], futures=5)
    assert again.after.tolist() == [4, 4, 3]


def test_futures_follow_a_strategy_and_a_null_effect_leaves_them_the_same():
    for scenario, saved in {"none": 0.0, "two saved": 0.5}.items():
        clinic = simulate_clinic(
            200, seed=1, world=study_world(scenario, base=usual_world("waning"))
        )
        ns, ps = (run_on(clinic, after=3, futures=20, strategy=way) for way in ("ns", "ps"))
        difference = (ns.needed - ps.needed).mean()
        assert difference == 0 if saved == 0 else difference > saved


def test_what_cannot_be_simulated_is_refused_by_name(clinics):
    with pytest.raises(RequestError, match=r"'melting'.*\n?.*share, noisy"):
        simulate_log(10, mechanism="melting")  # type: ignore[arg-type]
    with pytest.raises(RequestError, match="'waning'"):
        simulate_log(10, world=usual_world("noisy"), mechanism="waning")
    with pytest.raises(RequestError, match="age_curve"):
        World(effects={"age_curve": 1.0})
    with pytest.raises(RequestError, match="negative spread or 65 operators"):
        World(operators=65)
    with pytest.raises(RequestError, match="negative spread"):
        World(eye_sd=-0.1)
    clinic = clinics["share"]
    with pytest.raises(RequestError, match="C9999"):
        run_on(clinic, ["C9999"])
    cleared = clinic.log.courses.query("outcome == 'cleared'")["course_id"].iloc[0]
    with pytest.raises(RequestError, match=f"{cleared} is not open"):
        run_on(clinic, [cleared])
    with pytest.raises(RequestError, match="2 numbers for 1"):
        run_on(clinic, [cleared], after=[1, 2])
    with pytest.raises(RequestError, match="No course is open"):
        run_on(clinic, after=60)
