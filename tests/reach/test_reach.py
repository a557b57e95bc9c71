"""Reach of the clinic's lasers over time, on logs whose answer is known by hand."""

import json
import re

import pandas as pd
import pytest

from forecast.errors import DataError, RequestError
from forecast.invented import simulate_log
from forecast.log import OutcomeLog
from forecast.reach.laser_change import what_would_change
from forecast.reach.reach import log_reach, reach_effect, reach_spells, tattoo_reach
from forecast.tattoo import Laser

LASERS = pd.DataFrame(
    {
        "laser_id": ["yag", "alex"],
        "regime": ["ns", "ns"],
        "wavelengths_nm": ["532;1064", "755"],
        "in_use_from": ["2019-01-01", "2020-07-01"],
    }
)


def small_log(lasers=LASERS):
    started = {"A": "2020-01-01", "B": "2020-01-01", "C": "2021-01-01"}
    courses = pd.DataFrame(
        {
            "course_id": list(started),
            "client_id": ["a", "b", "c"],
            "started_on": list(started.values()),
            "skin_type": "II",
            "body_site": "forearm",
            "inks": ["black;green", "black", "green"],
            "ink_density": "medium",
            "layering": "single",
            "sessions_given": [6, 4, 5],
            "outcome": ["cleared", "cleared", "cleared"],
        }
    )
    sessions = pd.concat(
        pd.DataFrame(
            {
                "course_id": course,
                "session_no": range(1, n + 1),
                "treated_on": pd.date_range(day, periods=n, freq="60D").strftime("%Y-%m-%d"),
                "regime": "ns",
            }
        )
        for (course, day), n in zip(started.items(), (6, 4, 5), strict=True)
    )
    return OutcomeLog.from_frames(courses, sessions, lasers=lasers)


def test_a_course_comes_within_reach_on_the_day_its_laser_does():
    spells = reach_spells(small_log()).set_index(["course_id", "entry"])
    # A starts on 1 January 2020; session 5, on 27 August, is the first after 1 July:
    # session 4 is on 29 June.
    assert spells.loc[("A", 0), ["step", "unreached", "observed"]].tolist() == [4, True, False]
    assert spells.loc[("A", 4), ["step", "unreached", "observed"]].tolist() == [6, False, True]
    assert not spells.loc[("B", 0), "unreached"]
    assert not spells.loc[("C", 0), "unreached"]


def test_the_log_counts_what_was_unreached_at_the_start():
    found = log_reach(small_log())
    assert (found.n_courses, found.n_unreached) == (3, 1)
    ink = found.by_ink.set_index("ink")
    assert ink.loc["green"].tolist() == [2, 1]
    assert ink.loc["black"].tolist() == [2, 0]
    json.dumps(found.to_dict())


def test_reach_of_one_tattoo_respects_the_day():
    dated = LASERS.assign(in_use_from=pd.to_datetime(LASERS["in_use_from"]))
    before = tattoo_reach("green;black", dated, on=pd.Timestamp("2020-06-30"))
    after = tattoo_reach("green;black", dated, on=pd.Timestamp("2020-07-01"))
    assert before.unreached == ("green",)
    assert after.unreached == ()
    assert "not reached" in before.to_text()
    assert after.to_dict()["inks"]["green"]["laser"] == "alex"


def test_the_table_says_that_colour_does_not_fix_chemistry():
    assert "does not fix the chemistry" in tattoo_reach("red", [Laser("ns", (532,))]).to_text()


def test_a_log_without_lasers_is_refused():
    with pytest.raises(DataError, match="names no lasers"):
        log_reach(small_log(lasers=None))


def test_a_log_without_a_usable_course_is_refused():
    log = small_log()
    courses = log.courses.assign(skin_type="VIII")
    empty = OutcomeLog.from_frames(courses, lasers=log.lasers)
    with pytest.raises(DataError, match="No course of the log can be used"):
        log_reach(empty)


@pytest.fixture(scope="module")
def invented():
    from forecast.invented import OwnedLaser, World

    fleet = (OwnedLaser("yag", "ns", (532, 1064), -2.0), OwnedLaser("pico", "ps", (532, 1064), 4.0))
    return simulate_log(400, seed=2, world=World(fleet=fleet))


def test_tattoos_out_of_reach_do_not_clear(invented):
    # In the invented clinic an ink that no laser takes up never goes.
    cleared = log_reach(invented).cleared.set_index(["reached", "session"])["cleared_by"]
    assert cleared["no", 10] == 0
    assert cleared["yes", 10] > 0.3


def test_the_models_see_that_unreached_tattoos_take_longer_or_never_clear(invented):
    effect = reach_effect(invented)
    assert effect.sessions_interval[0] > 1
    assert effect.never_unreached[1] > effect.never_reached[0]
    assert effect.notes[0].code == "reach.learnt"
    json.dumps(effect.to_dict())


def test_a_laser_for_green_and_blue_brings_those_courses_within_reach(invented):
    change = what_would_change(
        invented, (755,), price=40_000, worth_cleared=900, cost_per_session=60
    )
    recent = invented.courses[
        invented.courses["started_on"]
        > invented.courses["started_on"].max() - pd.Timedelta(days=2 * 365.25)
    ]
    by_hand = recent["inks"].str.contains("green|light_blue|purple") & ~recent["inks"].str.contains(
        "white|flesh"
    )
    assert change.per_year == pytest.approx(by_hand.sum() / 2, abs=1)
    assert change.cleared_interval[0] > 0
    assert change.sessions_interval[1] < 0
    low, high = change.break_even_interval
    assert low < change.break_even_courses < high
    assert change.break_even_courses == pytest.approx(40_000 / change.gain_per_course)
    json.dumps(change.to_dict())
    assert re.search(
        r"earned back after \d+ courses, \d+\.\d years \(courses: \d+", change.to_text()
    )


def test_nobody_waits_sixty_years_for_a_laser_to_be_earned_back(invented):
    change = what_would_change(
        invented, (755,), price=4_000_000, worth_cleared=900, cost_per_session=60
    )
    assert change.break_even_years > 60
    assert " courses, more years than a laser lasts (courses: " in change.to_text()


def test_a_laser_like_the_owned_ones_changes_nothing(invented):
    change = what_would_change(invented, (1064,), price=40_000)
    assert change.per_year == 0
    assert change.break_even_courses is None
    assert change.sessions_change is None
    assert "No course" in change.to_text()
    assert "The laser does not pay" in change.to_text()
    assert "does not pay" not in what_would_change(invented, (1064,)).to_text()


def test_a_laser_that_earns_nothing_is_never_earned_back(invented):
    change = what_would_change(invented, (755,), price=40_000)
    assert change.break_even_courses is None
    assert "never" in change.to_text()


def test_a_question_of_the_past_knows_only_the_lasers_of_that_day(invented):
    # The picosecond laser, which takes yellow, came four years in.
    early = what_would_change(invented, (532,), regime="ps", on="2019-12-31")
    late = what_would_change(invented, (532,), regime="ps", on="2024-12-31")
    assert early.per_year > 0
    assert late.per_year == 0
    with pytest.raises(RequestError, match="No course started"):
        what_would_change(invented, (532,), on="1999-01-01")


def test_same_seed_same_answer(invented):
    first, second = (what_would_change(invented, (755,), seed=4).to_dict() for _ in range(2))
    assert first == second


@pytest.mark.parametrize("options", [{"price": -1}, {"regime": "cw"}])
def test_unusable_requests_are_refused(invented, options):
    with pytest.raises(RequestError):
        what_would_change(invented, (755,), **options)


@pytest.mark.slow
def test_change_by_a_laser_is_that_of_the_clinic_with_it():
    from benchmarks.truth import fresh_clients
    from forecast.invented import OwnedLaser, World
    from forecast.tattoo import unreached_inks

    yag, alex = OwnedLaser("yag", "ns", (532, 1064), -2.0), OwnedLaser("alex", "ns", (755,), -2.0)
    shares = []
    for fleet in ((yag,), (yag, alex)):
        who, needed = fresh_clients(World(fleet=fleet), 20_000, seed=3)
        gains = [
            unreached_inks(inks, [Laser("ns", (532, 1064))]) != ()
            and unreached_inks(inks, [Laser("ns", (532, 755, 1064))]) == ()
            for inks in who["inks"]
        ]
        shares.append((needed[gains] <= 15).mean())
    truth = shares[1] - shares[0]
    found = [
        what_would_change(simulate_log(400, seed=seed), (755,), regime="ns", on="2019-06-30")
        for seed in range(10)
    ]
    mean = sum(change.cleared_change for change in found) / len(found)
    covered = sum(c.cleared_interval[0] < truth < c.cleared_interval[1] for c in found)
    assert mean == pytest.approx(truth, abs=0.1)
    assert covered >= 7
