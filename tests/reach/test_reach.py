"""Reach of the clinic's lasers over time, on logs whose answer is known by hand."""

import json

import pandas as pd
import pytest

from forecast.errors import DataError
from forecast.invented import World, simulate_log
from forecast.invented.world import CaseMix
from forecast.log import OutcomeLog
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


def test_a_course_whose_last_session_alone_was_within_reach_is_cut_before_it():
    log = small_log()
    courses = log.courses.assign(sessions_given=[5, 4, 5])
    sessions = log.sessions[log.sessions["session_no"] < 6]
    cut = OutcomeLog.from_frames(courses, sessions, lasers=log.lasers)
    spells = reach_spells(cut).set_index(["course_id", "entry"])
    assert spells.loc[("A", 4), ["step", "unreached", "observed"]].tolist() == [5, False, True]


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


def test_tattoos_out_of_reach_do_not_clear(invented):
    # In the invented clinic an ink that no laser takes up never goes.
    cleared = log_reach(invented).cleared.set_index(["reached", "session"])["cleared_by"]
    assert cleared["no", 10] == 0
    assert cleared["yes", 10] > 0.3


def test_of_courses_that_are_not_in_the_log_nothing_is_estimated():
    black = simulate_log(80, seed=2, world=World(mix=CaseMix(colour=0.0)))
    assert log_reach(black).n_unreached == 0
    effect = reach_effect(black)
    assert (effect.sessions_ratio, effect.sessions_interval) == (None, (None, None))
    assert effect.never_unreached is None
    assert effect.never_reached is not None
    first, second, *_ = effect.to_text().splitlines()
    assert first.startswith("some ink unreached: courses of 0 clients only, too few")
    assert "unreached" not in second


def test_what_never_cleared_bounds_the_sessions_from_below_alone():
    effect = reach_effect(simulate_log(600, seed=7310285, mechanism="practised"))
    low, high = effect.sessions_interval
    assert (effect.sessions_ratio, high) == (None, None)
    assert low > 1.5
    assert f"it needs at least {low:.1f} times the sessions" in effect.to_text()
    few = reach_effect(simulate_log(40, seed=7310211))  # five courses: what is said is the prior
    assert "cannot be said yet. Longer or more courses" in few.to_text()


def test_courses_of_one_client_are_one_clients():
    log = simulate_log(200, seed=7310285)
    one = OutcomeLog.from_frames(log.courses.assign(client_id="P1"), lasers=log.lasers)
    effect = reach_effect(one)
    assert effect.n_clients == (1, 1)
    assert effect.sessions_interval == (None, None)
    assert effect.never_reached is effect.never_unreached is None
    assert log_reach(one).cleared["cleared_by"].isna().all()


def test_where_nobody_cleared_the_effect_says_so():
    log = simulate_log(90, seed=7310248)
    outcome = log.courses["outcome"].replace("cleared", "stopped")
    stopped = OutcomeLog.from_frames(log.courses.assign(outcome=outcome), lasers=log.lasers)
    effect = reach_effect(stopped)
    assert effect.notes[0].code == "reach.nobody_cleared"
    assert "Noch wurde nichts entfernt" in effect.to_text(language="de")


def test_the_models_see_that_unreached_tattoos_take_longer_or_never_clear(invented):
    effect = reach_effect(invented)
    assert effect.sessions_interval[0] > 1
    assert effect.never_unreached[1] > effect.never_reached[0]
    assert effect.notes[0].code == "reach.learnt"
    json.dumps(effect.to_dict())
