"""What one more laser would change: who comes within reach, and what that earns."""

import json
import re

import pandas as pd
import pytest

from forecast.errors import RequestError
from forecast.invented import simulate_log
from forecast.reach.laser_change import what_would_change
from forecast.tattoo import Laser


def test_a_laser_for_green_and_blue_brings_those_courses_within_reach(invented):
    change = what_would_change(
        invented, (755,), price=40_000, worth_cleared=900, cost_per_session=60
    )
    recent = invented.courses[
        invented.courses["started_on"]
        > invented.courses["started_on"].max() - pd.Timedelta(days=2 * 365.25)
    ]
    gains = recent["inks"].str.contains("green|light_blue|purple")
    never = recent["inks"].str.contains("white|flesh")
    assert change.per_year == pytest.approx((gains & ~never).sum() / 2, abs=1)
    assert change.partly_per_year == pytest.approx((gains & never).sum() / 2, abs=1)
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
    assert (change.per_year, change.partly_per_year) == (0, 0)
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
    from forecast.invented.world import OwnedLaser, World
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
